/* The uncertainty budgets as the report shows them: results.json, the page, the picture; the operator's
 * estimates by name; and what a result rests on that it had better not. */
#include "analyze/push_budget.h"
#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static json_t *parsed(const struct session *s)
{
    char *text = page_output(s, OUTPUT_JSON);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    cr_assert_not_null(root);
    free(text);
    return root;
}

static double number_at(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    cr_assert(json_is_number(value), "%s is not a number", key);
    return json_number_value(value);
}

static void expect_keys(const json_t *object, const char *const *keys, size_t count)
{
    cr_expect_eq(json_object_size(object), count);
    for (size_t i = 0; i < count; i++)
        cr_expect_not_null(json_object_get(object, keys[i]), "%s", keys[i]);
}

/* One quantity whose budget is given: its parts give the standard uncertainty and the degrees of freedom. */
static void expect_adds_up(const json_t *quantity)
{
    static const char *const keys[] = {"name",
                                       "unit",
                                       "type",
                                       "standard_uncertainty",
                                       "share",
                                       "sensitivity",
                                       "contribution",
                                       "degrees_of_freedom",
                                       "operator_estimate"};
    const json_t *budget = json_object_get(quantity, "budget");
    double u = number_at(quantity, "standard_uncertainty"), squares = 0, shares = 0, over_degrees = 0;
    for (size_t i = 0; i < json_array_size(budget); i++) {
        const json_t *c = json_array_get(budget, i), *degrees = json_object_get(c, "degrees_of_freedom");
        const char *type = json_string_value(json_object_get(c, "type"));
        double contribution = number_at(c, "contribution");
        expect_keys(c, keys, sizeof keys / sizeof keys[0]);
        cr_expect(strcmp(type, "A") == 0 || strcmp(type, "B") == 0);
        cr_expect_float_eq(
            contribution, fabs(number_at(c, "sensitivity")) * number_at(c, "standard_uncertainty"), 1e-9 * u);
        cr_expect_float_eq(number_at(c, "share"), contribution * contribution / u / u, 1e-9);
        squares += contribution * contribution;
        shares += number_at(c, "share");
        if (!json_is_null(degrees))
            over_degrees += pow(contribution, 4) / json_number_value(degrees);
    }
    cr_expect_float_eq(sqrt(squares), u, 1e-9 * u);
    cr_expect_float_eq(shares, 1, 1e-9);
    if (over_degrees > 0)
        cr_expect_float_eq(number_at(quantity, "degrees_of_freedom"), pow(u, 4) / over_degrees,
                           1e-8 * pow(u, 4) / over_degrees);
    else
        cr_expect(json_is_null(json_object_get(quantity, "degrees_of_freedom")));
}

struct tally {
    size_t quantities, budgets, bounds;
};

/* Go through everything for objects that are quantities. */
static void walk(const json_t *value, struct tally *t)
{
    static const char *const keys[] = {"value",    "unit", "standard_uncertainty", "low_95", "high_95",
                                       "censored", "n",    "degrees_of_freedom",   "budget"};
    const json_t *child;
    size_t i;
    const char *key;
    if (json_is_array(value)) {
        json_array_foreach((json_t *)value, i, child) walk(child, t);
        return;
    }
    json_object_foreach((json_t *)value, key, child) walk(child, t);
    if (json_object_get(value, "low_95") == NULL)
        return;
    t->quantities++;
    expect_keys(value, keys, sizeof keys / sizeof keys[0]);
    if (json_is_true(json_object_get(value, "censored"))) {
        t->bounds++;
        cr_expect(json_is_null(json_object_get(value, "budget")), "a bound has no budget");
        cr_expect(json_is_null(json_object_get(value, "degrees_of_freedom")));
    } else if (!json_is_null(json_object_get(value, "budget"))) {
        t->budgets++;
        expect_adds_up(value);
    }
}

