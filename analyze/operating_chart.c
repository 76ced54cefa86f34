#include "analyze/operating_chart.h"

#include "analyze/feeder_limit.h"
#include "analyze/interval_text.h"
#include "analyze/melt_line.h"
#include "analyze/numerics/formulas.h"
#include "analyze/outcome_budget.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SCAN_STEPS  400
#define CURVE_STEPS 81
#define BISECTIONS  60
/* The chart ends at so many times the greatest rate melted. */
#define CHART_BEYOND 1.3
static const char *const TEST = "operating-chart";

/* A load line against the limit of a feeder, over the rates at which both are known. */
struct meeting {
    const struct feeder_limit *limit;
    struct melt_line line;
    const struct calibration *calibration; /* of the limit, where the line has another; else NULL */
    const struct push_settings *settings;
    double low_rate, high_rate;
    bool ends_by_line; /* the range ends where no faster melt was tried, not where no faster push was */
    bool carried_on;   /* beyond the last point of the line, to where runs stalled */
};

/* Commanded speed at which that rate comes through against its own load: a share of the feed creeps. */
static double speed_at(const struct melt_line *line, double rate_mm3_s)
{
    double lost = line->lost_share_at_0 + line->creep_per_n * load_line_at(&line->fit, rate_mm3_s, NULL);
    return formulas_feed_mm_s(rate_mm3_s, line->filament_diameter_mm) / (1 - fmin(lost, 0.9));
}

static double rate_of_speed(const struct melt_line *line, double speed_mm_s, double low, double high)
{
    for (int i = 0; i < BISECTIONS; i++) {
        double middle = (low + high) / 2;
        *(speed_at(line, middle) < speed_mm_s ? &low : &high) = middle;
    }
    return (low + high) / 2;
}

/* False when no rate is known in both. The load line is carried on past its last point only up to where runs
 * stalled: between the two it must meet the limit. */
static bool set_range(struct meeting *m)
{
    const struct load_line_fit *fit = &m->line.fit;
    double low_mm_s = m->limit->low_speed_mm_s, high_mm_s = m->limit->high_speed_mm_s;
    double lost = m->line.lost_share_at_0 + m->line.creep_per_n * load_line_at(fit, fit->high_rate, NULL);
    double low = fit->low_rate, high = fmax(fit->high_rate, m->line.stalled_rate_mm3_s * (1 - lost));
    m->low_rate = low;
    m->high_rate = high;
    m->ends_by_line = true;
    m->carried_on = high > fit->high_rate;
    if (speed_at(&m->line, high) <= low_mm_s || speed_at(&m->line, low) >= high_mm_s)
        return false;
    if (speed_at(&m->line, low) < low_mm_s)
        m->low_rate = rate_of_speed(&m->line, low_mm_s, low, high);
    if (speed_at(&m->line, high) > high_mm_s) {
        m->high_rate = rate_of_speed(&m->line, high_mm_s, low, high);
        m->ends_by_line = false;
    }
    return m->high_rate > m->low_rate;
}

/* What two calibrations of the load cell may differ by at that force; 0 for one. */
static double between_cells_n(const struct meeting *m, double force_n)
{
    struct budget b;
    if (m->calibration == NULL)
        return 0;
    budget_init(&b);
    push_budget_add_bench(&b, force_n, m->calibration, m->settings);
    return sqrt(2.0) * budget_standard_uncertainty(&b);
}

/* Limit less the load (its best estimate) with the margin on top: of the limit's best estimate (band 0), or
 * of the lower end of its 95 % interval (band 1). What the load line is not known by is for the margin. */
static double room_n(const struct meeting *m, double rate, double margin, int band)
{
    struct feeder_limit_value v = feeder_limit_at(m->limit, speed_at(&m->line, rate));
    double room = v.force_n - (1 + margin) * load_line_at(&m->line.fit, rate, NULL);
    if (band == 1)
        room -= hypot(v.force_n - v.low_95_n, quantity_t_975(INFINITY) * between_cells_n(m, v.force_n));
    return room;
}

enum met { MET_AT, MET_BELOW_ALL, MET_ABOVE_ALL };

