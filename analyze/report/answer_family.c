#include "analyze/report/answer_family.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ANSWER_LEVEL 0.05 /* of what is called shown */

char *answer_settle(const struct comparison *c, char *buffer, size_t size)
{
    char seen[TEXT_QUANTITY_SIZE], wanted[TEXT_QUANTITY_SIZE], number[48];
    const char *unit = answer_unit(c);
    size_t used = 0;
    buffer[0] = 0;
    if (c->verdict != VERDICT_NO_DIFFERENCE_SHOWN || !(c->seen_difference > 0))
        return buffer;
    used =
        (size_t)snprintf(buffer, size, "These %zu repeats find a difference of %s in 80 %% of such series",
                         (size_t)c->difference.n, text_measure(c->seen_difference, unit, seen, sizeof seen));
    if (used >= size || !(c->wanted_difference > 0))
        return buffer;
    /* One that somebody stated stands as stated; the one that was seen is known to its first digits only. */
    if (c->matters > 0)
        text_measure(c->wanted_difference, unit, wanted, sizeof wanted);
    else
        snprintf(wanted, sizeof wanted, "%s %s", text_number(c->wanted_difference, 2, number, sizeof number),
                 unit);
    if (c->wanted_repeats == 0)
        snprintf(buffer + used, size - used, "; %s would take more repeats than anyone makes", wanted);
    else if (c->matters > 0 && (size_t)c->wanted_repeats <= c->difference.n)
        snprintf(buffer + used, size - used, ", so they would have found the %s that matter", wanted);
    else
        snprintf(buffer + used, size - used, "; %d repeats of each feeder would find %s%s", c->wanted_repeats,
                 wanted, c->matters > 0 ? ", which is what matters" : ", which is what was seen here");
    return buffer;
}

char *answer_among(const struct session *session, const struct comparison *c, char *buffer, size_t size)
{
    char alone[64], among[64];
    buffer[0] = 0;
    if (c->verdict == VERDICT_NO_DIFFERENCE_SHOWN && c->has_p_value && c->p_value_family < ANSWER_LEVEL &&
        session->adjusted_count > 1)
        snprintf(buffer, size,
                 "Asked alone it would be shown (%s); among the %zu questions asked here it is not "
                 "(adjusted %s)",
                 text_p_value(c->p_value_family, alone, sizeof alone), session->adjusted_count,
                 text_p_value(c->p_value, among, sizeof among));
    return buffer;
}

char *answer_accepted(const struct comparison *c, char *buffer, size_t size)
{
    size_t used = 0;
    buffer[0] = 0;
    for (size_t i = 0; i < c->accepted.count; i++) {
        const char *glue = i == 0 ? "Accepted: " : "; ";
        if (used + strlen(glue) + strlen(text_list_at(&c->accepted, i)) >= size)
            break;
        used += (size_t)snprintf(buffer + used, size - used, "%s%s", glue, text_list_at(&c->accepted, i));
    }
    return buffer;
}

size_t answer_family_accepted(const struct session *session, size_t family, const char **texts, size_t max)
{
    size_t count = 0;
    const struct comparison_family *f = &session->families[family];
    for (size_t i = 0; i < f->pair_count; i++) {
        const struct comparison *c = &session->comparisons[f->pairs[i]];
        for (size_t j = 0; j < c->accepted.count; j++) {
            size_t k = 0;
            const char *text = text_list_at(&c->accepted, j);
            while (k < count && strcmp(texts[k], text) != 0)
                k++;
            if (k == count && count < max)
                texts[count++] = text;
        }
    }
    return count;
}

/* "; blocks differ (p = 0.003)". */
static void put_check(FILE *out, const struct anova_test *test, bool holds, const char *yes, const char *no)
{
    char p[32];
    if (test->present)
        fprintf(out, "; %s (%s)", holds ? yes : no, text_p_value(test->p_value, p, sizeof p));
}

static void put_effect(FILE *out, const struct anova_test *test, const char *yes, const char *no)
{
    put_check(out, test, test->p_value < ANSWER_LEVEL, yes, no);
}

