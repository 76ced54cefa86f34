/* nipbench-analyze as a user meets it: commands, exit statuses, messages, files. */
#include "datasets/format/series.h"
#include "rig/base/err.h"
#include "tests/cli/made_series.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static size_t lines(const char *text)
{
    size_t n = 0;
    for (; *text != 0; text++)
        n += *text == '\n';
    return n;
}

static void begin(void)
{
    scratch_begin();
    made_series("s", MADE_SERIES_PLAN);
}

static void end(void)
{
    run_end();
    scratch_end();
}

TestSuite(analyze_commands, .init = begin, .fini = end);

Test(analyze_commands, verify_says_that_all_is_well_or_names_the_file)
{
    char *csv, *broken, command[5000];
    const char *hash;
    cr_expect_eq(run("verify s"), EXIT_DONE, "%s", complained);
    cr_expect_eq(strncmp(said, "The series is as it was published.\n", 35), 0, "%s", said);
    cr_expect_str_eq(complained, "");
    /* The number that a publication quotes is one that anybody can work out. */
    hash = strstr(said, "sha256:");
    cr_assert_not_null(hash);
    cr_expect_eq(strlen(hash), 7 + 64 + 1, "the last line, and nothing but it");
    snprintf(command, sizeof command,
             "cd '%s' && echo '%.64s  s/datapackage.json' | sha256sum --check --quiet", scratch_path("."),
             hash + 7);
    cr_expect_eq(system(command), 0);
    csv = scratch_read("s/runs/0003.csv");
    broken = scratch_replace(csv, ",0,,0\n", ",0,,8\n");
    scratch_write("s/runs/0003.csv", broken);
    cr_expect_eq(run("verify s"), EXIT_BAD_INPUT);
    cr_expect_eq(strncmp(said, "Series s: 1 of 8 runs is not what the package says.\n", 52), 0, "%s", said);
    cr_expect_not_null(strstr(said, "\ns "), "%s", said);
    cr_expect_not_null(strstr(said, "  runs/0003.csv: its content"), "%s", said);
    cr_expect_null(strstr(said, "sha256:"), "no number to quote for what is not so");
    cr_expect_not_null(strstr(complained, "s/runs/0003.csv: its content does not match its hash"), "%s",
                       complained);
    cr_expect_eq(lines(complained), 1, "%s", complained);
    free(csv);
    free(broken);
}

/* The word of a JSON text behind a key that it holds once. */
static const char *after(const char *text, const char *key)
{
    const char *at = strstr(text, key);
    cr_assert(at != NULL, "%s in %s", key, text);
    return at + strlen(key);
}

Test(analyze_commands, verify_counts_over_several_series_and_for_programs)
{
    made_series("t", MADE_SERIES_PLAN);
    cr_expect_eq(run("verify s t"), EXIT_DONE, "%s", complained);
    cr_expect_eq(strncmp(said, "All 2 series are as they were published.\n", 41), 0, "%s", said);
    cr_expect_eq(run("verify s t --json"), EXIT_DONE, "%s", complained);
    cr_expect_eq(strncmp(after(said, "\"schema\": "), "\"nipbench-verify-1\",", 20), 0, "%s", said);
    cr_expect_eq(strncmp(after(said, "\"as_published\": "), "true", 4), 0, "%s", said);
    cr_expect_eq(atoi(after(said, "\"files\": ")), 18,
                 "plan, calibration, and two files of each of 8 runs: %s", said);
    cr_expect_eq(atoi(after(said, "\"runs\": ")), 8);
    cr_expect_eq(strncmp(after(said, "\"findings\": "), "[]", 2), 0);
    scratch_write("t/stray.txt", "what is this?");
    cr_expect_eq(unlink(scratch_path("t/runs/0002.json")), 0);
    cr_expect_eq(run("verify s t none"), EXIT_BAD_INPUT);
    cr_expect_eq(strncmp(said,
                         "2 of 3 series are not as they were published.\n"
                         "Series t: 1 of 8 runs and 1 other file are not what the package says.\n"
                         "Series none: no package could be checked.\n",
                         158),
                 0, "%s", said);
    cr_expect_eq(run("verify t --json"), EXIT_BAD_INPUT);
    cr_expect_eq(strncmp(after(said, "\"as_published\": "), "false", 5), 0, "%s", said);
    cr_expect_eq(atoi(after(said, "\"wrong_runs\": ")), 1, "%s", said);
    cr_expect_eq(atoi(after(said, "\"wrong_files\": ")), 1, "%s", said);
    cr_expect_not_null(strstr(said, "\"file\": \"t/stray.txt\""), "%s", said);
    cr_expect_not_null(strstr(complained, "t/stray.txt: is not listed in datapackage.json\n"), "%s",
                       complained);
}

