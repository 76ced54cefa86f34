/* What is kept of a run is what was found. */
#include "analyze/run_result.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(run_result, .init = quantity_init_numerics);

static struct run_finding found;

static void add(struct budget *b, const char *name, double u, double degrees_of_freedom, bool estimate)
{
    struct budget_component c = {.unit = "N",
                                 .standard_uncertainty = u,
                                 .sensitivity = 1,
                                 .degrees_of_freedom = degrees_of_freedom,
                                 .type = isinf(degrees_of_freedom) ? BUDGET_TYPE_B : BUDGET_TYPE_A,
                                 .operator_estimate = estimate};
    snprintf(c.name, sizeof c.name, "%s", name);
    cr_assert_eq(budget_add(b, &c, NULL), ERR_OK);
}

/* A finding with all that needs room, told apart by `salt`. columns: of the picture; one of them holds a
 * spike either way. */
static void make_finding(int salt, size_t columns, size_t events)
{
    struct push_result *push = &found.push;
    memset(&found, 0, sizeof found);
    found.quantities[0] =
        (struct run_quantity){.key = "a", .label = "b", .unit = "N", .q = {.present = true, .value = salt}};
    found.quantity_count = 1;
    found.fed_mm = 7.25 + salt;
    push->stall_force_n =
        (struct quantity){.present = true, .value = 61.5 + salt, .standard_uncertainty = 0.3, .n = 4};
    push->slip_onset_n = (struct quantity){.present = true, .value = 40};
    budget_init(&push->stall_budget);
    budget_init(&push->onset_budget);
    add(&push->stall_budget, "scatter", 0.21 + salt, 3, false);
    add(&push->stall_budget, "resolution", 0.02, INFINITY, false);
    add(&push->stall_budget, "preload", 0.4, INFINITY, true);
    add(&push->onset_budget, "resolution", 0.03, INFINITY, false);
    add(&push->onset_budget, "scatter", 0.05, INFINITY, false); /* here of type B */
    snprintf(push->evidence[0], sizeof push->evidence[0], "first of %d", salt);
    push->evidence[1][0] = 0;
    snprintf(push->evidence[2], sizeof push->evidence[2], "%0159d", salt);
    push->evidence_count = 3;
    snprintf(push->flags[0], sizeof push->flags[0], "odd");
    push->flag_count = 1;
    push->event_count = events;
    for (size_t i = 0; i < events; i++)
        push->events[i].feed_mm = (double)i;
    push->picture.n = columns;
    for (size_t i = 0; i < columns; i++) {
        push->picture.feed_mm[i] = 0.1 * (double)i;
        push->picture.force_low_n[i] = (double)i - 0.25;
        push->picture.force_high_n[i] = (double)i + 0.25;
    }
    if (columns > 4) {
        push->picture.force_high_n[columns / 2] = 900;
        push->picture.force_low_n[columns / 3] = -900;
    }
}

static void expect_same_budget(const struct run_budget *kept, const struct budget *b)
{
    struct budget again = run_budget(kept);
    cr_assert_eq(again.count, b->count);
    for (size_t i = 0; i < b->count; i++) {
        const struct budget_component *x = &again.components[i], *y = &b->components[i];
        cr_expect_str_eq(x->name, y->name);
        cr_expect_str_eq(x->unit, y->unit);
        cr_expect(x->standard_uncertainty == y->standard_uncertainty && x->contribution == y->contribution &&
                      x->degrees_of_freedom == y->degrees_of_freedom && x->type == y->type &&
                      x->operator_estimate == y->operator_estimate,
                  "%s", y->name);
    }
    cr_expect_eq(budget_standard_uncertainty(&again), budget_standard_uncertainty(b));
}

