#include "tests/analyze/report/fixture_outcomes.h"
#include "analyze/run_result.h"

#include "analyze/comparison.h"
#include "analyze/comparison_gate.h"
#include "analyze/push_budget.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/datasets/record_state.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const FIXTURE_OUTCOME_HOSTILE = "<img src=x onerror=alert(7)>`touch Y`' \"; system('x') #";

static void set_text(char *into, size_t size, const char *plain, bool hostile)
{
    snprintf(into, size, "%s", hostile ? FIXTURE_OUTCOME_HOSTILE : plain);
}

static void add(struct outcome *o, const char *key, const char *setting, const char *label, const char *unit,
                double value, double scatter, double degrees, double common)
{
    struct budget b;
    struct quantity q;
    budget_init(&b);
    budget_add(&b,
               &(struct budget_component){.name = "scatter of the runs",
                                          .standard_uncertainty = scatter,
                                          .sensitivity = 1,
                                          .degrees_of_freedom = degrees,
                                          .type = BUDGET_TYPE_A},
               NULL);
    budget_add(&b,
               &(struct budget_component){.name = "calibration of the load cell",
                                          .standard_uncertainty = common,
                                          .sensitivity = 1,
                                          .degrees_of_freedom = INFINITY,
                                          .type = BUDGET_TYPE_B,
                                          .operator_estimate = true},
               NULL);
    q = budget_combine(&b, value, 9);
    outcome_add(o, key, setting, label, unit, &q, &b, true, NULL);
}

/* A ladder of loads: points with intervals, two lower bounds, and a curve with its band. */
static void loaded_feed(struct outcome *o, size_t feeder, bool hostile)
{
    static const double loads_n[] = {6.3, 14.8, 23.1, 31.9, 40.2, 48.7, 57.3};
    struct outcome_chart *chart;
    outcome_init(o, "loaded-feed");
    o->present = true;
    o->run_count = 14;
    o->used_count = 13;
    add(o, "creep_per_n", "", hostile ? FIXTURE_OUTCOME_HOSTILE : "creep coefficient", "1/N",
        0.000213 * (1 + 0.4 * (double)feeder), 0.000007, 11, 0.0000013);
    add(o, "slip_onset_n", hostile ? "<script>at</script>" : "at 40 N preload", "slip onset", "N",
        41.7 - 6.2 * (double)feeder, 0.83, 9, 0.12);
    outcome_add(o, "greatest_feed_force_n", "", "greatest feed force", "N",
                &(struct quantity){.present = true, .at_least = true, .value = 57.3, .n = 2}, NULL, true,
                NULL);
    outcome_add(o, "preload_that_stops_helping_n", "", "preload past which creep does not fall", "N",
                &(struct quantity){0}, NULL, true, NULL);
    outcome_say(o, "%s",
                hostile ? FIXTURE_OUTCOME_HOSTILE
                        : "0.21 % of the feed is lost for each 10 N, and gross slip begins at 41.7 N");
    outcome_say(o, "creep falls with the preload over the whole ladder");
    outcome_warn(o, "%s", hostile ? FIXTURE_OUTCOME_HOSTILE : "the filament is dented past 63 N");
    chart = outcome_add_chart(o, hostile ? "../x" : "lost-share");
    set_text(chart->title, sizeof chart->title, "lost share of feed against load", hostile);
    set_text(chart->description, sizeof chart->description,
             "Marks: lost share of each run with its interval; line: creep and gross slip as fitted.",
             hostile);
    set_text(chart->x_label, sizeof chart->x_label, "feed force in N", hostile);
    set_text(chart->y_label, sizeof chart->y_label, "lost share of feed in %", hostile);
    chart->x_from_zero = chart->y_from_zero = true;
    chart->level_y = 2;
    set_text(chart->level_text, sizeof chart->level_text, "as much as prints allow", hostile);
    outcome_mark_x(chart, 41.7, hostile ? FIXTURE_OUTCOME_HOSTILE : "onset");
    outcome_mark_x(chart, 43.9, "half the motor's force");
    for (size_t j = 0; j < 2; j++) {
        struct outcome_group *g = outcome_add_group(chart,
                                                    hostile  ? FIXTURE_OUTCOME_HOSTILE
                                                    : j == 0 ? "40 N of preload"
                                                             : "60 N of preload",
                                                    7, 50);
        for (size_t i = 0; i < 7; i++) {
            double f = loads_n[i], s = 0.021 * f / (1 + (double)j) + 0.31 * fmax(0, f - 41.7 - 9 * (double)j);
            g->x[i] = f;
            g->y[i] = s + 0.04 * ((double)((i * 7 + j * 3) % 5) - 2);
            g->y_low[i] = g->y[i] - 0.11;
            g->y_high[i] = g->y[i] + 0.11;
            g->at_least[i] = i == 6;
        }
        for (size_t i = 0; i < 50; i++) {
            double f = 1.2 * (double)i,
                   s = 0.021 * f / (1 + (double)j) + 0.31 * fmax(0, f - 41.7 - 9 * (double)j);
            g->curve_x[i] = f;
            g->curve_y[i] = s;
            g->curve_low[i] = s * 0.93 - 0.02;
            g->curve_high[i] = s * 1.07 + 0.02;
        }
    }
}

