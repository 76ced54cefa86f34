#include "capture/bench_setup.h"

#include "datasets/format/column.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* Whether the condition is the same in both, unstated in both included. */
static bool same_number(const struct plan_run *a, const struct plan_run *b, enum condition_id id)
{
    const struct conditions *x = &a->conditions;
    const struct conditions *y = &b->conditions;
    return x->stated[id] == y->stated[id] && (!x->stated[id] || x->number[id] == y->number[id]);
}

static enum plan_end end_of(const struct bench_setup *bench, const struct plan_run *run)
{
    return plan_end_of(bench->plan->tests[run->test].kind);
}

void bench_setup_init(struct bench_setup *bench, const struct plan *plan, const struct plan_run *runs,
                      size_t run_count)
{
    bool plain = true;
    *bench = (struct bench_setup){.plan = plan, .runs = runs, .run_count = run_count};
    for (size_t i = 0; i < run_count; i++) {
        enum plan_test_kind kind = plan->tests[runs[i].test].kind;
        const struct conditions *c = &runs[i].conditions;
        plain = plain && (kind == PLAN_BLOCKED_PUSH || kind == PLAN_SPEED_SWEEP) &&
                same_number(&runs[i], &runs[0], CONDITION_NIP_PRELOAD_N) &&
                same_number(&runs[i], &runs[0], CONDITION_GUIDE_TUBE_BEND_DEG);
        bench->tells_tube = bench->tells_tube || c->stated[CONDITION_GUIDE_TUBE_BEND_DEG];
        bench->tells_preload = bench->tells_preload || c->stated[CONDITION_NIP_PRELOAD_N];
    }
    bench->tells_end = !plain;
    bench->tells_tube = bench->tells_tube && !plain;
    bench->tells_preload = bench->tells_preload && !plain;
}

/* A line to which one thing after another is added. */
struct line {
    char *text;
    size_t size, used;
    int things;
};

