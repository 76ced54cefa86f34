/* nipbench-analyze with another calibration than the one in the series: what it changes, what it leaves, what
 * is refused, and whether somebody else can work the numbers out again. */
#include "datasets/format/series.h"
#include "rig/base/err.h"
#include "tests/cli/made_series.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Twice the counts for each newton, weighed later. The same readings are half the forces; so that they are as
 * certain, and as far within the range, the uncertainty of the gain is twice as large too (its square four
 * times) and the range ends at half the load. */
static struct calibration doubled(void)
{
    struct calibration c = made_series_calibration();
    snprintf(c.date, sizeof c.date, "2031-04-25T08:09:10Z");
    c.coefficients[1] *= 2;
    c.covariance[1][1] *= 4;
    c.load_high_n /= 2;
    return c;
}

static void write_calibration(const char *name, const struct calibration *c)
{
    struct err e;
    cr_assert_eq(calibration_write(scratch_path(name), c, &e), ERR_OK, "%s", e.text);
}

static void begin(void)
{
    struct calibration c = doubled();
    scratch_begin();
    made_series("s", MADE_SERIES_PLAN);
    write_calibration("better.json", &c);
}

static void end(void)
{
    run_end();
    scratch_end();
}

TestSuite(analyze_calibration, .init = begin, .fini = end);

static void expect_in(const char *text, const char *part)
{
    cr_expect(strstr(text, part) != NULL, "no '%s' in: %.900s", part, text);
}

static char *hash_of(const char *name)
{
    static char hash[72];
    struct err e;
    cr_assert_eq(series_hash_file(scratch_path(name), hash, &e), ERR_OK);
    return hash;
}

/* "r/calibration-0123456789abcdef.json": where a report into r keeps a calibration. */
static char *copy_in(const char *report, const char *calibration)
{
    static char name[64];
    snprintf(name, sizeof name, "%s/calibration-%.16s.json", report, hash_of(calibration) + 7);
    return name;
}

static json_t *results(const char *words)
{
    json_t *root;
    cr_assert_eq(run("%s", words), EXIT_DONE, "%s: %s", words, complained);
    root = json_loads(said, 0, NULL);
    cr_assert_not_null(root);
    return root;
}

/* By how much a value in this unit changes when all forces are halved. */
static double factor_of(const char *unit)
{
    static const struct {
        const char *unit;
        double factor;
    } KNOWN[] = {{"N", 0.5}, {"N/mm", 0.5}, {"N.m", 0.5}, {"N m", 0.5}, {"1/N", 2}, {"mm", 1}, {"mm/s", 1}};
    for (size_t i = 0; i < sizeof KNOWN / sizeof KNOWN[0]; i++) {
        if (strcmp(KNOWN[i].unit, unit) == 0)
            return KNOWN[i].factor;
    }
    cr_assert_fail("unit '%s'", unit);
    return NAN;
}

/* Every value with a unit, in two results that are otherwise built alike; how many there were. */
static size_t expect_halved(const json_t *before, const json_t *after)
{
    static const char *const parts[] = {"value", "standard_uncertainty", "low_95", "high_95"};
    const char *key;
    json_t *value;
    size_t i, count = 0;
    cr_assert_eq(json_typeof(before), json_typeof(after));
    if (json_is_array(before)) {
        cr_assert_eq(json_array_size(before), json_array_size(after));
        json_array_foreach(before, i, value)
        {
            count += expect_halved(value, json_array_get(after, i));
        }
    } else if (json_is_object(before) && json_is_string(json_object_get(before, "unit")) &&
               json_is_number(json_object_get(before, "value"))) {
        double factor = factor_of(json_string_value(json_object_get(before, "unit")));
        for (size_t k = 0; k < 4; k++) {
            double old = json_number_value(json_object_get(before, parts[k]));
            double now = json_number_value(json_object_get(after, parts[k]));
            cr_expect(fabs(now - factor * old) <= 1e-9 * fabs(old), "%s: %.12g became %.12g", parts[k], old,
                      now);
        }
        count++;
    } else if (json_is_object(before)) {
        json_object_foreach((json_t *)before, key, value)
        {
            const json_t *other = json_object_get(after, key);
            cr_assert_not_null(other, "%s", key);
            count += expect_halved(value, other);
        }
    }
    return count;
}

Test(analyze_calibration, twice_the_sensitivity_halves_every_force)
{
    json_t *before = results("compare s --json"),
           *after = results("compare s --json --calibration better.json");
    size_t runs = expect_halved(json_object_get(before, "runs"), json_object_get(after, "runs"));
    size_t feeders = expect_halved(json_object_get(before, "feeders"), json_object_get(after, "feeders"));
    size_t pairs =
        expect_halved(json_object_get(before, "comparisons"), json_object_get(after, "comparisons"));
    cr_expect(runs >= 8 * 3 && feeders >= 4 && pairs >= 1, "%zu %zu %zu", runs, feeders, pairs);
    json_decref(before);
    json_decref(after);
}

