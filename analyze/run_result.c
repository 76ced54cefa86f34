#include "analyze/run_result.h"

#include "analyze/endurance.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* More events than these are not to be told apart in a picture. */
#define EVENTS_MAX 300

/* Where the next piece of a block goes; base NULL: only how large the block must be. */
struct room {
    char *base;
    size_t used;
};

static void *take(struct room *room, size_t count, size_t size, size_t alignment)
{
    size_t at = (room->used + alignment - 1) / alignment * alignment;
    room->used = at + count * size;
    return room->base != NULL && count > 0 ? room->base + at : NULL;
}

static const struct run_budget_kind *intern(struct run_kinds *kinds, const struct budget_component *c)
{
    struct run_budget_kind **grown, *copy;
    for (size_t i = 0; i < kinds->count; i++) {
        if (strcmp(kinds->kind[i]->name, c->name) == 0 && kinds->kind[i]->type == c->type &&
            kinds->kind[i]->operator_estimate == c->operator_estimate)
            return kinds->kind[i];
    }
    grown = realloc(kinds->kind, (kinds->count + 1) * sizeof *grown);
    if (grown == NULL)
        return NULL;
    kinds->kind = grown;
    copy = calloc(1, sizeof *copy);
    if (copy == NULL)
        return NULL;
    memcpy(copy->name, c->name, sizeof copy->name);
    copy->type = c->type;
    copy->operator_estimate = c->operator_estimate;
    kinds->kind[kinds->count++] = copy;
    return copy;
}

void run_kinds_free(struct run_kinds *kinds)
{
    for (size_t i = 0; i < kinds->count; i++)
        free(kinds->kind[i]);
    free(kinds->kind);
    *kinds = (struct run_kinds){0};
}

/* False without memory for a kind. */
static bool put_budget(struct room *room, const struct budget *b, struct run_kinds *kinds,
                       struct run_budget *kept)
{
    struct run_budget_part *parts = take(room, b->count, sizeof *parts, _Alignof(struct run_budget_part));
    kept->count = b->count;
    kept->parts = parts;
    for (size_t i = 0; parts != NULL && i < b->count; i++) {
        const struct budget_component *c = &b->components[i];
        parts[i] = (struct run_budget_part){.kind = intern(kinds, c),
                                            .standard_uncertainty_n = c->standard_uncertainty,
                                            .degrees_of_freedom = c->degrees_of_freedom};
        if (parts[i].kind == NULL)
            return false;
    }
    return true;
}

struct budget run_budget(const struct run_budget *of_run)
{
    struct budget b;
    budget_init(&b);
    for (size_t i = 0; i < of_run->count; i++) {
        const struct run_budget_part *part = &of_run->parts[i];
        struct budget_component c = {.unit = "N",
                                     .standard_uncertainty = part->standard_uncertainty_n,
                                     .sensitivity = 1,
                                     .degrees_of_freedom = part->degrees_of_freedom,
                                     .type = part->kind->type,
                                     .operator_estimate = part->kind->operator_estimate};
        memcpy(c.name, part->kind->name, sizeof c.name);
        budget_add(&b, &c, NULL);
    }
    return b;
}

static void put_texts(struct room *room, const char *first, size_t row, size_t count, struct run_texts *kept)
{
    size_t length = 0;
    char *text;
    for (size_t i = 0; i < count; i++)
        length += strlen(first + i * row) + 1;
    text = take(room, length, 1, 1);
    kept->count = count;
    kept->text = text;
    for (size_t i = 0; text != NULL && i < count; i++)
        text = stpcpy(text, first + i * row) + 1;
}

const char *run_text(const struct run_texts *texts, size_t i)
{
    const char *text = texts->text;
    for (; i > 0; i--)
        text += strlen(text) + 1;
    return text;
}

/* Where the push first reaches force_n. The last column when it never does. */
static double feed_at(const struct push_picture *picture, double force_n)
{
    size_t i = 0;
    while (i + 1 < picture->n && (picture->force_low_n[i] + picture->force_high_n[i]) / 2 < force_n)
        i++;
    return picture->feed_mm[i];
}

/* Columns joined by twos, threes and so on until no more than columns are left; each keeps its least and
 * greatest force. */
