#include "analyze/calibrate_feed.h"

#include "tests/analyze/calibrate_said.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

TestSuite(calibrate_feed, .init = quantity_init_numerics);

/* Too large for a stack that is watched. */
static struct readings r;
static struct readings_note note;
static struct calibrate_feed feed;
static struct err e;

static void clear(bool present)
{
    memset(&r, 0, sizeof r);
    bare_note(&note, READINGS_FEED, present);
}

static void measure(size_t feeder, double microsteps, double mm, int direction)
{
    r.kind = READINGS_FEED;
    if (feeder >= r.feeder_count) {
        snprintf(r.feeders[feeder], sizeof r.feeders[feeder], "gear-%zu", feeder);
        r.feeder_count = feeder + 1;
    }
    r.feeder[r.n] = feeder;
    r.commanded_steps[r.n] = microsteps;
    r.measured_mm[r.n] = mm;
    r.cycle[r.n] = 1;
    r.direction[r.n++] = direction;
}

/* Lengths by a straight line, scattered by a fixed list: forward and back with an offset each. */
static void measure_gear(size_t feeder, double mm_per_microstep, double scatter_mm)
{
    static const double MICROSTEPS[] = {6366, 12732, 25465};
    static const double SCATTER[] = {1, -1, 0.5, -0.5, -1, 1};
    for (int repeat = 0; repeat < 2; repeat++) {
        for (int i = 0; i < 3; i++) {
            for (int back = 0; back < 2; back++)
                measure(feeder, MICROSTEPS[i],
                        (back ? -0.31 : -0.12) + mm_per_microstep * MICROSTEPS[i] +
                            scatter_mm * SCATTER[(size_t)(2 * i + back + 3 * repeat) % 6],
                        back ? -1 : 1);
        }
    }
}

Test(calibrate_feed, feed_lost_motion_and_diameter_come_out_as_put_in)
{
    clear(true);
    note.full_steps_per_rev = 400;
    note.microsteps = 16;
    note.reduction = 3.5;
    note.drive_diameter_mm = 11.9;
    measure_gear(0, 0.00168, 0.02);
    cr_assert_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_OK, "%s", e.text);
    cr_expect(feed.n == 12 && feed.lengths == 3 && feed.degrees_of_freedom == 9);
    cr_expect(fabs(feed.mm_per_microstep.value - 0.00168) < feed.mm_per_microstep.standard_uncertainty * 2);
    cr_expect(fabs(feed.offset_mm[0].value + 0.12) < 0.03 && fabs(feed.offset_mm[1].value + 0.31) < 0.03);
    cr_expect_float_eq(feed.drive_diameter_mm.value,
                       feed.mm_per_microstep.value * 400 * 16 * 3.5 / 3.14159265358979, 1e-9);
    cr_expect_float_eq(feed.drive_diameter_mm.standard_uncertainty / feed.drive_diameter_mm.value,
                       feed.mm_per_microstep.standard_uncertainty / feed.mm_per_microstep.value, 1e-12);
    cr_expect(feed.mm_per_microstep.low_95 < 0.00168 && feed.mm_per_microstep.high_95 > 0.00168);
    cr_expect(says(&feed.unknown, "division of the rule") && says(&feed.unknown, "rule's own error"));
    cr_expect_str_eq(feed.calibration.feeder, "gear-0");
    cr_expect(feed.calibration.mm_per_microstep == feed.mm_per_microstep.value &&
              feed.calibration.degrees_of_freedom == 9);
}

/* By hand: 100, 200, 300 microsteps forward with 1.02, 1.96, 2.96 mm: slope 0.0097, offset 0.04, residuals
 * 0.01, -0.02, 0.01, sd sqrt(0.0006), standard error of the slope sd / sqrt(20000). */
Test(calibrate_feed, feed_in_one_direction_is_a_plain_straight_line)
{
    clear(false);
    measure(0, 100, 1.02, 1);
    measure(0, 200, 1.96, 1);
    measure(0, 300, 2.96, 1);
    cr_assert_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(feed.mm_per_microstep.value, 0.0097, 1e-15);
    cr_expect_float_eq(feed.offset_mm[0].value, 0.04, 1e-13);
    cr_expect(!feed.has_direction[1] && !feed.offset_mm[1].present && !feed.drive_diameter_mm.present);
    cr_expect_float_eq(feed.residual_mm[1], -0.02, 1e-13);
    cr_expect_float_eq(feed.residual_sd_mm, sqrt(0.0006), 1e-13);
    cr_expect_float_eq(feed.mm_per_microstep.standard_uncertainty, sqrt(0.0006 / 20000), 1e-14);
    cr_expect(says(&feed.warnings, "1 degrees of freedom") && says(&feed.unknown, "no drive diameter"));
}