/* The least rate at which no room is left. */
static enum met find_meeting(const struct meeting *m, double margin, int band, double *rate)
{
    double step = (m->high_rate - m->low_rate) / SCAN_STEPS;
    *rate = m->low_rate;
    if (room_n(m, m->low_rate, margin, band) <= 0)
        return MET_BELOW_ALL;
    for (int i = 1; i <= SCAN_STEPS; i++) {
        double low = m->low_rate + step * (i - 1), high = i == SCAN_STEPS ? m->high_rate : low + step;
        if (room_n(m, high, margin, band) > 0)
            continue;
        for (int k = 0; k < BISECTIONS; k++) {
            double middle = (low + high) / 2;
            *(room_n(m, middle, margin, band) > 0 ? &low : &high) = middle;
        }
        *rate = (low + high) / 2;
        return MET_AT;
    }
    *rate = m->high_rate;
    return MET_ABOVE_ALL;
}

/* The rate where lines meet: what both are not known by, over the angle at which they meet. What scales load
 * and limit alike (the load cell) moves both and so not the rate. */
static struct quantity meeting_quantity(const struct meeting *m, double rate, double margin, int band,
                                        struct budget *b)
{
    struct feeder_limit_value v = feeder_limit_at(m->limit, speed_at(&m->line, rate));
    double step = 1e-4 * (m->high_rate - m->low_rate), scatter, creep, met_rate;
    double low = fmax(m->low_rate, rate - step), high = fmin(m->high_rate, rate + step);
    double slope = (room_n(m, high, margin, band) - room_n(m, low, margin, band)) / (high - low);
    struct meeting more = *m;
    melt_line_force_n(&m->line, rate, &scatter, &creep);
    budget_init(b);
    outcome_budget_part(b, "load line", "N", scatter, (1 + margin) / slope, m->line.fit.degrees_of_freedom,
                        BUDGET_TYPE_A, false);
    outcome_budget_part(b,
                        v.by == LIMITED_GRIP    ? "grip"
                        : v.by == LIMITED_MOTOR ? "torque curve"
                                                : "limit of motor and grip",
                        "N", v.standard_error_n, 1 / slope, v.degrees_of_freedom, BUDGET_TYPE_A, false);
    outcome_budget_part(b, "two calibrations of the load cell", "N", between_cells_n(m, v.force_n), 1 / slope,
                        INFINITY, BUDGET_TYPE_B, false);
    outcome_budget_part(b, m->line.with_encoder ? "scale of the encoder" : PUSH_BUDGET_DIAMETER_NAME, "1",
                        m->line.rate_relative_uncertainty, rate, INFINITY, BUDGET_TYPE_B,
                        !m->line.with_encoder);
    if (m->line.creep_uncertainty_per_n > 0) {
        more.line.fit = m->line.fit_creep;
        more.line.creep_per_n += m->line.creep_uncertainty_per_n;
        if (find_meeting(&more, margin, band, &met_rate) == MET_AT)
            outcome_budget_part(b, m->line.creep_assumed ? "creep of the feed, assumed" : "creep of the feed",
                                "mm3/s", fabs(met_rate - rate), 1, INFINITY, BUDGET_TYPE_B,
                                m->line.creep_assumed);
    }
    return budget_combine(b, rate, m->line.used_count + m->limit->push_count);
}

static const char *what_gives(enum limited_by by)
{
    return by == LIMITED_MOTOR  ? "the motor gives way first"
           : by == LIMITED_GRIP ? "the grip gives way first"
                                : "it is not clear whether motor or grip gives way first";
}

static void say_bound(const struct meeting *m, const char *what, struct outcome *o)
{
    outcome_say(o, "at %.4g °C %s is at least %.3g mm³/s: %s, and nothing is said beyond",
                m->line.temperature_c, what, fmin(m->high_rate, m->line.fit.high_rate),
                m->ends_by_line ? "that is the fastest melt-push with a settled force"
                                : "that is the fastest speed at which pushes tell what the feeder can do");
}