Test(run_result, keeps_what_was_found)
{
    static struct run_result runs[3];
    struct run_store store = {0};
    const struct run_record record = {.test = PLAN_BLOCKED_PUSH};
    struct err e = {0};
    for (int k = 0; k < 3; k++) {
        runs[k].record = &record;
        make_finding(k, 10, 5);
        cr_assert_eq(run_result_keep(&runs[k], &found, 0, &store, &e), ERR_OK, "%s", e.text);
        /* Kept again over itself: what it held is let go. */
        cr_assert_eq(run_result_keep(&runs[k], &found, 10, &store, &e), ERR_OK, "%s", e.text);
    }
    cr_expect_eq(store.kind_count, 2, "what budgets consist of is kept once: %zu", store.kind_count);
    for (int k = 0; k < 3; k++) {
        const struct run_push *push = &runs[k].push;
        make_finding(k, 10, 5);
        cr_expect(runs[k].analysed && runs[k].record == &record);
        cr_expect_eq(runs[k].fed_mm, 7.25 + k);
        cr_expect_eq(push->stall_force_n.value, 61.5 + k);
        expect_same_budget(&push->stall_budget, &found.push.stall_budget);
        expect_same_budget(&push->onset_budget, &found.push.onset_budget);
        cr_assert_eq(runs[k].quantity_count, 1);
        cr_expect_eq(runs[k].quantities[0].q.value, k);
        cr_assert_eq(push->evidence.count, 3);
        for (size_t i = 0; i < 3; i++)
            cr_expect_str_eq(run_text(&push->evidence, i), found.push.evidence[i]);
        cr_expect_str_eq(run_text(&push->flags, 0), "odd");
        cr_expect_eq(push->event_feed_mm, 2, "the middle one of 0 to 4");
        run_result_free(&runs[k]);
        cr_expect(!runs[k].analysed && runs[k].record == &record && runs[k].why_room == NULL);
    }
    run_store_free(&store);
}

