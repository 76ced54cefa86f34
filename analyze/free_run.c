#include "analyze/free_run.h"

enum err_code free_run_analyse(const struct run_columns *columns, const struct run_record *record,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct run_result *run, struct err *e)
{
    (void)columns;
    (void)record;
    (void)calibration;
    (void)settings;
    (void)run;
    return err_set(e, ERR_NO_ANSWER, "this test is not analysed yet");
}

enum err_code free_run_sum_up(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct outcome *outcome,
                              struct err *e)
{
    (void)runs;
    (void)count;
    (void)context;
    (void)outcome;
    return err_set(e, ERR_NO_ANSWER, "this test is not analysed yet");
}
