#include "analyze/picture_share.h"
#include "analyze/report/answer.h"
#include "analyze/report/compare_text.h"
#include "analyze/report/report_csv.h"
#include "analyze/report/report_html.h"
#include "analyze/report/report_json.h"
#include "analyze/report/report_write.h"
#include "analyze/report/svg_inline.h"
#include "analyze/run_result.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

static json_t *parsed(const struct session *s)
{
    char *text = page_output(s, OUTPUT_JSON);
    json_error_t error;
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    cr_assert_not_null(root, "line %d: %s", error.line, error.text);
    free(text);
    return root;
}

static double number_at(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    cr_assert(json_is_number(value), "%s is not a number", key);
    return json_number_value(value);
}

Test(report, results_json_has_the_agreed_shape)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s), *runs = json_object_get(root, "runs"),
           *feeders = json_object_get(root, "feeders"), *comparisons = json_object_get(root, "comparisons"),
           *run, *feeder, *stall, *curve;
    cr_expect_str_eq(json_string_value(json_object_get(root, "schema")), "nipbench-results-1");
    cr_expect(json_is_true(json_object_get(root, "simulated")));
    cr_assert_eq(json_array_size(runs), 36);
    cr_assert_eq(json_array_size(feeders), 3);
    cr_assert_eq(json_array_size(comparisons), 9);
    for (size_t i = 0; i < 36; i++)
        cr_expect_eq(number_at(json_array_get(runs, i), "run"), (double)i + 1, "runs are out of order");
    run = json_array_get(runs, 0);
    cr_expect_str_eq(json_string_value(json_object_get(run, "feeder")), "gear-8mm");
    cr_expect_str_eq(json_string_value(json_object_get(run, "test")), "speed-sweep");
    cr_expect_str_eq(json_string_value(json_object_get(run, "limited_by")), "motor");
    stall = json_object_get(run, "stall_force_n");
    cr_expect_float_eq(number_at(stall, "value"), s->runs[0].push.stall_force_n.value, 1e-9);
    cr_expect_float_eq(number_at(stall, "low_95"), s->runs[0].push.stall_force_n.low_95, 1e-9);
    cr_expect_str_eq(json_string_value(json_object_get(stall, "unit")), "N");
    cr_expect(json_is_false(json_object_get(stall, "censored")));
    cr_expect_eq(number_at(stall, "n"), 17);
    feeder = json_array_get(feeders, 0);
    cr_expect_eq(number_at(feeder, "speed_mm_s"), 10);
    cr_expect_eq(json_array_size(json_object_get(feeder, "points")), 3);
    curve = json_object_get(feeder, "torque_curve");
    cr_expect_str_eq(json_string_value(json_object_get(curve, "model")), "flat, then pull-out");
    cr_expect_eq(json_array_size(json_object_get(curve, "points")), CURVE_POINTS);
    cr_expect_str_eq(json_string_value(json_object_get(json_array_get(comparisons, 0), "verdict")),
                     "a_higher");
    cr_expect_eq(number_at(json_array_get(comparisons, 0), "speed_mm_s"), 10);
    json_decref(root);
    fixture_session_free(s);
}

