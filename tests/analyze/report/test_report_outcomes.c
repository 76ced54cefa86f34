#include "analyze/report/answer.h"
#include "analyze/report/chart_thin.h"
#include "analyze/report/figure.h"
#include "analyze/report/report_write.h"
#include "tests/analyze/report/fixture_outcomes.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
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

static const json_t *at(const json_t *from, const char *key)
{
    const json_t *value = json_object_get(from, key);
    cr_assert_not_null(value, "%s is not there", key);
    return value;
}

static const char *text_at(const json_t *from, const char *key)
{
    const char *text = json_string_value(at(from, key));
    cr_assert_not_null(text, "%s is no text", key);
    return text;
}

Test(report_outcomes, results_json_holds_every_part_of_an_outcome)
{
    struct session *s = fixture_outcomes(false);
    json_t *root = parsed(s);
    const json_t *feeder = json_array_get(at(root, "feeders"), 0),
                 *test = json_array_get(at(feeder, "tests"), 0),
                 *q = json_array_get(at(test, "quantities"), 0), *value = at(q, "quantity"), *chart, *group,
                 *point;
    cr_expect_eq(json_array_size(at(feeder, "tests")), 4);
    cr_expect_str_eq(text_at(test, "test"), "loaded-feed");
    cr_expect(json_is_true(at(test, "present")) && json_is_null(at(test, "why_not")));
    cr_expect_eq(json_integer_value(at(test, "runs")), 14);
    cr_expect_eq(json_integer_value(at(test, "used_runs")), 13);
    cr_expect_str_eq(text_at(q, "key"), "creep_per_n");
    cr_expect(json_is_null(at(q, "setting")));
    cr_expect_str_eq(text_at(q, "label"), "creep coefficient");
    cr_expect_float_eq(json_number_value(at(value, "value")), 0.000213, 1e-12);
    cr_expect_str_eq(text_at(value, "unit"), "1/N");
    cr_expect_eq(json_array_size(at(value, "budget")), 2);
    q = json_array_get(at(test, "quantities"), 1);
    cr_expect_str_eq(text_at(q, "setting"), "at 40 N preload");
    q = json_array_get(at(test, "quantities"), 2);
    cr_expect(json_is_true(at(at(q, "quantity"), "censored")) &&
              json_is_null(at(at(q, "quantity"), "low_95")));
    q = json_array_get(at(test, "quantities"), 3);
    cr_expect(json_is_null(at(q, "quantity")), "an absent quantity is null and keeps its key");
    cr_expect_eq(json_array_size(at(test, "sentences")), 2);
    cr_expect_str_eq(json_string_value(json_array_get(at(test, "warnings"), 0)),
                     "the filament is dented past 63 N");
    chart = json_array_get(at(test, "charts"), 0);
    cr_expect_str_eq(text_at(chart, "name"), "lost-share");
    cr_expect_str_eq(text_at(chart, "y_label"), "lost share of feed in %");
    group = json_array_get(at(chart, "groups"), 1);
    cr_expect_str_eq(text_at(group, "name"), "60 N of preload");
    cr_expect_eq(json_array_size(at(group, "points")), 7);
    cr_expect_eq(json_array_size(at(group, "curve")), 50);
    point = json_array_get(at(group, "points"), 6);
    cr_expect_float_eq(json_number_value(at(point, "x")), 57.3, 1e-12);
    cr_expect(json_is_true(at(point, "at_least")));
    /* A curve without a band has null there. */
    test = json_array_get(at(feeder, "tests"), 3);
    group = json_array_get(at(json_array_get(at(test, "charts"), 0), "groups"), 1);
    cr_expect(json_is_null(at(json_array_get(at(group, "curve"), 3), "low")));
    json_decref(root);
    fixture_outcomes_free(s);
}

Test(report_outcomes, results_json_says_why_an_outcome_is_not_there)
{
    struct session *s = fixture_outcomes(false);
    json_t *root = parsed(s);
    const json_t *test = json_array_get(at(json_array_get(at(root, "feeders"), 2), "tests"), 0);
    cr_expect(json_is_false(at(test, "present")));
    cr_expect_str_eq(text_at(test, "why_not"), "no hot end temperature is stated");
    cr_expect_eq(json_array_size(at(test, "quantities")), 0);
    cr_expect_eq(json_array_size(at(test, "charts")), 0);
    json_decref(root);
    fixture_outcomes_free(s);
}

