#include "analyze/comparison_resample.h"

#include "analyze/comparison_push.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { DRAWS = BOOTSTRAP_DRAWS };

/* The values of one question: a quantity at one speed, of count feeders. */
struct question {
    struct session *s;
    size_t *place; /* of each feeder of the session among those of the question; SIZE_MAX: not of it */
    size_t *feeders, count;
    struct design_value *values; /* those of a feeder follow each other, from start[place] on */
    size_t *start;
    double **means; /* of each feeder's values in each draw of them; NULL: not drawn yet */
    double *room;   /* DRAWS numbers */
    /* The blocks of one series, those of the last pair within blocks. */
    size_t series, blocks; /* SIZE_MAX: none */
    uint32_t *index;
    double *by_block; /* by_block[place * blocks + block]; NAN where there is none */
    double *difference;
    /* The additive model of one family in that series. */
    size_t family; /* SIZE_MAX: none */
    bool complete; /* no member lacks a block: plain means do */
    size_t *row;   /* of each place among the members */
    double *effects;
};

static void forget_blocks(struct question *q)
{
    free(q->index);
    free(q->by_block);
    free(q->difference);
    free(q->effects);
    q->index = NULL;
    q->by_block = q->difference = q->effects = NULL;
    q->series = q->family = SIZE_MAX;
}

static void forget(struct question *q)
{
    forget_blocks(q);
    for (size_t i = 0; q->means != NULL && i < q->count; i++)
        free(q->means[i]);
    free(q->place);
    free(q->feeders);
    free(q->values);
    free(q->start);
    free(q->means);
    free(q->room);
    free(q->row);
}

static enum err_code no_memory(struct err *e)
{
    return err_set(e, ERR_MEMORY, "not enough memory to resample the runs");
}

/* The question of the comparisons from first to last, last not included. */
static enum err_code begin(struct session *s, size_t first, size_t last, bool onset, struct question *q,
                           struct err *e)
{
    size_t n = 0;
    enum err_code code;
    *q = (struct question){.s = s, .series = SIZE_MAX, .family = SIZE_MAX};
    q->place = malloc((s->feeder_count + 1) * sizeof *q->place);
    q->feeders = malloc((s->feeder_count + 1) * sizeof *q->feeders);
    q->start = calloc(s->feeder_count + 2, sizeof *q->start);
    q->means = calloc(s->feeder_count + 1, sizeof *q->means);
    q->row = calloc(s->feeder_count + 1, sizeof *q->row);
    q->room = malloc(DRAWS * sizeof *q->room);
    if (q->place == NULL || q->feeders == NULL || q->start == NULL || q->means == NULL || q->row == NULL ||
        q->room == NULL)
        return no_memory(e);
    for (size_t i = 0; i < s->feeder_count; i++)
        q->place[i] = SIZE_MAX;
    for (size_t i = first; i < last; i++)
        q->place[s->comparisons[i].a] = q->place[s->comparisons[i].b] = 0;
    for (size_t i = 0; i < s->feeder_count; i++) {
        if (q->place[i] == SIZE_MAX)
            continue;
        q->place[i] = q->count;
        q->feeders[q->count++] = i;
    }
    code = comparison_push_values(s, q->feeders, q->count, s->comparisons[first].speed_mm_s, onset,
                                  &q->values, &n, e);
    for (size_t i = 0; code == ERR_OK && i < n; i++)
        q->start[q->values[i].group + 1] = i + 1;
    for (size_t g = 0; g < q->count; g++)
        q->start[g + 1] = q->start[g + 1] > q->start[g] ? q->start[g + 1] : q->start[g];
    return code;
}