Test(report, how_finely_a_push_was_read_is_told)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s), *runs = json_object_get(root, "runs"), *sampling;
    char *page = page_output(s, OUTPUT_HTML);
    cr_expect(json_is_null(json_object_get(json_array_get(runs, 0), "sampling")), "not known");
    cr_expect_eq(page_count(page, "<dt>Few readings</dt>"), 1);
    cr_expect_eq(page_count(page, "<dt>Separate instruments</dt>"), 0);
    free(page);
    json_decref(root);
    s->runs[0].push.sampling = (struct push_sampling){.interval_s = 0.0985,
                                                      .feed_mm = 0.1126,
                                                      .force_n = 4.52,
                                                      .cycle_mm = 0.503,
                                                      .cycle_readings = 4.467,
                                                      .rise_readings = 19,
                                                      .coarse = true};
    struct run_record *record = malloc(sizeof *record);
    memcpy(record, s->runs[0].record, sizeof *record);
    record->separate = &(struct run_separate){.force_resolution_n = 0.02};
    s->runs[0].record = record;
    root = parsed(s);
    sampling = json_object_get(json_array_get(json_object_get(root, "runs"), 0), "sampling");
    cr_expect_eq(number_at(sampling, "interval_s"), 0.0985);
    cr_expect_eq(number_at(sampling, "feed_per_reading_mm"), 0.1126);
    cr_expect_eq(number_at(sampling, "rise_per_reading_n"), 4.52);
    cr_expect_eq(number_at(sampling, "resolved_to_n"), 2.26);
    cr_expect_eq(number_at(sampling, "readings_per_motor_cycle"), 4.467);
    cr_expect(json_is_null(json_object_get(sampling, "readings_per_tooth_pitch")), "a gear without teeth");
    cr_expect_eq(number_at(sampling, "readings_on_rise"), 19);
    cr_expect(json_is_true(json_object_get(sampling, "coarse")));
    cr_expect(json_is_true(json_object_get(sampling, "separate_instruments")));
    page = page_output(s, OUTPUT_HTML);
    cr_expect_eq(page_count(page, "<dt>Separate instruments</dt>"), 1);
    page_expect_well_formed(page);
    free(page);
    json_decref(root);
    free(record);
    fixture_session_free(s);
}

Test(report, results_json_has_null_where_there_is_no_value)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s), *runs = json_object_get(root, "runs"), *bound = NULL, *lost = NULL, *c;
    for (size_t i = 0; i < json_array_size(runs); i++) {
        json_t *run = json_array_get(runs, i);
        if (json_is_false(json_object_get(run, "analysed")))
            lost = run;
        if (json_is_true(json_object_get(json_object_get(run, "stall_force_n"), "censored")))
            bound = json_object_get(run, "stall_force_n");
    }
    cr_assert_not_null(lost);
    cr_expect(json_is_null(json_object_get(lost, "limited_by")));
    cr_expect(json_is_null(json_object_get(lost, "stall_force_n")));
    cr_expect(json_is_null(json_object_get(lost, "slip_onset_n")));
    cr_assert_not_null(bound);
    cr_expect_float_eq(number_at(bound, "value"), 44.87, 1e-9);
    cr_expect(json_is_null(json_object_get(bound, "standard_uncertainty")));
    cr_expect(json_is_null(json_object_get(bound, "low_95")));
    cr_expect(json_is_null(json_object_get(bound, "high_95")));
    cr_expect(json_is_null(json_object_get(json_array_get(runs, 0), "slip_onset_n")));
    c = json_array_get(json_object_get(root, "comparisons"), 1);
    cr_expect(json_is_null(json_object_get(c, "difference")));
    cr_expect(json_is_null(json_object_get(c, "p_value")));
    cr_expect_str_eq(json_string_value(json_array_get(json_object_get(c, "reasons"), 0)),
                     "nip preload: 40 N against 55 N (tolerance 2 N)");
    cr_expect(
        json_is_null(json_object_get(json_array_get(json_object_get(root, "feeders"), 2), "torque_curve")));
    cr_expect(json_is_null(json_object_get(
        json_object_get(json_object_get(json_array_get(json_object_get(root, "feeders"), 1), "torque_curve"),
                        "aicc"),
        "flat, then pull-out")));
    json_decref(root);
    fixture_session_free(s);
}

