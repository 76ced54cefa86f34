#include "analyze/melt_push.h"

#include "analyze/interval_text.h"
#include "analyze/melt_line.h"
#include "analyze/numerics/drops.h"
#include "analyze/numerics/formulas.h"
#include "analyze/numerics/steady_level.h"
#include "analyze/outcome_budget.h"
#include "analyze/push.h"
#include "analyze/push_motion.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A drop of this share of the greatest force is lost feed and no bubble in the melt. */
#define DROP_SHARE   0.05
#define DROPS_ROOM   64
#define TRACE_POINTS 400
/* 95 %, one-sided. */
#define ONE_SIDED 1.645

static void set_quantities(struct run_finding *run)
{
    static const struct run_quantity KINDS[MELT_PUSH_QUANTITIES] = {
        [MELT_PUSH_FORCE] = {"force_n", "steady push force", "N", {0}},
        [MELT_PUSH_COMMANDED_RATE] = {"commanded_rate_mm3_s", "commanded rate", "mm3/s", {0}},
        [MELT_PUSH_RATE] = {"rate_mm3_s", "rate that came through", "mm3/s", {0}},
        [MELT_PUSH_LOST_SHARE] = {"lost_share", "lost share of feed", "1", {0}},
        [MELT_PUSH_SETTLING] = {"settling_mm", "feed over which the force creeps up", "mm", {0}},
    };
    memcpy(run->quantities, KINDS, sizeof KINDS);
    run->quantity_count = MELT_PUSH_QUANTITIES;
}

static void take_trace(const struct push_motion *m, struct run_trace *t)
{
    size_t n = m->n < TRACE_POINTS ? m->n : TRACE_POINTS;
    t->x = calloc(n, sizeof *t->x);
    t->y = calloc(n, sizeof *t->y);
    t->n = t->x != NULL && t->y != NULL ? n : 0;
    for (size_t i = 0; i < t->n; i++) {
        size_t from = m->n * i / n, to = m->n * (i + 1) / n;
        for (size_t j = from; j < to; j++) {
            t->x[i] += m->feed_mm[j] / (double)(to - from);
            t->y[i] += m->force_n[j] / (double)(to - from);
        }
    }
}

/* Whether feed was lost all at once: then the force is what the feeder gave, and the load at least that. */
static bool stalls(const struct push_motion *m, struct push_result *r, double *peak_n)
{
    struct drop drops[DROPS_ROOM];
    double unused;
    size_t count = drops_find(m->feed_mm, m->force_n, m->n, m->quiet_n, m->quiet_count,
                              DROP_SHARE * r->greatest_force_n, drops, DROPS_ROOM);
    if (count == 0)
        return false;
    *peak_n = drops_median_peak(drops, count, &unused);
    r->event_count = count;
    for (size_t i = 0; i < count; i++)
        r->events[i] = (struct push_event){drops[i].feed_mm, drops[i].peak_n, drops[i].trough_n};
    push_motion_flag(r, "the feeder stalled (%zu drops): the load at this rate is at least %.3g N", count,
                     *peak_n);
    return true;
}

static struct quantity level_quantity(const struct push_motion *m, const struct steady_level *level,
                                      const struct calibration *calibration,
                                      const struct push_settings *settings)
{
    struct budget b;
    budget_init(&b);
    push_budget_add(&b, "scatter of the steady force", level->standard_error, level->degrees_of_freedom,
                    BUDGET_TYPE_A, false);
    push_budget_add_zero(&b, m);
    push_budget_add_bench(&b, level->level, calibration, settings);
    return budget_combine(&b, level->level, 1);
}

/* Rate and lost share over the samples of the level. */
static void take_rates(const struct push_motion *m, const struct push_result *r,
                       const struct steady_level *level, double area_mm2,
                       const struct calibration *calibration, struct run_finding *run)
{
    double rate = area_mm2 * r->speed_mm_s;
    run->quantities[MELT_PUSH_COMMANDED_RATE].q = quantity_from(rate, m->relative_feed * rate, INFINITY, 1);
    if (m->lost_mm == NULL)
        return;
    size_t last = level->first + level->count - 1;
    double share =
        (m->lost_mm[last] - m->lost_mm[level->first]) / (m->feed_mm[last] - m->feed_mm[level->first]);
    double relative =
        calibration->encoder_standard_uncertainty_mm_per_count / fabs(calibration->encoder_mm_per_count);
    run->quantities[MELT_PUSH_LOST_SHARE].q =
        quantity_from(share, hypot(m->relative_feed, relative), INFINITY, 1);
    run->quantities[MELT_PUSH_RATE].q =
        quantity_from(rate * (1 - share), relative * rate * (1 - share), INFINITY, 1);
}

