#include "datasets/format/plan.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(plan, .init = scratch_begin, .fini = scratch_end);

static struct plan good_plan(void)
{
    struct plan p;
    struct err e;
    cr_assert_eq(plan_read(scratch_write("plan.yaml", SCRATCH_PLAN), &p, &e), ERR_OK, "%ld:%ld: %s",
                 (long)e.line, (long)e.column, e.text);
    return p;
}

Test(plan, a_good_plan_is_read_with_its_defaults)
{
    struct plan p = good_plan();
    cr_expect_str_eq(p.title, "Two drive gears for the sensor housings");
    cr_expect_str_eq(p.licence, "CC-BY-4.0");
    cr_expect_str_eq(p.calibration, "../rig/calibration.json");
    cr_expect(p.simulated && p.seed == 20917 && p.blocks == 2);
    cr_expect(p.contributor_count == 1 && strcmp(p.contributors[0].role, "author") == 0);
    cr_expect(p.rest_before_s == 0.75 && p.rest_after_s == 1.0, "the default of one second stands");
    cr_expect(p.sample_rate_hz == 1000 && p.force_limit_n == 180.5 && p.travel_limit_mm == 40 &&
              p.time_limit_s == 30);
    cr_expect_eq(p.tolerance[CONDITION_NIP_PRELOAD_N], 1.25);
    cr_expect_eq(p.tolerance[CONDITION_MOTOR_CURRENT_A],
                 CONDITION_KINDS[CONDITION_MOTOR_CURRENT_A].tolerance);
    cr_assert_eq(p.feeder_count, 2);
    cr_expect_str_eq(p.feeders[0].description, "Eight millimetre class");
    cr_expect(p.feeders[0].reduction == 1 && p.feeders[0].full_steps_per_rev == 200 &&
              p.feeders[0].microsteps == 16);
    cr_expect_float_eq(p.feeders[0].drive_diameter_standard_uncertainty_mm, 0.0785, 1e-12);
    cr_expect(p.feeders[0].teeth == 34 && p.feeders[1].teeth == 0);
    cr_expect(p.feeders[1].reduction == 3.5 && p.feeders[1].full_steps_per_rev == 400 &&
              p.feeders[1].microsteps == 32);
    cr_expect_eq(p.feeders[1].drive_diameter_standard_uncertainty_mm, 0.07);
    cr_expect_eq(p.feeders[0].conditions.number[CONDITION_NIP_PRELOAD_N], 41.5);
    cr_expect_eq(p.feeders[1].conditions.number[CONDITION_NIP_PRELOAD_N], 39.25);
    cr_expect_str_eq(conditions_word(&p.feeders[1].conditions, CONDITION_FILAMENT_LOT), "L-3391");
    cr_assert_eq(p.test_count, 2);
    cr_expect(p.tests[0].kind == PLAN_BLOCKED_PUSH && p.tests[0].acceleration_mm_s2 == 200);
    cr_expect(p.tests[1].kind == PLAN_SPEED_SWEEP && p.tests[1].speed_count == 2 &&
              p.tests[1].speeds_mm_s[1] == 11.5 && p.tests[1].acceleration_mm_s2 == 350 &&
              p.tests[1].travel_mm == 18);
}

