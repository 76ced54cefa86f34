#include "analyze/bench_test.h"

#include "analyze/endurance.h"
#include "analyze/free_run.h"
#include "analyze/loaded_feed.h"
#include "analyze/melt_push.h"
#include "analyze/preload_sweep.h"
#include "analyze/push.h"
#include "analyze/reversal.h"
#include "analyze/sweep_outcome.h"

#include <math.h>

static enum err_code analyse_push(const struct run_columns *columns, const struct run_record *record,
                                  const struct calibration *calibration, const struct push_settings *settings,
                                  struct run_finding *run, struct err *e)
{
    return push_analyse_with(columns, record, calibration, settings, &run->push, e);
}

static const struct bench_test {
    bool is_push;
    enum err_code (*analyse)(const struct run_columns *, const struct run_record *,
                             const struct calibration *, const struct push_settings *, struct run_finding *,
                             struct err *);
    enum err_code (*sum_up)(const struct run_result *const *, size_t, const struct bench_test_context *,
                            struct outcome *, struct err *); /* NULL: all there is stands in the points */
} TESTS[PLAN_TEST_KINDS] = {
    [PLAN_BLOCKED_PUSH] = {true, analyse_push, NULL},
    [PLAN_SPEED_SWEEP] = {true, analyse_push, sweep_outcome_sum_up},
    [PLAN_FREE_RUN] = {false, free_run_analyse, free_run_sum_up},
    [PLAN_LOADED_FEED] = {false, loaded_feed_analyse, loaded_feed_sum_up},
    [PLAN_PRELOAD_SWEEP] = {true, analyse_push, preload_sweep_sum_up},
    [PLAN_REVERSAL] = {false, reversal_analyse, reversal_sum_up},
    [PLAN_MELT_PUSH] = {false, melt_push_analyse, melt_push_sum_up},
    [PLAN_ENDURANCE] = {true, analyse_push, endurance_sum_up},
};

bool bench_test_is_push(enum plan_test_kind kind)
{
    return TESTS[kind].is_push;
}

bool bench_test_is_plain_push(enum plan_test_kind kind)
{
    return kind == PLAN_BLOCKED_PUSH || kind == PLAN_SPEED_SWEEP;
}

bool bench_test_has_outcome(enum plan_test_kind kind)
{
    return TESTS[kind].sum_up != NULL;
}

/* Way of the commanded position from sample to sample, forward and back: what went through the nip. From the
 * push on, which begins at 0: until it is armed a rig tells the position at which the run before ended. */
static double fed_mm(const struct run_columns *columns, const struct run_record *record,
                     double per_microstep_mm)
{
    uint64_t sum = 0;
    int64_t before = 0;
    size_t first =
        record->push_end_us > 0 ? run_columns_from(columns, record->push_start_us + 1) : columns->n;
    for (size_t i = first; i < columns->n; i++) {
        int64_t step = columns->commanded_steps[i] - before;
        sum += (uint64_t)(step < 0 ? -step : step);
        before = columns->commanded_steps[i];
    }
    return (double)sum * per_microstep_mm;
}

enum err_code bench_test_run(const struct run_columns *columns, const struct run_record *record,
                             const struct calibration *calibration, const struct push_settings *settings,
                             struct run_finding *run, struct err *e)
{
    run->fed_mm = fed_mm(columns, record, push_feed_per_microstep_mm(record, calibration, NULL));
    return TESTS[record->test].analyse(columns, record, calibration, settings, run, e);
}

enum err_code bench_test_sum_up(enum plan_test_kind kind, const struct run_result *const *runs, size_t count,
                                const struct bench_test_context *context, struct outcome *outcome,
                                struct err *e)
{
    outcome_init(outcome, PLAN_TEST_NAMES[kind]);
    outcome->run_count = count;
    return TESTS[kind].sum_up(runs, count, context, outcome, e);
}
