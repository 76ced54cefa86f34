/* What a plan comes to, against sums made by hand, and when it cannot answer. */
#include "capture/plan_check.h"
#include "capture/seen_difference.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(plan_check, .init = scratch_begin, .fini = scratch_end);

/* Two feeders, one speed, 6 blocks: 12 runs. */
static const char PLAN[] = "nipbench_plan: 1\n"
                           "title: Two gears\n"
                           "licence: CC0-1.0\n"
                           "contributors: [{title: somebody}]\n"
                           "seed: 2385\n"
                           "blocks: 6\n"
                           "calibration: calibration.json\n"
                           "rest_before_s: 0.7\n"
                           "rest_after_s: 0.4\n"
                           "sampling: {rate_hz: 800}\n"
                           "limits: {force_n: 130, travel_mm: 30, time_s: 90}\n"
                           "conditions: {filament_diameter_mm: 1.75, nip_preload_n: 80}\n"
                           "differences_that_matter: {stall_force_n: 3}\n"
                           "feeders:\n"
                           "  - {name: gear-a, drive_diameter_mm: 8}\n"
                           "  - {name: gear-b, drive_diameter_mm: 12}\n"
                           "tests:\n"
                           "  - {test: blocked-push, travel_mm: 6, speeds_mm_s: [4]}\n"
                           "end: true\n";
#define TESTS "  - {test: blocked-push, travel_mm: 6, speeds_mm_s: [4]}\n"

static struct plan_check_request request_of(const char *path)
{
    return (struct plan_check_request){.path = path,
                                       .scatter_n = NAN,
                                       .density_g_cm3 = NAN,
                                       .mount_minutes = 3,
                                       .change_minutes = 1,
                                       .now_s = 1900000000};
}

static struct plan_check *check_with(const char *text, double scatter_n)
{
    struct plan_check_request request = request_of(scratch_write("plan.yaml", text));
    struct plan_check *check;
    struct err e;
    request.scatter_n = scatter_n;
    request.density_g_cm3 = 1.27;
    cr_assert_eq(plan_check_work_out(&request, &check, &e), ERR_OK, "%s:%d: %s", e.file, (int)e.line, e.text);
    return check;
}

/* PLAN with one text for another. */
static struct plan_check *changed(const char *from, const char *to)
{
    char *text = scratch_replace(PLAN, from, to);
    struct plan_check *check = check_with(text, NAN);
    free(text);
    return check;
}

static bool said(const struct plan_check_lines *lines, const char *part)
{
    for (size_t i = 0; i < lines->count && i < PLAN_CHECK_LINES_MAX; i++) {
        if (strstr(lines->text[i], part) != NULL)
            return true;
    }
    return false;
}

static void expect_no(const char *from, const char *to, const char *part)
{
    struct plan_check *check = changed(from, to);
    struct err e;
    cr_expect(said(&check->no, part), "%s: %s", to,
              check->no.count > 0 ? check->no.text[0] : "nothing was said");
    cr_expect_eq(plan_check_judge(check, &e), ERR_NO_ANSWER, "%s", to);
    plan_check_free(check);
}

static void expect_warning(const char *from, const char *to, const char *part)
{
    struct plan_check *check = changed(from, to);
    struct err e;
    cr_expect(said(&check->warnings, part), "%s: %s", to,
              check->warnings.count > 0 ? check->warnings.text[0] : "nothing was said");
    cr_expect_eq(plan_check_judge(check, &e), ERR_OK, "%s: %s", to, e.text);
    plan_check_free(check);
}

static char *text_of(const struct plan_check *check)
{
    char *text = NULL;
    size_t length;
    FILE *out = open_memstream(&text, &length);
    plan_check_write_text(check, true, out);
    fclose(out);
    return text;
}

Test(plan_check, a_good_plan_is_good)
{
    struct plan_check *check = check_with(PLAN, NAN);
    struct err e;
    cr_assert_eq(plan_check_judge(check, &e), ERR_OK);
    cr_assert_eq(check->no.count, 0u);
    cr_assert_eq(check->warnings.count, 0u, "%s", check->warnings.text[0]);
    cr_assert(said(&check->before, "is not there yet"));
    plan_check_free(check);
}