Test(analyze_commands, report_writes_all_files_and_again_over_its_own)
{
    static const char *const files[] = {"r/report.html",
                                        "r/results.json",
                                        "r/results.csv",
                                        "r/figures/stall-force.gp",
                                        "r/figures/stall-force.csv",
                                        "r/figures/stall-force.svg",
                                        "r/figures/push-1-gear-8.svg",
                                        "r/figures/differences.gp"};
    char *page;
    cr_expect_eq(run("report s --out r"), EXIT_DONE, "%s", complained);
    cr_expect_str_eq(said, "r/report.html\n");
    cr_expect_str_eq(complained, "", "progress belongs on a terminal only");
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++)
        cr_expect_eq(access(scratch_path(files[i]), R_OK), 0, "%s", files[i]);
    page = scratch_read("r/report.html");
    cr_expect_not_null(strstr(page, "SIMULATED DATA"));
    cr_expect_not_null(strstr(page, "gear-8 pushes "), "the answer");
    cr_expect_not_null(strstr(page, "both are motor-limited."), "the answer");
    free(page);
    cr_expect_eq(run("report s -o r --no-figures"), EXIT_DONE, "%s", complained);
    cr_expect_neq(access(scratch_path("r/figures/stall-force.svg"), F_OK), 0,
                  "an old figure beside a new script");
    cr_expect_eq(access(scratch_path("r/figures/stall-force.gp"), F_OK), 0);
    scratch_write("r/notes.txt", "mine");
    cr_expect_eq(run("report s --out r"), EXIT_WRONG_USE);
    cr_expect_not_null(strstr(complained, "r/notes.txt"), "%s", complained);
}

Test(analyze_commands, format_chooses_the_pages)
{
    static const char *const bad[] = {"xml", "html,", "", "md;html", "HTML"};
    char *page, *numbers[2];
    cr_expect_eq(run("report s -o f --format html,md"), EXIT_DONE, "%s", complained);
    cr_expect_str_eq(said, "f/report.html\nf/report.md\n");
    page = scratch_read("f/report.md");
    cr_expect_not_null(strstr(page, "> **SIMULATED DATA. "));
    cr_expect_not_null(strstr(page, "](figures/stall-force.svg)"));
    cr_expect_not_null(strstr(page, "both are motor-limited."), "the answer");
    free(page);
    numbers[0] = scratch_read("f/results.json");
    cr_expect_eq(run("report s -o f --no-figures --format md"), EXIT_DONE, "%s", complained);
    cr_expect_str_eq(said, "f/report.md\n");
    cr_expect_neq(access(scratch_path("f/report.html"), F_OK), 0, "an old page beside new numbers");
    numbers[1] = scratch_read("f/results.json");
    cr_expect_str_eq(numbers[0], numbers[1], "the page changes no number");
    page = scratch_read("f/report.md");
    cr_expect_null(strstr(page, "]("
                                "figures/"),
                   "a picture that is not there");
    free(page);
    free(numbers[0]);
    free(numbers[1]);
    cr_expect_eq(run("report s --check f/results.json"), EXIT_DONE, "%s", complained);
    cr_expect_eq(run("report s --check f/results.json --format md"), EXIT_WRONG_USE);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        char words[80], wanted[160];
        snprintf(words, sizeof words, "report s -o none --format '%s'", bad[i]);
        snprintf(wanted, sizeof wanted, "nipbench-analyze: --format: '%s' is not html, md, or html,md\n",
                 bad[i]);
        cr_expect_eq(run("%s", words), EXIT_WRONG_USE, "%s", words);
        cr_expect_str_eq(complained, wanted);
        cr_expect_neq(access(scratch_path("none"), F_OK), 0, "%s", words);
    }
}