Test(report, torque_is_a_lower_bound_where_the_motor_did_not_give_way)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s), *feeders = json_object_get(root, "feeders");
    char *page = page_output(s, OUTPUT_HTML);
    static const struct {
        size_t feeder, point;
        bool bound;
    } rows[] = {{0, 0, false}, {1, 1, false}, {1, 2, true}, {2, 0, true}, {2, 1, true}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const json_t *point =
            json_array_get(json_object_get(json_array_get(feeders, rows[i].feeder), "points"), rows[i].point);
        const json_t *torque = json_object_get(point, "torque_nm");
        cr_expect_eq(json_is_true(json_object_get(torque, "censored")), rows[i].bound, "row %zu", i);
        cr_expect_eq(json_is_null(json_object_get(torque, "low_95")), rows[i].bound, "row %zu", i);
    }
    cr_expect_not_null(strstr(page, "at least 0.071"));
    free(page);
    json_decref(root);
    fixture_session_free(s);
}

Test(report, results_json_is_valid_and_the_same_twice_with_hostile_text)
{
    struct session *s = fixture_session(true), *again = fixture_session(true);
    char *first = page_output(s, OUTPUT_JSON), *second = page_output(again, OUTPUT_JSON);
    json_t *root = parsed(s);
    cr_expect_str_eq(first, second);
    cr_expect_null(strstr(first, "/home/x"), "the path of the folder is nobody's affair");
    cr_expect_null(strcasestr(first, "nan"));
    json_decref(root);
    free(first);
    free(second);
    fixture_session_free(s);
    fixture_session_free(again);
}

/* Fields of one CSV row by RFC 4180; moves *p behind it. Returns the count. */
static size_t csv_fields(const char **p)
{
    size_t fields = 1;
    bool quoted = false;
    while (**p != 0 && (quoted || strncmp(*p, "\r\n", 2) != 0)) {
        if (**p == '"')
            quoted = !quoted;
        else if (**p == ',' && !quoted)
            fields++;
        (*p)++;
    }
    cr_assert(!quoted, "a quote that does not end");
    *p += **p != 0 ? 2 : 0;
    return fields;
}

Test(report, results_csv_has_one_row_of_full_width_for_each_run)
{
    for (int hostile = 0; hostile < 2; hostile++) {
        struct session *s = fixture_session(hostile);
        char *text = page_output(s, OUTPUT_CSV);
        const char *p = text + 3;
        size_t header_length = strcspn(p, "\r"), rows = 0, header;
        cr_expect_eq(strncmp(text, "\xEF\xBB\xBFseries,run,", 14), 0, "%.20s", text);
        cr_expect_eq(strspn(p, "abcdefghijklmnopqrstuvwxyz0123456789_,"), header_length, "column names");
        header = csv_fields(&p);
        cr_expect_geq(header, 20);
        while (*p != 0) {
            cr_expect(strchr("=+-@\t", *p) == NULL, "a row begins like a formula");
            cr_expect_eq(csv_fields(&p), header, "row %zu", rows);
            rows++;
        }
        cr_expect_eq(rows, 36);
        cr_expect_null(strstr(text, ",=1+1"), "a formula got through");
        cr_expect_null(strstr(text, ",@SUM"), "a formula got through");
        free(text);
        fixture_session_free(s);
    }
}

Test(report, page_gives_the_answer_first_and_is_marked_simulated)
{
    struct session *s = fixture_session(false);
    char *page = page_output(s, OUTPUT_HTML);
    const char *answer = strstr(
                   page, "gear-8mm pushes 37.8 N ± 2.3 N harder than gear-12mm at 10 mm/s (95 % interval "
                         "35.5 N to 40.1 N); both are motor-limited."),
               *refused = strstr(
                   page,
                   "gear-8mm and gear-fine are not comparable at 10 mm/s: nip preload: 40 N against 55 N"),
               *mark = strstr(page, "SIMULATED DATA");
    cr_assert(answer != NULL && refused != NULL && mark != NULL);
    cr_expect(mark < answer && answer < refused && refused < strstr(page, "id=\"feeders\""));
    cr_expect_eq(strncmp(page, "<!DOCTYPE html>\n<html lang=\"en\">", 32), 0);
    cr_expect_not_null(strstr(page, "no difference shown"));
    cr_expect_not_null(strstr(page, "name=\"viewport\""));
    cr_expect_not_null(strstr(page, "emergency stop"));
    page_expect_well_formed(page);
    cr_expect_gt(page_expect_unique_ids(page), 10);
    free(page);
    s->simulated = false;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_null(strstr(page, "SIMULATED DATA"));
    free(page);
    fixture_session_free(s);
}