/* The means of a feeder's own values in each draw of them. */
static enum err_code draw_feeder(struct question *q, size_t place, struct err *e)
{
    size_t n = q->start[place + 1] - q->start[place];
    double *values = malloc((n + 1) * sizeof *values), *means = malloc(DRAWS * sizeof *means);
    uint32_t *index = malloc((n * DRAWS + 1) * sizeof *index);
    enum err_code code = ERR_OK;
    if (values == NULL || means == NULL || index == NULL)
        code = no_memory(e);
    else
        code = bootstrap_draw(n, DRAWS, BOOTSTRAP_SEED + place, index, e);
    if (code == ERR_OK) {
        for (size_t i = 0; i < n; i++)
            values[i] = q->values[q->start[place] + i].value;
        bootstrap_means(values, n, index, DRAWS, means);
        q->means[place] = means;
    } else {
        free(means);
    }
    free(values);
    free(index);
    return code;
}

static bool of_series(const struct question *q, size_t place, size_t series)
{
    return q->s->feeders[q->feeders[place]].series == series;
}

/* The blocks of a series in which two feeders or more have a value, numbered from 0 in number[]. */
static size_t number_blocks(const struct question *q, size_t series, size_t *number, size_t most)
{
    size_t blocks = 0;
    for (size_t block = 0; block < most; block++) {
        size_t holders = 0;
        for (size_t g = 0; g < q->count; g++) {
            for (size_t i = q->start[g]; of_series(q, g, series) && i < q->start[g + 1]; i++)
                holders += q->values[i].block == block;
        }
        number[block] = holders > 1 ? blocks++ : SIZE_MAX;
    }
    return blocks;
}

/* Draw the blocks of a series, for all pairs in it. */
static enum err_code draw_blocks(struct question *q, size_t series, struct err *e)
{
    size_t most = 0, *number;
    enum err_code code = ERR_OK;
    if (q->series == series)
        return ERR_OK;
    forget_blocks(q);
    for (size_t i = 0; i < q->start[q->count]; i++)
        most = q->values[i].block + 1 > most ? q->values[i].block + 1 : most;
    number = malloc((most + 1) * sizeof *number);
    if (number == NULL)
        return no_memory(e);
    q->blocks = number_blocks(q, series, number, most);
    q->index = malloc((q->blocks * DRAWS + 1) * sizeof *q->index);
    q->by_block = malloc((q->blocks * q->count + 1) * sizeof *q->by_block);
    q->difference = malloc((q->blocks + 1) * sizeof *q->difference);
    if (q->index == NULL || q->by_block == NULL || q->difference == NULL)
        code = no_memory(e);
    else if (q->blocks > 0)
        code = bootstrap_draw(q->blocks, DRAWS, BOOTSTRAP_SEED + series, q->index, e);
    for (size_t g = 0; code == ERR_OK && g < q->count; g++) {
        for (size_t k = 0; k < q->blocks; k++)
            q->by_block[g * q->blocks + k] = NAN;
        for (size_t i = q->start[g]; of_series(q, g, series) && i < q->start[g + 1]; i++) {
            if (number[q->values[i].block] != SIZE_MAX)
                q->by_block[g * q->blocks + number[q->values[i].block]] = q->values[i].value;
        }
    }
    free(number);
    if (code == ERR_OK)
        q->series = series;
    return code;
}

/* Fit the members of a family that are of the series in hand, unless plain means do. */
static enum err_code fit_family(struct question *q, size_t family, struct err *e)
{
    size_t rows = 0, *members;
    const struct comparison_family *f = &q->s->families[family];
    double *values;
    enum err_code code = ERR_OK;
    if (q->family == family)
        return ERR_OK;
    free(q->effects);
    q->effects = NULL;
    q->complete = true;
    members = malloc((f->count + 1) * sizeof *members);
    values = malloc((f->count * q->blocks + 1) * sizeof *values);
    if (members == NULL || values == NULL)
        code = no_memory(e);
    for (size_t i = 0; code == ERR_OK && i < f->count; i++) {
        size_t place = q->place[f->members[i]];
        if (!of_series(q, place, q->series))
            continue;
        q->row[place] = rows;
        for (size_t k = 0; k < q->blocks; k++) {
            values[rows * q->blocks + k] = q->by_block[place * q->blocks + k];
            q->complete = q->complete && !isnan(q->by_block[place * q->blocks + k]);
        }
        rows++;
    }
    if (code == ERR_OK && !q->complete) {
        q->effects = malloc(rows * DRAWS * sizeof *q->effects);
        code = q->effects == NULL
                   ? no_memory(e)
                   : bootstrap_additive(values, rows, q->blocks, q->index, DRAWS, q->effects, e);
    }
    free(members);
    free(values);
    q->family = code == ERR_OK ? family : SIZE_MAX;
    return code;
}

