/* The quality of the raw data on the page, in results.json, in results.csv and on the terminal. */
#include "tests/analyze/good_run.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(report_quality);

/* All analysed runs good, one with mains, two spoilt by saturation. */
static struct session *make_session(bool hostile)
{
    struct session *s = fixture_session(hostile);
    cr_assert_not_null(s);
    s->series[0]->plan.zero_drift_limit_n = 0.3;
    for (size_t i = 0; i < s->run_count; i++) {
        good_run_record(&s->series[0]->runs[i]);
        if (!s->runs[i].analysed)
            continue;
        s->runs[i].quality = good_run_quality();
        s->runs[i].quality.jitter_us = 0.1F; /* a number that no float is */
    }
    s->runs[5].quality.mains = RUN_MAINS_FOUND;
    s->runs[5].quality.mains_hz = 60;
    s->runs[5].quality.mains_n = 0.7F;
    s->runs[5].quality.mains_standard_uncertainty_n = 0.012F;
    s->runs[9].quality.over_range_rows = s->runs[9].quality.over_range_in_motion = 3;
    s->runs[11].quality.over_range_rows = 1;
    return s;
}

static json_t *at(json_t *object, const char *a, const char *b)
{
    return json_object_get(json_object_get(object, a), b);
}

static bool is(json_t *value, const char *text)
{
    return json_is_string(value) && strcmp(json_string_value(value), text) == 0;
}

Test(report_quality, results_json_has_it_of_runs_feeders_and_series)
{
    struct session *s = make_session(false);
    char *text = page_output(s, OUTPUT_JSON);
    json_t *root = json_loads(text, 0, NULL), *runs = json_object_get(root, "runs"), *one, *sum;
    cr_assert_not_null(root);
    one = json_object_get(json_array_get(runs, 5), "data_quality");
    cr_expect_eq(json_object_size(one), 6);
    cr_expect(is(at(one, "mains", "verdict"), "usable"));
    cr_expect_eq(json_integer_value(at(one, "mains", "frequency_hz")), 60);
    /* Kept as a float, and written in the digits that it has. */
    cr_expect_eq(json_real_value(at(one, "mains", "amplitude_n")), 0.7);
    cr_expect_eq(json_real_value(at(one, "jitter", "interval_us")), 1000.25);
    cr_expect_eq(json_real_value(at(one, "jitter", "jitter_us")), 0.1);
    cr_expect_float_eq(json_number_value(at(one, "zero_drift", "drift_n")), -0.04, 1e-12);
    cr_expect_eq(json_real_value(at(one, "zero_drift", "limit_n")), 0.3);
    cr_expect_float_eq(json_real_value(at(one, "resolution", "step_n")), 1 / 4183.7, 1e-9);
    one = json_object_get(json_array_get(runs, 4), "data_quality");
    cr_expect(json_is_null(at(one, "mains", "amplitude_n")) &&
              json_is_null(at(one, "mains", "frequency_hz")));
    for (size_t i = 0; i < s->run_count; i++) {
        one = json_object_get(json_array_get(runs, i), "data_quality");
        cr_expect(s->runs[i].analysed ? json_is_object(one) : json_is_null(one), "run %zu", i + 1);
    }
    sum = json_object_get(json_array_get(json_object_get(root, "series"), 0), "data_quality");
    cr_expect(is(at(sum, "saturation", "verdict"), "spoils"));
    cr_expect_eq(json_integer_value(at(sum, "saturation", "worst_run")), 10);
    cr_expect_eq(json_integer_value(json_object_get(at(sum, "saturation", "runs"), "good")), 33);
    sum =
        json_object_get(json_array_get(json_object_get(root, "feeders"), s->runs[11].feeder), "data_quality");
    cr_expect(
        is(at(sum, "saturation", "verdict"), s->runs[11].feeder == s->runs[9].feeder ? "spoils" : "usable"));
    json_decref(root);
    free(text);
    fixture_session_free(s);
}

Test(report_quality, page_has_the_section_with_verdicts_thresholds_and_remedies)
{
    struct session *s = make_session(false);
    char *page = page_output(s, OUTPUT_HTML);
    const char *section = strstr(page, "<section id=\"quality\">\n<h2>Data quality</h2>");
    cr_assert_not_null(section);
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    cr_expect_eq(page_count(page, "href=\"#quality\""), 1);
    cr_expect_not_null(strstr(section, "good in all six respects that follow in 32 of 35 runs"));
    cr_expect_not_null(strstr(section, "<dt>Saturation: spoils 1 run</dt>"));
    cr_expect_not_null(strstr(section, "<dt>Mains pick-up: usable, with a reservation</dt>"));
    cr_expect_not_null(strstr(section, "<dt>Gaps: good</dt>"));
    cr_expect_not_null(strstr(section, "run 6 ("));
    cr_expect_eq(page_count(section, "How it is judged: "), 6);
    cr_expect_eq(page_count(section, "What helps: "), 6);
    cr_expect_eq(page_count(section, "<li>run "), 3, "runs that are not good, one by one");
    free(page);
    fixture_session_free(s);
}

