#include "analyze/run_result.h"

#include "analyze/endurance.h"

#include <math.h>
#include <search.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* More events than these are not to be told apart in a picture. */
#define EVENTS_MAX 300

/* The rooms of many runs stand together in few large blocks. One by one they would come to lie between what
 * the analysis of a run takes and gives back, and what is given back between them is too small for the next
 * run: memory would grow by several times what is kept. A page of a block that no run has come to is not in
 * memory, so that a block may well be too large. */
#define ROOM_BYTES  1024 /* of a run: about twice what a push needs */
#define BLOCK_BYTES 65536
struct run_block {
    struct run_block *before;
    size_t size, used;
    _Alignas(max_align_t) char bytes[];
};

/* Where the next piece of a room goes; base NULL: only how large it must be. */
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

/* One more block, with room for that much; false without memory. */
static bool add_block(struct run_store *store, size_t room)
{
    struct run_block *block;
    room = room > BLOCK_BYTES ? room : BLOCK_BYTES;
    block = malloc(sizeof *block + room);
    if (block == NULL)
        return false;
    *block = (struct run_block){.before = store->last_block, .size = room};
    store->last_block = block;
    return true;
}

enum err_code run_store_begin(struct run_store *store, size_t runs, struct err *e)
{
    *store = (struct run_store){0};
    return add_block(store, runs * ROOM_BYTES)
               ? ERR_OK
               : err_set(e, ERR_MEMORY, "not enough memory for what %zu runs come to", runs);
}

/* A place of that size; NULL without memory. */
static char *room_in(struct run_store *store, size_t size, size_t alignment)
{
    struct run_block *block = store->last_block;
    size_t at = block != NULL ? (block->used + alignment - 1) / alignment * alignment : 0;
    if (block == NULL || at + size > block->size) {
        if (!add_block(store, size))
            return NULL;
        block = store->last_block;
        at = 0;
    }
    block->used = at + size;
    return block->bytes + at;
}

/* What the parts of a budget are. */
static struct run_budget_kind kind_of(const struct budget *b)
{
    struct run_budget_kind kind = {.count = b->count};
    for (size_t i = 0; i < b->count; i++) {
        const struct budget_component *c = &b->components[i];
        struct run_budget_part *part = &kind.part[i];
        memcpy(part->name, c->name, sizeof part->name);
        part->type = c->type;
        part->operator_estimate = c->operator_estimate;
        part->exact = isinf(c->degrees_of_freedom);
    }
    return kind;
}

static bool same_kind(const struct run_budget_kind *a, const struct run_budget_kind *b)
{
    bool same = a->count == b->count;
    for (size_t i = 0; same && i < a->count; i++) {
        const struct run_budget_part *x = &a->part[i], *y = &b->part[i];
        same = strcmp(x->name, y->name) == 0 && x->type == y->type &&
               x->operator_estimate == y->operator_estimate && x->exact == y->exact;
    }
    return same;
}

/* The one copy of a kind; NULL without memory. */
static const struct run_budget_kind *intern(struct run_store *store, const struct run_budget_kind *kind)
{
    struct run_budget_kind **grown, *copy;
    for (size_t i = 0; i < store->kind_count; i++) {
        if (same_kind(store->kind[i], kind))
            return store->kind[i];
    }
    grown = realloc(store->kind, (store->kind_count + 1) * sizeof *grown);
    if (grown == NULL)
        return NULL;
    store->kind = grown;
    copy = (struct run_budget_kind *)room_in(store, sizeof *copy, _Alignof(struct run_budget_kind));
    if (copy == NULL)
        return NULL;
    *copy = *kind;
    store->kind[store->kind_count++] = copy;
    return copy;
}

/* A sentence goes with its block. */
static void leave_text(void *text)
{
    (void)text;
}

void run_store_end(struct run_store *store)
{
    tdestroy(store->sentences, leave_text);
    store->sentences = NULL;
}

void run_store_free(struct run_store *store)
{
    run_store_end(store);
    free(store->kind);
    while (store->last_block != NULL) {
        struct run_block *before = store->last_block->before;
        free(store->last_block);
        store->last_block = before;
    }
    *store = (struct run_store){0};
}

/* False without memory for a kind. */
static bool put_budget(struct room *room, const struct budget *b, struct run_store *store,
                       struct run_budget *kept)
{
    const struct run_budget_kind kind = kind_of(b);
    size_t finite = 0;
    double *number;
    *kept = (struct run_budget){0};
    if (b->count == 0)
        return true;
    for (size_t i = 0; i < kind.count; i++)
        finite += !kind.part[i].exact;
    number = take(room, kind.count + finite, sizeof *number, _Alignof(double));
    if (number == NULL)
        return true;
    *kept = (struct run_budget){.kind = intern(store, &kind), .number = number};
    for (size_t i = 0, next = kind.count; i < kind.count; i++) {
        number[i] = b->components[i].standard_uncertainty;
        if (!kind.part[i].exact)
            number[next++] = b->components[i].degrees_of_freedom;
    }
    return kept->kind != NULL;
}

struct budget run_budget(const struct run_budget *of_run)
{
    const struct run_budget_kind *kind = of_run->kind;
    struct budget b;
    budget_init(&b);
    for (size_t i = 0, next = kind != NULL ? kind->count : 0; kind != NULL && i < kind->count; i++) {
        const struct run_budget_part *part = &kind->part[i];
        struct budget_component c = {.unit = "N",
                                     .standard_uncertainty = of_run->number[i],
                                     .sensitivity = 1,
                                     .degrees_of_freedom = part->exact ? INFINITY : of_run->number[next++],
                                     .type = part->type,
                                     .operator_estimate = part->operator_estimate};
        memcpy(c.name, part->name, sizeof c.name);
        budget_add(&b, &c, NULL);
    }
    return b;
}