Test(plan_check, time_filament_and_rows_are_the_sum_of_the_runs)
{
    struct plan_check *check = check_with(PLAN, NAN);
    double push_s = 6.0 / 4 + 4.0 / 200; /* with both ramps at 200 mm/s2 */
    cr_assert_eq(check->runs, 12u);
    cr_assert_float_eq(check->time.rig_s, 12 * (push_s + 1.1), 1e-9);
    cr_assert_float_eq(check->longest_s, push_s, 1e-9);
    cr_assert_float_eq(check->rows, 12 * (push_s + 1.1) * 800, 1e-6);
    cr_assert_eq(check->time.mountings, 12);
    cr_assert_float_eq(plan_check_hands_s(check), 12 * 180.0, 1e-9);
    cr_assert_float_eq(check->time.feed_mm[1], 36, 1e-9);
    /* 36 mm of 1.75 mm: 86.6 mm3 at 1.27 mg each. */
    cr_assert_float_eq(plan_check_feed_g(check, 1), 36 * 2.405282 * 1.27e-3, 1e-6);
    plan_check_free(check);
}

Test(plan_check, without_diameter_nothing_is_weighed)
{
    struct plan_check *check = changed("filament_diameter_mm: 1.75, ", "");
    cr_assert(isnan(plan_check_feed_g(check, 0)));
    plan_check_free(check);
}

Test(plan_check, what_is_asked_is_counted_in_the_words_of_run)
{
    struct plan_check *check =
        changed(TESTS, "  - {test: loaded-feed, travel_mm: 6, speeds_mm_s: [4], brake_loads_n: [9, 23]}\n");
    int mounted = 0, braked = 0;
    for (size_t i = 0; i < check->asked_count; i++) {
        mounted += strcmp(check->asked[i].what, "mount feeder gear-a") == 0 ? check->asked[i].times : 0;
        braked += strstr(check->asked[i].what, "set the brake to") != NULL ||
                          strstr(check->asked[i].what, "fit the brake and set it") != NULL
                      ? check->asked[i].times
                      : 0;
    }
    cr_assert_eq(mounted, 6);
    cr_assert_geq(braked, 13); /* each of 12 mountings has both loads; the first may be there already */
    cr_assert_leq(braked, 24);
    cr_assert_eq(check->time.changes, 12);
    plan_check_free(check);
}

Test(plan_check, descriptions_are_no_work)
{
    struct plan_check *check =
        changed("{name: gear-a, drive_diameter_mm: 8}",
                "{name: gear-a, drive_diameter_mm: 8, description: 'Block 9: x; set the house on fire'}");
    for (size_t i = 0; i < check->asked_count; i++)
        cr_assert(strstr(check->asked[i].what, "fire") == NULL);
    cr_assert_eq(check->asked_count, 2u);
    plan_check_free(check);
}

Test(plan_check, the_seen_difference_is_that_of_the_design)
{
    struct plan_check *check = check_with(PLAN, 0.75);
    cr_assert_eq(check->seen.feeders, 2);
    cr_assert_eq(check->seen.values, 2);
    cr_assert_float_eq(check->seen.ratio, seen_difference(2, 6), 1e-12);
    cr_assert_float_eq(check->seen.difference_n, 0.75 * seen_difference(2, 6), 1e-12);
    cr_assert_eq(check->seen.matter_count, 1u);
    cr_assert_float_eq(check->seen.matters[0].scatter_most_n, 3 / seen_difference(2, 6), 1e-12);
    cr_assert_eq(check->no.count, 0u);
    plan_check_free(check);
}

Test(plan_check, what_matters_and_is_not_seen_is_no_answer)
{
    struct plan_check *check = check_with(PLAN, 1.9);
    cr_assert(said(&check->no,
                   "a difference of 3 N matters, but beside a scatter of 1.9 N this design sees 3.85 N"),
              "%s", check->no.text[0]);
    cr_assert(said(&check->no, "9 blocks would see it"), "%s", check->no.text[0]);
    cr_assert_gt(1.9 * seen_difference(2, 8), 3);
    cr_assert_leq(1.9 * seen_difference(2, 9), 3);
    plan_check_free(check);
    check = check_with(PLAN, 19);
    cr_assert(said(&check->no, "even 200 blocks would not"), "%s", check->no.text[0]);
    plan_check_free(check);
}

Test(plan_check, plans_that_cannot_answer_are_told)
{
    expect_no("blocks: 6", "blocks: 1", "1 block: each feeder is mounted only once");
    expect_no("  - {name: gear-b, drive_diameter_mm: 12}\n", "",
              "there is one feeder and nothing in this series to compare");
    expect_no("{name: gear-b, drive_diameter_mm: 12}",
              "{name: gear-b, drive_diameter_mm: 12, conditions: {nip_preload_n: 55}}",
              "gear-a and gear-b are not comparable: nip preload: 80 N against 55 N");
    expect_no(TESTS,
              "  - {test: melt-push, travel_mm: 6, rates_mm3_s: [3, 5, 9], hot_end_temperatures_c: [215]}\n",
              "melt-push: a load line takes 4 different rates");
    expect_no(TESTS, "  - {test: melt-push, travel_mm: 6, rates_mm3_s: [3, 5, 9, 12]}\n",
              "melt-push: no hot end temperature is stated");
    expect_no(TESTS, "  - {test: preload-sweep, travel_mm: 6, speeds_mm_s: [4], nip_preloads_n: [80]}\n",
              "preload-sweep: a grip coefficient takes two preloads");
}