/* Moved to another place it says the same, and nothing of it points to the old one. */
Test(run_result, what_was_kept_stands_being_moved)
{
    static struct run_result run;
    const struct run_record record = {.test = PLAN_BLOCKED_PUSH};
    const struct run_picture *p;
    struct run_store store;
    struct err e = {0};
    run.record = &record;
    make_finding(2, 10, 5);
    found.trace = (struct run_trace){2, malloc(2 * sizeof(double)), malloc(2 * sizeof(double))};
    memcpy(found.trace.x, (double[]){0.25, 7.5}, 2 * sizeof(double));
    memcpy(found.trace.y, (double[]){-3.5, 61}, 2 * sizeof(double));
    cr_assert_eq(run_store_begin(&store, 1, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_result_keep(&run, &found, 10, &store, &e), ERR_OK, "%s", e.text);
    run_store_end(&store);
    uintptr_t before = (uintptr_t)run.picture_room;
    run_result_settle(&run);
    cr_expect_neq((uintptr_t)run.picture_room, before);
    p = run.push.picture;
    cr_assert_eq(p->n, 10);
    for (size_t i = 0; i < p->n; i++) {
        cr_expect_eq(p->feed_mm[i], found.push.picture.feed_mm[i]);
        cr_expect_eq(p->force_low_n[i], found.push.picture.force_low_n[i]);
        cr_expect_eq(p->force_high_n[i], found.push.picture.force_high_n[i]);
    }
    cr_assert_eq(p->event_count, 5);
    for (size_t i = 0; i < 5; i++)
        cr_expect_eq(p->events[i].feed_mm, found.push.events[i].feed_mm);
    cr_expect(run.trace.n == 2 && run.trace.x[1] == 7.5 && run.trace.y[0] == -3.5);
    cr_expect_str_eq(run_text(&run.push.evidence, 2), found.push.evidence[2], "sentences stay");
    run_result_forget_picture(&run);
    run_result_settle(&run);
    cr_expect_null(run.push.picture);
    run_result_free(&run);
    run_store_free(&store);
}

/* Equal sentences are there once, and others are not mixed. */
Test(run_result, sentences_of_many_runs_are_shared)
{
    static struct run_result runs[400];
    struct run_store store = {0};
    struct err e = {0};
    for (int k = 0; k < 400; k++) {
        make_finding(k / 2, 0, 0);
        cr_assert_eq(run_result_keep(&runs[k], &found, 0, &store, &e), ERR_OK, "%s", e.text);
    }
    for (int k = 0; k < 400; k++) {
        const struct run_texts *texts = &runs[k].push.evidence;
        make_finding(k / 2, 0, 0);
        for (size_t i = 0; i < 3; i++)
            cr_expect_str_eq(run_text(texts, i), found.push.evidence[i], "%d", k);
        cr_expect_eq(run_text(&runs[k].push.flags, 0), run_text(&runs[0].push.flags, 0), "%d", k);
    }
    cr_expect_eq(run_text(&runs[0].push.evidence, 2), run_text(&runs[1].push.evidence, 2));
    cr_expect_neq(run_text(&runs[0].push.evidence, 2), run_text(&runs[2].push.evidence, 2));
    for (int k = 0; k < 400; k++)
        run_result_free(&runs[k]);
    run_store_free(&store);
}

static const struct run_budget_kind *kind_kept(const struct budget *b, struct run_store *store,
                                               struct run_result *run)
{
    struct err e = {0};
    make_finding(1, 10, 5);
    found.push.stall_budget = *b;
    budget_init(&found.push.onset_budget);
    cr_assert_eq(run_result_keep(run, &found, 0, store, &e), ERR_OK, "%s", e.text);
    expect_same_budget(&run->push.stall_budget, b);
    cr_expect_null(run->push.onset_budget.kind, "an empty budget is none");
    return run->push.stall_budget.kind;
}

/* Whatever of a budget's parts differs, it is no longer of that kind; their numbers may. */
Test(run_result, budgets_that_differ_in_any_part_are_not_mixed)
{
    static struct run_result run;
    struct run_store store = {0};
    struct budget first, other;
    budget_init(&first);
    add(&first, "scatter", 0.31, 7, false);
    add(&first, "preload", 0.12, INFINITY, true);
    const struct run_budget_kind *kind = kind_kept(&first, &store, &run);
    for (int what = 0; what < 7; what++) {
        other = first;
        switch (what) {
        case 0:
            other.components[0].degrees_of_freedom = 8.5;
            other.components[1].standard_uncertainty = other.components[1].contribution = 0.47;
            cr_expect_eq(kind_kept(&other, &store, &run), kind, "numbers are the run's own");
            continue;
        case 1:
            strcpy(other.components[0].name, "scattee");
            break;
        case 2:
            other.components[0].type = BUDGET_TYPE_B;
            break;
        case 3:
            other.components[1].operator_estimate = false;
            break;
        case 4:
            other.components[0].degrees_of_freedom = INFINITY;
            break;
        case 5:
            other.components[1].degrees_of_freedom = 3.25;
            break;
        case 6:
            add(&other, "one more", 0.2, INFINITY, false);
            break;
        }
        cr_expect_neq(kind_kept(&other, &store, &run), kind, "%d", what);
        cr_expect_eq(store.kind_count, (size_t)what + 1, "%d: %zu", what, store.kind_count);
    }
    cr_expect_eq(kind_kept(&first, &store, &run), kind);
    run_result_free(&run);
    run_store_free(&store);
}

/* However few columns are left, no extreme is lost, feed rises from the first, and none comes twice. */
Test(run_result, pictures_keep_their_extremes)
{
    static const size_t columns[] = {1, 2, 9, 10, 599, 600};
    struct run_store store = {0};
    struct err e = {0};
    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++) {
        for (size_t most = 1; most <= 700; most += most / 3 + 1) {
            static struct run_result run;
            double low = INFINITY, high = -INFINITY, true_low = INFINITY, true_high = -INFINITY;
            make_finding(1, columns[i], PUSH_EVENTS_MAX);
            cr_assert_eq(run_result_keep(&run, &found, most, &store, &e), ERR_OK, "%s", e.text);
            const struct run_picture *p = run.push.picture;
            cr_assert_not_null(p);
            cr_expect(p->n >= 1 && p->n <= most && p->n <= columns[i], "%zu of %zu, at most %zu", p->n,
                      columns[i], most);
            cr_expect(2 * p->n > (most < columns[i] ? most : columns[i]), "%zu of %zu: room for %zu", p->n,
                      columns[i], most);
            for (size_t k = 0; k < p->n; k++) {
                low = fmin(low, p->force_low_n[k]);
                high = fmax(high, p->force_high_n[k]);
                cr_expect(k == 0 ? p->feed_mm[0] == 0 : p->feed_mm[k] > p->feed_mm[k - 1]);
            }
            for (size_t k = 0; k < columns[i]; k++) {
                true_low = fmin(true_low, found.push.picture.force_low_n[k]);
                true_high = fmax(true_high, found.push.picture.force_high_n[k]);
            }
            cr_expect(low == true_low && high == true_high, "%zu columns in %zu: %g to %g", columns[i], most,
                      low, high);
            cr_expect_eq(p->feed_end_mm, found.push.picture.feed_mm[columns[i] - 1]);
            cr_expect(p->event_count > 100 && p->event_count <= 300 && p->events[0].feed_mm == 0,
                      "%zu events", p->event_count);
            run_result_forget_picture(&run);
            cr_expect(run.push.picture == NULL && run.push.stall_force_n.present);
            run_result_free(&run);
        }
    }
    run_store_free(&store);
}

Test(run_result, a_refusal_says_why)
{
    struct run_result run = {0};
    struct run_store store = {0};
    struct err e = {0};
    char why[] = "no motion";
    make_finding(1, 10, 2);
    cr_assert_eq(run_result_keep(&run, &found, 5, &store, &e), ERR_OK);
    cr_assert_eq(run_result_refuse(&run, why, &e), ERR_OK);
    why[0] = 0;
    cr_expect_str_eq(run.why_not, "no motion");
    cr_expect(!run.analysed && run.push.picture == NULL && !run.push.stall_force_n.present);
    run_result_free(&run);
    run_store_free(&store);
}
