/* The tests of a kind as the session sees them: what is done with the columns of one run, and how the runs of
 * one feeder are summed up. One row for each kind that a plan can name. No I/O. */
#ifndef ANALYZE_BENCH_TEST_H
#define ANALYZE_BENCH_TEST_H

#include "analyze/analysis.h"
#include "analyze/outcome.h"
#include "analyze/push_budget.h"
#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"

/* Whether a run of this kind is a push into a blocked end, with a stall force. */
bool bench_test_is_push(enum plan_test_kind kind);
/* Whether it is a push under the feeder's own conditions, one of those that points and curves are made of:
 * tests that set conditions anew or wear the gear are not. */
bool bench_test_is_plain_push(enum plan_test_kind kind);
/* Whether its runs are summed up into an outcome; others are told by points and curves alone. */
bool bench_test_has_outcome(enum plan_test_kind kind);

/* Analyse one run into *run: run->push holds zero, noise, flags and, of pushes, all the rest; other tests put
 * what they find into run->quantities. ERR_NO_ANSWER with the reason when the run holds too little. */
enum err_code bench_test_run(const struct run_columns *columns, const struct run_record *record,
                             const struct calibration *calibration, const struct push_settings *settings,
                             struct run_finding *run, struct err *e);

/* What summing up may use beside the runs. */
struct bench_test_context {
    const struct plan *plan;
    const struct calibration *calibration;
    const struct push_settings *settings;
    const struct feeder_result
        *feeder; /* points and torque curve are filled; outcomes of earlier kinds too */
};

/* Sum up the runs of one kind (all of one feeder of one series, count of them, in the order in which they
 * were carried out; those not analysed are among them). *outcome is initialised. ERR_NO_ANSWER with the
 * reason when they allow no answer: the outcome is then not present, and the rest of the session goes on. */
enum err_code bench_test_sum_up(enum plan_test_kind kind, const struct run_result *const *runs, size_t count,
                                const struct bench_test_context *context, struct outcome *outcome,
                                struct err *e);

#endif