Test(report_outcomes, run_that_is_no_push_has_its_settings_and_quantities_and_no_stall_force)
{
    struct session *s = fixture_outcomes(false);
    json_t *root = parsed(s);
    const json_t *run = json_array_get(at(root, "runs"), 0), *push = json_array_get(at(root, "runs"), 1);
    cr_expect_str_eq(text_at(run, "test"), "loaded-feed");
    cr_expect(json_is_null(at(run, "limited_by")) && json_is_null(at(run, "stall_force_n")) &&
              json_is_null(at(run, "probability")));
    cr_expect(json_is_true(at(run, "analysed")));
    cr_expect_float_eq(json_number_value(at(run, "brake_load_n")), 23.1, 1e-12);
    cr_expect_float_eq(json_number_value(at(run, "fed_mm")), 61.25, 1e-12);
    cr_expect(json_is_null(at(run, "rate_mm3_s")) && json_is_null(at(run, "hot_end_temperature_c")) &&
              json_is_null(at(run, "repeat")) && json_is_null(at(run, "cleaned")));
    cr_expect_float_eq(json_number_value(at(at(at(run, "quantities"), "feed_force_n"), "value")), 22.94,
                       1e-12);
    cr_expect_str_eq(text_at(at(at(run, "quantities"), "feed_force_n"), "unit"), "N");
    cr_expect(json_is_null(at(push, "quantities")), "a push has none");
    cr_expect_str_eq(text_at(push, "limited_by"), "motor");
    json_decref(root);
    fixture_outcomes_free(s);
}

Test(report_outcomes, comparison_names_test_setting_and_unit)
{
    struct session *s = fixture_outcomes(false);
    json_t *root = parsed(s);
    const json_t *all = at(root, "comparisons"), *push = json_array_get(all, 0), *c = json_array_get(all, 9);
    cr_assert_eq(json_array_size(all), 12);
    cr_expect(json_is_null(at(push, "test")) && json_is_null(at(push, "setting")));
    cr_expect_str_eq(text_at(push, "unit"), "N");
    cr_expect_eq(json_number_value(at(push, "speed_mm_s")), 10);
    cr_expect_str_eq(text_at(c, "test"), "loaded-feed");
    cr_expect_str_eq(text_at(c, "unit"), "1/N");
    cr_expect_str_eq(text_at(at(c, "difference"), "unit"), "1/N");
    cr_expect(json_is_null(at(c, "speed_mm_s")), "a speed means nothing there");
    cr_expect_str_eq(text_at(json_array_get(all, 10), "setting"), "at 40 N preload");
    cr_expect_str_eq(text_at(json_array_get(all, 11), "verdict"), "not_comparable");
    json_decref(root);
    fixture_outcomes_free(s);
}

/* Field i of a line of CSV without quotes, cut out into a buffer. */
static const char *field(const char *line, size_t i, char *buffer, size_t size)
{
    for (; i > 0; i--)
        line += strcspn(line, ",\r") + 1;
    snprintf(buffer, size, "%.*s", (int)strcspn(line, ",\r"), line);
    return buffer;
}

static size_t column(const char *head, const char *name)
{
    char buffer[64];
    size_t count = page_count(head, ",") + 1;
    for (size_t i = 0; i < count; i++) {
        if (strcmp(field(head, i, buffer, sizeof buffer), name) == 0)
            return i;
    }
    cr_assert_fail("no column %s", name);
    return 0;
}