/* One rate: where it meets, "at least" where it does not, none where the load is too much from the first. */
static enum err_code add_rate(const struct meeting *m, double margin, int band, const char *key,
                              const char *label, bool compared, struct quantity *q, struct outcome *o,
                              struct err *e)
{
    char setting[48];
    struct budget b;
    double rate;
    enum met met = find_meeting(m, margin, band, &rate);
    /* What is called safe has been fed. */
    if (met == MET_AT && band == 1 && rate > m->line.fit.high_rate)
        met = MET_ABOVE_ALL;
    budget_init(&b);
    *q = quantity_absent();
    if (met == MET_AT)
        *q = meeting_quantity(m, rate, margin, band, &b);
    else if (met == MET_ABOVE_ALL)
        *q = quantity_at_least(fmin(rate, m->line.fit.high_rate));
    snprintf(setting, sizeof setting, "at %.4g °C", m->line.temperature_c);
    if (!q->present || q->at_least)
        budget_init(&b);
    return outcome_add(o, key, setting, label, "mm3/s", q, &b, compared, e);
}

static void say_limit(const struct meeting *m, const struct quantity *q, struct outcome *o)
{
    double t = m->line.temperature_c;
    if (!q->present) {
        outcome_say(
            o,
            "at %.4g °C the load is more than the feeder can push from the lowest rate on at which both are "
            "known, %.3g mm³/s",
            t, m->low_rate);
        return;
    }
    struct feeder_limit_value v = feeder_limit_at(m->limit, speed_at(&m->line, q->value));
    char text[INTERVAL_TEXT_MAX];
    if (q->at_least) {
        say_bound(m, "the highest rate", o);
        if (m->line.stalled_rate_mm3_s > 0)
            outcome_say(o, "at %.4g °C melt-push runs stalled from %.3g mm³/s on", t,
                        m->line.stalled_rate_mm3_s);
        return;
    }
    outcome_say(o, "at %.4g °C %s, at %s and %.3g N", t, what_gives(v.by),
                interval_text(q, " mm³/s", text, sizeof text), v.force_n);
    if (q->value > m->line.fit.high_rate)
        outcome_say(
            o,
            "at %.4g °C that is between the fastest melt-push that went, %.3g mm³/s, and where runs stalled; "
            "the load line is carried on between them",
            t, m->line.fit.high_rate);
    if (q->low_95 < m->low_rate || q->high_95 > m->high_rate)
        outcome_warn(
            o,
            "at %.4g °C the interval of the highest rate goes beyond the rates at which both are known "
            "(%.3g to %.3g mm³/s)",
            t, m->low_rate, m->high_rate);
}

/* Past the onset of slip less comes through than is commanded, and the gear grinds. */
static void warn_of_slip(const struct meeting *m, const struct feeder_result *f, double safe_rate,
                         struct outcome *o)
{
    double onset = INFINITY, force = load_line_at(&m->line.fit, safe_rate, NULL);
    for (size_t i = 0; i < f->point_count; i++) {
        if (f->points[i].slip_onset_n.present && !f->points[i].slip_onset_n.at_least)
            onset = fmin(onset, f->points[i].slip_onset_n.value);
    }
    if (force > onset)
        outcome_warn(
            o,
            "at %.4g °C the load at the safe rate, %.3g N, is past the onset of slip at %.3g N: less comes "
            "through than is commanded",
            m->line.temperature_c, force, onset);
}

/* The answer in one line: how fast this feeder may feed this hot end, and what gives way when it is more. */
static void say_headline(const struct meeting *m, const char *name, double margin,
                         const struct quantity *safe, const struct quantity *speed,
                         const struct quantity *limit, struct outcome *o)
{
    double t = m->line.temperature_c, d = m->line.filament_diameter_mm;
    char first[80] = "neither motor nor grip gives way up to there";
    if (limit->present && !limit->at_least)
        snprintf(first, sizeof first, "%s",
                 what_gives(feeder_limit_at(m->limit, speed_at(&m->line, limit->value)).by));
    if (!safe->present)
        outcome_say(
            o, "%s has no rate with a margin of %.3g %% at %.4g °C among those tried, %.3g mm³/s and more",
            name, 100 * margin, t, m->low_rate);
    else
        outcome_say(
            o,
            "%s feeds this hot end at %s %.3g mm³/s (%.3g mm/s of %.4g mm filament) at %.4g °C with a "
            "margin of %.3g %%; %s",
            name, safe->at_least ? "least up to" : "up to", safe->value, speed->value, d, t, 100 * margin,
            first);
}