Test(analyze_calibration, every_command_says_which_one_it_was)
{
    static const char *const commands[] = {"compare s", "benches s", "repeats s --difference 2"};
    char sentence[300];
    /* 200 N of the one inside are 200,000 counts, which are 100 N of twice the gain. */
    snprintf(
        sentence, sizeof sentence,
        "Forces come from better.json, a calibration of 2031-04-25T08:09:10Z (%s), and not from the one in "
        "the series, which is of 2031-04-05T16:07:08Z. What that takes for 200 N is 100 N by this one.\n",
        hash_of("better.json"));
    for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
        json_t *root;
        char words[100];
        cr_expect_eq(run("%s --calibration better.json", commands[i]), EXIT_DONE, "%s", complained);
        expect_in(said, "SIMULATED DATA\nForces come from");
        expect_in(said, sentence);
        if (i == 0)
            continue;
        snprintf(words, sizeof words, "%s --calibration better.json --json", commands[i]);
        root = results(words);
        cr_expect_str_eq(json_string_value(json_object_get(
                             json_array_get(json_object_get(root, "calibrations_used"), 0), "sha256")),
                         hash_of("better.json"));
        json_decref(root);
    }
    scratch_write("m.yaml",
                  "nipbench_motor: 1\nfull_steps_per_rev: 200\nholding_torque_nm: 0.4972\n"
                  "rated_current_a: 1.3\nset_current_a: 1.3\ncurrent_is: peak\nphase_resistance_ohm: 2.1\n"
                  "phase_inductance_h: 0.004\nsupply_v: 24\nefficiency: 1\nend: true\n");
    cr_expect_eq(run("predict m.yaml s"), EXIT_DONE, "%s", complained);
    cr_expect_eq(run("predict m.yaml s --calibration s=better.json"), EXIT_ANSWER_NO, "half the force");
    expect_in(said, sentence);
}

Test(analyze_calibration, the_report_says_it_keeps_it_and_can_be_worked_out_again)
{
    char *page, *kept, *given, command[160], own[64];
    json_t *root, *used;
    cr_expect_eq(run("report s --out r --calibration better.json --format html,md --no-figures"), EXIT_DONE,
                 "%s", complained);
    snprintf(own, sizeof own, "%s", copy_in("r", "better.json"));
    page = scratch_read("r/report.md");
    expect_in(page, "A calibration was used that is not the one in the series: see [Uncertainty]");
    expect_in(page,
              "Another calibration. Forces come from better.json, a calibration of 2031-04-25T08:09:10Z");
    expect_in(page, "Not the calibration in the series: Forces come from better.json");
    expect_in(page, hash_of("better.json"));
    cr_expect_null(strstr(page, "through the calibration in the series"));
    snprintf(command, sizeof command, "nipbench-analyze report --calibration report/%s s --out report",
             own + 2);
    expect_in(page, command);
    free(page);
    kept = scratch_read(own);
    given = scratch_read("better.json");
    cr_assert_not_null(kept);
    cr_expect_str_eq(kept, given);
    free(kept);
    root = json_load_file(scratch_path("r/results.json"), 0, NULL);
    used = json_object_get(json_array_get(json_object_get(root, "series"), 0), "calibration_used");
    cr_expect_str_eq(json_string_value(json_object_get(used, "file")), "better.json");
    cr_expect_str_eq(json_string_value(json_object_get(used, "date")), "2031-04-25T08:09:10Z");
    cr_expect_str_eq(json_string_value(json_object_get(used, "inside_date")), "2031-04-05T16:07:08Z");
    json_decref(root);
    /* Somebody else has the series and the folder of the report, whatever it is called. */
    cr_assert_eq(rename(scratch_path("r"), scratch_path("away")), 0);
    cr_assert_eq(unlink(scratch_path("better.json")), 0);
    cr_expect_eq(run("report s --check away/results.json"), EXIT_DONE, "%s", said);
    expect_in(said, "all ");
    /* And the file alone, under another name. */
    scratch_write("mailed.json", given);
    snprintf(own, sizeof own, "%s", copy_in("away", "mailed.json"));
    cr_assert_eq(unlink(scratch_path(own)), 0);
    cr_expect_eq(run("report s --check away/results.json"), EXIT_BAD_INPUT);
    expect_in(complained, own);
    expect_in(complained, "series 1 was worked out with it: put it there, or name it with --calibration\n");
    cr_expect_eq(run("report s --check away/results.json --calibration mailed.json"), EXIT_DONE, "%s",
                 complained);
    free(given);
}