Test(calibrate_feed, lengths_that_agree_better_than_the_rule_shows_are_not_believed)
{
    double standard_uncertainty;
    clear(false);
    measure_gear(0, 0.00785, 0.001);
    cr_assert_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_OK);
    standard_uncertainty = feed.mm_per_microstep.standard_uncertainty;
    note.resolution_mm = 0.5;
    cr_assert_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_OK);
    cr_expect(feed.resolution_rules && says(&feed.warnings, "division sets the uncertainty"));
    /* Repeats of a move are rounded alike, and make nothing better. */
    double moves = 0;
    for (size_t i = 0; i < r.n; i++) {
        bool first = true;
        for (size_t j = 0; j < i; j++)
            first =
                first && (r.direction[j] != r.direction[i] || r.commanded_steps[j] != r.commanded_steps[i]);
        moves += first;
    }
    cr_expect(moves < (double)r.n);
    double length_sd_mm = 0.5 / sqrt(12) * sqrt((double)r.n / moves);
    cr_expect_float_eq(feed.reading_sd_mm, length_sd_mm, 1e-15);
    cr_expect_float_eq(feed.mm_per_microstep.standard_uncertainty / standard_uncertainty,
                       length_sd_mm / feed.residual_sd_mm, 1e-9);
}

Test(calibrate_feed, each_feeder_of_a_file_gets_its_own_line)
{
    clear(true);
    note.full_steps_per_rev = 200;
    note.microsteps = 16;
    note.reduction = 1;
    strcpy(note.feeder, "gear-1");
    measure_gear(0, 0.00785, 0.02);
    measure_gear(1, 0.01178, 0.02);
    cr_assert_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_OK, "%s", e.text);
    cr_expect(fabs(feed.mm_per_microstep.value - 0.00785) < 1e-5 && feed.n == 12);
    cr_expect(!feed.drive_diameter_mm.present, "the motor in the note is that of the other feeder");
    cr_expect(isnan(feed.residual_mm[12]) && !isnan(feed.residual_mm[11]));
    cr_assert_eq(calibrate_feed(&r, &note, 1, &feed, &e), ERR_OK, "%s", e.text);
    cr_expect(fabs(feed.mm_per_microstep.value - 0.01178) < 1e-5 && feed.drive_diameter_mm.present);
}

Test(calibrate_feed, lengths_that_make_no_feed_are_refused)
{
    clear(false);
    measure(0, 6000, 47.1, 1);
    measure(0, 6000, 47.3, 1);
    cr_expect_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "measure at least two lengths"), "%s", e.text);
    measure(0, 12000, 94.2, -1);
    cr_expect_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "nothing to tell the scatter by"), "%s", e.text);
    measure(0, 12000, 3.709, 1);
    cr_expect_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_FILE);
    cr_expect(strstr(e.text, "were inches written") != NULL && e.line == 5, "%s", e.text);
    r.measured_mm[3] = 942;
    cr_expect_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "decimal point"), "%s", e.text);
    clear(false);
    for (int i = 0; i < 5; i++)
        measure(0, 6000 + 10 * i, 47 + 0.3 * (i % 2), 1);
    cr_expect_eq(calibrate_feed(&r, &note, 0, &feed, &e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "do not follow the microsteps"), "%s", e.text);
}

Test(calibrate_feed, a_feed_takes_the_place_of_its_feeders_old_one)
{
    struct calibration c = {.feed_count = 0};
    struct calibration_feed f = {.feeder = "gear-8", .mm_per_microstep = 0.0078};
    cr_assert_eq(calibrate_feed_put(&c, &f, &e), ERR_OK);
    strcpy(f.feeder, "gear-12");
    cr_assert_eq(calibrate_feed_put(&c, &f, &e), ERR_OK);
    f.mm_per_microstep = 0.0117;
    cr_assert_eq(calibrate_feed_put(&c, &f, &e), ERR_OK);
    cr_expect(c.feed_count == 2 && c.feeds[0].mm_per_microstep == 0.0078 &&
              c.feeds[1].mm_per_microstep == 0.0117);
    for (int i = 0; i < CALIBRATION_FEEDS_MAX - 2; i++) {
        snprintf(f.feeder, sizeof f.feeder, "g%d", i);
        cr_assert_eq(calibrate_feed_put(&c, &f, &e), ERR_OK);
    }
    strcpy(f.feeder, "one-more");
    cr_expect_eq(calibrate_feed_put(&c, &f, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "no room for one-more"), "%s", e.text);
    strcpy(f.feeder, "gear-8");
    cr_expect_eq(calibrate_feed_put(&c, &f, &e), ERR_OK);
}