Test(plan_check, doubts_are_warnings)
{
    expect_warning("blocks: 6", "blocks: 3", "3 blocks: the scatter itself is hardly known");
    expect_warning("nip_preload_n: 80", "nip_preload_n: 80, free_length_mm: 60", "buckles at about");
    expect_warning(TESTS, "  - {test: speed-sweep, travel_mm: 6, speeds_mm_s: [4]}\n", "no curve over speed");
    expect_warning(TESTS,
                   "  - {test: preload-sweep, travel_mm: 6, speeds_mm_s: [4], nip_preloads_n: [80, 90]}\n",
                   "with 2 preloads");
}

Test(plan_check, of_three_feeders_the_comparable_two_are_counted)
{
    struct plan_check *check =
        changed("  - {name: gear-b, drive_diameter_mm: 12}\n",
                "  - {name: gear-b, drive_diameter_mm: 12}\n"
                "  - {name: gear-c, drive_diameter_mm: 12, conditions: {nip_preload_n: 55}}\n");
    cr_assert_eq(check->seen.feeders, 2);
    cr_assert_eq(check->no.count, 0u);
    cr_assert(said(&check->warnings, "gear-b and gear-c are not comparable"));
    plan_check_free(check);
}

Test(plan_check, a_condition_that_the_test_sets_does_not_part_feeders)
{
    struct plan_check *check = check_with(PLAN, NAN);
    char *text =
        scratch_replace(PLAN, TESTS,
                        "  - {test: preload-sweep, travel_mm: 6, speeds_mm_s: [4], nip_preloads_n: [20, "
                        "40, 60, 80, 100]}\n");
    char *other = scratch_replace(text, "{name: gear-b, drive_diameter_mm: 12}",
                                  "{name: gear-b, drive_diameter_mm: 12, conditions: {nip_preload_n: 55}}");
    plan_check_free(check);
    check = check_with(other, NAN);
    cr_assert_eq(check->no.count, 0u, "%s", check->no.text[0]);
    cr_assert_eq(check->seen.values, 0);
    cr_assert(isnan(check->seen.ratio));
    plan_check_free(check);
    free(other);
    free(text);
}

Test(plan_check, the_calibration_is_looked_at)
{
    struct calibration c = scratch_calibration();
    struct plan_check *check;
    struct err e;
    char *text;
    c.load_high_n = 117;
    c.encoder_mm_per_count = 0;
    c.encoder_standard_uncertainty_mm_per_count = 0;
    cr_assert_eq(calibration_write(scratch_path("calibration.json"), &c, &e), ERR_OK, "%s", e.text);
    check = check_with(PLAN, NAN);
    cr_assert(said(&check->warnings, "the force limit of 130 N is above"));
    cr_assert(said(&check->before, "The feed of gear-a, gear-b is not in the calibration"));
    plan_check_free(check);
    expect_no(TESTS, "  - {test: loaded-feed, travel_mm: 6, speeds_mm_s: [4], brake_loads_n: [9, 23]}\n",
              "loaded-feed: this rig has no encoder");
    text = scratch_replace(PLAN, "rest_before_s", "calibration_max_age_days: 2\nrest_before_s");
    check = check_with(text, NAN);
    cr_assert(said(&check->before, "will refuse the calibration"));
    plan_check_free(check);
    free(text);
    scratch_write("calibration.json", "{\n");
    check = check_with(PLAN, NAN);
    cr_assert(said(&check->before, "will refuse the calibration"));
    plan_check_free(check);
}

Test(plan_check, examples_come_before_everything)
{
    struct plan_check *check = changed("blocks: 6", "blocks: 1 # EXAMPLE");
    struct err e;
    char *text = text_of(check);
    cr_assert_eq(plan_check_judge(check, &e), ERR_NO_ANSWER);
    cr_assert(strstr(e.text, "still the example in 1 line") != NULL, "%s", e.text);
    cr_assert(strstr(text, "  line   6  blocks: 1\n") != NULL, "%s", text);
    free(text);
    plan_check_free(check);
}