/* A loop of force against feed: a long path. */
static void reversal(struct outcome *o)
{
    struct outcome_chart *chart;
    struct outcome_group *g;
    const size_t n = 20000;
    outcome_init(o, "reversal");
    o->present = true;
    o->run_count = o->used_count = 6;
    add(o, "lost_motion_mm", "without guide tube", "lost motion", "mm", 0.1382, 0.0024, 5, 0.0003);
    add(o, "hysteresis_energy_mj", "without guide tube", "energy lost in a cycle", "mJ", 7.31, 0.14, 5, 0.02);
    outcome_say(o, "0.138 mm of feed is lost at each turn");
    chart = outcome_add_chart(o, "loop");
    snprintf(chart->title, sizeof chart->title, "force forward and back");
    snprintf(chart->description, sizeof chart->description, "One run in the order of time");
    snprintf(chart->x_label, sizeof chart->x_label, "commanded feed in mm");
    snprintf(chart->y_label, sizeof chart->y_label, "force in N");
    chart->path = true;
    g = outcome_add_group(chart, "run 7", n, 0);
    for (size_t i = 0; i < n; i++) {
        double t = 12.566370614359172 * (double)i / (double)n;
        g->x[i] = 2.1 * (1 - cos(t));
        g->y[i] = 14 * (1 - cos(t - 0.21)) - 9 + 0.2 * sin(611 * t) + (i == 13337 ? 5.5 : 0);
    }
}

/* A spectrum: stems, a log axis, marks close together, a level. */
static void free_run(struct outcome *o)
{
    struct outcome_chart *chart;
    struct outcome_group *g;
    const size_t n = 6000;
    outcome_init(o, "free-run");
    o->present = true;
    o->run_count = 5;
    o->used_count = 4;
    add(o, "runout_um", "", "runout of the drive gear", "um", 23.7, 1.9, 3, 0.04);
    add(o, "zero_drift_n", "", "drift of the zero", "N", -0.031, 0.011, 3, 0.0001);
    outcome_say(o, "the feed ripples by 23.7 µm once a turn of the drive gear");
    chart = outcome_add_chart(o, "ripple");
    snprintf(chart->title, sizeof chart->title, "ripple of the feed");
    snprintf(chart->description, sizeof chart->description, "Amplitude by order.");
    snprintf(chart->x_label, sizeof chart->x_label, "order: ripples in one turn of the drive gear");
    snprintf(chart->y_label, sizeof chart->y_label, "amplitude in µm");
    chart->stems = chart->x_log = true;
    chart->level_y = 2.6;
    snprintf(chart->level_text, sizeof chart->level_text, "noise alone: below this with 99 %% probability");
    outcome_mark_x(chart, 1, "drive gear");
    outcome_mark_x(chart, 3, "motor");
    outcome_mark_x(chart, 32, "tooth");
    outcome_mark_x(chart, 36, "twice the pole pairs");
    outcome_mark_x(chart, 150, "full step");
    g = outcome_add_group(chart, "all runs", n, 0);
    for (size_t i = 0; i < n; i++) {
        double order = 0.3 * pow(1200, (double)i / (double)n), dip = (double)((i * 7919) % 101) / 101;
        g->x[i] = order;
        g->y[i] = 1.7 * dip + 23 * exp(-pow((order - 1) / 0.05, 2)) + 9.3 * exp(-pow((order - 3) / 0.1, 2)) +
                  4.1 * exp(-pow((order - 32) / 0.4, 2));
    }
}