static enum err_code answer(const struct push_motion *m, const struct run_record *record,
                            const struct calibration *calibration, const struct push_settings *settings,
                            struct run_finding *run, struct err *e)
{
    struct push_result *r = &run->push;
    struct steady_level level;
    double turn_mm = m->step_mm * record->full_steps_per_rev * record->reduction, peak_n = 0;
    enum err_code code = steady_level_find(m->feed_mm, m->force_n, m->n, turn_mm, &level, e);
    if (code != ERR_OK)
        return code;
    struct quantity *force = &run->quantities[MELT_PUSH_FORCE].q;
    *force = level_quantity(m, &level, calibration, settings);
    take_rates(
        m, r, &level,
        formulas_filament_area_mm2(run_record_conditions(record)->number[CONDITION_FILAMENT_DIAMETER_MM]),
        calibration, run);
    if (level.approach > 0)
        run->quantities[MELT_PUSH_SETTLING].q =
            quantity_from(level.approach, m->relative_feed * level.approach, INFINITY, 1);
    double bound_n = level.level - ONE_SIDED * force->standard_uncertainty;
    bool stopped = run->quantities[MELT_PUSH_LOST_SHARE].q.present &&
                   run->quantities[MELT_PUSH_LOST_SHARE].q.value > MELT_PUSH_STALLED_SHARE;
    if (stalls(m, r, &peak_n)) {
        *force = quantity_at_least(fmax(bound_n, peak_n - ONE_SIDED * force->standard_uncertainty));
    } else if (stopped) {
        push_motion_flag(r, "%.0f %% of the feed is lost: the load at this rate is at least %.3g N",
                         100 * run->quantities[MELT_PUSH_LOST_SHARE].q.value, level.level);
        *force = quantity_at_least(bound_n);
    } else if (m->saturated) {
        *force = quantity_at_least(bound_n);
    } else if (!level.settled && level.still_missing < -STEADY_LEVEL_SHARE) {
        push_motion_flag(r, "the force still falls at the end of the run: it has not settled");
        *force = quantity_absent();
    } else if (!level.settled) {
        push_motion_flag(r,
                         "the run is too short: the force still rises towards its level (feed %.3g mm, "
                         "constant of the approach %.3g mm)",
                         m->feed_mm[m->n - 1], level.approach);
        *force = quantity_at_least(bound_n);
    }
    if (force->present && !force->at_least &&
        (force->value > calibration->load_high_n || force->value < calibration->load_low_n))
        push_motion_flag(r, "%.4g N is outside the calibrated range of %.4g to %.4g N", force->value,
                         calibration->load_low_n, calibration->load_high_n);
    return ERR_OK;
}

enum err_code melt_push_analyse(const struct run_columns *columns, const struct run_record *record,
                                const struct calibration *calibration, const struct push_settings *settings,
                                struct run_finding *run, struct err *e)
{
    struct push_motion m = {0};
    enum err_code code;
    set_quantities(run);
    if (!run_record_conditions(record)->stated[CONDITION_FILAMENT_DIAMETER_MM])
        return err_set(e, ERR_NO_ANSWER, "the filament's diameter is not stated: its rate is not known");
    code = push_motion_take(columns, record, calibration, &m, &run->push, settings->zero_drift_limit_n, e);
    if (code == ERR_OK)
        code = answer(&m, record, calibration, settings, run, e);
    if (code == ERR_OK) {
        push_motion_picture(&m, &run->push.picture);
        take_trace(&m, &run->trace);
    }
    push_motion_free(&m);
    return code;
}

static const char *const SCATTER = "scatter of the runs about the line";

static void add_creep(struct budget *b, const struct melt_line *line, const char *unit, double change)
{
    outcome_budget_part(b, line->creep_assumed ? "creep of the feed, assumed" : "creep of the feed", unit,
                        fabs(change), 1, INFINITY, BUDGET_TYPE_B, line->creep_assumed);
}

static const char *rate_scale(const struct melt_line *line)
{
    return line->with_encoder ? "scale of the encoder" : PUSH_BUDGET_DIAMETER_NAME;
}