Test(analyze_calibration, a_copy_that_was_altered_by_one_byte_is_told)
{
    char *text, *altered, own[64];
    cr_expect_eq(run("report s --out r --calibration better.json --no-figures"), EXIT_DONE, "%s", complained);
    snprintf(own, sizeof own, "%s", copy_in("r", "better.json"));
    text = scratch_read(own);
    altered = scratch_replace(text, "2031-04-25", "2031-04-26");
    scratch_write(own, altered);
    cr_expect_eq(run("report s --check r/results.json"), EXIT_BAD_INPUT);
    expect_in(complained, "is not the calibration that series 1 was worked out with: that has sha256:");
    free(altered);
    free(text);
    /* A hash that leads elsewhere. */
    text = scratch_read("r/results.json");
    altered = scratch_replace(text, hash_of("better.json"), "sha256:../../../etc/passwd");
    scratch_write("r/results.json", altered);
    cr_expect_eq(run("report s --check r/results.json"), EXIT_BAD_INPUT);
    expect_in(complained, "calibration_used has no sha256 of 64 digits");
    free(altered);
    /* One that was not used is a number that differs. */
    altered = scratch_replace(text, "\"calibration_used\"", "\"x_used\"");
    scratch_write("r/results.json", altered);
    cr_expect_eq(run("report s --check r/results.json"), EXIT_ANSWER_NO);
    cr_expect_eq(run("report s --check r/results.json --calibration better.json"), EXIT_WRONG_USE);
    expect_in(complained, "names none but the one inside for series 1");
    free(altered);
    free(text);
}

/* Every row of results.csv names the calibration that its forces come from. */
static void expect_rows_name(const char *first, const char *second)
{
    char *csv = scratch_read("r/results.csv"), *rest = NULL;
    size_t rows[2] = {0};
    const char *line = strtok_r(csv, "\r\n", &rest);
    expect_in(line, ",calibration,other_calibration");
    while ((line = strtok_r(NULL, "\r\n", &rest)) != NULL) {
        const char *wanted = line[0] == '1' ? first : second;
        size_t length = strlen(line), ending = strlen(wanted);
        cr_expect(length > ending && strcmp(line + length - ending, wanted) == 0, "%s", line);
        rows[line[0] == '1' ? 0 : 1]++;
    }
    cr_expect(rows[0] > 0 && rows[0] == rows[1]);
    free(csv);
}

Test(analyze_calibration, two_series_with_one_of_another_are_each_worked_out_with_their_own)
{
    json_t *root;
    char *page, own[64], inside[96], other[96];
    char *plan = scratch_replace(MADE_SERIES_PLAN, "seed: 20917", "seed: 20918");
    const json_t *series;
    made_series("t", plan);
    free(plan);
    snprintf(own, sizeof own, "%s", copy_in("r", "better.json"));
    cr_expect_eq(run("report s t/ --out r --calibration t=better.json --format md --no-figures"), EXIT_DONE,
                 "%s", complained);
    root = json_load_file(scratch_path("r/results.json"), 0, NULL);
    series = json_object_get(root, "series");
    cr_expect_null(json_object_get(json_array_get(series, 0), "calibration_used"));
    cr_expect_not_null(json_object_get(json_array_get(series, 1), "calibration_used"));
    for (size_t i = 0; i < 4; i++) {
        const json_t *f = json_array_get(json_object_get(root, "feeders"), i);
        double force_n = json_number_value(json_object_get(json_object_get(f, "stall_force_n"), "value"));
        double expected_n = (i % 2 == 0 ? 87.4 : 58.9) / (i < 2 ? 1 : 2);
        cr_expect_float_eq(force_n, expected_n, 2, "feeder %zu: %g", i, force_n);
    }
    json_decref(root);
    snprintf(inside, sizeof inside, ",%s,false", hash_of("s/calibration.json"));
    snprintf(other, sizeof other, ",%s,true", hash_of("better.json"));
    expect_rows_name(inside, other);
    page = scratch_read("r/report.md");
    expect_in(page, "Series 2: forces come from better.json");
    expect_in(page, "--calibration t=report/calibration-");
    cr_expect_null(strstr(page, "Series 1: forces come"));
    free(page);
    /* In either order of the series. */
    cr_expect_eq(run("report t s --check r/results.json"), EXIT_DONE, "%s", said);
    cr_expect_eq(access(scratch_path(own), R_OK), 0);
    cr_assert_eq(unlink(scratch_path(own)), 0);
    cr_expect_eq(run("report t s --check r/results.json --calibration t=better.json"), EXIT_DONE, "%s",
                 complained);
    cr_expect_eq(run("report t s --check r/results.json --calibration s=better.json"), EXIT_WRONG_USE);
    expect_in(complained, "names none but the one inside for series 1");
}