static void add(struct line *line, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* What does not fit is cut off. */
static void add(struct line *line, const char *format, ...)
{
    va_list arguments;
    int n;
    va_start(arguments, format);
    n = vsnprintf(line->text + line->used, line->size - line->used, format, arguments);
    va_end(arguments);
    if (n > 0)
        line->used += (size_t)n < line->size - line->used ? (size_t)n : line->size - line->used - 1;
}

static void begin_thing(struct line *line, const struct plan_run *run)
{
    if (line->things++ == 0)
        add(line, "Block %d: ", run->block);
    else
        add(line, "; ");
}

static void tell_mounting(struct line *line, const struct bench_setup *bench, const struct plan_run *run)
{
    const struct plan_feeder *feeder = &bench->plan->feeders[run->feeder];
    begin_thing(line, run);
    add(line, "mount feeder %s", feeder->name);
    if (feeder->description[0] != 0)
        add(line, " (%s)", feeder->description);
}

static void tell_end(struct line *line, const struct bench_setup *bench, const struct plan_run *before,
                     const struct plan_run *run)
{
    const struct conditions *c = &run->conditions;
    enum plan_end end = end_of(bench, run);
    bool fit = before == NULL || end_of(bench, before) != end;
    bool was_hot = before != NULL && fit && end_of(bench, before) == PLAN_END_HOT;
    bool set =
        fit || !same_number(before, run,
                            end == PLAN_END_BRAKE ? CONDITION_BRAKE_LOAD_N : CONDITION_HOT_END_TEMPERATURE_C);
    if (!fit && !(set && (end == PLAN_END_BRAKE || end == PLAN_END_HOT)))
        return;
    begin_thing(line, run);
    if (was_hot)
        add(line, "take the hot end away, which may still burn; ");
    switch (end) {
    case PLAN_END_BRAKE:
        add(line, "%s", fit ? "fit the brake" : "set the brake");
        if (c->stated[CONDITION_BRAKE_LOAD_N])
            add(line, "%s to %g N", fit ? " and set it" : "", c->number[CONDITION_BRAKE_LOAD_N]);
        break;
    case PLAN_END_HOT:
        add(line, "%s", fit ? "fit the hot end" : "set the hot end");
        if (c->stated[CONDITION_HOT_END_TEMPERATURE_C])
            add(line, "%s to %g %s", fit ? " and set it" : "", c->number[CONDITION_HOT_END_TEMPERATURE_C],
                CONDITION_KINDS[CONDITION_HOT_END_TEMPERATURE_C].symbol);
        add(line, ", wait until it is at temperature (it burns, and melts fume: ventilate)");
        break;
    case PLAN_END_FREE:
        add(line, "leave the end of the filament free");
        break;
    case PLAN_END_BLOCKED:
    case PLAN_ENDS:
        add(line, "fit the blocked end");
        break;
    }
}

static void tell_tube(struct line *line, const struct plan_run *before, const struct plan_run *run)
{
    enum condition_id id = CONDITION_GUIDE_TUBE_BEND_DEG;
    bool was_there = before != NULL && before->conditions.stated[id] && before->conditions.number[id] > 0;
    double bend_deg = run->conditions.number[id];
    if (!run->conditions.stated[id] || (before != NULL && same_number(before, run, id)))
        return;
    begin_thing(line, run);
    if (bend_deg > 0)
        add(line, "%s %g degrees in all",
            was_there ? "bend the guide tube to" : "fit the guide tube, bent by", bend_deg);
    else
        add(line, "%s", was_there ? "take the guide tube away" : "fit no guide tube");
}

bool bench_setup_change(const struct bench_setup *bench, size_t index, char *text, size_t size)
{
    const struct plan_run *run = &bench->runs[index];
    const struct plan_run *before = index > 0 ? run - 1 : NULL;
    bool mount = before == NULL || before->feeder != run->feeder || before->block != run->block;
    struct line line = {.text = text, .size = size};
    text[0] = 0;
    if (mount)
        tell_mounting(&line, bench, run);
    if (bench->tells_end)
        tell_end(&line, bench, before, run);
    if (bench->tells_tube)
        tell_tube(&line, before, run);
    if (bench->tells_preload && run->conditions.stated[CONDITION_NIP_PRELOAD_N] &&
        (mount || !same_number(before, run, CONDITION_NIP_PRELOAD_N))) {
        begin_thing(&line, run);
        add(&line, "set the nip preload to %g N", run->conditions.number[CONDITION_NIP_PRELOAD_N]);
    }
    if (run->clean_before) {
        begin_thing(&line, run);
        add(&line, "clean the drive gear");
    }
    return line.things > 0;
}

/* Every feeder whose free length may buckle in any test that pushes against something. */
static void warn_of_buckling(const struct bench_setup *bench, void (*tell)(void *context, const char *text),
                             void *context)
{
    const struct plan *plan = bench->plan;
    bool pushes = false;
    for (size_t i = 0; i < plan->test_count; i++)
        pushes = pushes || plan_end_of(plan->tests[i].kind) != PLAN_END_FREE;
    for (size_t i = 0; pushes && i < plan->feeder_count; i++) {
        char why[400];
        char text[BENCH_SETUP_TEXT_MAX];
        if (!column_may_buckle(&plan->feeders[i].conditions, plan->force_limit_n, why, sizeof why))
            continue;
        snprintf(text, sizeof text, "feeder %s: %s", plan->feeders[i].name, why);
        tell(context, text);
    }
}

static void warn_of_unknown_temperature(const struct bench_setup *bench, const struct plan_test *test,
                                        void (*tell)(void *context, const char *text), void *context)
{
    const struct plan *plan = bench->plan;
    char text[BENCH_SETUP_TEXT_MAX];
    struct line line = {.text = text, .size = sizeof text};
    if (test->hot_end_temperature_count > 0)
        return;
    for (size_t i = 0; i < plan->feeder_count; i++) {
        if (!plan->feeders[i].conditions.stated[CONDITION_HOT_END_TEMPERATURE_C])
            add(&line, "%s%s", line.things++ == 0 ? "" : ", ", plan->feeders[i].name);
    }
    if (line.things > 0) {
        char whole[BENCH_SETUP_TEXT_MAX];
        snprintf(whole, sizeof whole,
                 "melt-push: no hot end temperature is stated (%.600s), neither in the test nor as a "
                 "condition: no "
                 "load line can be given",
                 text);
        tell(context, whole);
    }
}

void bench_setup_warn(const struct bench_setup *bench, bool rig_has_encoder,
                      void (*tell)(void *context, const char *text), void *context)
{
    const struct plan *plan = bench->plan;
    warn_of_buckling(bench, tell, context);
    for (size_t i = 0; i < plan->test_count; i++) {
        if (plan->tests[i].kind == PLAN_MELT_PUSH)
            warn_of_unknown_temperature(bench, &plan->tests[i], tell, context);
        else if (plan->tests[i].kind == PLAN_LOADED_FEED && !rig_has_encoder)
            tell(context, "loaded-feed: this rig has no encoder, so lost feed cannot be told");
        else if (plan->tests[i].kind == PLAN_FREE_RUN && !rig_has_encoder)
            tell(context,
                 "free-run: this rig has no encoder, so feed ripple and feed per step cannot be told");
    }
}
