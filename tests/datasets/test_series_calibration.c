#include "datasets/format/series_calibration.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CSV RUN_CSV_HEADER "\n17,8131,0,4,0\n1017,8199,21,9,0\n2017,9304,43,15,1\n"

static struct plan plan;
static struct series *s;
static struct err e;

/* One run on rig-0417, whose converter goes from -8388608 to 8388607. */
static void begin(void)
{
    struct calibration c = scratch_calibration();
    struct run_record r = scratch_record();
    scratch_begin();
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(scratch_write("p.yaml", SCRATCH_PLAN), &plan, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(series_create(scratch_path("s"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
                 ERR_OK);
    scratch_write("s/runs/0003.csv", CSV);
    cr_assert_eq(run_record_write(scratch_path("s/runs/0003.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
    cr_assert_eq(series_write_package(scratch_path("s"), &plan, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(series_open(scratch_path("s"), &s, &e), ERR_OK, "%s", e.text);
}

static void end(void)
{
    series_free(s);
    scratch_end();
}

TestSuite(series_calibration, .init = begin, .fini = end);

/* Twice the counts for each newton, weighed later; neither encoder nor feeds. */
static struct calibration doubled(void)
{
    struct calibration c = scratch_calibration();
    snprintf(c.date, sizeof c.date, "2031-08-09T10:11:12Z");
    c.degree = 1;
    c.coefficients[1] = 2 * 1042.7;
    c.covariance[0][0] = 17;
    c.covariance[1][1] = 0.25;
    c.covariance[0][1] = c.covariance[1][0] = 0;
    c.load_high_n = 105.2;
    c.encoder_mm_per_count = 0;
    c.feed_count = 0;
    return c;
}

static const char *file_of(const struct calibration *c)
{
    cr_assert_eq(calibration_write(scratch_path("better.json"), c, &e), ERR_OK, "%s", e.text);
    return scratch_path("better.json");
}

/* Refused with that sentence, and the series as it was. */
static void refused(const char *path, const char *says)
{
    struct calibration before = s->calibration;
    cr_expect_eq(series_calibration_use(s, path, &e), ERR_FILE, "%s", says);
    cr_expect(strstr(e.text, says) != NULL, "%s", e.text);
    cr_expect(strcmp(e.file, path) == 0, "%s", e.file);
    cr_expect(s->other == NULL && memcmp(&before, &s->calibration, sizeof before) == 0);
}

Test(series_calibration, it_takes_the_place_of_the_one_inside_and_is_kept_byte_for_byte)
{
    struct calibration c = doubled();
    char hash[FILE_BYTES_HASH_SIZE], *bytes;
    const char *path = file_of(&c);
    cr_assert_eq(series_calibration_use(s, path, &e), ERR_OK, "%s", e.text);
    cr_expect(s->calibration.degree == 1 && s->calibration.coefficients[1] == 2 * 1042.7 &&
              s->calibration.load_high_n == 105.2);
    cr_assert_not_null(s->other);
    cr_expect_str_eq(s->other->name, "better.json");
    cr_expect_str_eq(s->other->inside_date, "2031-04-05T16:07:08+02:00");
    cr_assert_eq(series_hash_file(path, hash, &e), ERR_OK);
    cr_expect_str_eq(s->other->hash, hash);
    bytes = scratch_read("better.json");
    cr_expect(s->other->length == strlen(bytes) && memcmp(s->other->bytes, bytes, strlen(bytes)) == 0);
    free(bytes);
    /* 1042.7 * 210.4 - 0.0137 * 210.4^2 counts above zero, at 2 * 1042.7 to the newton. */
    cr_expect_float_eq(s->other->inside_n, 210.4, 0);
    cr_expect_float_eq(s->other->here_n, (1042.7 * 210.4 - 0.0137 * 210.4 * 210.4) / (2 * 1042.7), 1e-9,
                       "%.12g", s->other->here_n);
}

Test(series_calibration, encoder_and_feeds_that_it_does_not_state_are_kept)
{
    struct calibration c = doubled();
    c.feeds[0] = (struct calibration_feed){"gear-12", 0.000917, 0.0000051, 8};
    c.feed_count = 1;
    cr_assert_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
    cr_expect(s->calibration.encoder_mm_per_count == 0.00614 &&
              s->calibration.encoder_standard_uncertainty_mm_per_count == 0.0000213 &&
              s->other->kept_encoder);
    cr_assert_eq(s->calibration.feed_count, 2);
    cr_expect(strcmp(s->calibration.feeds[0].feeder, "gear-12") == 0 &&
              s->calibration.feeds[0].mm_per_microstep == 0.000917);
    cr_expect(strcmp(s->calibration.feeds[1].feeder, "gear-8") == 0 &&
              s->calibration.feeds[1].mm_per_microstep == 0.007711);
    cr_assert_eq(s->other->kept_feed_count, 1);
    cr_expect_str_eq(s->other->kept_feeds[0], "gear-8");
}

Test(series_calibration, what_it_states_goes_before_the_series)
{
    struct calibration c = doubled();
    c.encoder_mm_per_count = -0.00611;
    c.encoder_standard_uncertainty_mm_per_count = 0.00002;
    memcpy(c.feeds, scratch_calibration().feeds, sizeof c.feeds);
    c.feed_count = 2;
    cr_assert_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
    cr_expect(s->calibration.encoder_mm_per_count == -0.00611 && !s->other->kept_encoder &&
              s->other->kept_feed_count == 0 && s->calibration.feed_count == 2);
}

Test(series_calibration, feeds_of_feeders_that_no_plan_names_are_not_kept)
{
    struct calibration c = doubled();
    snprintf(s->calibration.feeds[0].feeder, sizeof s->calibration.feeds[0].feeder, "gear-17");
    cr_assert_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
    cr_expect(s->calibration.feed_count == 1 && strcmp(s->calibration.feeds[0].feeder, "gear-12") == 0);
}

Test(series_calibration, the_very_bytes_of_the_series_change_nothing)
{
    struct calibration before = s->calibration;
    cr_assert_eq(series_calibration_use(s, scratch_path("s/calibration.json"), &e), ERR_OK, "%s", e.text);
    cr_expect_null(s->other);
    cr_expect_eq(memcmp(&before, &s->calibration, sizeof before), 0);
}

Test(series_calibration, one_of_no_rig_fits_and_one_of_another_does_not)
{
    struct calibration c = doubled();
    snprintf(c.rig_serial, sizeof c.rig_serial, "rig-0418");
    refused(file_of(&c), "is of rig rig-0418, but run 3 of ");
    cr_expect_not_null(strstr(e.text, " was on rig rig-0417"), "%s", e.text);
    c.rig_serial[0] = 0;
    cr_expect_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
}

Test(series_calibration, weighed_readings_that_the_converter_cannot_give_are_refused)
{
    struct calibration c = doubled();
    s->runs[0].counts_min = -32768;
    s->runs[0].counts_max = 32767;
    refused(file_of(&c), "another load cell or converter");
    /* 8131 + 2085.4 * 11.8 = 32739 counts at the greatest load. */
    c.load_high_n = 11.8;
    cr_assert_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
}

Test(series_calibration, a_stated_one_has_room_for_any_zero_but_not_for_more_than_the_range)
{
    struct calibration c = doubled();
    snprintf(c.origin, sizeof c.origin, "stated");
    c.degrees_of_freedom = INFINITY;
    s->runs[0].counts_min = -32768;
    s->runs[0].counts_max = 32767;
    c.load_high_n = 31.4; /* 65482 counts above zero, of 65535 */
    cr_assert_eq(series_calibration_use(s, file_of(&c), &e), ERR_OK, "%s", e.text);
    series_calibration_free(s->other);
    s->other = NULL;
    c.load_high_n = 31.5; /* 65690 */
    refused(file_of(&c), "another load cell or converter");
}

Test(series_calibration, what_cannot_be_read_is_refused_like_any_calibration)
{
    struct calibration c = doubled();
    char *text, *cut;
    file_of(&c);
    refused(scratch_path("nothing.json"), "");
    refused(scratch_write("plan.json", SCRATCH_PLAN), "not valid JSON");
    refused(scratch_write("list.json", "[1, 2]"), "must hold a JSON object");
    text = scratch_read("better.json");
    cut = scratch_replace(text, "nipbench-calibration-1", "nipbench-calibration-9");
    refused(scratch_write("new.json", cut), "this program reads nipbench-calibration-1");
    free(cut);
    free(text);
}

Test(series_calibration, feeds_that_find_no_room_are_refused)
{
    struct calibration c = doubled();
    for (c.feed_count = 0; c.feed_count < CALIBRATION_FEEDS_MAX; c.feed_count++) {
        struct calibration_feed *f = &c.feeds[c.feed_count];
        *f = (struct calibration_feed){"", 0.001, 0.00001, 5};
        snprintf(f->feeder, sizeof f->feeder, "other-%zu", c.feed_count);
    }
    refused(file_of(&c), "no room for that of gear-8");
}
