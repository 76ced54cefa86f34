/* What a motor's data sheet predicts as the report shows it: its section, its figure, its budgets, its part
 * of results.json, and that all of it is left out where no motor file was given. */
#include "analyze/prediction.h"
#include "analyze/report/figure.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/report_html.h"
#include "analyze/report/text_format.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A torque of 0.1672 N m at the set current; the true motor of the session falls off with speed, this one
 * does not. The comment tries to get out of the page. */
static const char MOTOR[] = "# </pre><script>alert(7)</script> `touch X`\n"
                            "nipbench_motor: 1\n"
                            "name: \"motor <b>of</b> the bench\"\n"
                            "full_steps_per_rev: 200\n"
                            "holding_torque_nm: 0.2365\n"
                            "rated_current_a: 1\n"
                            "phase_resistance_ohm: 4\n"
                            "phase_inductance_h: 0.006\n"
                            "set_current_a: 1\n"
                            "current_is: peak\n"
                            "supply_v: 24\n"
                            "efficiency: 0.95\n"
                            "end: true\n";

static struct session *made(bool hostile, bool with_motor)
{
    static const struct session_motor motor = {.file = "/somebody/s/motor <i>.yaml", .text = MOTOR};
    const struct session_options options = {.motors = &motor, .motor_count = 1};
    struct session *s = fixture_session(hostile);
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_not_null(s);
    if (with_motor) {
        cr_assert_eq(prediction_read_motors(s, &options, &e), ERR_OK, "%s", e.text);
        cr_assert_eq(prediction_check_motors(s, &options, &e), ERR_OK, "%s", e.text);
        cr_assert_eq(prediction_all(s, &e), ERR_OK, "%s", e.text);
    }
    return s;
}

static void let_go(struct session *s)
{
    prediction_forget(s);
    fixture_session_free(s);
}

static char *section_of(const char *page, const char *id)
{
    char begin[64];
    const char *at, *end;
    snprintf(begin, sizeof begin, "<section id=\"%s\">", id);
    at = strstr(page, begin);
    cr_assert_not_null(at, "no section %s", id);
    end = strstr(at, "</section>");
    return strndup(at, (size_t)(end - at));
}

static void expect(const char *text, const char *word)
{
    cr_expect(strstr(text, word) != NULL, "\"%s\" is not in: %.2000s", word, text);
}

Test(report_prediction, the_page_holds_verdict_causes_and_a_row_for_each_speed)
{
    struct session *s = made(false, true);
    char *page = page_output(s, OUTPUT_HTML), *section = section_of(page, "prediction"), text[200];
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    cr_assert_eq(s->prediction_count, 3);
    expect(section, "Measured and predicted differ at ");
    expect(section, "Likely causes, those first that fit the measured forces best:</p>\n<ol>\n<li>");
    expect(section, "To tell: ");
    expect(section, "differs, below");
    expect(section, ">agree<");
    expect(section, ">not contradicted<");
    expect(section, "grip or a limit gave way before the motor did");
    for (size_t i = 0; i < 3; i++) {
        for (size_t k = 0; k < s->predictions[i].measured_count; k++) {
            const struct predict_measured *m = &s->predictions[i].measured[k];
            char number[80];
            text_rounded(m->predicted.force_n.value,
                         text_decimals((m->predicted.force_n.high_95 - m->predicted.force_n.low_95) / 2),
                         number, sizeof number);
            snprintf(text, sizeof text, "<td class=\"number\">%s N <span", number);
            expect(section, text);
            text_quantity(&m->difference_n, "N", number, sizeof number);
            if (m->difference_n.at_least)
                expect(section, number);
        }
    }
    cr_expect_eq(page_count(section, "<tr><th scope=\"row\">"), 9, "three speeds of three feeders");
    expect(page, "<li><a href=\"#prediction\">");
    expect(page, "<dt>Predicted push force</dt>");
    expect(page, "<li class=\"alike\"><a href=\"#prediction\">");
    free(section);
    section = section_of(page, "motors");
    expect(section, s->motors[0].hash);
    expect(section, "motor &lt;i&gt;.yaml");
    expect(section, "0.2365 N m, 10 % either way");
    expect(section, "1 A, 5 % either way, peak value");
    expect(section, "gear-8mm, gear-12mm, gear-fine");
    expect(section, "# &lt;/pre&gt;&lt;script&gt;alert(7)");
    cr_expect_null(strstr(page, "<script>"));
    cr_expect_null(strstr(page, "/somebody/"), "folders are nobody's business");
    free(section);
    section = section_of(page, "repeat");
    expect(section, " --motor &#39;motor &lt;i&gt;.yaml&#39; ");
    free(section);
    free(page);
    let_go(s);
}