Test(analyze_commands, numbers_of_an_unfinished_report_cannot_be_checked)
{
    scratch_write("u.json", "{\"schema\": \"nipbench-results-1\", \"unfinished\": true}\n");
    cr_expect_eq(run("report s --check u.json"), EXIT_BAD_INPUT, "%s", complained);
    cr_expect_str_eq(complained,
                     "nipbench-analyze: u.json: is of a report that was not finished; make that again\n");
}

Test(analyze_commands, results_do_not_depend_on_the_number_of_threads)
{
    char *one, *three;
    cr_expect_eq(run("report s --out one --threads 1 --no-figures"), EXIT_DONE, "%s", complained);
    cr_expect_eq(run("report s --out three --threads 3 --no-figures"), EXIT_DONE, "%s", complained);
    one = scratch_read("one/results.json");
    three = scratch_read("three/results.json");
    cr_expect_str_eq(one, three);
    free(one);
    free(three);
    one = scratch_read("one/report.html");
    three = scratch_read("three/report.html");
    cr_expect_str_eq(one, three);
    free(one);
    free(three);
}

Test(analyze_commands, margin_of_operating_charts_reaches_the_results)
{
    static const struct {
        const char *words;
        double margin;
    } rows[] = {{"compare --json s", 0.2},
                {"compare --json s --margin 37.5", 0.375},
                {"compare --json --margin=0 s", 0}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        json_t *root;
        cr_expect_eq(run("%s", rows[i].words), EXIT_DONE, "%s", complained);
        root = json_loads(said, 0, NULL);
        cr_assert_not_null(root);
        cr_expect_float_eq(json_number_value(json_object_get(root, "margin")), rows[i].margin, 1e-12, "%s",
                           rows[i].words);
        json_decref(root);
    }
}

Test(analyze_commands, compare_gives_the_verdict_first)
{
    json_t *root, *c;
    char *first;
    cr_expect_eq(run("compare s"), EXIT_DONE, "%s", complained);
    cr_expect_eq(strncmp(said, "SIMULATED DATA\ngear-8 pushes 2", 30), 0, "%s", said);
    cr_expect_not_null(strstr(said, "\nStall force: a is gear-8, b is gear-12\n"), "%s", said);
    cr_expect_not_null(strstr(said, " a higher "), "%s", said);
    cr_expect_str_eq(complained, "");
    cr_expect_eq(run("compare --json s"), EXIT_DONE);
    root = json_loads(said, 0, NULL);
    cr_assert_not_null(root);
    c = json_array_get(json_object_get(root, "comparisons"), 0);
    cr_expect_str_eq(json_string_value(json_object_get(c, "verdict")), "a_higher");
    cr_expect_float_eq(json_number_value(json_object_get(json_object_get(c, "difference"), "value")), 28.5,
                       3);
    json_decref(root);
    first = strdup(said);
    cr_expect_eq(run("report --json s --out r --no-figures"), EXIT_DONE);
    cr_expect_str_eq(said, first, "compare and report print one and the same document");
    free(first);
}

Test(analyze_commands, compare_exits_1_and_names_the_condition_that_differs)
{
    char *text = scratch_replace(MADE_SERIES_PLAN, "    teeth: 52\n",
                                 "    teeth: 52\n    conditions: {nip_preload_n: 55}\n");
    made_series("other", text);
    cr_expect_eq(run("compare other"), EXIT_ANSWER_NO);
    cr_expect_not_null(strstr(said, "gear-8 and gear-12 are not comparable at 4.75 mm/s: nip preload: 41.5 N "
                                    "against 55 N (tolerance 1.25 N)"),
                       "%s", said);
    cr_expect_eq(lines(complained), 1, "%s", complained);
    cr_expect_eq(run("report other --out r --no-figures"), EXIT_DONE, "a report of it can still be made: %s",
                 complained);
    free(text);
}