/* Force at a rate with all that it rests on. */
static struct quantity force_at(const struct melt_line *line, double rate_mm3_s,
                                const struct bench_test_context *context, struct budget *b)
{
    double scatter, creep, force = melt_line_force_n(line, rate_mm3_s, &scatter, &creep);
    budget_init(b);
    outcome_budget_part(b, SCATTER, "N", scatter, 1, line->fit.degrees_of_freedom, BUDGET_TYPE_A, false);
    add_creep(b, line, "N", creep);
    outcome_budget_part(b, rate_scale(line), "N",
                        fabs(load_line_slope(&line->fit, rate_mm3_s)) * rate_mm3_s *
                            line->rate_relative_uncertainty,
                        1, INFINITY, BUDGET_TYPE_B, !line->with_encoder);
    push_budget_add_bench(b, force, context->calibration, context->settings);
    return budget_combine(b, force, line->used_count);
}

/* A parameter of the line. per_n: by how much it grows, in its unit per newton, when all forces grow as that
 * at force_n does; per_relative_rate: the same for the scale of rates. */
static struct quantity parameter_of(const struct melt_line *line, size_t k, const char *unit, double per_n,
                                    double force_n, double per_relative_rate,
                                    const struct bench_test_context *context, struct budget *b)
{
    const struct load_line_fit *fit = &line->fit;
    budget_init(b);
    outcome_budget_part(b, SCATTER, unit, sqrt(fmax(0, fit->covariance[k][k])), 1, fit->degrees_of_freedom,
                        BUDGET_TYPE_A, false);
    add_creep(b, line, unit, line->fit_creep.parameters[k] - fit->parameters[k]);
    outcome_budget_part(b, rate_scale(line), "1", line->rate_relative_uncertainty, per_relative_rate,
                        INFINITY, BUDGET_TYPE_B, !line->with_encoder);
    if (per_n != 0)
        outcome_budget_bench(b, force_n, per_n, false, context->calibration, context->settings);
    return budget_combine(b, fit->parameters[k], line->used_count);
}

static enum err_code add_parameters(const struct melt_line *line, const char *setting,
                                    const struct bench_test_context *context, struct outcome *o,
                                    struct err *e)
{
    const double *p = line->fit.parameters;
    struct budget b;
    struct quantity q;
    enum err_code code;
    double middle = sqrt(line->fit.low_rate * line->fit.high_rate);
    double force = load_line_at(&line->fit, middle, NULL);
    if (line->fit.model == LOAD_LINE_VARYING) {
        /* About the middle of the rates: there b is the exponent, and c how it changes. */
        q = parameter_of(line, 1, "1", 0, force, 2 * p[2], context, &b);
        code = outcome_add(o, "local_exponent", setting, "exponent in the middle of the rates", "1", &q, &b,
                           false, e);
        if (code != ERR_OK)
            return code;
        q = parameter_of(line, 2, "1", 0, force, 0, context, &b);
        return outcome_add(o, "curvature", setting, "c of the varying exponent", "1", &q, &b, false, e);
    }
    q = parameter_of(line, 0, "N", p[0] / force, force, 0, context, &b);
    code = outcome_add(o, "f0_n", setting, "force at no flow, F0", "N", &q, &b, false, e);
    if (code != ERR_OK)
        return code;
    q = parameter_of(line, 1, "N (mm3/s)^-n", p[1] / force, force, p[1] * p[2], context, &b);
    code = outcome_add(o, "coefficient", setting, "coefficient k", "N (mm3/s)^-n", &q, &b, false, e);
    if (code != ERR_OK)
        return code;
    q = parameter_of(line, 2, "1", 0, force, 0, context, &b);
    return outcome_add(o, "exponent", setting, "exponent n", "1", &q, &b, false, e);
}

/* Below it the scatter is about the same at all forces. */
#define SCATTER_GROWS 0.25