Test(report_budget, every_budget_in_results_json_gives_the_stated_uncertainty)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s), *feeder = json_array_get(json_object_get(root, "feeders"), 0), *point, *torque;
    struct tally t = {0};
    walk(root, &t);
    /* Runs: 34 stall forces and 12 onsets. Points: 8 and 3, torque 5 (the grip-limited ones are bounds).
     * Feeders at the reference speed: 3 and 1. Differences: 2. */
    cr_expect_eq(t.budgets, 34 + 12 + 8 + 3 + 5 + 3 + 1 + 2, "%zu budgets", t.budgets);
    cr_expect_eq(t.bounds, 1 + 1 + 4, "%zu bounds", t.bounds);
    cr_expect_gt(t.quantities, t.budgets + t.bounds, "creep and stiffness have no budget");
    point = json_array_get(json_object_get(feeder, "points"), 0);
    torque = json_object_get(json_object_get(point, "torque_nm"), "budget");
    cr_expect_eq(json_array_size(torque), 6, "the force's five and the lever");
    torque = json_array_get(torque, 5);
    cr_expect_str_eq(json_string_value(json_object_get(torque, "name")), "drive diameter");
    cr_expect_str_eq(json_string_value(json_object_get(torque, "unit")), "mm");
    cr_expect(json_is_true(json_object_get(torque, "operator_estimate")));
    cr_expect(json_is_null(json_object_get(torque, "degrees_of_freedom")));
    cr_expect_float_eq(number_at(torque, "standard_uncertainty"), 0.0805, 1e-12);
    json_decref(root);
    fixture_session_free(s);
}

Test(report_budget, a_quantity_without_a_budget_has_null_for_it)
{
    struct session *s = fixture_session(false);
    json_t *root, *run;
    s->runs[0].push.stall_budget.kind = NULL;
    root = parsed(s);
    run = json_array_get(json_object_get(root, "runs"), 0);
    cr_expect(json_is_null(json_object_get(json_object_get(run, "stall_force_n"), "budget")));
    cr_expect(json_is_null(json_object_get(json_object_get(run, "creep_per_n"), "budget")));
    cr_expect_float_eq(number_at(json_object_get(run, "creep_per_n"), "degrees_of_freedom"), 400, 1e-9);
    json_decref(root);
    fixture_session_free(s);
}

Test(report_budget, results_json_tells_stated_estimates_from_defaults)
{
    struct session *s = fixture_session(false);
    json_t *root = parsed(s),
           *estimates = json_object_get(json_array_get(json_object_get(root, "series"), 0), "estimates"),
           *alignment = json_object_get(estimates, "load_axis_alignment_deg"),
           *creep = json_object_get(estimates, "load_cell_creep_percent");
    cr_expect_eq(json_object_size(estimates), PLAN_ESTIMATE_COUNT);
    cr_expect_eq(number_at(alignment, "value"), 2.5);
    cr_expect_str_eq(json_string_value(json_object_get(alignment, "unit")), "degrees");
    cr_expect(json_is_true(json_object_get(alignment, "stated")));
    cr_expect_eq(number_at(creep, "value"), 0.03);
    cr_expect(json_is_false(json_object_get(creep, "stated")));
    json_decref(root);
    fixture_session_free(s);
}

/* From that word on to the end of the page. */
static const char *after(const char *page, const char *word)
{
    const char *found = strstr(page, word);
    cr_assert_not_null(found, "%s", word);
    return found;
}