static enum err_code resample_in_blocks(struct question *q, struct comparison *c, struct err *e)
{
    const bool pooled = c->method == DESIGN_METHOD_NAMES[DESIGN_BLOCKS_TUKEY];
    size_t a = q->place[c->a], b = q->place[c->b];
    double *differences;
    enum err_code code = draw_blocks(q, q->s->feeders[c->a].series, e);
    if (code == ERR_OK && q->blocks == 0)
        return ERR_OK;
    if (code == ERR_OK && pooled)
        code = fit_family(q, c->family, e);
    if (code != ERR_OK)
        return code;
    if (pooled && !q->complete) {
        c->resampled = bootstrap_percentile(&q->effects[q->row[a] * DRAWS], &q->effects[q->row[b] * DRAWS],
                                            DRAWS, q->room);
        return ERR_OK;
    }
    differences = malloc(DRAWS * sizeof *differences);
    if (differences == NULL)
        return no_memory(e);
    for (size_t k = 0; k < q->blocks; k++)
        q->difference[k] = q->by_block[a * q->blocks + k] - q->by_block[b * q->blocks + k];
    bootstrap_means(q->difference, q->blocks, q->index, DRAWS, differences);
    c->resampled = bootstrap_percentile(differences, NULL, DRAWS, q->room);
    free(differences);
    return ERR_OK;
}

static enum err_code resample(struct question *q, struct comparison *c, struct err *e)
{
    const size_t places[2] = {q->place[c->a], q->place[c->b]};
    enum err_code code = ERR_OK;
    if (!c->has_p_value || c->method == DESIGN_METHOD_NAMES[DESIGN_CENSORED])
        return ERR_OK;
    if (c->by_blocks)
        return resample_in_blocks(q, c, e);
    for (int i = 0; code == ERR_OK && i < 2; i++) {
        if (q->means[places[i]] == NULL)
            code = draw_feeder(q, places[i], e);
    }
    if (code == ERR_OK)
        c->resampled = bootstrap_percentile(q->means[places[0]], q->means[places[1]], DRAWS, q->room);
    return code;
}

static bool same_question(const struct comparison *a, const struct comparison *b)
{
    return a->test[0] == 0 && b->test[0] == 0 && strcmp(a->quantity, b->quantity) == 0 &&
           a->speed_mm_s == b->speed_mm_s;
}

enum err_code comparison_resample(struct session *s, struct err *e)
{
    enum err_code code = ERR_OK;
    progress_begin(s->progress, "resampling differences", s->comparison_count, s->comparison_count);
    for (size_t first = 0, last; code == ERR_OK && first < s->comparison_count; first = last) {
        struct question q;
        bool judged = false;
        last = first + 1;
        while (last < s->comparison_count && same_question(&s->comparisons[first], &s->comparisons[last]))
            last++;
        for (size_t i = first; i < last; i++)
            judged = judged || s->comparisons[i].has_p_value;
        if (s->comparisons[first].test[0] != 0 || !judged) {
            progress_add(s->progress, last - first, last - first);
            continue;
        }
        code = begin(s, first, last, strcmp(s->comparisons[first].quantity, "slip_onset_n") == 0, &q, e);
        for (size_t i = first; code == ERR_OK && i < last; i++) {
            code = resample(&q, &s->comparisons[i], e);
            progress_add(s->progress, 1, 1);
        }
        forget(&q);
    }
    return code;
}