Test(report, page_holds_no_raw_hostile_text_and_fetches_nothing)
{
    struct session *s = fixture_session(true);
    char *page = page_output(s, OUTPUT_HTML);
    cr_expect_null(strstr(page, "<script"));
    cr_expect_null(strstr(page, "<img"));
    cr_expect_null(strstr(page, "<b>cable"));
    cr_expect_null(strstr(page, "</p><script"));
    cr_expect_null(strstr(page, "\xE2\x80\xAE"));
    cr_expect_null(strstr(page, "\xFF"));
    cr_expect_null(strstr(page, "://"), "an address outside the page");
    cr_expect_null(strstr(page, "src=\""), "something to fetch");
    cr_expect_not_null(strstr(page, "&lt;script&gt;"));
    cr_expect_not_null(strstr(page, "&#39;it&#39;\\&#39;&#39;s $(id)&#39;"),
                       "the folder is not a safe shell word");
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    free(page);
    fixture_session_free(s);
}

Test(report, answer_names_what_each_feeder_is_limited_by)
{
    struct session *s = fixture_session(false);
    struct comparison c = {.a = 0, .b = 2, .speed_mm_s = 40, .verdict = VERDICT_B_HIGHER};
    char *sentence;
    snprintf(c.quantity, sizeof c.quantity, "stall_force_n");
    c.difference = quantity_from(-5.31, 0.71, 3, 4);
    sentence = answer_sentence(s, &c);
    cr_expect_str_eq(
        sentence,
        "gear-fine pushes 5.3 N ± 2.3 N harder than gear-8mm at 40 mm/s (95 % interval 3.1 N to 7.6 N); "
        "gear-8mm is motor-limited, gear-fine is grip-limited in 3 of 4 runs.");
    free(sentence);
    c.verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    c.difference = quantity_from(0.34, 0.87, 3, 4);
    snprintf(c.quantity, sizeof c.quantity, "slip_onset_n");
    sentence = answer_sentence(s, &c);
    cr_expect_str_eq(
        sentence, "gear-8mm and gear-fine: no difference shown in slip onset at 40 mm/s (difference 0.3 N ± "
                  "2.8 N, 95 % interval -2.4 N to 3.1 N).");
    free(sentence);
    cr_expect_null(answer_hardest(s, NULL), "one comparable opponent is no ranking");
    fixture_session_free(s);
}

Test(report, hardest_feeder_is_named_when_it_beats_all_others)
{
    struct session *s = fixture_session(false);
    char *sentence;
    for (size_t i = 0; i < s->comparison_count; i++) {
        if (s->comparisons[i].speed_mm_s == 10)
            s->comparisons[i].verdict = VERDICT_A_HIGHER;
    }
    sentence = answer_hardest(s, NULL);
    cr_assert_not_null(sentence);
    cr_expect_str_eq(sentence,
                     "gear-8mm pushes hardest of the 3 feeders measured at 10 mm/s: 118.2 N ± 1.7 N.");
    free(sentence);
    for (size_t i = 0; i < s->comparison_count; i++) {
        if (s->comparisons[i].speed_mm_s == 10 && s->comparisons[i].b == 2)
            s->comparisons[i].verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    }
    cr_expect_null(answer_hardest(s, NULL));
    fixture_session_free(s);
}