/* The safe rate takes the load line at its best estimate: what it may be off by is the margin's to cover. */
static void say_margin(const struct meeting *m, double margin, double safe_rate, struct outcome *o)
{
    double scatter, creep, load = melt_line_force_n(&m->line, safe_rate, &scatter, &creep);
    double half =
        hypot(quantity_t_975(m->line.fit.degrees_of_freedom) * scatter, quantity_t_975(INFINITY) * creep);
    outcome_say(
        o,
        "at %.4g °C the margin of %.3g %% has to cover what the load line is not known by, ±%.2g %% at "
        "%.3g mm³/s (95 %%, by scatter)",
        m->line.temperature_c, 100 * margin, 100 * half / load, safe_rate);
    if (half > margin * load)
        outcome_warn(
            o,
            "at %.4g °C the load line is not known to within the margin: a margin of %.2g %% would cover it",
            m->line.temperature_c, ceil(100 * half / load));
}

static enum err_code add_meeting(const struct meeting *m, const char *name, double margin, struct outcome *o,
                                 double *safe_rate, struct err *e)
{
    char setting[48], label[80];
    struct quantity limit, safe, speed = quantity_absent();
    double area = formulas_filament_area_mm2(m->line.filament_diameter_mm);
    enum err_code code = add_rate(m, 0, 0, "rate_limit_mm3_s", "highest volumetric rate", true, &limit, o, e);
    snprintf(label, sizeof label, "operating limit, with %.3g %% of the load to spare", 100 * margin);
    if (code == ERR_OK)
        code = add_rate(m, margin, 1, "safe_rate_mm3_s", label, false, &safe, o, e);
    if (code != ERR_OK)
        return code;
    *safe_rate = safe.present ? safe.value : NAN;
    if (safe.present && safe.at_least)
        speed = quantity_at_least(safe.value / area);
    else if (safe.present)
        speed = quantity_from(safe.value / area, safe.standard_uncertainty / area, safe.degrees_of_freedom,
                              safe.n);
    snprintf(setting, sizeof setting, "at %.4g °C", m->line.temperature_c);
    snprintf(label, sizeof label, "the same as speed of %.4g mm filament", m->line.filament_diameter_mm);
    code = outcome_add(o, "safe_speed_mm_s", setting, label, "mm/s", &speed, NULL, false, e);
    say_headline(m, name, margin, &safe, &speed, &limit, o);
    say_limit(m, &limit, o);
    if (!safe.present)
        outcome_warn(
            o,
            "at %.4g °C no rate that was tried is safe: with %.3g %% more, the load is above the lower "
            "end of the limit's 95 %% interval from %.3g mm³/s on",
            m->line.temperature_c, 100 * margin, m->low_rate);
    else
        say_margin(m, margin, safe.value, o);
    return code;
}

static void draw_load(const struct meeting *m, struct outcome_chart *chart)
{
    char name[64];
    snprintf(name, sizeof name, "load at %.4g °C", m->line.temperature_c);
    struct outcome_group *g = outcome_add_group(chart, name, 0, CURVE_STEPS);
    for (size_t i = 0; g != NULL && i < CURVE_STEPS; i++) {
        double scatter, creep;
        double rate = m->line.fit.low_rate +
                      (m->line.fit.high_rate - m->line.fit.low_rate) * (double)i / (CURVE_STEPS - 1);
        double force = melt_line_force_n(&m->line, rate, &scatter, &creep);
        struct quantity q = quantity_from(force, hypot(scatter, creep), m->line.fit.degrees_of_freedom, 1);
        g->curve_x[i] = rate;
        g->curve_y[i] = force;
        g->curve_low[i] = q.low_95;
        g->curve_high[i] = q.high_95;
    }
}