Test(report_budget, page_has_the_budget_of_each_feeder_as_a_table)
{
    struct session *s = fixture_session(false);
    char *page = page_output(s, OUTPUT_HTML), result[TEXT_QUANTITY_SIZE], caption[400];
    const char *table;
    const struct speed_point *point = &s->feeders[0].points[0];
    snprintf(caption, sizeof caption, "<caption>Stall force of gear-8mm at 10 mm/s, mean over 4 runs: %s",
             text_quantity_full(&point->stall_force_n, "N", result, sizeof result));
    cr_expect_not_null(strstr(result, " (k = 3.18, 95 %)"), "%s", result);
    table = after(page, caption);
    cr_expect_not_null(strstr(table, "<th scope=\"row\">scatter of the runs</th><td class=\"wrap\">measured "
                                     "scatter (type A)</td><td class=\"number\">0.51 N</td><td "
                                     "class=\"number\">95.3 %</td><td class=\"number\">3</td>"));
    cr_expect_not_null(strstr(table, "resolution of the converter</th><td class=\"wrap\">estimate (type "
                                     "B)</td><td class=\"number\">0.0017 N</td><td class=\"number\">below "
                                     "0.1 %</td><td class=\"number\">infinite</td>"));
    cr_expect_not_null(strstr(table, "alignment of the load axis, at most: 2.5 degrees, operator&#39;s "
                                     "estimate</td>"));
    cr_expect_not_null(strstr(table, "creep of the load cell, standard uncertainty: 0.03 % of the force, "
                                     "default estimate, not stated in the plan</td>"));
    cr_expect_not_null(strstr(table, "combined</th><td></td><td class=\"number\">0.52 N</td>"));
    cr_expect_not_null(strstr(page, "Slip onset of gear-fine at 10 mm/s"));
    cr_expect_null(strstr(page, "Slip onset of gear-8mm at 10 mm/s"), "it has none");
    free(page);
    s->feeders[0].points[0].stall_force_n = quantity_at_least(88.3);
    s->feeders[1].reference = s->feeders[1].point_count;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "gear-8mm: only a lower bound of the stall force is known"));
    cr_expect_not_null(strstr(page, "gear-12mm: no stall force at this speed, so no budget."));
    cr_expect_null(strstr(page, "Stall force of gear-8mm at 10 mm/s"));
    free(page);
    fixture_session_free(s);
}

Test(report_budget, page_names_every_estimate_of_the_operator)
{
    struct session *s = fixture_session(false);
    struct calibration *c = &s->series[0]->calibration;
    char *page = page_output(s, OUTPUT_HTML);
    const char *list = after(page, "<h3>Estimates</h3>");
    static const char *const stated[] = {
        "<li>alignment of the load axis, at most: 2.5 degrees, operator&#39;s estimate</li>",
        "<li>creep of the load cell, standard uncertainty: 0.03 % of the force, default estimate, not stated "
        "in the plan</li>",
        "<li>runout of the drive gear, standard uncertainty: 0.02 mm, default estimate, not stated in the "
        "plan</li>",
        "<li>calibration of the load cell, stated on 2026-03-02T09:14:00Z: 4183.7 counts/N, standard "
        "uncertainty 3.0 counts/N, operator&#39;s estimate</li>",
        "<li>drive diameter of gear-8mm: 8.050 mm, standard uncertainty 0.081 mm (1 % of it, as is taken "
        "where "
        "the plan states none), operator&#39;s estimate</li>",
        "<li>drive diameter of gear-12mm: 11.900 mm, standard uncertainty 0.040 mm, operator&#39;s "
        "estimate</li>",
        "<li>conditions: as the operator entered them"};
    for (size_t i = 0; i < sizeof stated / sizeof stated[0]; i++)
        cr_expect_not_null(strstr(list, stated[i]), "%s", stated[i]);
    cr_expect_null(strstr(list, "<li>encoder"), "there is none");
    free(page);
    /* What is measured is no estimate. */
    snprintf(c->origin, sizeof c->origin, "fitted");
    c->degrees_of_freedom = 27;
    c->feed_count = 2;
    c->feeds[0] = (struct calibration_feed){"gear-8mm", 0.00790, 0.00001, 9};
    c->feeds[1] = (struct calibration_feed){"gear-12mm", 0.01168, 0.00003, INFINITY};
    page = page_output(s, OUTPUT_HTML);
    list = after(page, "<h3>Estimates</h3>");
    cr_expect_null(strstr(list, "<li>calibration of the load cell"));
    cr_expect_null(strstr(list, "<li>drive diameter of gear-8mm"));
    cr_expect_null(strstr(list, "<li>feed of gear-8mm"));
    cr_expect_not_null(strstr(list,
                              "<li>feed of gear-12mm for a microstep: 0.011680 mm, standard uncertainty "
                              "0.000030 mm, stated, operator&#39;s estimate</li>"));
    cr_expect_not_null(strstr(list, "<li>drive diameter of gear-fine"));
    free(page);
    fixture_session_free(s);
}