Test(report_outcomes, results_csv_has_a_row_for_every_run_with_the_same_columns)
{
    struct session *s = fixture_outcomes(false), *plain = fixture_free_runs();
    char *text = page_output(s, OUTPUT_CSV), *other = page_output(plain, OUTPUT_CSV);
    char *run = strstr(text, "\r\n") + 2, *push = strstr(run, "\r\n") + 2, buffer[64];
    *strchr(text, '\r') = 0;
    *strchr(run, '\r') = 0;
    *strchr(push, '\r') = 0;
    other[strcspn(other, "\r")] = 0;
    cr_expect_str_eq(text, other, "columns do not depend on the session");
    for (size_t i = 0; i <= page_count(text, ","); i++)
        cr_expect_eq(column(text, field(text, i, buffer, sizeof buffer)), i, "%s is there twice", buffer);
    cr_expect_eq(page_count(run, ","), page_count(text, ","));
    cr_expect_str_eq(field(run, column(text, "test"), buffer, sizeof buffer), "loaded-feed");
    cr_expect_str_eq(field(run, column(text, "brake_load_n"), buffer, sizeof buffer), "23.1");
    cr_expect_str_eq(field(run, column(text, "run_feed_force_n"), buffer, sizeof buffer), "22.94");
    cr_expect_str_eq(field(run, column(text, "run_lost_share_standard_uncertainty"), buffer, sizeof buffer),
                     "0.00021");
    cr_expect_str_eq(field(run, column(text, "stall_force_n"), buffer, sizeof buffer), "");
    cr_expect_str_eq(field(run, column(text, "limited_by"), buffer, sizeof buffer), "");
    cr_expect_str_eq(field(run, column(text, "analysed"), buffer, sizeof buffer), "true");
    cr_expect_str_eq(field(push, column(text, "run_feed_force_n"), buffer, sizeof buffer), "");
    cr_expect_str_eq(field(push, column(text, "limited_by"), buffer, sizeof buffer), "motor");
    cr_expect_str_eq(field(push, column(text, "nip_preload_n"), buffer, sizeof buffer), "40");
    free(text);
    free(other);
    fixture_outcomes_free(s);
    fixture_outcomes_free(plain);
}

Test(report_outcomes, page_has_a_section_for_each_test_and_only_those)
{
    struct session *s = fixture_outcomes(false);
    char *page = page_output(s, OUTPUT_HTML);
    const char *section = strstr(page, "<section id=\"test-loaded-feed\">"),
               *answer = strstr(page, "id=\"answer\"");
    cr_assert_not_null(section);
    cr_assert_not_null(answer);
    cr_expect_not_null(strstr(section, "<h2>Loaded feed</h2>"));
    cr_expect_not_null(strstr(section, "creep falls with the preload over the whole ladder."));
    cr_expect_not_null(strstr(section, "Warning: the filament is dented past 63 N."));
    cr_expect_not_null(strstr(section, "at least 57.3 N"));
    cr_expect_not_null(strstr(page, "href=\"#test-reversal\""));
    cr_expect_not_null(strstr(page, "no hot end temperature is stated"));
    cr_expect_null(strstr(page, "test-endurance"), "no run of endurance");
    cr_expect_null(strstr(page, ">Preload</h2>"));
    /* The headline of the chart stands before everything else of the tests. */
    cr_expect_lt(strstr(answer, "feeds this hot end at up to"), strstr(answer, "0.21 % of the feed"));
    cr_expect_lt(strstr(answer, "feeds this hot end at up to"), strstr(answer, "<nav"));
    cr_expect_not_null(strstr(page, "&#8750;"), "the loop's area is defined");
    cr_expect_null(strstr(page, "Sen 1968"), "endurance is not defined where it is not");
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    free(page);
    fixture_outcomes_free(s);
}

Test(report_outcomes, budgets_of_the_quantities_are_folded_into_the_page)
{
    struct session *s = fixture_outcomes(false);
    char *page = page_output(s, OUTPUT_HTML), *budgets = strstr(page, "Budgets of the other tests");
    cr_assert_not_null(budgets);
    cr_expect_not_null(strstr(budgets, "<summary>Reversal, gear-8mm: 2 budgets</summary>"));
    cr_expect_not_null(strstr(budgets, "lost motion, without guide tube: "));
    free(page);
    fixture_outcomes_free(s);
}

Test(report_outcomes, hostile_texts_are_escaped_everywhere)
{
    struct session *s = fixture_outcomes(true);
    char *page = page_output(s, OUTPUT_HTML), *text = page_output(s, OUTPUT_TEXT);
    cr_expect_null(strstr(page, "<img"));
    cr_expect_null(strstr(page, "<script"));
    cr_expect_gt(page_count(page, "&lt;img src=x onerror=alert(7)&gt;"), 3);
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    cr_expect_null(strpbrk(text, "\x01\x1b"));
    free(page);
    free(text);
    json_decref(parsed(s));
    fixture_outcomes_free(s);
}