/* The limit with the stall forces it comes from, over the speeds pushed at but no further than top_rate: a
 * motor's whole curve would leave no room for the load lines. */
static void draw_limit(const struct feeder_result *f, const struct meeting *m, double top_rate,
                       struct outcome_chart *chart)
{
    const struct melt_line *line = &m->line;
    double area = formulas_filament_area_mm2(line->filament_diameter_mm);
    struct outcome_group *g =
        outcome_add_group(chart, "what the feeder can push", f->point_count, CURVE_STEPS);
    size_t n = 0;
    if (g == NULL)
        return;
    for (size_t i = 0; i < f->point_count; i++) {
        const struct quantity *q = &f->points[i].stall_force_n;
        if (!q->present)
            continue;
        double lost = line->lost_share_at_0 + line->creep_per_n * q->value;
        g->x[n] = area * f->points[i].speed_mm_s * (1 - lost);
        if (g->x[n] > top_rate)
            continue;
        g->y[n] = q->value;
        g->at_least[n] = q->at_least;
        if (!q->at_least) {
            g->y_low[n] = q->low_95;
            g->y_high[n] = q->high_95;
        }
        n++;
    }
    g->point_count = n;
    double last_mm_s = fmin(m->limit->high_speed_mm_s, top_rate / area);
    if (!(last_mm_s > m->limit->low_speed_mm_s))
        last_mm_s = m->limit->high_speed_mm_s;
    for (size_t i = 0; i < CURVE_STEPS; i++) {
        double speed =
            m->limit->low_speed_mm_s + (last_mm_s - m->limit->low_speed_mm_s) * (double)i / (CURVE_STEPS - 1);
        struct feeder_limit_value v = feeder_limit_at(m->limit, speed);
        g->curve_x[i] = area * speed * (1 - line->lost_share_at_0 - line->creep_per_n * v.force_n);
        g->curve_y[i] = v.force_n;
        g->curve_low[i] = v.low_95_n;
        g->curve_high[i] = v.high_95_n;
    }
}

/* Greatest rate of interest: melted, stalled at, or where a load line meets the limit, which lies between. */
static double greatest_rate(const struct melt_line *lines, size_t count)
{
    double rate = 0;
    for (size_t i = 0; i < count; i++)
        rate = fmax(rate, fmax(lines[i].fit.high_rate, lines[i].stalled_rate_mm3_s));
    return rate;
}

static struct outcome_chart *begin_chart(struct outcome *o, double margin)
{
    struct outcome_chart *chart = outcome_add_chart(o, "operating");
    if (chart == NULL)
        return NULL;
    snprintf(chart->title, sizeof chart->title, "What the hot end takes and what the feeder can push");
    snprintf(
        chart->description, sizeof chart->description,
        "Load lines of the hot end and what the feeder can push, the lesser of motor and grip, against the "
        "volumetric rate, with 95 %% bands by scatter. Vertical lines: up to where the load and %.3g %% more "
        "stay below the lower band of the limit.",
        100 * margin);
    snprintf(chart->x_label, sizeof chart->x_label, "volumetric rate in mm³/s");
    snprintf(chart->y_label, sizeof chart->y_label, "push force in N");
    chart->x_from_zero = chart->y_from_zero = true;
    return chart;
}

/* The melt-push runs of a feeder, as summing up sees them. */
static size_t lines_of(const struct session *s, size_t feeder, const struct push_settings *settings,
                       struct melt_line *lines, bool *any)
{
    const struct feeder_result *f = &s->feeders[feeder];
    const struct bench_test_context context = {.plan = &s->series[f->series]->plan,
                                               .calibration = &s->series[f->series]->calibration,
                                               .settings = settings,
                                               .feeder = f};
    const struct run_result **runs = malloc((s->run_count + 1) * sizeof *runs);
    size_t count = 0, n = 0, without, beyond, kept = 0;
    for (size_t i = 0; runs != NULL && i < s->run_count; i++) {
        if (s->runs[i].feeder == feeder && s->runs[i].series == f->series &&
            s->runs[i].record->test == PLAN_MELT_PUSH)
            runs[count++] = &s->runs[i];
    }
    *any = count > 0;
    if (count > 0)
        n = melt_line_find(runs, count, &context, lines, &without, &beyond);
    for (size_t i = 0; i < n; i++) {
        if (lines[i].present)
            lines[kept++] = lines[i];
    }
    free(runs);
    return kept;
}