Test(report_budget, page_says_where_the_parts_of_a_calibration_come_from)
{
    struct session *s = fixture_session(false);
    struct calibration *c = &s->series[0]->calibration;
    struct budget *b = &s->feeders[0].points[0].stall_budget;
    const char *list;
    char *page;
    snprintf(c->origin, sizeof c->origin, "fitted");
    c->degrees_of_freedom = 27;
    c->weights_relative = 0.00017;
    c->gravity_relative = 0.000051;
    c->reversibility_n = 0.083;
    snprintf(c->estimates[0], sizeof c->estimates[0], "gravity: <b>9.8085</b> m/s2");
    c->estimate_count = 1;
    push_budget_add(b, PUSH_BUDGET_WEIGHTS_NAME, 0.014, INFINITY, BUDGET_TYPE_B, true);
    push_budget_add(b, PUSH_BUDGET_GRAVITY_NAME, 0.0043, INFINITY, BUDGET_TYPE_B, true);
    push_budget_add(b, PUSH_BUDGET_REVERSIBILITY_NAME, 0.048, INFINITY, BUDGET_TYPE_B, false);
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "weights of the calibration</th><td class=\"wrap\">estimate (type B): "
                                    "0.017 % of the force, from the tolerance stated for the weights of the "
                                    "calibration of 2026-03-02T09:14:00Z, operator&#39;s estimate</td>"));
    cr_expect_not_null(strstr(page, "gravity at the calibration</th><td class=\"wrap\">estimate (type B): "
                                    "0.0051 % of the force, from the gravity taken where"));
    cr_expect_not_null(strstr(page, "reversibility of the load cell</th><td class=\"wrap\">estimate (type "
                                    "B): at most 0.083 N either way, half the widest loop"));
    list = after(page, "<h3>Estimates</h3>");
    cr_expect_not_null(strstr(list, "<li>at the calibration: gravity: &lt;b&gt;9.8085&lt;/b&gt; m/s2</li>"));
    free(page);
    fixture_session_free(s);
}

Test(report_budget, names_are_escaped_in_page_and_json)
{
    struct session *s = fixture_session(true);
    char *page = page_output(s, OUTPUT_HTML);
    json_t *root = parsed(s),
           *budget = json_object_get(
               json_object_get(json_array_get(json_object_get(root, "runs"), 0), "stall_force_n"), "budget");
    cr_expect_null(strstr(page, "<b>scatter"));
    cr_expect_null(strstr(page, "<b>gear"));
    cr_expect_null(strstr(page, "<script"));
    cr_expect_not_null(strstr(page, "&lt;b&gt;scatter`touch X`&#39;s %s"));
    cr_expect_not_null(strstr(page, "drive diameter of &lt;b&gt;gear&lt;/b&gt;"));
    cr_expect_not_null(strstr(page, "stated on &lt;script&gt;"));
    cr_expect_str_eq(json_string_value(json_object_get(json_array_get(budget, 0), "name")),
                     "<b>scatter`touch X`'s %s");
    json_decref(root);
    free(page);
    fixture_session_free(s);
}