static void say_of_line(const struct melt_line *line, struct outcome *o)
{
    bool power = line->fit.model == LOAD_LINE_POWER;
    char forms[120] = "too few runs to choose between forms", scatter[60] = "";
    if (isfinite(line->power_aicc) && isfinite(line->varying_aicc))
        snprintf(forms, sizeof forms, "AICc %.1f, the other form %.1f%s",
                 power ? line->power_aicc : line->varying_aicc, power ? line->varying_aicc : line->power_aicc,
                 power && line->varying_aicc < line->power_aicc ? ", too little ahead to be preferred" : "");
    if (line->fit.scatter_exponent > SCATTER_GROWS)
        snprintf(scatter, sizeof scatter, "; they scatter about as the force to the power of %.1f",
                 line->fit.scatter_exponent);
    outcome_say(o, "at %.4g °C: %s (%s), from %zu runs at %.3g to %.3g mm³/s%s", line->temperature_c,
                LOAD_LINE_MODEL_NAMES[line->fit.model], forms, line->used_count, line->fit.low_rate,
                line->fit.high_rate, scatter);
    if (power && line->fit.parameters[0] < 0)
        outcome_say(o,
                    "at %.4g °C the fitted F0 is below 0: no force at no flow can be made out of these rates",
                    line->temperature_c);
}

static void warn_of_line(const struct melt_line *line, struct outcome *o)
{
    if (line->bound_count > 0)
        outcome_warn(
            o,
            "at %.4g °C %zu run%s of %zu stalled or had not settled: the load there is only known to "
            "be at least what is drawn, and the line leaves them out",
            line->temperature_c, line->bound_count, line->bound_count == 1 ? "" : "s", line->run_count);
    if (line->incident_rate_mm3_s > 0)
        outcome_warn(
            o,
            "at %.4g °C a run stalled at %.3g mm³/s though all at two faster rates and more went: not the "
            "load's doing, and it alone is left out; look for what held it (a knot, a bent end, noise read "
            "as a "
            "drop) and repeat it",
            line->temperature_c, line->incident_rate_mm3_s);
    if (line->beside_count > 0)
        outcome_warn(
            o,
            "at %.4g °C %zu settled run%s left out of the line: at the same rate or below it other runs "
            "stalled, and those that went are the ones with a low load that time",
            line->temperature_c, line->beside_count, line->beside_count == 1 ? " is" : "s are");
    if (line->run_count > line->bound_count + line->used_count + line->beside_count)
        outcome_warn(o,
                     "at %.4g °C %zu runs count for nothing: their force has not settled, is not above 0, or "
                     "is past the onset of slip where no encoder tells the rate",
                     line->temperature_c,
                     line->run_count - line->bound_count - line->used_count - line->beside_count);
    if (line->present && line->creep_assumed)
        outcome_warn(
            o,
            "no encoder and no loaded-feed test: rates at %.4g °C are the commanded ones less %.0f %% "
            "at the greatest force, give or take as much (an assumption)",
            line->temperature_c, 50 * MELT_LINE_CREEP_SHARE);
    else if (line->present && !line->with_encoder)
        outcome_say(o,
                    "no encoder: rates at %.4g °C are the commanded ones less the creep of the loaded-feed "
                    "test, %.3g %% per newton",
                    line->temperature_c, 100 * line->creep_per_n);
}

#define BAND_POINTS 61

static void draw_line(const struct run_result *const *runs, size_t count, const struct melt_line *line,
                      const struct bench_test_context *context, struct outcome_chart *chart)
{
    char name[64];
    struct outcome_group *g;
    size_t n = 0;
    snprintf(name, sizeof name, "%.4g °C", line->temperature_c);
    g = outcome_add_group(chart, name, line->run_count, line->present ? BAND_POINTS : 0);
    if (g == NULL)
        return;
    for (size_t i = 0; i < count && n < line->run_count; i++) {
        const struct quantity *force = melt_line_quantity(runs[i], MELT_PUSH_FORCE);
        double rate, newtons;
        if (!melt_line_of(runs[i], line) || !force->present)
            continue;
        if (melt_line_point(runs[i], line, &rate, &newtons)) {
            g->x[n] = rate;
            g->y[n] = newtons;
            g->y_low[n] = force->low_95;
            g->y_high[n++] = force->high_95;
        } else if (force->at_least) {
            g->x[n] = melt_line_quantity(runs[i], MELT_PUSH_COMMANDED_RATE)->value;
            g->y[n] = force->value;
            g->at_least[n++] = true;
        }
    }
    g->point_count = n;
    for (size_t i = 0; i < g->curve_count; i++) {
        struct budget b;
        double rate =
            line->fit.low_rate + (line->fit.high_rate - line->fit.low_rate) * (double)i / (BAND_POINTS - 1);
        struct quantity q = force_at(line, rate, context, &b);
        g->curve_x[i] = rate;
        g->curve_y[i] = q.value;
        g->curve_low[i] = q.low_95;
        g->curve_high[i] = q.high_95;
    }
}

