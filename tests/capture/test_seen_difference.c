/* The difference that a design can see: its table worked out again by the numbers that the analysis uses, and
 * held to R's answers for two feeders. */
#include "analyze/numerics/power.h"
#include "capture/seen_difference.h"

#include <criterion/criterion.h>
#include <gsl/gsl_errno.h>
#include <math.h>

static double worked_out(int feeders, int blocks)
{
    struct power_design design = {.feeders = feeders, .blocks = true, .sd = 1, .level = 0.05};
    double difference = NAN;
    struct err e;
    gsl_set_error_handler_off();
    cr_assert_eq(power_difference(&design, blocks, 0.8, &difference, &e), ERR_OK, "%s", e.text);
    return difference;
}

/* All are printed to four places. */
Test(seen_difference, every_entry_is_what_the_analysis_works_out)
{
    size_t checked = 0;
    for (int feeders = 2; feeders <= SEEN_DIFFERENCE_FEEDERS_MAX; feeders++) {
        for (int blocks = 2; blocks <= SEEN_DIFFERENCE_TABLE_LAST; blocks++) {
            double wanted = worked_out(feeders, blocks);
            cr_assert_float_eq(seen_difference(feeders, blocks), wanted, 0.000051,
                               "%d feeders in %d blocks: %.6f, not %.6f", feeders, blocks,
                               seen_difference(feeders, blocks), wanted);
            checked++;
        }
    }
    cr_assert_eq(checked, 11u * 49u);
}

Test(seen_difference, past_the_table_the_line_holds)
{
    static const int BLOCKS[] = {51, 60, 75, 100, 140, 200};
    for (int feeders = 2; feeders <= SEEN_DIFFERENCE_FEEDERS_MAX; feeders++) {
        for (size_t i = 0; i < sizeof BLOCKS / sizeof BLOCKS[0]; i++) {
            double wanted = worked_out(feeders, BLOCKS[i]);
            cr_assert_float_eq(seen_difference(feeders, BLOCKS[i]) / wanted, 1, 0.0005,
                               "%d feeders in %d blocks: %.6f, not %.6f", feeders, BLOCKS[i],
                               seen_difference(feeders, BLOCKS[i]), wanted);
        }
    }
}

/* R 4.2.2: power.t.test(n, sd = sqrt(2), power = 0.8, type = "paired", strict = TRUE, tol = 1e-10)$delta. The
 * difference of two values with a scatter of 1 scatters by the root of 2. */
Test(seen_difference, two_feeders_agree_with_r)
{
    static const struct {
        int blocks;
        double difference;
    } R[] = {{2, 16.33401},  {3, 4.616055},   {4, 3.009375},   {5, 2.378703},   {8, 1.63488},
             {12, 1.256747}, {20, 0.9340055}, {34, 0.7000754}, {50, 0.5716011}, {200, 0.2815193}};
    for (size_t i = 0; i < sizeof R / sizeof R[0]; i++)
        cr_assert_float_eq(seen_difference(2, R[i].blocks) / R[i].difference, 1,
                           R[i].blocks > SEEN_DIFFERENCE_TABLE_LAST ? 5e-4 : 1e-4,
                           "%d blocks: %.6f, not %.6f", R[i].blocks, seen_difference(2, R[i].blocks),
                           R[i].difference);
}

Test(seen_difference, more_blocks_see_less_and_more_feeders_need_more)
{
    for (int feeders = 2; feeders <= SEEN_DIFFERENCE_FEEDERS_MAX; feeders++) {
        for (int blocks = 3; blocks <= SEEN_DIFFERENCE_BLOCKS_MAX; blocks++)
            cr_assert_lt(seen_difference(feeders, blocks), seen_difference(feeders, blocks - 1),
                         "%d feeders in %d blocks", feeders, blocks);
        for (int blocks = 6; feeders > 2 && blocks <= SEEN_DIFFERENCE_BLOCKS_MAX; blocks++)
            cr_assert_gt(seen_difference(feeders, blocks), seen_difference(feeders - 1, blocks),
                         "%d feeders in %d blocks", feeders, blocks);
    }
}

Test(seen_difference, the_fewest_blocks_see_it_and_one_less_does_not)
{
    static const double RATIOS[] = {0.3137, 0.547, 0.913, 1.417, 2.385, 5.71};
    for (int feeders = 2; feeders <= SEEN_DIFFERENCE_FEEDERS_MAX; feeders += 5) {
        for (size_t i = 0; i < sizeof RATIOS / sizeof RATIOS[0]; i++) {
            int blocks = seen_difference_blocks(feeders, RATIOS[i]);
            if (blocks == 0) {
                cr_assert_gt(seen_difference(feeders, SEEN_DIFFERENCE_BLOCKS_MAX), RATIOS[i]);
                continue;
            }
            cr_assert_leq(seen_difference(feeders, blocks), RATIOS[i]);
            cr_assert(blocks == 2 || seen_difference(feeders, blocks - 1) > RATIOS[i]);
        }
    }
    cr_assert_eq(seen_difference_blocks(3, 0.1), 0);
    cr_assert_eq(seen_difference_blocks(2, 17), 2);
}

Test(seen_difference, what_is_no_design_has_no_answer)
{
    cr_assert(isnan(seen_difference(1, 5)));
    cr_assert(isnan(seen_difference(13, 5)));
    cr_assert(isnan(seen_difference(2, 1)));
    cr_assert(isnan(seen_difference(2, -3)));
    cr_assert_eq(seen_difference_blocks(1, 3), 0);
    cr_assert_eq(seen_difference_blocks(2, NAN), 0);
}