static const char *plan_name(const struct session *s, size_t feeder)
{
    for (size_t i = 0; i < s->run_count; i++) {
        if (s->runs[i].feeder == feeder && s->runs[i].series == s->feeders[feeder].series)
            return s->runs[i].record->feeder;
    }
    return "";
}

/* Whether two feeders of the same name were used alike, but for what they met at the far end. */
static bool agree(const struct session *s, const struct feeder_result *a, const struct feeder_result *b,
                  char *why, size_t size)
{
    struct condition_difference differences[CONDITION_COUNT];
    double tolerance[CONDITION_COUNT];
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        tolerance[i] = fmin(s->series[a->series]->plan.tolerance[i], s->series[b->series]->plan.tolerance[i]);
    size_t count = conditions_compare(&a->conditions, &b->conditions, tolerance, differences);
    for (size_t i = 0; i < count; i++) {
        enum condition_id id = differences[i].id;
        if (plan_test_sets(PLAN_MELT_PUSH, id) || id == CONDITION_HOT_END_TEMPERATURE_C ||
            id == CONDITION_BRAKE_LOAD_N || id == CONDITION_GUIDE_TUBE_BEND_DEG || id == CONDITION_HOT_END ||
            id == CONDITION_BLOCKED_END)
            continue;
        snprintf(why, size, "%.170s", differences[i].text);
        return false;
    }
    return true;
}

/* Load lines of the same feeder in another series; *from receives whose. *why: why not, where there are some.
 */
static size_t lines_elsewhere(const struct session *s, size_t feeder, struct push_settings *settings,
                              struct melt_line *lines, size_t *from, char *why, size_t size)
{
    for (size_t i = 0; i < s->feeder_count; i++) {
        char differs[200];
        bool any;
        if (i == feeder || strcmp(plan_name(s, i), plan_name(s, feeder)) != 0)
            continue;
        *settings = push_budget_settings(&s->series[s->feeders[i].series]->plan);
        size_t n = lines_of(s, i, settings, lines, &any);
        if (n == 0)
            continue;
        *from = i;
        if (agree(s, &s->feeders[feeder], &s->feeders[i], differs, sizeof differs))
            return n;
        snprintf(why, size, "series %zu has a load line, but its conditions differ: %.170s",
                 s->feeders[i].series + 1, differs);
    }
    return 0;
}

static bool has_pushes(const struct session *s, size_t feeder)
{
    return s->feeders[feeder].point_count > 0;
}

/* A place for one more outcome of the feeder. */
static struct outcome *append(struct feeder_result *f, struct err *e)
{
    struct outcome *more = realloc(f->outcomes, (f->outcome_count + 1) * sizeof *more);
    if (more == NULL) {
        err_set(e, ERR_MEMORY, "not enough memory for the operating chart");
        return NULL;
    }
    f->outcomes = more;
    outcome_init(&more[f->outcome_count], TEST);
    return &more[f->outcome_count++];
}

static void say_limits_known(const struct feeder_limit *limit, struct outcome *o)
{
    if (limit->cause_unknown) {
        outcome_say(
            o,
            "which of motor and grip gave way is not clear: the limit is the stall force, whatever it was");
        return;
    }
    if (limit->grip)
        outcome_say(o, "grip: %s over %zu pushes limited by it",
                    limit->grip_fit.p > 1 ? "a power of the speed" : "one level at all speeds",
                    limit->grip_count);
    else if (limit->motor_count > 0)
        outcome_say(
            o,
            "the grip was not reached: it is only known to be at least what the motor gave (%.3g N or more)",
            limit->motor_least_n);
    if (!limit->motor)
        outcome_say(o, "the motor was not reached: it is only known to give at least what the grip holds");
}

