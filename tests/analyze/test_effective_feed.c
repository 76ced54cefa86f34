#include "analyze/effective_feed.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RUNS_MOST 30

static struct bench {
    struct run_record records[RUNS_MOST];
    struct run_result results[RUNS_MOST];
    struct run_quantity quantities[RUNS_MOST];
    const struct run_result *runs[RUNS_MOST];
    size_t count;
    struct calibration calibration;
    struct outcome outcome;
    struct err e;
} s;

static void begin(void)
{
    quantity_init_numerics();
    memset(&s, 0, sizeof s);
    s.calibration.encoder_mm_per_count = -0.005;
    s.calibration.encoder_standard_uncertainty_mm_per_count = 0.000011;
    outcome_init(&s.outcome, "free-run");
}
static void end(void)
{
    outcome_free(&s.outcome);
}
TestSuite(effective_feed, .init = begin, .fini = end);

/* own: standard uncertainty beside the scale of the encoder. */
static void add(double preload_n, double ratio, double own)
{
    struct run_result *r = &s.results[s.count];
    record_state(&s.records[s.count], CONDITION_NIP_PRELOAD_N, preload_n);
    r->record = &s.records[s.count];
    r->analysed = true;
    r->quantity_count = 1;
    r->quantities = &s.quantities[s.count];
    r->quantities[0].q = quantity_from(ratio, hypot(own, 0.0022), INFINITY, 1);
    s.runs[s.count++] = r;
}

static void sum_up(void)
{
    cr_assert_eq(effective_feed_sum_up(s.runs, s.count, 0, &s.calibration, &s.outcome, &s.e), ERR_OK, "%s",
                 s.e.text);
}

static const struct quantity *at(const char *setting)
{
    const struct outcome_quantity *q = outcome_find(&s.outcome, "effective_feed_ratio", setting);
    cr_assert_not_null(q, "%s", setting);
    return &q->q;
}

Test(effective_feed, the_scale_of_the_encoder_is_relative_and_0_without_one)
{
    cr_expect_float_eq(effective_feed_encoder_relative(&s.calibration), 0.0022, 1e-12);
    s.calibration.encoder_mm_per_count = 0;
    cr_expect_eq(effective_feed_encoder_relative(&s.calibration), 0);
}

Test(effective_feed, each_preload_has_its_mean_and_the_scale_counts_once)
{
    add(137, 0.9961, 0.0003);
    add(61, 1.0007, 0.0003);
    add(137, 0.9967, 0.0003);
    add(61, 1.0001, 0.0003);
    sum_up();
    cr_expect_float_eq(at("at 61 N of nip preload")->value, 1.0004, 1e-12);
    cr_expect_float_eq(at("at 137 N of nip preload")->value, 0.9964, 1e-12);
    cr_expect_float_eq(at("at 61 N of nip preload")->standard_uncertainty, hypot(0.0003 / sqrt(2), 0.0022),
                       1e-9);
}

Test(effective_feed, a_fall_past_a_preload_is_a_dent_though_the_scale_is_not_known_so_well)
{
    add(61, 1.0004, 0.0002);
    add(93, 1.0002, 0.0002);
    add(137, 0.9981, 0.0002);
    sum_up();
    cr_assert_eq(s.outcome.warning_count, 1);
    cr_expect(strstr(s.outcome.warnings[0], "past 93 N of nip preload") != NULL, "%s", s.outcome.warnings[0]);
    cr_expect(strstr(s.outcome.warnings[0], "0.21 % at 137 N") != NULL, "%s", s.outcome.warnings[0]);
}

Test(effective_feed, a_fall_within_the_scatter_or_of_no_size_is_no_dent)
{
    add(61, 1.0004, 0.0004);
    add(137, 0.9991, 0.0004);
    add(151, 0.9991 - 3e-5, 1e-7);
    add(160, 0.9991 - 6e-5, 1e-7);
    sum_up();
    cr_expect_eq(s.outcome.warning_count, 0, "%s", s.outcome.warnings[0]);
}

Test(effective_feed, without_a_ratio_the_quantity_is_absent)
{
    add(61, 1, 0.001);
    s.results[0].quantities[0].q = quantity_absent();
    sum_up();
    cr_expect_not(at("")->present);
}

Test(effective_feed, more_preloads_than_there_is_room_for_are_named)
{
    for (int i = 0; i < 13; i++)
        add(40 + 7.3 * i, 1, 0.001);
    sum_up();
    cr_assert_eq(s.outcome.warning_count, 1);
    cr_expect(strstr(s.outcome.warnings[0], "127.6 N is left out") != NULL, "%s", s.outcome.warnings[0]);
}