Test(report, comparison_table_is_aligned_and_clean)
{
    for (int hostile = 0; hostile < 2; hostile++) {
        struct session *s = fixture_session(hostile);
        char *text = page_output(s, OUTPUT_TEXT);
        const char *table = strstr(text, "\na  ");
        cr_assert_not_null(table);
        for (const unsigned char *p = (const unsigned char *)text; *p != 0; p++)
            cr_expect(*p >= 0x20 || *p == '\n', "control character %d", *p);
        if (!hostile) {
            /* The letters of units are left alone: the first row has no ± before its p value. */
            const char *row = strstr(table, "\ngear-8mm ") + 1;
            cr_expect_eq(strstr(row, "gear-12mm") - row, strstr(table + 1, "  b  ") + 2 - (table + 1), "%s",
                         table);
            cr_expect_not_null(strstr(text, "\nStall force\na  "), "%s", text);
            cr_expect_eq(strncmp(text, "SIMULATED DATA\ngear-8mm pushes 37.8 N", 37), 0);
        }
        cr_expect_eq(page_count(table, "  not comparable  "), 7);
        free(text);
        fixture_session_free(s);
    }
}

Test(report_folder, other_files_are_left_alone, .init = scratch_begin, .fini = scratch_end)
{
    struct session *s = fixture_session(false);
    struct err e = {0};
    char folder[600];
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    struct report_options options = {.folder = folder};
    cr_expect_eq(report_check_folder(folder, &e), ERR_OK, "one that is not there yet");
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "its own earlier report: %s", e.text);
    scratch_write("out/figures/push-9-gone.csv", "of an earlier report\n");
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s", e.text);
    cr_expect_neq(access(scratch_path("out/figures/push-9-gone.csv"), F_OK), 0,
                  "a figure of an earlier report stays");
    scratch_write("out/notes.txt", "mine");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE);
    cr_expect(strstr(e.file, "notes.txt") != NULL);
    unlink(scratch_path("out/notes.txt"));
    scratch_write("out/figures/photo.png", "mine");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE);
    unlink(scratch_path("out/figures/photo.png"));
    scratch_write("out/results.json", "{\"schema\": \"something else\"}");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE, "a results.json of somebody else");
    unlink(scratch_path("out/results.json"));
    scratch_write("precious.json", "{\"schema\": \"nipbench-results-1\"}");
    cr_assert_eq(symlink(scratch_path("precious.json"), scratch_path("out/results.json")), 0);
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE, "a link in place of our file");
    cr_expect_eq(report_check_folder(scratch_path("precious.json"), &e), ERR_USAGE,
                 "a file in place of the folder");
    options.folder = scratch_path("none/deep");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE, "no parent folder");
    fixture_session_free(s);
}

/* What a report that was killed leaves behind: at its very beginning, and later. */
Test(report_folder, what_a_killed_report_left_is_finished, .init = scratch_begin, .fini = scratch_end)
{
    static const char *const left[] = {"out/results.json.Ab3dE9.tmp", "out/results.csv.zzzzzz.tmp",
                                       "out/report.html.000000.tmp",
                                       "out/figures/push-1-gear-8.csv.Q1w2E3.tmp"};
    struct session *s = fixture_session(false);
    struct err e = {0};
    char folder[600], *numbers;
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    struct report_options options = {.folder = folder};
    cr_assert_eq(mkdir(folder, 0777), 0);
    scratch_write(left[0], "{\"sch");
    cr_expect_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    for (size_t i = 0; i < sizeof left / sizeof left[0]; i++)
        scratch_write(left[i], "half");
    scratch_write("out/results.json", "{\"schema\": \"nipbench-results-1\", \"unfinished\": true}\n");
    cr_expect_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    for (size_t i = 0; i < sizeof left / sizeof left[0]; i++)
        cr_expect_neq(access(scratch_path(left[i]), F_OK), 0, "%s stays", left[i]);
    numbers = scratch_read("out/results.json");
    cr_expect(strlen(numbers) > 1000 && strstr(numbers, "unfinished") == NULL, "%.200s", numbers);
    free(numbers);
    scratch_write("out/notes.Ab3dE9.tmp", "mine");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE, "somebody else's .tmp");
    fixture_session_free(s);
}

/* Where the files cannot grow the error is that of the numbers, which are written beside the rest or before
 * it; the folder says that it is unfinished, and the next report finishes it. */