Test(analyze_commands, misuse_is_told_in_one_place_with_status_2)
{
    static const struct {
        const char *words, *named;
    } rows[] = {
        {"", "a command is missing; see --help"},
        {"frobnicate s", "'frobnicate' is not a command; see --help"},
        {"--frob", "--frob"},
        {"verify", "SERIES is missing; see --help"},
        {"compare", "SERIES is missing; see --help"},
        {"report --out r", "SERIES is missing; see --help"},
        {"report s", "--out DIR is missing; see --help"},
        {"report s --out r --threads two", "'two' is not a whole number"},
        {"compare s --threads -1", "-1 is outside 0 to 64"},
        {"report s --out r --margin 501", "--margin: 501 % is outside 0 to 500 %"},
        {"compare s --margin -1", "--margin: -1 % is outside 0 to 500 %"},
        {"compare s --margin 20x", "--margin: '20x' is not a number"},
        {"compare s --frob", "--frob"},
        {"verify s --out r", "--out"},
        {"report s --out none/r", "none/r"},
        {"report s --out p.yaml", "p.yaml"},
        {"report s --out s", "is left alone"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        cr_expect_eq(run("%s", rows[i].words), EXIT_WRONG_USE, "'%s'", rows[i].words);
        cr_expect_not_null(strstr(complained, rows[i].named), "'%s': %s", rows[i].words, complained);
        cr_expect_str_eq(said, "", "'%s'", rows[i].words);
    }
    cr_expect_neq(access(scratch_path("r"), F_OK), 0, "a folder was made for a call that was refused");
}

Test(analyze_commands, help_names_every_exit_status)
{
    static const char *const calls[] = {"--help", "verify --help", "report --help", "compare --help"};
    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++) {
        cr_expect_eq(run("%s", calls[i]), EXIT_DONE);
        cr_expect_not_null(strstr(said, "Exit status:\n  0  done\n  1  ran"), "%s", calls[i]);
        cr_expect_str_eq(complained, "");
    }
    cr_expect_eq(run("--version"), EXIT_DONE);
    cr_expect_str_eq(said, "nipbench-analyze " NIPBENCH_VERSION "\n");
}

Test(analyze_commands, a_series_given_twice_is_refused)
{
    cr_expect_eq(run("report s s --out r"), EXIT_WRONG_USE);
    cr_expect_str_eq(complained, "nipbench-analyze: s: is the same series as s\n");
    cr_expect_neq(access(scratch_path("r"), F_OK), 0, "a report was begun");
}

Test(analyze_commands, data_changed_after_recording_are_not_reported)
{
    char *csv = scratch_read("s/runs/0002.csv"), *changed = scratch_replace(csv, ",0,,0\n", ",7,,0\n");
    static const char *const commands[] = {"compare s", "report s --out r"};
    scratch_write("s/runs/0002.csv", changed);
    for (size_t i = 0; i < 2; i++) {
        cr_expect_eq(run("%s", commands[i]), EXIT_BAD_INPUT);
        cr_expect_not_null(
            strstr(complained, "nipbench-analyze: s/runs/0002.csv: its content does not match"), "%s",
            complained);
        cr_expect_eq(lines(complained), 1, "%s", complained);
    }
    cr_expect_neq(access(scratch_path("r"), F_OK), 0, "a report was begun");
    free(csv);
    free(changed);
}

Test(analyze_commands, bad_input_is_named_with_file_and_line)
{
    char *csv = scratch_read("s/runs/0002.csv"), *broken = scratch_replace(csv, "\n1000,", "\n1000x,");
    static const char *const commands[] = {"compare s", "report s --out r"};
    scratch_write("s/runs/0002.csv", broken);
    for (size_t i = 0; i < 2; i++) {
        cr_expect_eq(run("%s", commands[i]), EXIT_BAD_INPUT);
        cr_expect_not_null(strstr(complained, "nipbench-analyze: s/runs/0002.csv:3:"), "%s", complained);
        cr_expect_str_eq(said, "");
    }
    cr_expect_neq(access(scratch_path("r"), F_OK), 0, "a report was begun");
    scratch_write("s/runs/0002.csv", csv);
    cr_assert_eq(unlink(scratch_path("s/calibration.json")), 0);
    cr_expect_eq(run("compare s"), EXIT_BAD_INPUT);
    cr_expect_not_null(strstr(complained, "calibration.json"), "%s", complained);
    cr_expect_eq(run("compare nowhere"), EXIT_BAD_INPUT);
    cr_expect_not_null(strstr(complained, "nowhere"), "%s", complained);
    free(csv);
    free(broken);
}