Test(report_outcomes, session_of_free_runs_alone_makes_a_page_without_empty_sections)
{
    struct session *s = fixture_free_runs();
    char *page = page_output(s, OUTPUT_HTML), *text = page_output(s, OUTPUT_TEXT);
    cr_expect_null(strstr(page, "Push curves"));
    cr_expect_null(strstr(page, "Torque against speed"));
    cr_expect_null(strstr(page, "What gave way"));
    cr_expect_null(strstr(page, "id=\"comparison\""), "one feeder");
    cr_expect_null(strstr(page, "nothing to compare"));
    cr_expect_null(strstr(page, "Budgets at the reference speed"));
    cr_expect_null(strstr(page, "21.3 mm/s</caption>"));
    cr_expect_not_null(strstr(page, "the feed ripples by 23.7 µm once a turn of the drive gear"));
    cr_expect_not_null(strstr(page, "Free run: 2 runs</summary>"));
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    free(page);
    free(text);
    fixture_outcomes_free(s);
}

Test(report_outcomes, outcome_without_anything_in_it_is_no_trouble)
{
    struct session *s = fixture_free_runs();
    struct outcome *o = &s->feeders[0].outcomes[0];
    outcome_free(o);
    outcome_init(o, "free-run");
    o->present = true;
    char *page = page_output(s, OUTPUT_HTML);
    page_expect_well_formed(page);
    free(page);
    o->present = false;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "None of the tests came to an answer"));
    page_expect_well_formed(page);
    free(page);
    json_decref(parsed(s));
    fixture_outcomes_free(s);
}

Test(report_outcomes, terminal_lists_each_test_under_its_name)
{
    struct session *s = fixture_outcomes(false);
    char *text = page_output(s, OUTPUT_TEXT);
    const char *group = strstr(text, "\nLoaded feed: a is gear-8mm, b is gear-12mm\nquantity");
    cr_assert_not_null(group, "%s", text);
    cr_expect_not_null(strstr(group, "b higher"));
    cr_expect_not_null(strstr(group, "creep coefficient"));
    cr_expect_not_null(strstr(group, "at 40 N preload"));
    cr_expect_null(strstr(text, "  0 mm/s"), "a speed that means nothing");
    free(text);
    fixture_outcomes_free(s);
}

Test(report_outcomes, page_warns_of_a_free_length_that_may_buckle)
{
    struct session *s = fixture_outcomes(false);
    struct conditions *c = &s->feeders[1].conditions;
    char text[320], *page;
    cr_expect_not(answer_buckling(s, 1, text, sizeof text), "no free length is stated");
    c->stated[CONDITION_FREE_LENGTH_MM] = true;
    c->number[CONDITION_FREE_LENGTH_MM] = 50;
    cr_expect(answer_buckling(s, 1, text, sizeof text));
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "gear-12mm: free length 50 mm"));
    cr_expect_not_null(strstr(page, "Buckling of the free length"));
    free(page);
    /* 18.2 N for 50 mm; a length of 12 mm holds 315 N. */
    c->number[CONDITION_FREE_LENGTH_MM] = 12;
    cr_expect_not(answer_buckling(s, 1, text, sizeof text));
    fixture_outcomes_free(s);
}

static const struct figure *named(const struct figures *figures, const char *name)
{
    for (size_t i = 0; i < figures->count; i++) {
        if (strcmp(figures->figure[i].name, name) == 0)
            return &figures->figure[i];
    }
    cr_assert_fail("no figure %s", name);
    return NULL;
}

Test(report_outcomes, long_path_is_thinned_and_keeps_its_extremes)
{
    struct session *s = fixture_outcomes(false);
    struct figures figures;
    struct err e = {0};
    const struct figure *f;
    char extreme[64];
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    f = named(&figures, "test-reversal-1-loop-1-gear-8mm");
    cr_expect_lt(page_count(f->data, "\n"), 6000);
    cr_expect_gt(page_count(f->data, "\n"), 1500);
    snprintf(extreme, sizeof extreme, ",%.10g,,\n", s->feeders[0].outcomes[1].charts[0].groups[0].y[13337]);
    cr_expect_not_null(strstr(f->data, extreme), "the one reading that stands out is lost");
    figures_free(&figures);
    fixture_outcomes_free(s);
}