static void put_picture(struct room *room, const struct push_result *push, size_t columns,
                        struct run_push *kept)
{
    const struct push_picture *all = &push->picture;
    size_t join = (all->n + columns - 1) / columns, n = (all->n + join - 1) / join;
    size_t stride = 1 + push->event_count / EVENTS_MAX;
    struct run_picture *p = take(room, 1, sizeof *p, _Alignof(struct run_picture));
    double *feed = take(room, n, sizeof *feed, _Alignof(double)),
           *low = take(room, n, sizeof *low, _Alignof(double)),
           *high = take(room, n, sizeof *high, _Alignof(double));
    struct push_event *events =
        take(room, (push->event_count + stride - 1) / stride, sizeof *events, _Alignof(struct push_event));
    if (p == NULL)
        return;
    kept->picture = p;
    *p = (struct run_picture){.n = n, .feed_mm = feed, .force_low_n = low, .force_high_n = high};
    for (size_t i = 0; i < all->n; i++) {
        size_t at = i / join;
        bool first = i % join == 0;
        if (first)
            feed[at] = all->feed_mm[i];
        low[at] = first ? all->force_low_n[i] : fmin(low[at], all->force_low_n[i]);
        high[at] = first ? all->force_high_n[i] : fmax(high[at], all->force_high_n[i]);
    }
    p->events = events;
    for (size_t i = 0; i < push->event_count; i += stride)
        events[p->event_count++] = push->events[i];
    p->feed_end_mm = all->feed_mm[all->n - 1];
    if (push->slip_onset_n.present)
        p->feed_onset_mm = feed_at(all, push->slip_onset_n.value);
}

/* All that needs room of its own. False without memory. */
static bool put_all(struct room *room, struct run_result *run, const struct run_finding *found,
                    struct run_kinds *kinds)
{
    const struct push_result *push = &found->push;
    run->quantities =
        take(room, found->quantity_count, sizeof *run->quantities, _Alignof(struct run_quantity));
    if (run->quantities != NULL)
        memcpy(run->quantities, found->quantities, found->quantity_count * sizeof *run->quantities);
    run->quantity_count = found->quantity_count;
    if (!put_budget(room, &push->stall_budget, kinds, &run->push.stall_budget) ||
        !put_budget(room, &push->onset_budget, kinds, &run->push.onset_budget))
        return false;
    put_texts(room, push->evidence[0], sizeof push->evidence[0], push->evidence_count, &run->push.evidence);
    put_texts(room, push->flags[0], sizeof push->flags[0], push->flag_count, &run->push.flags);
    return true;
}

static struct run_push numbers_of(const struct push_result *push)
{
    return (struct run_push){
        .stall_force_n = push->stall_force_n,
        .slip_onset_n = push->slip_onset_n,
        .creep_per_n = push->creep_per_n,
        .stiffness_n_per_mm = push->stiffness_n_per_mm,
        .drop_period_mm = push->drop_period_mm,
        .approach_feed_ratio = push->approach_feed_ratio,
        .sampling = push->sampling,
        .probability = {push->probability[0], push->probability[1], push->probability[2]},
        .zero_drift_n = push->zero_drift_n,
        .noise_n = push->noise_n,
        .greatest_force_n = push->greatest_force_n,
        .speed_mm_s = push->speed_mm_s,
        .event_count = push->event_count,
        .event_feed_mm = push->event_count > 0 ? push->events[push->event_count / 2].feed_mm : 0,
        .limited_by = push->limited_by,
        .settled = push->settled,
        .with_encoder = push->with_encoder};
}

enum err_code run_result_keep(struct run_result *run, struct run_finding *found, size_t picture_columns,
                              struct run_kinds *kinds, struct err *e)
{
    struct room room = {0}, picture = {0};
    bool with_picture = picture_columns > 0 && found->push.picture.n > 0;
    bool well;
    run_result_free(run);
    run->push = numbers_of(&found->push);
    if (run->record != NULL && run->record->test == PLAN_ENDURANCE)
        run->push.pressed_mm = endurance_pressed_mm(&found->push.picture);
    run->fed_mm = found->fed_mm;
    put_all(&room, run, found, kinds);
    if (with_picture)
        put_picture(&picture, &found->push, picture_columns, &run->push);
    room = (struct room){.base = malloc(room.used + 1)};
    picture = (struct room){.base = with_picture ? malloc(picture.used + 1) : NULL};
    run->room = room.base;
    run->picture_room = picture.base;
    well = room.base != NULL && (!with_picture || picture.base != NULL) && put_all(&room, run, found, kinds);
    if (well && with_picture)
        put_picture(&picture, &found->push, picture_columns, &run->push);
    if (!well) {
        run_result_free(run);
        return err_set(e, ERR_MEMORY, "not enough memory for what a run came to");
    }
    run->trace = found->trace;
    found->trace = (struct run_trace){0};
    run->analysed = true;
    return ERR_OK;
}

enum err_code run_result_refuse(struct run_result *run, const char *why_not, struct err *e)
{
    run_result_free(run);
    run->room = strdup(why_not);
    if (run->room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for why a run was not analysed");
    run->why_not = run->room;
    return ERR_OK;
}

void run_result_forget_picture(struct run_result *run)
{
    free(run->picture_room);
    run->picture_room = NULL;
    run->push.picture = NULL;
}

void run_result_free(struct run_result *run)
{
    free(run->room);
    free(run->picture_room);
    free(run->trace.x);
    free(run->trace.y);
    *run = (struct run_result){.series = run->series, .feeder = run->feeder, .record = run->record};
}