static void expect_narrow(const char *text)
{
    for (const char *line = text; *line != 0; line += strcspn(line, "\n") + 1) {
        size_t length = strcspn(line, "\n"), columns = 0;
        for (size_t i = 0; i < length; i++)
            columns += ((unsigned char)line[i] & 0xC0) != 0x80;
        cr_assert_leq(columns, 80u, "%zu: %.*s", columns, (int)length, line);
    }
}

Test(plan_check, no_line_of_text_is_wider_than_80)
{
    char name[200], title[400], text[4000];
    struct plan_check *check;
    char *written;
    memset(title, 'W', 239);
    title[239] = 0;
    memset(name, 'n', 32);
    name[32] = 0;
    snprintf(text, sizeof text,
             "nipbench_plan: 1\ntitle: %s\nseed: 9223372036854775807\nblocks: 2\ncalibration: %.200s\n"
             "sampling: {rate_hz: 1000}\nlimits: {force_n: 130, travel_mm: 30, time_s: 90}\n"
             "conditions: {filament_diameter_mm: 1.75, free_length_mm: 300, hot_end_temperature_c: 215}\n"
             "feeders:\n  - {name: %s, drive_diameter_mm: 8.123456789, description: '%s'}\n"
             "  - {name: b, drive_diameter_mm: 8, description: '\u0101\u0113\u012b%.200s', conditions: "
             "{nip_preload_n: "
             "3}}\n"
             "tests:\n  - {test: loaded-feed, travel_mm: 6.25, speeds_mm_s: [4.125, 5.0625], brake_loads_n: "
             "[9.125, "
             "23.0625, 44.03125], nip_preloads_n: [80.125, 90.0625]}\n"
             "  - {test: reversal, travel_mm: 1, speeds_mm_s: [2], guide_tube_bends_deg: [0, 90, 180.5]}\n"
             "  - {test: melt-push, travel_mm: 1, rates_mm3_s: [2.5]}\nend: true\n",
             title, title, name, title, title);
    check = check_with(text, 123456.789);
    written = text_of(check);
    expect_narrow(written);
    cr_assert(strstr(written, "WWWW\n") != NULL);
    free(written);
    plan_check_free(check);
}

Test(plan_check, hostile_text_reaches_no_terminal)
{
    /* U+202E turns the direction of writing. */
    struct plan_check *check = changed("title: Two gears", "title: \"Two \xe2\x80\xae gears\"");
    char *text = text_of(check);
    cr_assert(strstr(text, "\xe2\x80\xae") == NULL);
    cr_assert(strstr(text, "Two ? gears") != NULL, "%.200s", text);
    free(text);
    plan_check_free(check);
}

Test(plan_check, json_says_the_same)
{
    struct plan_check *check = check_with(PLAN, 1.9);
    char *text = NULL;
    size_t length;
    FILE *out = open_memstream(&text, &length);
    struct err e;
    json_t *object;
    const char *verdict;
    double rig_s, difference_n, feed_g;
    int needed;
    cr_assert_eq(plan_check_write_json(check, true, out, &e), ERR_OK);
    fclose(out);
    object = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    cr_assert_not_null(object);
    cr_assert_eq(json_unpack(object, "{s:s, s:{s:F}, s:{s:F, s:[{s:i}]}, s:[{s:F}]}", "verdict", &verdict,
                             "time", "rig_s", &rig_s, "seen_difference", "difference_n", &difference_n,
                             "matters", "blocks_needed", &needed, "feeders", "feed_g", &feed_g),
                 0);
    cr_assert_str_eq(verdict, "cannot answer");
    cr_assert_float_eq(rig_s, check->time.rig_s, 1e-9);
    cr_assert_float_eq(difference_n, check->seen.difference_n, 1e-12);
    cr_assert_float_eq(feed_g, plan_check_feed_g(check, 0), 1e-12);
    cr_assert_eq(needed, 9);
    cr_assert_eq(json_array_size(json_object_get(object, "order")), 12u);
    json_decref(object);
    free(text);
    plan_check_free(check);
}

Test(plan_check, bad_plans_are_refused_where_they_are_bad)
{
    char *text = scratch_replace(PLAN, "blocks: 6", "blocks: many");
    struct plan_check_request request = request_of(scratch_write("plan.yaml", text));
    struct plan_check *check;
    struct err e;
    cr_assert_eq(plan_check_work_out(&request, &check, &e), ERR_FILE);
    cr_assert_null(check);
    cr_assert_eq(e.line, 6);
    cr_assert_eq(e.column, 9);
    free(text);
    request.path = scratch_path("absent.yaml");
    cr_assert_eq(plan_check_work_out(&request, &check, &e), ERR_FILE);
}