Test(report_outcomes, words_of_a_figure_go_from_end_to_end_and_have_units)
{
    static const double X[3] = {60, 20, 40}, Y[3] = {31, 4, 52};
    struct session *s = fixture_outcomes(false);
    struct outcome_chart *chart = &s->feeders[0].outcomes[1].charts[0];
    struct outcome_group *g = &chart->groups[0];
    struct figures figures;
    struct err e = {0};
    for (size_t i = 0; i < g->point_count; i++) {
        g->x[i] = i < 3 ? X[i] : NAN;
        g->y[i] = i < 3 ? Y[i] : NAN;
    }
    g->curve_count = 0;
    snprintf(g->name, sizeof g->name, "bent");
    snprintf(chart->x_label, sizeof chart->x_label, "feed in mm");
    snprintf(chart->y_label, sizeof chart->y_label, "push force in N");
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_not_null(strstr(named(&figures, "test-reversal-1-loop-1-gear-8mm")->seen,
                              "Line “bent”: from 4 N at 20 mm to 31 N at 60 mm; greatest 52 N at 40 mm."),
                       "%s", named(&figures, "test-reversal-1-loop-1-gear-8mm")->seen);
    figures_free(&figures);
    fixture_outcomes_free(s);
}

Test(report_outcomes, what_no_feeder_has_takes_a_sentence_and_no_row)
{
    struct session *s = fixture_outcomes(false);
    char *page;
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].outcome_count; k++) {
            struct outcome *o = &s->feeders[i].outcomes[k];
            for (size_t j = 0; j < o->quantity_count; j++) {
                if (strcmp(o->quantities[j].key, "greatest_rate_mm3_s") == 0)
                    o->quantities[j].q.present = false;
            }
        }
    }
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "Not to be told from these runs: greatest rate at 215 °C.</p>"));
    cr_expect_null(strstr(page, "<th scope=\"row\">greatest rate"));
    free(page);
    fixture_outcomes_free(s);
}

Test(report_outcomes, thinning_keeps_few_points_whole_and_the_extremes_of_many)
{
    double x[997], y[997];
    bool keep[997];
    size_t kept = 0;
    for (size_t i = 0; i < 997; i++) {
        x[i] = 0.37 * (double)i;
        y[i] = (double)((i * 7919) % 613);
    }
    y[411] = 9000.5;
    y[618] = -713.25;
    x[205] = -55.5;
    y[777] = NAN;
    chart_thin(x, y, 20, 10, keep);
    for (size_t i = 0; i < 20; i++)
        cr_expect(keep[i]);
    chart_thin(x, y, 997, 10, keep);
    for (size_t i = 0; i < 997; i++)
        kept += keep[i];
    cr_expect(keep[0] && keep[996] && keep[411] && keep[618] && keep[205]);
    cr_expect(kept >= 20 && kept <= 60, "%zu", kept);
}

Test(report_outcomes, same_feeder_in_two_series_is_one_column_of_the_conditions)
{
    struct session *s = fixture_outcomes(false);
    char *page;
    snprintf(s->feeders[0].name, sizeof s->feeders[0].name, "gear-8mm (series 1)");
    for (size_t k = 0; k < s->feeders[1].outcome_count; k++)
        outcome_free(&s->feeders[1].outcomes[k]);
    free(s->feeders[1].outcomes);
    s->feeders[1] = (struct feeder_result){.series = 0, .conditions = s->feeders[0].conditions};
    snprintf(s->feeders[1].name, sizeof s->feeders[1].name, "gear-8mm (series 2)");
    snprintf(s->feeders[1].description, sizeof s->feeders[1].description, "%s", s->feeders[0].description);
    for (size_t i = 0; i < s->run_count; i++) {
        if (s->runs[i].feeder == 1)
            s->series[0]->runs[i].drive_diameter_mm = 8.05;
    }
    for (size_t i = 0; i < s->run_count; i++)
        s->series[0]->runs[i].teeth = 32;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(
        strstr(page, "<th scope=\"col\">gear-8mm (series 1, 1)</th><th scope=\"col\">gear-fine</th>"));
    free(page);
    s->feeders[1].conditions.number[CONDITION_NIP_PRELOAD_N] += 0.5;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(
        strstr(page, "<th scope=\"col\">gear-8mm (series 1)</th><th scope=\"col\">gear-8mm (series 2)</th>"));
    free(page);
    fixture_outcomes_free(s);
}