static enum err_code fill(const struct session *s, size_t feeder, const struct feeder_limit *limit,
                          const struct melt_line *lines, size_t count, size_t from,
                          const struct push_settings *settings, double margin, struct outcome *o,
                          struct err *e)
{
    const struct feeder_result *f = &s->feeders[feeder];
    struct outcome_chart *chart = begin_chart(o, margin);
    enum err_code code = ERR_OK;
    bool drawn = false;
    if (chart == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the operating chart");
    for (size_t i = 0; i < count && code == ERR_OK; i++) {
        struct meeting m = {.limit = limit, .line = lines[i], .settings = settings};
        double safe_rate = NAN;
        char text[64];
        if (s->feeders[from].series != f->series)
            m.calibration = &s->series[f->series]->calibration;
        o->used_count += lines[i].used_count;
        draw_load(&m, chart);
        if (!drawn)
            draw_limit(f, &m, CHART_BEYOND * greatest_rate(lines, count), chart);
        drawn = true;
        if (!set_range(&m)) {
            outcome_warn(o,
                         "at %.4g °C the rates melted (%.3g to %.3g mm³/s) and the speeds pushed at (%.3g to "
                         "%.3g mm/s) "
                         "have nothing in common: no rate is given",
                         lines[i].temperature_c, lines[i].fit.low_rate, lines[i].fit.high_rate,
                         limit->low_speed_mm_s, limit->high_speed_mm_s);
            continue;
        }
        code = add_meeting(&m, f->name, margin, o, &safe_rate, e);
        if (isfinite(safe_rate))
            warn_of_slip(&m, f, safe_rate, o);
        snprintf(text, sizeof text, "safe at %.4g °C: %.3g mm³/s", lines[i].temperature_c, safe_rate);
        if (isfinite(safe_rate))
            outcome_mark_x(chart, safe_rate, text);
    }
    say_limits_known(limit, o);
    if (from != feeder)
        outcome_say(o, "the load line is that of series %zu, measured under conditions that agree",
                    s->feeders[from].series + 1);
    o->run_count = o->used_count += limit->push_count;
    if (code == ERR_OK && o->quantity_count == 0)
        snprintf(o->why_not, sizeof o->why_not, "%.230s", o->warning_count > 0 ? o->warnings[0] : "");
    o->present = code == ERR_OK && o->quantity_count > 0;
    return code;
}

static enum err_code chart_of(struct session *s, size_t feeder, double margin, struct err *e)
{
    struct melt_line *lines = calloc(MELT_LINES_MAX, sizeof *lines);
    struct push_settings settings = push_budget_settings(&s->series[s->feeders[feeder].series]->plan);
    struct feeder_limit limit;
    struct outcome *o = NULL;
    char why[240] = "";
    size_t count, from = feeder;
    bool any;
    enum err_code code = ERR_OK;
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the operating chart");
    count = lines_of(s, feeder, &settings, lines, &any);
    if (any && count == 0)
        snprintf(why, sizeof why, "there is no load line: see melt-push");
    if (!any && has_pushes(s, feeder))
        count = lines_elsewhere(s, feeder, &settings, lines, &from, why, sizeof why);
    /* Only melt-push runs here: the chart is made where the same feeder was pushed, if it was. */
    for (size_t i = 0; i < s->feeder_count && any && !has_pushes(s, feeder); i++) {
        if (i != feeder && has_pushes(s, i) && strcmp(plan_name(s, i), plan_name(s, feeder)) == 0)
            any = false;
    }
    if (count > 0 && !any && from == feeder)
        goto out;
    if (count == 0 && why[0] == '\0')
        goto out;
    o = append(&s->feeders[feeder], e);
    if (o == NULL) {
        code = ERR_MEMORY;
        goto out;
    }
    if (count > 0 && feeder_limit_find(s, feeder, &limit, why, sizeof why))
        code = fill(s, feeder, &limit, lines, count, from, &settings, margin, o, e);
    else
        snprintf(o->why_not, sizeof o->why_not, "%s", why);
out:
    free(lines);
    return code;
}

enum err_code operating_chart_all(struct session *session, double margin, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < session->feeder_count && code == ERR_OK; i++)
        code = chart_of(session, i, margin, e);
    return code;
}