/* Both axes in decades; a curve without a band and one with. */
static void operating_chart(struct outcome *o, size_t feeder)
{
    struct outcome_chart *chart;
    outcome_init(o, "operating-chart");
    o->present = true;
    o->run_count = o->used_count = 24;
    add(o, "greatest_rate_mm3_s", "at 215 °C", "greatest rate", "mm3/s", 17.4 - 3.1 * (double)feeder, 0.41,
        17, 0.03);
    outcome_say(o, "feeds this hot end at up to 17.4 mm³/s (7.2 mm/s) at 215 °C with 20 %% margin; the motor "
                   "gives way first");
    chart = outcome_add_chart(o, "limits");
    snprintf(chart->title, sizeof chart->title, "load line and what the feeder can push");
    snprintf(chart->description, sizeof chart->description,
             "Where the load with its margin meets the limit, the rate ends.");
    snprintf(chart->x_label, sizeof chart->x_label, "rate in mm³/s");
    snprintf(chart->y_label, sizeof chart->y_label, "force in N");
    chart->x_log = chart->y_log = true;
    outcome_mark_x(chart, 17.4 - 3.1 * (double)feeder, "greatest rate");
    for (size_t j = 0; j < 3; j++) {
        static const char *const names[] = {"load line at 215 °C", "load with margin", "motor"};
        struct outcome_group *g = outcome_add_group(chart, names[j], j == 0 ? 5 : 0, 60);
        for (size_t i = 0; i < g->point_count; i++) {
            g->x[i] = 1.3 * pow(2, (double)i);
            g->y[i] = 8 + 3.3 * pow(g->x[i], 0.83);
        }
        for (size_t i = 0; i < 60; i++) {
            double q = 1.1 * pow(34, (double)i / 59);
            g->curve_x[i] = q;
            g->curve_y[i] =
                j == 2 ? 118 / (1 + pow(q / 14, 2)) : (j == 1 ? 1.2 : 1) * (8 + 3.3 * pow(q, 0.83));
            if (j != 1) {
                g->curve_low[i] = g->curve_y[i] * 0.95;
                g->curve_high[i] = g->curve_y[i] * 1.05;
            }
        }
    }
}

static void compare(struct session *s, size_t quantity, bool judged)
{
    struct comparison *c = &s->comparisons[s->comparison_count++];
    const struct outcome_quantity *a = &s->feeders[0].outcomes[0].quantities[quantity],
                                  *b = &s->feeders[1].outcomes[0].quantities[quantity];
    *c = (struct comparison){.a = 0,
                             .b = 1,
                             .family = SIZE_MAX,
                             .family_low_95 = NAN,
                             .family_high_95 = NAN,
                             .matters = NAN,
                             .seen_difference = NAN};
    snprintf(c->quantity, sizeof c->quantity, "%s", a->key);
    snprintf(c->test, sizeof c->test, "loaded-feed");
    snprintf(c->setting, sizeof c->setting, "%s", a->setting);
    snprintf(c->unit, sizeof c->unit, "%s", a->unit);
    if (!judged) {
        c->verdict = VERDICT_NOT_COMPARABLE;
        comparison_reason(c, "of both only \"at least\" is known of %s", a->label);
        return;
    }
    c->difference = quantity_from(a->q.value - b->q.value, 1.4 * a->q.standard_uncertainty, 19, 9);
    c->has_p_value = true;
    c->p_value = 0.00417;
    c->p_value_family = c->p_value_unadjusted = 0.00083;
    c->shown = true;
    c->verdict = a->q.value > b->q.value ? VERDICT_A_HIGHER : VERDICT_B_HIGHER;
}