Test(report_outcomes, results_json_stays_small_with_long_charts)
{
    struct session *s = fixture_outcomes(false);
    char *text = page_output(s, OUTPUT_JSON);
    cr_expect_lt(strlen(text), 1500000, "%zu bytes", strlen(text));
    free(text);
    fixture_outcomes_free(s);
}

Test(report_outcomes, pushes_of_other_tests_are_in_no_figure_of_the_plain_ones)
{
    struct session *s = fixture_outcomes(false);
    struct figures figures;
    struct err e = {0};
    size_t plain = 0;
    for (size_t i = 0; i < s->run_count; i++) {
        if (s->runs[i].feeder == 2)
            s->series[0]->runs[i].test = i % 2 == 0 ? PLAN_ENDURANCE : PLAN_FREE_RUN;
        else if (s->series[0]->runs[i].test == PLAN_SPEED_SWEEP && s->runs[i].push.stall_force_n.present)
            plain++;
    }
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    for (size_t i = 0; i < figures.count; i++)
        cr_expect_neq(strcmp(figures.figure[i].name, "push-3-gear-fine"), 0, "drawn as a push");
    cr_expect_eq(page_count(named(&figures, "stall-force")->data, "\nrun"), plain);
    figures_free(&figures);
    fixture_outcomes_free(s);
}

Test(report_outcomes, chart_without_a_point_that_can_be_drawn_has_no_figure)
{
    struct session *s = fixture_free_runs();
    struct outcome_chart *chart = &s->feeders[0].outcomes[0].charts[0];
    struct figures figures;
    struct err e = {0};
    for (size_t i = 0; i < chart->groups[0].point_count; i++)
        chart->groups[0].x[i] = -chart->groups[0].x[i]; /* on a logarithmic axis */
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_eq(figures.count, 0);
    figures_free(&figures);
    fixture_outcomes_free(s);
}

/* A page with many pictures is longer than what scratch_read takes. */
static char *read_whole(const char *path)
{
    struct stat info;
    FILE *in = fopen(path, "rb");
    char *text;
    cr_assert_not_null(in);
    cr_assert_eq(fstat(fileno(in), &info), 0);
    text = calloc(1, (size_t)info.st_size + 1);
    cr_assert_not_null(text);
    cr_assert_eq(fread(text, 1, (size_t)info.st_size, in), (size_t)info.st_size);
    fclose(in);
    return text;
}

static void draw_all(bool hostile)
{
    struct session *s = fixture_outcomes(hostile);
    struct err e = {0};
    struct stat info;
    char folder[600], path[1200];
    struct figures figures;
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    const struct report_options options = {.folder = folder, .figures = true};
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "its own earlier report: %s: %s", e.file, e.text);
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_eq(figures.count, 8 + 8);
    for (size_t i = 0; i < figures.count; i++) {
        snprintf(path, sizeof path, "out/figures/%s.svg", figures.figure[i].name);
        cr_assert_eq(stat(scratch_path(path), &info), 0, "%s", path);
        cr_expect_lt(info.st_size, 400 * 1024, "%s has %ld bytes", path, (long)info.st_size);
        cr_expect_eq(strspn(figures.figure[i].name, "abcdefghijklmnopqrstuvwxyz0123456789-"),
                     strlen(figures.figure[i].name));
    }
    cr_expect_neq(access(scratch_path("out/figures/Y"), F_OK), 0, "a text ran as a command");
    cr_expect_neq(access(scratch_path("Y"), F_OK), 0, "a text ran as a command");
    char *page = read_whole(scratch_path("out/report.html"));
    cr_assert_not_null(page);
    cr_expect_eq(page_count(page, "<svg "), 16);
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    free(page);
    figures_free(&figures);
    fixture_outcomes_free(s);
}

Test(report_outcomes, every_style_of_chart_is_drawn, .init = scratch_begin, .fini = scratch_end)
{
    draw_all(false);
}

Test(report_outcomes, charts_with_hostile_texts_are_drawn_and_run_nothing, .init = scratch_begin,
     .fini = scratch_end)
{
    draw_all(true);
}