Test(analyze_calibration, a_later_report_into_the_folder_keeps_only_its_own)
{
    char *plain[2], own[64];
    snprintf(own, sizeof own, "%s", copy_in("r", "better.json"));
    cr_expect_eq(run("report s --out r --no-figures"), EXIT_DONE, "%s", complained);
    plain[0] = scratch_read("r/results.json");
    cr_expect_eq(run("report s --out r --no-figures --calibration better.json"), EXIT_DONE, "%s", complained);
    cr_expect_eq(access(scratch_path(own), R_OK), 0);
    /* Out of its own copy, over itself. */
    cr_expect_eq(run("report s --out r --no-figures --calibration %s", own), EXIT_DONE, "%s", complained);
    cr_expect_eq(access(scratch_path(own), R_OK), 0);
    cr_expect_eq(run("report s --out r --no-figures"), EXIT_DONE, "%s", complained);
    cr_expect_neq(access(scratch_path(own), F_OK), 0);
    plain[1] = scratch_read("r/results.json");
    cr_expect_str_eq(plain[0], plain[1]);
    /* The calibration of the series itself is no other one. */
    cr_expect_eq(run("report s --out r --no-figures --calibration s/calibration.json"), EXIT_DONE, "%s",
                 complained);
    free(plain[1]);
    plain[1] = scratch_read("r/results.json");
    cr_expect_str_eq(plain[0], plain[1]);
    free(plain[0]);
    free(plain[1]);
    scratch_write("r/calibration-2031.json", "mine");
    cr_expect_eq(run("report s --out r --no-figures"), EXIT_WRONG_USE);
    expect_in(complained, "r/calibration-2031.json: is not from an earlier report");
}

Test(analyze_calibration, what_does_not_fit_is_refused_in_one_line)
{
    static const struct {
        const char *words, *says;
        int status;
    } rows[] = {
        {"other.json", "other.json: this calibration is of rig R-17, but run 1 of s was on rig rig-0417",
         EXIT_BAD_INPUT},
        {"coarse.json", "it is of another load cell or converter", EXIT_BAD_INPUT},
        {"none.json", "none.json: cannot be opened", EXIT_BAD_INPUT},
        {"s/plan.yaml", "s/plan.yaml:1:8: not valid JSON", EXIT_BAD_INPUT},
        {"s/datapackage.json", "s/datapackage.json: schema: is missing", EXIT_BAD_INPUT},
        {"s", "s: ", EXIT_BAD_INPUT},
        {"t=better.json", "before '=' in 't=better.json' is no series given here", EXIT_WRONG_USE},
        {"s=", "'s=' names no file", EXIT_WRONG_USE},
        {"better.json --calibration better.json", "is a second one for every series", EXIT_WRONG_USE},
    };
    struct calibration c = doubled();
    snprintf(c.rig_serial, sizeof c.rig_serial, "R-17");
    write_calibration("other.json", &c);
    c = doubled();
    c.coefficients[1] = 1e6; /* 200 N would be 200 million counts */
    write_calibration("coarse.json", &c);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        size_t lines = 0;
        cr_expect_eq(run("report s --out new --calibration %s", rows[i].words), rows[i].status, "%s: %s",
                     rows[i].words, complained);
        expect_in(complained, rows[i].says);
        for (const char *p = complained; *p != 0; p++)
            lines += *p == '\n';
        cr_expect_eq(lines, 1, "%s", complained);
        cr_expect_str_eq(said, "");
        cr_expect_neq(access(scratch_path("new"), F_OK), 0, "%s", rows[i].words);
    }
    cr_expect_eq(run("benches --table better.json --calibration better.json"), EXIT_WRONG_USE);
    expect_in(complained, "no series is given that 'better.json' could be for");
    cr_expect_eq(run("verify s --calibration better.json"), EXIT_WRONG_USE);
}

/* The plan's limit counts from the calibration that was used. */
Test(analyze_calibration, one_that_was_made_long_after_the_runs_is_flagged_as_ever)
{
    struct calibration c = doubled();
    char *plan = scratch_replace(MADE_SERIES_PLAN, "calibration: c.json\n",
                                 "calibration: c.json\ncalibration_max_age_days: 30\n");
    made_series("aged", plan);
    free(plan);
    cr_expect_eq(run("compare aged"), EXIT_DONE, "%s", complained);
    cr_expect_null(strstr(said, "that the plan allows"), "%s", said);
    snprintf(c.date, sizeof c.date, "2033-01-02T03:04:05Z");
    write_calibration("late.json", &c);
    cr_expect_eq(run("compare aged --calibration late.json"), EXIT_DONE, "%s", complained);
    expect_in(said, "calibration not within the 30 days that the plan allows in 4 of 4 runs");
}