/* Turn the run into one of a loaded feed. */
static void make_run(struct session *s, size_t at, bool hostile)
{
    static const char *const keys[] = {"feed_force_n", "lost_share"},
                             *const labels[] = {"feed force", "lost share"}, *const units[] = {"N", ""};
    struct run_record *r = &s->series[0]->runs[at];
    struct run_result *run = &s->runs[at];
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    r->test = PLAN_LOADED_FEED;
    record_state(r, CONDITION_BRAKE_LOAD_N, 23.1);
    found.fed_mm = 61.25;
    found.push.noise_n = 0.27;
    for (size_t k = 0; k < 2; k++) {
        found.quantities[k] =
            (struct run_quantity){keys[k], hostile ? FIXTURE_OUTCOME_HOSTILE : labels[k], units[k],
                                  quantity_from(k == 0 ? 22.94 : 0.00517, k == 0 ? 0.08 : 0.00021, 31, 1)};
    }
    found.quantity_count = 2;
    run_result_keep(run, &found, 0, &s->store, NULL);
}

struct session *fixture_outcomes(bool hostile)
{
    struct session *s = fixture_session(hostile);
    if (s == NULL)
        return NULL;
    s->margin = 0.2;
    for (size_t i = 0; i < s->feeder_count; i++) {
        struct feeder_result *f = &s->feeders[i];
        f->outcomes = calloc(5, sizeof *f->outcomes);
        if (i == 2) {
            outcome_init(&f->outcomes[0], "melt-push");
            f->outcomes[0].run_count = 3;
            set_text(f->outcomes[0].why_not, sizeof f->outcomes[0].why_not,
                     "no hot end temperature is stated", hostile);
            f->outcome_count = 1;
            continue;
        }
        loaded_feed(&f->outcomes[0], i, hostile);
        reversal(&f->outcomes[1]);
        free_run(&f->outcomes[2]);
        operating_chart(&f->outcomes[3], i);
        f->outcome_count = 4;
    }
    compare(s, 0, true);
    compare(s, 1, true);
    compare(s, 2, false);
    make_run(s, 0, hostile);
    return s;
}

struct session *fixture_free_runs(void)
{
    struct session *s = fixture_session(false);
    if (s == NULL)
        return NULL;
    s->feeder_count = 1;
    comparison_forget(s);
    for (size_t i = 2; i < s->run_count; i++)
        run_result_free(&s->runs[i]);
    s->run_count = 2;
    s->reference_speed_mm_s = 21.3;
    s->feeders[0].point_count = 0;
    s->feeders[0].torque_curve.present = false;
    for (size_t i = 0; i < 2; i++) {
        make_run(s, i, false);
        s->series[0]->runs[i].test = PLAN_FREE_RUN;
        record_unstate(&s->series[0]->runs[i], CONDITION_BRAKE_LOAD_N);
        s->runs[i].feeder = 0;
    }
    s->feeders[0].outcomes = calloc(1, sizeof *s->feeders[0].outcomes);
    free_run(&s->feeders[0].outcomes[0]);
    s->feeders[0].outcome_count = 1;
    return s;
}

void fixture_outcomes_free(struct session *s)
{
    for (size_t i = 0; s != NULL && i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].outcome_count; k++)
            outcome_free(&s->feeders[i].outcomes[k]);
        free(s->feeders[i].outcomes);
        s->feeders[i].outcomes = NULL;
        s->feeders[i].outcome_count = 0;
    }
    fixture_session_free(s);
}