Test(report_quality, hostile_names_are_escaped_and_no_run_is_no_trouble)
{
    struct session *s = make_session(true);
    char *page = page_output(s, OUTPUT_HTML);
    cr_expect_null(strstr(strstr(page, "id=\"quality\""), FIXTURE_HOSTILE_HTML));
    page_expect_well_formed(page);
    free(page);
    for (size_t i = 0; i < s->run_count; i++)
        s->runs[i].quality.present = false;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "<p>No run was analysed.</p>"));
    free(page);
    page = page_output(s, OUTPUT_TEXT);
    cr_expect_null(strstr(page, "data quality"));
    free(page);
    fixture_session_free(s);
}

Test(report_quality, a_session_that_is_good_throughout_says_so)
{
    struct session *s = make_session(false);
    s->runs[5].quality = s->runs[9].quality = s->runs[11].quality = s->runs[0].quality;
    char *page = page_output(s, OUTPUT_HTML), *text = page_output(s, OUTPUT_TEXT);
    cr_expect_not_null(strstr(page, "good in all six respects that follow in all 35 runs"));
    cr_expect_null(strstr(page, "not good in all six"));
    cr_expect_null(strstr(page, "as far as can be told"));
    s->runs[0].quality.mains = RUN_MAINS_UNKNOWN;
    free(page);
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "follow, as far as can be told, in all 35 runs"));
    cr_expect_not_null(strstr(page, "Not to be told in so many runs: Mains pick-up (1)."));
    cr_expect_not_null(strstr(text, "\ndata quality: good in 35 of 35 runs\n"));
    free(page);
    free(text);
    fixture_session_free(s);
}

Test(report_quality, terminal_names_what_is_not_good)
{
    struct session *s = make_session(false);
    char *text = page_output(s, OUTPUT_TEXT);
    const char *said = strstr(text, "\ndata quality: good in 32 of 35 runs\n");
    cr_assert_not_null(said, "%s", text);
    cr_expect_not_null(
        strstr(said, "Saturation: 2 runs not good, the worst is run 10:\n  spoils the force: 3 readings"));
    cr_expect_not_null(
        strstr(said, "Mains pick-up: 1 run not good, the worst is run 6:\n  usable, but 0.7 N of 60 Hz"));
    cr_expect_null(strstr(said, "Gaps"));
    free(text);
    fixture_session_free(s);
}

/* The field of that row under that heading; its end is not marked. */
static const char *field(const char *csv, size_t row, const char *heading)
{
    static char found[64];
    const char *h = strstr(csv, heading), *p = csv;
    size_t commas = 0;
    for (const char *c = csv; c < h; c++)
        commas += *c == ',';
    for (size_t i = 0; i <= row; i++)
        p = strstr(p, "\r\n") + 2;
    for (bool quoted = false; commas > 0; p++) {
        quoted = quoted != (*p == '"');
        commas -= *p == ',' && !quoted;
    }
    snprintf(found, sizeof found, "%.*s", (int)strcspn(p, ",\r"), p);
    return found;
}

Test(report_quality, results_csv_has_its_columns)
{
    struct session *s = make_session(false);
    char *csv = page_output(s, OUTPUT_CSV);
    size_t refused = 0;
    cr_expect_str_eq(field(csv, 5, "quality_mains"), "usable");
    cr_expect_str_eq(field(csv, 5, "mains_hz"), "60");
    cr_expect_str_eq(field(csv, 5, "mains_detectable_n"), "0.05");
    cr_expect_str_eq(field(csv, 9, "quality_saturation"), "spoils");
    cr_expect_str_eq(field(csv, 9, "over_range_rows"), "3");
    cr_expect_str_eq(field(csv, 9, "mains_hz"), "");
    cr_expect_str_eq(field(csv, 0, "sample_interval_us"), "1000.25");
    cr_expect_str_eq(field(csv, 0, "samples_missing"), "0");
    while (s->runs[refused].analysed)
        refused++;
    cr_expect_str_eq(field(csv, refused, "quality_jitter"), "");
    cr_expect_str_eq(field(csv, refused, "sample_interval_us"), "");
    free(csv);
    fixture_session_free(s);
}