static int compare_texts(const void *a, const void *b)
{
    return strcmp(a, b);
}

/* The one copy of a sentence; NULL without memory. */
static const char *intern_text(struct run_store *store, const char *text)
{
    /* A node of the tree begins with its sentence. */
    const char *const *node = tfind(text, &store->sentences, compare_texts);
    size_t length = strlen(text) + 1;
    char *copy;
    if (node != NULL)
        return *node;
    copy = room_in(store, length, 1);
    if (copy == NULL)
        return NULL;
    memcpy(copy, text, length);
    return tsearch(copy, &store->sentences, compare_texts) != NULL ? copy : NULL;
}

/* False without memory for a sentence. */
static bool put_texts(struct room *room, const char *first, size_t row, size_t count, struct run_store *store,
                      struct run_texts *kept)
{
    const char **text = take(room, count, sizeof *text, _Alignof(const char *));
    *kept = (struct run_texts){.count = count, .text = text};
    for (size_t i = 0; text != NULL && i < count; i++) {
        text[i] = intern_text(store, first + i * row);
        if (text[i] == NULL)
            return false;
    }
    return true;
}

const char *run_text(const struct run_texts *texts, size_t i)
{
    return texts->text[i];
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
    *p = (struct run_picture){
        .n = n, .feed_mm = feed, .force_low_n = low, .force_high_n = high, .room_bytes = room->used};
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
                    struct run_store *store)
{
    const struct push_result *push = &found->push;
    run->quantities =
        take(room, found->quantity_count, sizeof *run->quantities, _Alignof(struct run_quantity));
    if (run->quantities != NULL)
        memcpy(run->quantities, found->quantities, found->quantity_count * sizeof *run->quantities);
    run->quantity_count = found->quantity_count;
    if (!put_budget(room, &push->stall_budget, store, &run->push.stall_budget) ||
        !put_budget(room, &push->onset_budget, store, &run->push.onset_budget))
        return false;
    return put_texts(room, push->evidence[0], sizeof push->evidence[0], push->evidence_count, store,
                     &run->push.evidence) &&
           put_texts(room, push->flags[0], sizeof push->flags[0], push->flag_count, store, &run->push.flags);
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
                              struct run_store *store, struct err *e)
{
    struct room room = {0}, picture = {0};
    bool with_picture = picture_columns > 0 && found->push.picture.n > 0;
    bool well;
    run_result_free(run);
    run->push = numbers_of(&found->push);
    if (run->record != NULL && run->record->test == PLAN_ENDURANCE)
        run->push.pressed_mm = endurance_pressed_mm(&found->push.picture);
    run->fed_mm = found->fed_mm;
    put_all(&room, run, found, store);
    if (with_picture)
        put_picture(&picture, &found->push, picture_columns, &run->push);
    room = (struct room){.base = room_in(store, room.used, _Alignof(max_align_t))};
    picture = (struct room){.base = with_picture ? malloc(picture.used + 1) : NULL};
    run->picture_room = picture.base;
    well = room.base != NULL && (!with_picture || picture.base != NULL) && put_all(&room, run, found, store);
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
    run->why_room = strdup(why_not);
    if (run->why_room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for why a run was not analysed");
    run->why_not = run->why_room;
    return ERR_OK;
}

void run_result_forget_picture(struct run_result *run)
{
    free(run->picture_room);
    run->picture_room = NULL;
    run->push.picture = NULL;
}

/* A piece of memory in another place: where malloc of this thread puts it, or without memory where it is. */
static void *moved(void *piece, size_t bytes)
{
    void *copy = piece == NULL ? NULL : malloc(bytes);
    if (copy == NULL)
        return piece;
    memcpy(copy, piece, bytes);
    free(piece);
    return copy;
}

/* What pointed to a place in one room, to the same in another. */
static void *place_in(char *room, const char *before, const void *place)
{
    return place == NULL ? NULL : room + ((const char *)place - before);
}

/* The picture, which lies in one room, with what it points to. */
static void settle_picture(struct run_result *run)
{
    char *before = run->picture_room;
    size_t bytes = run->push.picture->room_bytes;
    char *room = malloc(bytes);
    struct run_picture *picture;
    if (room == NULL)
        return;
    memcpy(room, before, bytes);
    picture = place_in(room, before, run->push.picture);
    picture->feed_mm = place_in(room, before, picture->feed_mm);
    picture->force_low_n = place_in(room, before, picture->force_low_n);
    picture->force_high_n = place_in(room, before, picture->force_high_n);
    picture->events = place_in(room, before, picture->events);
    run->push.picture = picture;
    run->picture_room = room;
    free(before);
}

void run_result_settle(struct run_result *run)
{
    run->trace.x = moved(run->trace.x, run->trace.n * sizeof *run->trace.x);
    run->trace.y = moved(run->trace.y, run->trace.n * sizeof *run->trace.y);
    if (run->picture_room != NULL)
        settle_picture(run);
}

void run_result_free(struct run_result *run)
{
    free(run->why_room);
    free(run->picture_room);
    free(run->trace.x);
    free(run->trace.y);
    *run = (struct run_result){.series = run->series, .feeder = run->feeder, .record = run->record};
}