char *answer_design(const struct comparison_family *f)
{
    const struct design_result *d = &f->design;
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    if (out == NULL)
        return NULL;
    if (!f->designed) {
        fputs("one value for each feeder, compared by their budgets", out);
    } else {
        fprintf(out, "%s: %zu values", DESIGN_METHOD_NAMES[d->method], d->values);
        if (d->by_blocks)
            fprintf(out, " in %zu blocks%s", d->blocks, d->incomplete ? ", of which some lack a feeder" : "");
        if (d->censored > 0)
            fprintf(out, ", %zu of them only lower bounds", d->censored);
        put_effect(out, &d->feeders, "not all feeders are alike", "that any feeder differs is not shown");
        put_effect(out, &d->block, "blocks differ", "that blocks differ is not shown");
        put_effect(out, &d->order, "the order of the runs has an effect",
                   "an effect of the order of the runs is not shown");
        put_check(out, &d->scatter, d->method == DESIGN_BLOCKS_OWN || d->method == DESIGN_GAMES_HOWELL,
                  "the feeders may scatter differently, so each pair has its own scatter",
                  "that scatter differs is not shown, so it is pooled");
    }
    if (fclose(out) != 0) {
        free(text);
        return NULL;
    }
    return text;
}

bool answer_family_is_headline(const struct session *session, const struct comparison_family *f)
{
    return f->count > 0 && f->test[0] == 0 && strcmp(f->quantity, "stall_force_n") == 0 &&
           answer_at_reference(session, f->speed_mm_s);
}

static struct comparison question_of(const struct comparison_family *f)
{
    struct comparison c = {.a = f->members[0], .speed_mm_s = f->speed_mm_s};
    snprintf(c.quantity, sizeof c.quantity, "%s", f->quantity);
    snprintf(c.test, sizeof c.test, "%s", f->test);
    snprintf(c.setting, sizeof c.setting, "%s", f->setting);
    return c;
}

char *answer_family_about(const struct session *session, const struct comparison_family *f, char *buffer,
                          size_t size)
{
    const struct comparison c = question_of(f);
    char where[64];
    answer_where(&c, where, sizeof where);
    if (f->test[0] == 0)
        snprintf(buffer, size, "%s at %s", answer_quantity(session, &c), where);
    else
        snprintf(buffer, size, "%s%s%s (%s)", answer_quantity(session, &c), where[0] != 0 ? ", " : "", where,
                 f->test);
    return buffer;
}

/* The least half width of an interval of a difference in a family: values are worth comparing to that. */
static double finest(const struct session *session, size_t family)
{
    double least = INFINITY;
    const struct comparison_family *f = &session->families[family];
    for (size_t i = 0; i < f->pair_count; i++) {
        const struct comparison *c = &session->comparisons[f->pairs[i]];
        if (c->has_p_value && c->difference.high_95 > c->difference.low_95)
            least = fmin(least, (c->difference.high_95 - c->difference.low_95) / 2);
    }
    return least;
}

char *answer_family_value(const struct session *session, size_t family, size_t i, char *buffer, size_t size)
{
    const struct comparison_family *f = &session->families[family];
    double half = finest(session, family);
    const char *unit = f->test[0] == 0 ? "N" : text_unit(f->unit);
    char number[48];
    text_rounded(f->value[i], text_decimals(half), number, sizeof number);
    if (!isfinite(half))
        return text_measure(f->value[i], unit, buffer, size);
    snprintf(buffer, size, "%s%s%s", number, unit[0] != 0 ? " " : "", unit);
    return buffer;
}

size_t answer_family_values(const struct comparison_family *f, size_t i)
{
    size_t place = 0;
    if (!f->designed)
        return 0;
    /* The groups of the design are the members in rising order. */
    for (size_t j = 0; j < f->count; j++)
        place += f->members[j] < f->members[i];
    return f->design.count[place];
}

struct quantity answer_simultaneous(const struct session *session, const struct comparison *c)
{
    struct quantity q = c->difference;
    if (!q.present || !isfinite(c->family_low_95) || c->family >= session->family_count ||
        session->families[c->family].count <= 2)
        return quantity_absent();
    q.low_95 = c->family_low_95;
    q.high_95 = c->family_high_95;
    return q;
}

bool answer_resampled_few(const struct comparison *c)
{
    return c->difference.n < BOOTSTRAP_UNITS_FEW;
}

char *answer_resampled(const struct comparison *c, char *buffer, size_t size)
{
    struct quantity q = c->difference;
    char interval[TEXT_QUANTITY_SIZE];
    buffer[0] = 0;
    if (!c->resampled.present)
        return buffer;
    q.low_95 = c->resampled.low_95;
    q.high_95 = c->resampled.high_95;
    snprintf(buffer, size, "Resampled %s: %s", c->by_blocks ? "blocks" : "runs",
             text_interval(&q, answer_unit(c), interval, sizeof interval));
    return buffer;
}

struct result_flags answer_flags(const struct comparison *c)
{
    struct result_flags flags = {.count = 0};
    for (size_t i = 0; i < c->flags.count && i < RESULT_FLAGS_MAX; i++)
        snprintf(flags.text[flags.count++], sizeof flags.text[0], "%s", text_list_at(&c->flags, i));
    return flags;
}