Test(report_prediction, names_that_want_out_of_the_page_stay_in_it)
{
    struct session *s = made(true, true);
    char *page = page_output(s, OUTPUT_HTML);
    struct figures figures;
    struct err e = {0};
    page_expect_well_formed(page);
    cr_expect_null(strstr(page, FIXTURE_HOSTILE_HTML));
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK, "%s", e.text);
    for (size_t i = 0; i < figures.count; i++) {
        if (figures.figure[i].kind == FIGURE_PREDICTION) {
            cr_expect_null(strstr(figures.figure[i].data, "`"));
            cr_expect_null(strstr(figures.figure[i].data, "\""));
        }
    }
    figures_free(&figures);
    free(page);
    let_go(s);
}

/* A row of the figure's data: kind, index, feeder, speed, force, low, high. */
static size_t rows_of(const char *data, const char *kind, size_t index, double *sum)
{
    char begin[40];
    size_t count = 0;
    snprintf(begin, sizeof begin, "\n%s,%zu,", kind, index);
    *sum = 0;
    for (const char *at = strstr(data, begin); at != NULL; at = strstr(at + 1, begin)) {
        double speed, force;
        const char *from = strchr(at + strlen(begin), ',');
        cr_assert_eq(sscanf(from, ",%lf,%lf", &speed, &force), 2);
        *sum += force;
        count++;
    }
    return count;
}

Test(report_prediction, the_figure_has_prediction_curve_marks_and_bounds_of_each_feeder)
{
    struct session *s = made(false, true);
    struct figures figures;
    struct err e = {0};
    const struct figure *f = NULL;
    double sum, wanted = 0;
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK, "%s", e.text);
    for (size_t i = 0; i < figures.count; i++)
        f = figures.figure[i].kind == FIGURE_PREDICTION ? &figures.figure[i] : f;
    cr_assert_not_null(f);
    cr_expect_str_eq(f->name, "prediction");
    cr_expect_eq(rows_of(f->data, "predicted", 1, &sum), 41);
    cr_expect_eq(rows_of(f->data, "fitted", 1, &sum), CURVE_POINTS);
    for (size_t i = 0; i < CURVE_POINTS; i++)
        wanted += prediction_fitted_n(&s->predictions[0], i).value;
    cr_expect_float_eq(sum, wanted, 1e-5 * wanted);
    cr_expect_eq(rows_of(f->data, "measured", 1, &sum), 3);
    cr_expect_eq(rows_of(f->data, "bound", 1, &sum), 0);
    cr_expect_eq(rows_of(f->data, "measured", 2, &sum) + rows_of(f->data, "bound", 2, &sum), 3);
    cr_expect_eq(rows_of(f->data, "bound", 2, &sum), 1);
    cr_expect_eq(rows_of(f->data, "fitted", 3, &sum), 0, "no curve was fitted");
    cr_expect_eq(rows_of(f->data, "bound", 3, &sum), 3, "grip gave way");
    expect(f->data, "\nmeasured,1,gear-8mm,10,");
    expect(f->script, "set title 'gear-12mm'");
    expect(f->script, "SIMULATED DATA");
    expect(f->description, "Dashed line with band");
    expect(f->seen, "gear-8mm: measured and predicted differ at ");
    expect(f->seen, "Measured minus predicted at 90 mm/s: ");
    figures_free(&figures);
    let_go(s);
}

static const json_t *at(const json_t *root, const char *list, size_t i)
{
    const json_t *found = json_array_get(json_object_get(root, list), i);
    cr_assert_not_null(found, "%s has no entry %zu", list, i);
    return found;
}

static double number(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    cr_assert(json_is_number(value), "%s is no number", key);
    return json_number_value(value);
}