Test(report_budget, results_carry_their_coverage_factor)
{
    char text[TEXT_QUANTITY_SIZE];
    struct quantity q = quantity_from(84.31, 0.678, 6.4, 9), bound = quantity_at_least(84.31);
    quantity_init_numerics();
    /* Student's t for 6 degrees of freedom, 2.4469; for infinitely many, 1.9600. */
    cr_expect_str_eq(text_quantity_full(&q, "N", text, sizeof text), "84.3 N ± 1.7 N (k = 2.45, 95 %)");
    q = quantity_from(84.31, 0.678, INFINITY, 9);
    cr_expect_str_eq(text_quantity_full(&q, "N", text, sizeof text), "84.3 N ± 1.3 N (k = 1.96, 95 %)");
    cr_expect_str_eq(text_quantity_full(&bound, "N", text, sizeof text), "at least 84.3 N");
    cr_expect_str_eq(text_coverage(&bound, text, sizeof text), "");
    q = quantity_absent();
    cr_expect_str_eq(text_quantity_full(&q, "N", text, sizeof text), "none");
    q = quantity_from(84.31, 0, INFINITY, 9);
    cr_expect_str_eq(text_coverage(&q, text, sizeof text), "", "no uncertainty, no factor");
}

Test(report_budget, each_run_has_a_line_on_its_quality)
{
    struct session *s = fixture_session(false);
    struct run_push *p = &s->runs[2].push;
    char *page;
    p->zero_drift_n = 0.7134;
    p->noise_n = 0.3127;
    static const char *const moved[] = {"the zero moved by 0.713 N during the run, more than 0.5 N"};
    p->flags = (struct run_texts){1, moved};
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "zero drift 0.713 N, noise 0.31 N</span>; the zero moved by 0.713 N "
                                    "during the run, more than 0.5 N</td>"));
    cr_expect_not_null(strstr(page, "zero drift -0.040 N, noise 0.29 N</span></td>"));
    free(page);
    fixture_session_free(s);
}

static void flag(struct result_flags *flags, const char *text)
{
    snprintf(flags->text[flags->count++], sizeof flags->text[0], "%s", text);
}

Test(report_budget, flags_of_means_and_differences_are_told_everywhere)
{
    struct session *s = fixture_session(false);
    struct speed_point *p = &s->feeders[2].points[0];
    json_t *root, *feeder, *flags;
    char *page, *text;
    flag(&p->stall_flags, "extrapolated: 2 of 4 runs outside <b>");
    flag(&p->stall_flags, "too old");
    flag(&p->onset_flags, "too old");
    flag(&s->feeders[0].torque_curve.flags, "curve <b> too old");
    text_list_add(&s->comparisons[0].flags, "gear-8mm: extrapolated <b>");
    root = parsed(s);
    feeder = json_array_get(json_object_get(root, "feeders"), 2);
    flags = json_object_get(feeder, "flags");
    cr_expect_eq(json_array_size(flags), 2);
    cr_expect_str_eq(json_string_value(json_array_get(flags, 0)),
                     "stall force: extrapolated: 2 of 4 runs outside <b>");
    cr_expect_str_eq(json_string_value(json_array_get(flags, 1)), "too old", "once for both forces");
    cr_expect(
        json_equal(json_object_get(json_array_get(json_object_get(feeder, "points"), 0), "flags"), flags));
    flags = json_object_get(json_array_get(json_object_get(root, "comparisons"), 0), "flags");
    cr_expect_eq(json_array_size(flags), 1);
    flags = json_object_get(json_array_get(json_object_get(root, "comparisons"), 1), "flags");
    cr_expect(json_is_array(flags) && json_array_size(flags) == 0);
    flags = json_object_get(
        json_object_get(json_array_get(json_object_get(root, "feeders"), 0), "torque_curve"), "flags");
    cr_expect_eq(json_array_size(flags), 1);
    json_decref(root);
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "both are motor-limited. <span class=\"line flag\">Note: gear-8mm: "
                                    "extrapolated &lt;b&gt;.</span>"));
    cr_expect_not_null(
        strstr(page, " <span class=\"flag\">gear-8mm: extrapolated &lt;b&gt;.</span></div></td></tr>"));
    cr_expect_not_null(strstr(
        page, "<span class=\"line flag\">stall force: extrapolated: 2 of 4 runs outside &lt;b&gt;</span>"));
    cr_expect_not_null(strstr(page, "curve &lt;b&gt; too old"));
    free(page);
    text = page_output(s, OUTPUT_TEXT);
    cr_expect_not_null(strstr(text, "both are motor-limited. Note: gear-8mm: extrapolated <b>.\n"), "%s",
                       text);
    cr_expect_not_null(strstr(text, " N *  < 0.001"), "%s", text);
    free(text);
    fixture_session_free(s);
}