Test(report_folder, numbers_that_cannot_be_written_are_told, .init = scratch_begin, .fini = scratch_end)
{
    struct session *s = fixture_session(false);
    struct rlimit before, small;
    struct err e = {0};
    char folder[600], *numbers;
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    cr_assert_eq(getrlimit(RLIMIT_FSIZE, &before), 0);
    signal(SIGXFSZ, SIG_IGN);
    small = before;
    small.rlim_cur = 900;
    for (int threads = 1; threads <= 2; threads++) {
        struct report_options options = {.folder = folder, .threads = threads};
        enum err_code code;
        cr_assert_eq(setrlimit(RLIMIT_FSIZE, &small), 0);
        code = report_write(s, &options, &e);
        cr_assert_eq(setrlimit(RLIMIT_FSIZE, &before), 0);
        cr_expect_eq(code, ERR_SYSTEM, "%d threads", threads);
        cr_expect_not_null(strstr(e.file, "results.json"), "%d threads: %s: %s", threads, e.file, e.text);
        numbers = scratch_read("out/results.json");
        cr_expect_not_null(strstr(numbers, "\"unfinished\": true"), "%s", numbers);
        free(numbers);
    }
    struct report_options options = {.folder = folder};
    cr_expect_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    fixture_session_free(s);
}

/* Draw a figure again with nothing but gnuplot and its script, standing in the folder from (within the
 * scratch folder). */
static void expect_redraws(const char *from, const char *script, const char *svg)
{
    char command[1600];
    char *before = scratch_read(svg), *after;
    cr_assert_not_null(before, "%s", svg);
    unlink(scratch_path(svg));
    snprintf(command, sizeof command, "cd \"%s\" && gnuplot %s 2>&1", scratch_path(from), script);
    cr_expect_eq(system(command), 0, "%s", command);
    after = scratch_read(svg);
    cr_assert_not_null(after, "%s", command);
    cr_expect_str_eq(before, after, "%s is not the same when it is drawn again", svg);
    free(before);
    free(after);
}

Test(report_folder, each_figure_redraws_alone_and_hostile_names_run_nothing, .init = scratch_begin,
     .fini = scratch_end)
{
    struct session *s = fixture_session(true);
    struct err e = {0};
    struct figures figures;
    struct stat info;
    char folder[600];
    char *page;
    snprintf(folder, sizeof folder, "%s", scratch_path("it's a report"));
    struct report_options options = {.folder = folder, .figures = true};
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_eq(figures.count, 8);
    for (size_t i = 0; i < figures.count; i++) {
        const char *name = figures.figure[i].name;
        char svg[160], from_out[120], from_figures[120];
        cr_expect_eq(strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-"), strlen(name), "file name %s",
                     name);
        snprintf(svg, sizeof svg, "it's a report/figures/%s.svg", name);
        snprintf(from_out, sizeof from_out, "figures/%s.gp", name);
        snprintf(from_figures, sizeof from_figures, "%s.gp", name);
        cr_assert_eq(stat(scratch_path(svg), &info), 0, "%s", svg);
        cr_expect_lt(info.st_size, 300 * 1024, "%s has %ld bytes", name, (long)info.st_size);
        expect_redraws("it's a report", from_out, svg);
        expect_redraws("it's a report/figures", from_figures, svg);
    }
    /* The names say `touch X`, system("x") and $(id). */
    cr_expect_neq(access(scratch_path("it's a report/figures/X"), F_OK), 0, "a name ran as a command");
    cr_expect_neq(access(scratch_path("it's a report/X"), F_OK), 0, "a name ran as a command");
    page = scratch_read("it's a report/report.html");
    cr_assert_not_null(page);
    cr_expect_eq(page_count(page, "<svg "), 8);
    cr_expect_null(strstr(page, "<script"));
    page_expect_well_formed(page);
    cr_expect_gt(page_expect_unique_ids(page), 100);
    free(page);
    figures_free(&figures);
    fixture_session_free(s);
}