Test(report_prediction, the_results_hold_the_motor_file_to_the_byte_and_budgets_that_add_up)
{
    struct session *s = made(false, true);
    char *text = page_output(s, OUTPUT_JSON);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    const json_t *motor, *values, *point, *predicted, *budget;
    cr_assert_not_null(root);
    motor = at(root, "motors", 0);
    values = json_object_get(motor, "values");
    cr_expect_str_eq(json_string_value(json_object_get(motor, "text")), MOTOR);
    cr_expect_str_eq(json_string_value(json_object_get(motor, "file")), "motor <i>.yaml");
    cr_expect_str_eq(json_string_value(json_object_get(motor, "sha256")), s->motors[0].hash);
    cr_expect(json_is_null(json_object_get(motor, "feeder")));
    cr_expect_float_eq(number(values, "holding_torque_nm"), 0.2365, 1e-12);
    cr_expect_float_eq(number(values, "phase_inductance_tolerance_percent"), 20, 1e-12);
    cr_expect(json_is_null(json_object_get(values, "drive_diameter_mm")), "not stated");
    cr_expect_str_eq(json_string_value(json_object_get(values, "current_is")), "peak");
    cr_assert_eq(json_array_size(json_object_get(root, "predictions")), 3);
    for (size_t i = 0; i < 3; i++) {
        const json_t *p = at(root, "predictions", i);
        cr_expect_str_eq(json_string_value(json_object_get(p, "feeder")), s->feeders[i].name);
        cr_expect_eq(number(p, "motor"), 1);
        for (size_t k = 0; k < s->predictions[i].measured_count; k++) {
            const struct predict_measured *m = &s->predictions[i].measured[k];
            double squares = 0, share = 0, u;
            point = at(p, "measured", k);
            predicted = json_object_get(point, "predicted_n");
            budget = json_object_get(predicted, "budget");
            u = number(predicted, "standard_uncertainty");
            cr_expect_float_eq(number(predicted, "value"), m->predicted.force_n.value, 1e-9);
            cr_expect_float_eq(number(json_object_get(point, "difference_n"), "value"),
                               m->force_n.value - m->predicted.force_n.value, 1e-9);
            cr_expect_eq(json_is_true(json_object_get(point, "differs")), m->differs);
            cr_expect_eq(json_array_size(budget), 7);
            for (size_t c = 0; c < json_array_size(budget); c++) {
                squares += pow(number(json_array_get(budget, c), "contribution"), 2);
                share += number(json_array_get(budget, c), "share");
            }
            cr_expect_float_eq(share, 1, 1e-9);
            cr_expect_float_eq(sqrt(squares), u, 0.03 * u, "%zu at %g mm/s: %g, not %g", i, m->speed_mm_s,
                               sqrt(squares), u);
        }
    }
    json_decref(root);
    free(text);
    let_go(s);
}

Test(report_prediction, budgets_stand_in_the_uncertainty_section_with_what_they_rest_on)
{
    struct session *s = made(false, true);
    char *page = page_output(s, OUTPUT_HTML), *section = section_of(page, "uncertainty"), words[200];
    const struct prediction *p = &s->predictions[0];
    struct budget b;
    struct err e = {0};
    char newtons[48];
    cr_assert_eq(predict_budget(&s->motors[0].motor, &p->drive, p->measured[0].speed_mm_s, &b, &e), ERR_OK);
    expect(section, "<h3>Budgets of the predicted forces</h3>");
    expect(section, "Predicted push force, gear-8mm: 3 budgets");
    cr_expect_eq(page_count(section, "by Monte Carlo</td>"), 9);
    snprintf(
        words, sizeof words,
        "holding torque</th><td class=\"wrap\">estimate (type B): 0.2365 N m, 10 %% either way</td>"
        "<td class=\"number\">%s N</td><td class=\"number\">%.1f %%</td><td class=\"number\">estimate</td>",
        predict_newtons(&b, 0, newtons, sizeof newtons), 100 * budget_share(&b, 0));
    expect(section, words);
    free(section);
    free(page);
    let_go(s);
}

Test(report_prediction, without_a_motor_file_nothing_speaks_of_one)
{
    struct session *s = made(false, false);
    char *page = page_output(s, OUTPUT_HTML), *json = page_output(s, OUTPUT_JSON);
    struct figures figures;
    struct err e = {0};
    cr_expect_null(strstr(page, "redict"));
    cr_expect_null(strstr(page, "#motors"));
    cr_expect_null(strstr(json, "\"motors\""));
    cr_expect_null(strstr(json, "\"predictions\""));
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    for (size_t i = 0; i < figures.count; i++)
        cr_expect_neq(figures.figure[i].kind, FIGURE_PREDICTION);
    figures_free(&figures);
    free(page);
    free(json);
    let_go(s);
}

Test(report_prediction, feeders_that_were_not_pushed_are_named_and_have_no_row)
{
    struct session *s = made(false, false);
    static const struct session_motor motor = {.file = "motor.yaml", .text = MOTOR};
    const struct session_options options = {.motors = &motor, .motor_count = 1};
    struct err e = {0};
    char *page, *section;
    for (size_t i = 0; i < s->feeder_count; i++)
        s->feeders[i].point_count = 0;
    cr_assert_eq(prediction_read_motors(s, &options, &e), ERR_OK);
    cr_assert_eq(prediction_all(s, &e), ERR_OK);
    page = page_output(s, OUTPUT_HTML);
    section = section_of(page, "prediction");
    page_expect_well_formed(page);
    expect(section,
           "Nothing was measured that a motor&#8217;s force can be held against, no blocked push of which "
           "it is clear what gave way: gear-8mm, gear-12mm, gear-fine.");
    cr_expect_null(strstr(section, "<table"));
    cr_expect_not(figure_prediction_wanted(s));
    free(section);
    free(page);
    let_go(s);
}
