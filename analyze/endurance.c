#include "analyze/endurance.h"

enum err_code endurance_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e)
{
    (void)runs;
    (void)count;
    (void)context;
    (void)outcome;
    return err_set(e, ERR_NO_ANSWER, "this test is not analysed yet");
}