Test(report_budget, budget_figure_holds_every_component_and_its_share, .init = scratch_begin,
     .fini = scratch_end)
{
    for (int hostile = 0; hostile < 2; hostile++) {
        struct session *s = fixture_session(hostile);
        struct figures figures;
        struct figure *f = NULL;
        struct err e = {0};
        struct stat info;
        char folder[600];
        size_t rows = 0;
        snprintf(folder, sizeof folder, "%s", scratch_path("."));
        cr_assert_eq(page_figures(s, &figures, &e), ERR_OK, "%s", e.text);
        for (size_t i = 0; i < figures.count; i++)
            f = figures.figure[i].kind == FIGURE_BUDGET ? &figures.figure[i] : f;
        cr_assert_not_null(f);
        cr_expect_str_eq(f->name, "budget");
        for (const char *p = f->data; (p = strchr(p, '\n')) != NULL; p++)
            rows++;
        cr_expect_eq(rows, 1 + 3 * 6, "a head, and for three feeders five components and their sum");
        if (!hostile) {
            cr_expect_not_null(strstr(f->data, ",type_a,gear-8mm,scatter_of_the_runs,0.51,0.9532"));
            cr_expect_not_null(
                strstr(f->data, ",operator,gear-fine,alignment_of_the_load_axis,0.065,0.01548"));
            cr_expect_not_null(strstr(f->data, ",type_b,gear-12mm,resolution_of_the_converter,0.0017,"));
        }
        scratch_write("budget.gp", f->script);
        scratch_write("budget.csv", f->data);
        cr_assert_eq(figure_draw(folder, f, &e), ERR_OK, "%s", e.text);
        cr_assert_eq(stat(scratch_path("budget.svg"), &info), 0);
        cr_expect_lt(info.st_size, 300 * 1024);
        cr_expect_neq(stat(scratch_path("X"), &info), 0, "a name ran as a command");
        figures_free(&figures);
        fixture_session_free(s);
    }
}

Test(report_budget, budget_figure_stays_small_with_many_feeders, .init = scratch_begin, .fini = scratch_end)
{
    struct session *s = fixture_session(false);
    struct feeder_result *many = calloc(40, sizeof *many);
    struct figures figures;
    struct err e = {0};
    struct stat info;
    char folder[600];
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    cr_assert_not_null(many);
    for (size_t i = 0; i < 40; i++) {
        many[i] = s->feeders[i % 3];
        for (size_t j = 0; j < 11; j++)
            budget_add(&many[i].points[0].stall_budget, &many[i].points[0].stall_budget.components[1], NULL);
    }
    free(s->feeders);
    s->feeders = many;
    s->feeder_count = 40;
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK, "%s", e.text);
    struct figure *f = &figures.figure[figures.count - 1];
    cr_assert_eq(f->kind, FIGURE_BUDGET);
    cr_expect_not_null(strstr(f->description, "The first 4 of 40 feeders are drawn."), "%s", f->description);
    scratch_write("budget.gp", f->script);
    scratch_write("budget.csv", f->data);
    cr_assert_eq(figure_draw(folder, f, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(stat(scratch_path("budget.svg"), &info), 0);
    cr_expect_lt(info.st_size, 300 * 1024);
    figures_free(&figures);
    s->feeder_count = 0;
    cr_expect_not(figure_budget_wanted(s));
    fixture_session_free(s);
}