/* The finding: what force a rate takes, at the middle rate of the ladder where the runs reach it, else at the
 * fastest that they do. */
static void say_needed(const struct melt_line *line, const struct bench_test_context *context,
                       struct outcome *o)
{
    struct budget b;
    double rate = line->reference_rate_mm3_s;
    if (!(rate >= 0.9 * line->fit.low_rate && rate <= 1.1 * line->fit.high_rate))
        rate = line->fit.high_rate;
    struct quantity q = force_at(line, rate, context, &b);
    char text[INTERVAL_TEXT_MAX];
    outcome_say(o, "the hot end needs %s at %.3g mm³/s at %.4g °C",
                interval_text(&q, " N", text, sizeof text), rate, line->temperature_c);
}

static enum err_code sum_up_line(const struct melt_line *line, const struct bench_test_context *context,
                                 struct outcome *o, struct err *e)
{
    char setting[48], at_rate[48], label[80];
    struct budget b;
    double rate = line->reference_rate_mm3_s;
    enum err_code code;
    snprintf(setting, sizeof setting, "at %.4g °C", line->temperature_c);
    snprintf(at_rate, sizeof at_rate, "at %.4g °C, %.4g mm³/s", line->temperature_c, rate);
    snprintf(label, sizeof label, "force at %.4g mm³/s", rate);
    code = add_parameters(line, setting, context, o, e);
    /* Measured rates lie a little below the commanded ones. */
    if (code == ERR_OK && rate >= 0.9 * line->fit.low_rate && rate <= 1.1 * line->fit.high_rate) {
        struct quantity q = force_at(line, rate, context, &b);
        code = outcome_add(o, "force_at_rate_n", at_rate, label, "N", &q, &b, true, e);
    }
    say_needed(line, context, o);
    say_of_line(line, o);
    return code;
}

enum err_code melt_push_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e)
{
    struct melt_line lines[MELT_LINES_MAX];
    size_t without, beyond, n = melt_line_find(runs, count, context, lines, &without, &beyond), present = 0;
    struct outcome_chart *chart;
    enum err_code code = ERR_OK;
    if (n == 0 && without > 0)
        return err_set(
            e, ERR_NO_ANSWER,
            "the hot end's temperature is not stated in any of the %zu runs: no load line is given", without);
    if (n == 0)
        return err_set(e, ERR_NO_ANSWER, "none of the %zu runs could be analysed: %.150s", count,
                       count > 0 && runs[0]->why_not != NULL ? runs[0]->why_not : "");
    if (without > 0)
        outcome_warn(outcome, "%zu run%s left out: the hot end's temperature is not stated", without,
                     without == 1 ? " is" : "s are");
    if (beyond > 0)
        outcome_warn(outcome, "%zu runs left out: they are at more than %d temperatures", beyond,
                     MELT_LINES_MAX);
    chart = outcome_add_chart(outcome, "load-line");
    if (chart == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the load lines");
    snprintf(chart->title, sizeof chart->title, "Push force that the hot end takes");
    snprintf(
        chart->description, sizeof chart->description,
        "Steady push force of each run against the volumetric rate that came through, with the load line of "
        "each temperature and its 95 %% band. Open marks are lower bounds: the feeder stalled or the force "
        "had not settled.");
    snprintf(chart->x_label, sizeof chart->x_label, "volumetric rate in mm³/s");
    snprintf(chart->y_label, sizeof chart->y_label, "push force in N");
    chart->x_from_zero = chart->y_from_zero = true;
    for (size_t i = 0; i < n && code == ERR_OK; i++) {
        draw_line(runs, count, &lines[i], context, chart);
        outcome->used_count += lines[i].present ? lines[i].used_count : 0;
        if (lines[i].present) {
            present++;
            code = sum_up_line(&lines[i], context, outcome, e);
        } else {
            outcome_warn(outcome, "at %.4g °C there is no load line: %.180s", lines[i].temperature_c,
                         lines[i].why_not);
        }
        warn_of_line(&lines[i], outcome);
    }
    if (code == ERR_OK && present == 0)
        return err_set(e, ERR_NO_ANSWER, "no load line: at %.4g °C %.190s", lines[0].temperature_c,
                       lines[0].why_not);
    return code;
}