Test(analyze_commands, report_without_gnuplot_keeps_the_numbers_and_exits_5)
{
    char *page;
    cr_expect_eq(run("report s --out r"), EXIT_DONE);
    setenv("PATH", "/nonexistent", 1);
    cr_expect_eq(run("report s --out r"), EXIT_SYSTEM);
    cr_expect_not_null(strstr(complained, "gnuplot was not found"), "%s", complained);
    cr_expect_eq(access(scratch_path("r/results.json"), F_OK), 0);
    page = scratch_read("r/report.html");
    cr_assert_not_null(page);
    cr_expect_null(strstr(page, "<svg "), "a figure of the earlier report");
    cr_expect_not_null(strstr(page, "gear-8 pushes "));
    free(page);
}

Test(analyze_commands, full_disk_on_standard_output_is_not_a_success)
{
    char *text;
    cr_expect_eq(run("compare s >/dev/full 2>full.txt; exit $?; true"), EXIT_SYSTEM);
    text = scratch_read("full.txt");
    cr_expect_not_null(strstr(text, "standard output"), "%s", text);
    free(text);
}

/* The same motor behind both gears: 87.4 N on 8 mm is 0.3496 N m, 58.9 N on 12 mm 0.3534 N m. */
Test(analyze_commands, predict_holds_a_series_against_a_data_sheet)
{
    static const char motor[] = "nipbench_motor: 1\n"
                                "full_steps_per_rev: 200\n"
                                "holding_torque_nm: 0.4972\n" /* root 2 times 0.3516 */
                                "rated_current_a: 1.3\n"
                                "set_current_a: 1.3\n"
                                "current_is: peak\n"
                                "phase_resistance_ohm: 2.1\n"
                                "phase_inductance_h: 0.004\n"
                                "supply_v: 24\n"
                                "efficiency: 1\n"
                                "end: true\n";
    char *other;
    scratch_write("m.yaml", motor);
    cr_expect_eq(run("predict m.yaml s --out p"), EXIT_DONE, "%s", complained);
    cr_expect(strstr(said, "SIMULATED DATA\n") == said);
    cr_expect(strstr(said, "gear-8: drive diameter 8 mm") != NULL, "%s", said);
    cr_expect(strstr(said, "agree within the joint 95 % interval, at the only speed measured") != NULL, "%s",
              said);
    other = scratch_read("p/prediction.csv");
    cr_expect(strstr(other, "measured,2,gear-12,4.75,") != NULL, "%s", other);
    free(other);
    other = scratch_replace(motor, "current_is: peak", "current_is: rms");
    scratch_write("m.yaml", other);
    free(other);
    cr_expect_eq(run("predict m.yaml s --feeder gear-12 --json"), EXIT_ANSWER_NO, "%s", complained);
    cr_expect(strstr(complained, "differ in 1 of 1 cases") != NULL, "%s", complained);
    cr_expect(strstr(said, "peak value that was taken for rms") != NULL, "%s", said);
    cr_expect(strstr(said, "gear-8") == NULL);
    cr_expect_eq(run("predict m.yaml s --feeder gear-9"), EXIT_WRONG_USE);
    other = scratch_replace(motor, "full_steps_per_rev: 200", "full_steps_per_rev: 400");
    scratch_write("m.yaml", other);
    free(other);
    cr_expect_eq(run("predict m.yaml s"), EXIT_BAD_INPUT);
    cr_expect(strstr(complained, "full_steps_per_rev is 400") != NULL, "%s", complained);
}