Test(report_folder, figures_stay_small_with_many_runs_and_events, .init = scratch_begin, .fini = scratch_end)
{
    struct session *s = fixture_session(false);
    struct err e = {0};
    struct figures figures;
    struct stat info;
    char folder[600], name[120];
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    /* All runs become pushes of the first feeder at the reference speed, with as many events as there is room
     * for. */
    for (size_t i = 0; i < s->run_count; i++) {
        s->series[0]->runs[i].speed_mm_s = 10;
        s->runs[i].feeder = 0;
    }
    for (size_t i = 0; i < s->run_count; i++) {
        static struct run_finding found;
        struct push_result *p = &found.push;
        memset(&found, 0, sizeof found);
        p->stall_force_n = s->runs[i].push.stall_force_n;
        p->picture.n = PUSH_PICTURE_COLUMNS;
        for (size_t k = 0; k < PUSH_PICTURE_COLUMNS; k++) {
            p->picture.feed_mm[k] = 0.01 * (double)k;
            p->picture.force_low_n[k] = fabs(60 * sin(0.37 * (double)k)) - 0.9;
            p->picture.force_high_n[k] = p->picture.force_low_n[k] + 1.7;
        }
        for (; s->runs[i].analysed && p->event_count < PUSH_EVENTS_MAX; p->event_count++)
            p->events[p->event_count] = (struct push_event){0.01 * (double)p->event_count, 61.7, 42.9};
        if (s->runs[i].analysed)
            run_result_keep(&s->runs[i], &found, picture_share_columns(s, 0), &s->store, NULL);
    }
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    for (size_t i = 0; i < figures.count; i++) {
        struct figure *f = &figures.figure[i];
        snprintf(name, sizeof name, "%s.gp", f->name);
        scratch_write(name, f->script);
        snprintf(name, sizeof name, "%s.csv", f->name);
        scratch_write(name, f->data);
        cr_assert_eq(figure_draw(folder, f, &e), ERR_OK, "%s", e.text);
        snprintf(name, sizeof name, "%s.svg", f->name);
        cr_assert_eq(stat(scratch_path(name), &info), 0);
        cr_expect_lt(info.st_size, 300 * 1024, "%s has %ld bytes", f->name, (long)info.st_size);
    }
    figures_free(&figures);
    fixture_session_free(s);
}

Test(report_folder, figure_that_cannot_be_drawn_is_told_and_leaves_no_picture, .init = scratch_begin,
     .fini = scratch_end)
{
    struct figure f = {.name = "torque", .title = "t", .description = "d"};
    struct err e = {0};
    char folder[600];
    static const char *const scripts[] = {
        "set terminal svg\nset output 'torque.svg'\nplot 'missing.csv'\n",     /* fails */
        "no such command\n",                                                   /* fails */
        "a = 1 # draws nothing and is content\n",                              /* no picture */
        "set print 'torque.svg'\nprint '<svg><g></svg>'\n",                    /* malformed */
        "set print 'torque.svg'\nprint '<svg><g></g></svg>'\nexit status 3\n", /* whole, but it failed */
        "set print 'torque.svg'\nprint '<svg><g></g>'\n",                      /* not ended */
    };
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    for (size_t i = 0; i < sizeof scripts / sizeof scripts[0]; i++) {
        scratch_write("torque.gp", scripts[i]);
        scratch_write("torque.svg", "<svg></svg>");
        cr_expect_eq(figure_draw(folder, &f, &e), ERR_SYSTEM, "script %zu passed", i);
        cr_expect(e.text[0] != 0 && e.file[0] != 0, "script %zu: no message", i);
        cr_expect_neq(access(scratch_path("torque.svg"), F_OK), 0, "script %zu left a picture", i);
        cr_expect_not(f.drawn);
    }
    setenv("PATH", "/nonexistent", 1);
    cr_expect_eq(figure_draw(folder, &f, &e), ERR_SYSTEM);
    cr_expect_not_null(strstr(e.text, "gnuplot was not found"), "%s", e.text);
}