Test(plan, what_the_operator_states_anew_is_read_in_its_order)
{
    struct plan p = good_plan();
    struct err e;
    char *text;
    cr_expect_eq(p.ask_count, 0, "nothing by default");
    text = scratch_replace(SCRATCH_PLAN, "rest_before_s: 0.75", "ask: [humidity_percent, filament_lot]");
    cr_assert_eq(plan_read(scratch_write("plan.yaml", text), &p, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(p.ask_count, 2);
    cr_expect(p.ask[0] == CONDITION_HUMIDITY_PERCENT && p.ask[1] == CONDITION_FILAMENT_LOT);
    free(text);
}

/* A ladder states it run by run, and a rate has made a speed of the diameter. */
Test(plan, what_a_test_sets_cannot_be_asked_for)
{
    static const struct {
        const char *test, *ask, *message;
    } rows[] = {
        {"{test: preload-sweep, travel_mm: 3, speeds_mm_s: [4], nip_preloads_n: [20, 40]}", "nip_preload_n",
         "ask: nip_preload_n is set by preload-sweep"},
        {"{test: loaded-feed, travel_mm: 3, speeds_mm_s: [4], brake_loads_n: [20]}", "brake_load_n",
         "ask: brake_load_n is set by loaded-feed"},
        {"{test: reversal, travel_mm: 3, speeds_mm_s: [4], guide_tube_bends_deg: [75]}",
         "guide_tube_bend_deg", "is set by reversal"},
        {"{test: reversal, travel_mm: 3, speeds_mm_s: [4]}", "guide_tube_bend_deg", NULL},
        {"{test: free-run, travel_mm: 3, speeds_mm_s: [4]}", "nip_preload_n", NULL},
    };
    static const char HEAD[] = "nipbench_plan: 1\ntitle: T\nseed: 4\nblocks: 1\ncalibration: c.json\n"
                               "sampling: {rate_hz: 100}\nlimits: {force_n: 90, travel_mm: 10, time_s: 20}\n"
                               "feeders:\n  - {name: a, drive_diameter_mm: 8}\n";
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct plan p;
        struct err e;
        char text[1000];
        enum err_code code;
        snprintf(text, sizeof text, "%stests:\n  - %s\nask: [%s]\nend: true\n", HEAD, rows[i].test,
                 rows[i].ask);
        code = plan_read(scratch_write("plan.yaml", text), &p, &e);
        cr_expect_eq(code, rows[i].message == NULL ? ERR_OK : ERR_FILE, "row %zu: %s", i, e.text);
        if (rows[i].message != NULL && code == ERR_FILE)
            cr_expect(e.line == 12 && e.column == 7 && strstr(e.text, rows[i].message) != NULL, "%ld:%ld: %s",
                      (long)e.line, (long)e.column, e.text);
    }
}

Test(plan, what_cannot_be_carried_out_is_refused_with_line_and_column)
{
    static const struct {
        const char *legend, *from, *to;
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"a later version", "nipbench_plan: 1", "nipbench_plan: 2", 1, 16, "version 2 is not known"},
        {"no version", "nipbench_plan: 1\n", "", 1, 1, "'nipbench_plan' is missing"},
        {"no title", "title: Two drive gears for the sensor housings\n", "", 1, 1, "'title' is missing"},
        {"a licence with blanks", "CC-BY-4.0", "my own", 4, 10, "licence: 'my own' must be made of"},
        {"contributors that are no list", "\n  - {title: River monitoring group, role: author}", " us", 5, 15,
         "a list is wanted"},
        {"a contributor without title", "{title: River monitoring group, role", "{role", 6, 5,
         "'title' is missing"},
        {"a misspelt key of a contributor", "role: author", "rolle: author", 6, 37, "did you mean 'role'?"},
        {"a word for simulated", "simulated: true", "simulated: yes", 7, 12, "neither true nor false"},
        {"a negative seed", "20917", "-1", 8, 7, "seed: -1 is outside"},
        {"no seed", "seed: 20917\n", "", 1, 1, "'seed' is missing"},
        {"no blocks", "blocks: 2", "blocks: 0", 9, 9, "outside 1 to 200"},
        {"201 blocks", "blocks: 2", "blocks: 201", 9, 9, "outside 1 to 200"},
        {"more runs than a series holds", "blocks: 2", "blocks: 167", 9, 9,
         "167 blocks make 1002 runs; at most 1000"},
        {"no calibration", "calibration: ../rig/calibration.json\n", "", 1, 1, "'calibration' is missing"},
        {"no age at all", "rest_before_s: 0.75", "calibration_max_age_days: 0", 11, 27,
         "outside 0.01 to 36525 days"},
        {"an age in words", "rest_before_s: 0.75", "calibration_max_age_days: year", 11, 27,
         "is not a number"},
        {"no drift at all", "rest_before_s: 0.75", "zero_drift_limit_n: 0", 11, 21,
         "outside 1e-06 to 10000 N"},
        {"estimates that are no mapping", "rest_before_s: 0.75", "estimates: 1.5", 11, 12, "mapping"},
        {"an unknown estimate", "rest_before_s: 0.75", "estimates: {humidity_percent: 3}", 11, 13,
         "unknown key 'humidity_percent'"},
        {"a difference without a number", "rest_before_s: 0.75",
         "differences_that_matter: {stall_force_n: much}", 11, 42, "stall_force_n"},
        {"a difference of nothing", "rest_before_s: 0.75", "differences_that_matter: {stall_force_n: 0}", 11,
         42, "stall_force_n"},
        {"a quantity with a space", "rest_before_s: 0.75", "differences_that_matter: {stall force: 2}", 11,
         40, "not spelled like a quantity"},
        {"a list of differences", "rest_before_s: 0.75", "differences_that_matter: [2]", 11, 26, "mapping"},
        {"two operators", "rest_before_s: 0.75", "operator: [m, n]", 11, 11, "operator"},
        {"a misspelt estimate", "rest_before_s: 0.75", "estimates: {load_axis_alinment_deg: 3}", 11, 13,
         "did you mean 'load_axis_alignment_deg'?"},
        {"an axis across", "rest_before_s: 0.75", "estimates: {load_axis_alignment_deg: 30.5}", 11, 38,
         "outside 0 to 30 degrees"},
        {"a negative creep", "rest_before_s: 0.75", "estimates: {load_cell_creep_percent: -0.03}", 11, 38,
         "outside 0 to 10 % of the force"},
        {"a runout with its unit", "rest_before_s: 0.75", "estimates: {drive_gear_runout_mm: 0.02mm}", 11, 35,
         "'0.02mm' is not a number"},
        {"an estimate twice", "rest_before_s: 0.75",
         "estimates: {drive_gear_runout_mm: 0.02, drive_gear_runout_mm: 0.03}", 11, 41,
         "'drive_gear_runout_mm'"},
        {"something to ask that is no list", "rest_before_s: 0.75", "ask: humidity_percent", 11, 6,
         "a list is wanted"},
        {"nothing to ask", "rest_before_s: 0.75", "ask: []", 11, 6, "ask"},
        {"asking for what is no condition", "rest_before_s: 0.75", "ask: [humidity_percent, mood]", 11, 25,
         "ask: 'mood' is no condition"},
        {"asking for a mapping", "rest_before_s: 0.75", "ask: [{motor: M}]", 11, 7, "is no condition"},
        {"asking twice", "rest_before_s: 0.75", "ask: [motor, humidity_percent, motor]", 11, 32,
         "ask: motor is named twice"},
        {"no rest", "rest_before_s: 0.75", "rest_before_s: 0", 11, 16, "outside 0.1 to 600 s"},
        {"no sampling", "sampling: {rate_hz: 1000}\n", "", 1, 1, "'sampling' is missing"},
        {"a rate of nothing", "rate_hz: 1000", "rate_hz: 0", 12, 21, "outside 1 to 1e+06 Hz"},
        {"an unknown key of sampling", "rate_hz: 1000", "rate_hz: 1000, gain: 3", 12, 27,
         "unknown key 'gain'"},
        {"no limits", "limits: {force_n: 180.5, travel_mm: 40, time_s: 30}\n", "", 1, 1,
         "'limits' is missing"},
        {"misspelt limits", "limits:", "limit:", 13, 1, "is 'limit' a misspelling of it?"},
        {"a limit left out", "force_n: 180.5, ", "", 13, 9, "'force_n' is missing"},
        {"a limit with its unit", "180.5", "180.5N", 13, 19, "'180.5N' is not a number"},
        {"more rows than a file holds", "time_s: 30", "time_s: 40000", 13, 9, "more than 35000000 rows"},
        {"an unknown condition", "nip_preload_n: 41.5", "nip_preload_kg: 41.5", 17, 3,
         "did you mean 'nip_preload_n'?"},
        {"a tolerance of a word", "{nip_preload_n: 1.25}", "{motor: 1}", 18, 21, "words must be equal"},
        {"a negative tolerance", "1.25", "-1.25", 18, 29, "outside 0 to 1000 N"},
        {"an unknown tolerance", "{nip_preload_n: 1.25}", "{nip: 1}", 18, 14, "unknown key 'nip'"},
        {"capitals in a feeder's name", "gear-8", "Gear-8", 20, 11, "small letters, digits and hyphens"},
        {"a path for a feeder's name", "gear-8", "../x", 20, 11, "small letters"},
        {"a hyphen at the start of a name", "gear-8", "-8", 20, 11, "not begin with a hyphen"},
        {"two feeders of one name", "gear-12", "gear-8", 24, 11, "two feeders are named 'gear-8'"},
        {"a gear without diameter", "    drive_diameter_mm: 7.85\n", "", 20, 5,
         "'drive_diameter_mm' is missing"},
        {"a gear of no size", "7.85", "0.1", 22, 24, "outside 0.5 to 200 mm"},
        {"an uncertainty past the gear", "0.07", "7", 26, 45, "outside 0 to 5.95 mm"},
        {"half a tooth", "teeth: 34", "teeth: 34.5", 23, 12, "not a whole number"},
        {"no microsteps", "microsteps: 32", "microsteps: 0", 29, 17, "outside 1 to 256"},
        {"a misspelt key of a feeder", "reduction: 3.5", "reductoin: 3.5", 27, 5,
         "did you mean 'reduction'?"},
        {"a load cell on the table", "{nip_preload_n: 39.25}", "{load_cell_seat: table}", 30, 34,
         "load_cell_seat: 'table' is neither feeder nor end"},
        {"an encoder in the air", "{nip_preload_n: 39.25}", "{encoder_seat: air}", 30, 32,
         "encoder_seat: 'air' is neither feeder nor end"},
        {"an unknown condition of a feeder", "{nip_preload_n: 39.25}", "{preload: 39.25}", 30, 18,
         "unknown key 'preload'"},
        {"an unknown test", "blocked-push", "free-rum", 32, 12,
         "test: 'free-rum' is not known; there are blocked-push, speed-sweep, free-run, loaded-feed, "
         "preload-sweep, reversal, melt-push and endurance"},
        {"an unknown key of a test", "travel_mm: 18", "travel_mm: 18\n    travle: 3", 36, 5,
         "unknown key 'travle'"},
        {"no speeds", "[4.75]", "[]", 32, 39, "the list is empty"},
        {"speeds that are no list", "[4.75]", "4.75", 32, 39, "a list is wanted"},
        {"a speed of zero", "4.75", "0", 32, 40, "0 mm/s is too slow: it must be above 0.01 mm/s"},
        {"a speed of almost nothing", "4.75", "0.01", 32, 40, "too slow"},
        {"a negative speed", "4.75", "-4.75", 32, 40, "outside 0 to 500 mm/s"},
        {"a speed past all", "4.75", "500.5", 32, 40, "outside 0 to 500 mm/s"},
        {"a speed of too many microsteps", "reduction: 3.5", "reduction: 300", 34, 25,
         "11.5 mm/s needs 1181224 microsteps a second of feeder 'gear-12'; at most 1000000"},
        {"a speed too slow for the time limit", "4.75", "0.8125", 32, 40,
         "take 31.39 s, past the limit of 30 s"},
        {"a speed twice", "[2.25, 11.5]", "[2.25, 2.25]", 34, 25, "2.25 mm/s occurs twice"},
        {"more speeds than there is room for", "[4.75]",
         "[1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29,30,31,32,33]", 32,
         127, "more than 32 entries"},
        {"a travel past the limit", "25.5", "40.5", 32, 58, "40.5 mm is past the travel limit of 40 mm"},
        {"no travel", "    travel_mm: 18\n", "", 33, 5, "'travel_mm' is missing"},
        {"no acceleration", "350", "0", 36, 25, "outside 0.1 to 100000 mm/s2"},
        {"a plan cut before its end", "end: true\n", "", 1, 1, "the key 'end' is missing"},
        {"an end that is none", "end: true", "end: false", 37, 6, "last line of a plan must be 'end: true'"},
        {"something after the end", "end: true", "end: true\nrest_after_s: 2", 38, 15, "last line of a plan"},
        {"an unknown key", "seed: 20917", "seed: 20917\nsead: 1", 9, 1,
         "unknown key 'sead'; did you mean 'seed'?"},
        {"an anchor", "seed: 20917", "seed: &s 20917", 8, 7, "anchors"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct plan p;
        struct err e = {0};
        char *bad = scratch_replace(SCRATCH_PLAN, rows[i].from, rows[i].to);
        cr_expect_eq(plan_read(scratch_write("plan.yaml", bad), &p, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line &&
                      e.column == rows[i].column && strstr(e.file, "plan.yaml") != NULL,
                  "%s: %ld:%ld: %s", rows[i].legend, (long)e.line, (long)e.column, e.text);
        free(bad);
    }
}

Test(plan, limits_of_calibration_age_and_zero_drift_are_read)
{
    struct plan p = good_plan();
    struct err e;
    char *limited = scratch_replace(SCRATCH_PLAN, "rest_before_s: 0.75",
                                    "calibration_max_age_days: 90.5\nzero_drift_limit_n: 0.125");
    cr_expect(p.calibration_max_age_days == 0 && p.zero_drift_limit_n == 0.5,
              "no limit of age, and half a newton");
    cr_assert_eq(plan_read(scratch_write("plan.yaml", limited), &p, &e), ERR_OK, "%s", e.text);
    cr_expect(p.calibration_max_age_days == 90.5 && p.zero_drift_limit_n == 0.125);
    free(limited);
}

Test(plan, estimates_are_read_and_told_from_their_defaults)
{
    static const double defaults[PLAN_ESTIMATE_COUNT] = {1, 0.03, 0.02};
    struct plan p = good_plan();
    struct err e;
    char *stated = scratch_replace(SCRATCH_PLAN, "rest_before_s: 0.75",
                                   "estimates: {load_axis_alignment_deg: 2.75, drive_gear_runout_mm: 0}");
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++)
        cr_expect(p.estimates[i].value == defaults[i] && !p.estimates[i].stated, "%s",
                  PLAN_ESTIMATE_KINDS[i].key);
    cr_assert_eq(plan_read(scratch_write("plan.yaml", stated), &p, &e), ERR_OK, "%s", e.text);
    cr_expect(p.estimates[PLAN_ESTIMATE_ALIGNMENT_DEG].value == 2.75 &&
              p.estimates[PLAN_ESTIMATE_ALIGNMENT_DEG].stated);
    cr_expect(p.estimates[PLAN_ESTIMATE_RUNOUT_MM].value == 0 && p.estimates[PLAN_ESTIMATE_RUNOUT_MM].stated,
              "none is an estimate too");
    cr_expect(p.estimates[PLAN_ESTIMATE_CELL_CREEP_PERCENT].value == 0.03 &&
              !p.estimates[PLAN_ESTIMATE_CELL_CREEP_PERCENT].stated);
    free(stated);
}

Test(plan, bench_operator_and_differences_that_matter_are_read)
{
    struct plan p = good_plan();
    struct err e;
    cr_expect(p.bench[0] == 0 && p.operator_name[0] == 0 && p.matter_count == 0);
    cr_expect(isnan(plan_matters(&p, "stall_force_n")));
    char *text = scratch_replace(SCRATCH_PLAN, "rest_before_s: 0.75",
                                 "bench: north bench\noperator: M\ndifferences_that_matter: "
                                 "{stall_force_n: 2.5, slip_onset_n: 3}");
    cr_assert_eq(plan_read(scratch_write("plan.yaml", text), &p, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(p.bench, "north bench");
    cr_expect_str_eq(p.operator_name, "M");
    cr_assert_eq(p.matter_count, 2);
    cr_expect_eq(plan_matters(&p, "stall_force_n"), 2.5);
    cr_expect_eq(plan_matters(&p, "slip_onset_n"), 3);
    cr_expect(isnan(plan_matters(&p, "creep_per_n")));
    free(text);
}

Test(plan, an_old_calibration_is_told_from_a_new_one)
{
    static const struct {
        const char *legend;
        double max_age_days;
        const char *date;
        const char *why; /* NULL: allowed */
    } rows[] = {
        /* Seen at 2031-04-05T16:07:08Z. */
        {"no limit", 0, "1999-01-01", NULL},
        {"of the day", 1.5, "2031-04-05", NULL},
        {"just young enough", 30.5, "2031-03-06T04:07:08Z", NULL},
        {"just too old", 30.5, "2031-03-06T04:07:07Z", "is 30.5 days old, but the plan allows only 30.5"},
        {"too old, elsewhere", 10, "2031-03-20T18:07:08+02:00",
         "is 16.0 days old, but the plan allows only 10"},
        {"a clock a little ahead", 10, "2031-04-06T10:00:00Z", NULL},
        {"from the future", 10, "2031-04-15T16:07:08Z", "is dated 10.0 days ahead"},
        {"no date", 10, "spring", "has no date that can be read ('spring')"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct plan p = {.calibration_max_age_days = rows[i].max_age_days};
        char why[160] = "";
        bool allowed = plan_allows_calibration(&p, rows[i].date, INT64_C(1933171628), why, sizeof why);
        cr_expect_eq(allowed, rows[i].why == NULL, "%s: %s", rows[i].legend, why);
        cr_expect(rows[i].why == NULL || strstr(why, rows[i].why) != NULL, "%s: %s", rows[i].legend, why);
    }
}

Test(plan, a_plan_cut_short_anywhere_is_refused)
{
    for (size_t cut = 0; cut < strlen(SCRATCH_PLAN) - 1; cut++) {
        struct plan p;
        struct err e = {0};
        enum err_code code = plan_read(scratch_write_bytes("plan.yaml", SCRATCH_PLAN, cut), &p, &e);
        cr_expect_eq(code, ERR_FILE, "cut at %zu: code %d: %s", cut, code, e.text);
    }
}

Test(plan, what_is_no_file_is_refused)
{
    struct plan p;
    struct err e;
    cr_expect_eq(plan_read(scratch_path("none.yaml"), &p, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "No such file"));
}

Test(plan, a_short_push_never_reaches_its_speed_and_is_timed_so)
{
    /* 2.5 mm at 0.15 mm/s2 never reach 11.5 mm/s: a triangle, 2 sqrt(2.5 / 0.15) = 8.16 s, within 30 s. Taken
     * for a trapezoid it would be 2.5 / 11.5 + 11.5 / 0.15 = 76.9 s. */
    struct plan p;
    struct err e = {0};
    char *slow = scratch_replace(SCRATCH_PLAN, "acceleration_mm_s2: 350", "acceleration_mm_s2: 0.15");
    char *brief = scratch_replace(slow, "travel_mm: 18", "travel_mm: 2.5");
    cr_expect_eq(plan_read(scratch_write("plan.yaml", brief), &p, &e), ERR_OK, "%s", e.text);
    free(slow);
    free(brief);
}
