#include "analyze/endurance.h"

#include "analyze/interval_text.h"
#include "analyze/numerics/drops.h"
#include "analyze/numerics/trend_groups.h"
#include "analyze/outcome_budget.h"
#include "analyze/push.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CONFIDENCE 0.95
#define NORMAL_975 1.959964
/* Stretches that are told one by one; more are only in the common slope. */
#define TOLD_MAX     6
#define DRAWN_MAX    (OUTCOME_GROUPS_MAX - 2)
#define CURVE_ENDS   9
#define PUSHES_LEAST 4
/* Middle of the last part of a push that levels off, as a share of its feed. */
#define LEVEL_AT 0.9
/* Part of the rise that the stiffness is taken from, as shares of the force at the end. */
#define RISE_FROM 0.15
#define RISE_TO   0.45

/* One stretch: pushes on one mounting with no cleaning between them. */
struct stretch {
    size_t used; /* pushes that tell of grip */
    int block;
    bool cleaned;        /* it begins with a cleaning */
    bool same_mount;     /* and the stretch before is of the same mounting */
    double from_m, to_m; /* metres fed before its first push and after its last */
    double middle_m;     /* mean of those of its pushes that count */
    double level;        /* at middle_m, by the common slope: median over its pushes */
    double variance;     /* of that level, by the scatter of the pushes */
};

/* One reading over the pushes that count (stall force or slip onset), and its common trend. */
struct fade {
    size_t n;
    double *fed_m, *force_n;
    size_t *stretch;
    bool present;
    struct trend_groups trend;
    double slope_uncertainty;
    double scatter_n, degrees_of_freedom; /* of one push about its stretch's line */
};

struct pushes {
    const struct run_result *const *runs;
    size_t count;
    double *fed_m; /* where each run stalled, since the first of them began */
    size_t *stretch;
    struct stretch *stretches;
    size_t stretch_count;
    size_t with_stall, grip, motor, limit, unclear, not_analysed;
    double motor_least_n;
};

static bool tells_of_grip(const struct run_result *run)
{
    const struct run_push *p = &run->push;
    return run->analysed && p->stall_force_n.present && !p->stall_force_n.at_least &&
           p->limited_by == LIMITED_GRIP;
}

static void count_limits(struct pushes *w)
{
    w->motor_least_n = INFINITY;
    for (size_t i = 0; i < w->count; i++) {
        const struct run_push *p = &w->runs[i]->push;
        if (!w->runs[i]->analysed) {
            w->not_analysed++;
            continue;
        }
        if (!p->stall_force_n.present)
            continue;
        w->with_stall++;
        w->grip += tells_of_grip(w->runs[i]);
        w->unclear += p->limited_by == LIMITED_UNCLEAR && !p->stall_force_n.at_least;
        if (p->limited_by == LIMITED_MOTOR) {
            w->motor++;
            w->motor_least_n = fmin(w->motor_least_n, p->stall_force_n.value);
        }
    }
    w->limit = w->with_stall - w->grip - w->motor - w->unclear;
}

/* Where in its feed a push stalled: at the middle one of its events, or in the last part where it levelled
 * off. Fade within a push would else pass for grip. */
static double stall_feed_mm(const struct run_result *run)
{
    const struct run_push *p = &run->push;
    if (p->event_count > 0)
        return fmin(p->event_feed_mm, run->fed_mm);
    return LEVEL_AT * run->fed_mm;
}

static double column_n(const struct push_picture *p, size_t i)
{
    return (p->force_low_n[i] + p->force_high_n[i]) / 2;
}

/* From a straight part of the rise, below any onset. A fitted stiffness shares its slope with creep and slip;
 * this does not. */
double endurance_pressed_mm(const struct push_picture *p)
{
    size_t low = 0, high;
    double end_n = p->n > 0 ? column_n(p, p->n - 1) : 0;
    while (low < p->n && column_n(p, low) < RISE_FROM * end_n)
        low++;
    high = low;
    while (high < p->n && column_n(p, high) < RISE_TO * end_n)
        high++;
    if (high >= p->n || !(end_n > 0) || !(p->feed_mm[high] > p->feed_mm[low]))
        return 0;
    double rise_n = column_n(p, high) - column_n(p, low);
    return rise_n > 0 ? end_n * (p->feed_mm[high] - p->feed_mm[low]) / rise_n : 0;
}

/* What went through the nip in a run: the commanded feed, and what the gear turned back when the motor was
 * cut under load and the filament sprang back. */
static double through_nip_mm(const struct run_result *run)
{
    return run->analysed ? run->fed_mm + fmin(run->push.pressed_mm, run->fed_mm) : run->fed_mm;
}

static void lay_out(struct pushes *w)
{
    double fed_m = 0;
    for (size_t i = 0; i < w->count; i++) {
        const struct run_record *record = w->runs[i]->record;
        bool remounted = i > 0 && record->block != w->runs[i - 1]->record->block;
        if (i == 0 || remounted || record->cleaned) {
            w->stretches[w->stretch_count++] = (struct stretch){.from_m = fed_m,
                                                                .block = record->block,
                                                                .cleaned = record->cleaned,
                                                                .same_mount = i > 0 && !remounted};
        }
        w->stretch[i] = w->stretch_count - 1;
        w->fed_m[i] = fed_m + stall_feed_mm(w->runs[i]) / 1000;
        fed_m += through_nip_mm(w->runs[i]) / 1000;
        w->stretches[w->stretch_count - 1].to_m = fed_m;
    }
}

static int ascending(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

static double median(double *values, size_t n)
{
    qsort(values, n, sizeof *values, ascending);
    return n % 2 == 1 ? values[n / 2] : (values[n / 2 - 1] + values[n / 2]) / 2;
}

/* Level of each stretch by the common slope, and the scatter of single pushes about these lines. */
static void find_levels(struct fade *f, struct stretch *stretches, size_t count, double *room)
{
    double slope = f->trend.slope, square = 0;
    size_t with_points = 0;
    for (size_t g = 0; g < count; g++) {
        struct stretch *s = &stretches[g];
        s->used = 0;
        s->middle_m = 0;
        for (size_t i = 0; i < f->n; i++) {
            if (f->stretch[i] == g) {
                s->middle_m += f->fed_m[i];
                s->used++;
            }
        }
        if (s->used == 0)
            continue;
        with_points++;
        s->middle_m /= (double)s->used;
        size_t k = 0;
        for (size_t i = 0; i < f->n; i++) {
            if (f->stretch[i] == g)
                room[k++] = f->force_n[i] - slope * (f->fed_m[i] - s->middle_m);
        }
        s->level = median(room, k);
        for (size_t i = 0; i < k; i++)
            square += (room[i] - s->level) * (room[i] - s->level);
    }
    f->degrees_of_freedom = (double)f->n - (double)with_points - 1;
    f->scatter_n = f->degrees_of_freedom > 0 ? sqrt(square / f->degrees_of_freedom) : NAN;
    for (size_t g = 0; g < count; g++) {
        if (stretches[g].used > 0)
            stretches[g].variance = f->scatter_n * f->scatter_n * drops_median_variance(stretches[g].used);
    }
}

/* Trend of the stall force, or of the slip onset, over the pushes that tell of grip. */
static enum err_code find_fade(const struct pushes *w, bool onset, struct fade *f, struct err *e)
{
    f->fed_m = malloc((w->count + 1) * sizeof *f->fed_m);
    f->force_n = malloc((w->count + 1) * sizeof *f->force_n);
    f->stretch = malloc((w->count + 1) * sizeof *f->stretch);
    if (f->fed_m == NULL || f->force_n == NULL || f->stretch == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu pushes", w->count);
    for (size_t i = 0; i < w->count; i++) {
        const struct run_push *p = &w->runs[i]->push;
        const struct quantity *q = onset ? &p->slip_onset_n : &p->stall_force_n;
        if (!tells_of_grip(w->runs[i]) || !q->present || q->at_least)
            continue;
        f->fed_m[f->n] = w->fed_m[i];
        f->force_n[f->n] = q->value;
        f->stretch[f->n++] = w->stretch[i];
    }
    enum err_code code = trend_groups(f->fed_m, f->force_n, f->stretch, f->n, CONFIDENCE, &f->trend, e);
    if (code != ERR_OK)
        return code;
    if (isinf(f->trend.low) || isinf(f->trend.high))
        return err_set(e, ERR_NO_ANSWER,
                       "%zu pushes that tell of grip, in %zu stretches, are too few for a slope "
                       "with an interval",
                       f->n, f->trend.groups);
    f->slope_uncertainty = (f->trend.near_high - f->trend.near_low) / (2 * NORMAL_975);
    f->present = true;
    return ERR_OK;
}

static void free_fade(struct fade *f)
{
    free(f->fed_m);
    free(f->force_n);
    free(f->stretch);
}

/* The budget's result, with the interval of the pair slopes (as low and high of the value by them alone)
 * widened on each side by all else. */
static struct quantity with_rank_interval(const struct budget *b, double value, double slope_uncertainty,
                                          double low, double high, size_t n)
{
    struct quantity q = budget_combine(b, value, n);
    double other = NORMAL_975 * sqrt(fmax(0, q.standard_uncertainty * q.standard_uncertainty -
                                                 slope_uncertainty * slope_uncertainty));
    if (!q.present)
        return q;
    q.low_95 = value - hypot(value - low, other);
    q.high_95 = value + hypot(high - value, other);
    return q;
}

static const char *const SLOPES = "scatter of the slopes between pushes", *const PUSHES =
                                                                              "scatter of the pushes";

static double diameter_relative(const struct pushes *w, const struct bench_test_context *context)
{
    double relative;
    push_feed_per_microstep_mm(w->runs[0]->record, context->calibration, &relative);
    return relative;
}

/* Loss of force per metre, as a number above 0 where it falls. */
static struct quantity loss_n_per_m(const struct pushes *w, const struct fade *f, double level_n,
                                    const struct bench_test_context *context, struct budget *b)
{
    double loss = -f->trend.slope;
    budget_init(b);
    outcome_budget_part(b, SLOPES, "N/m", f->slope_uncertainty, 1, INFINITY, BUDGET_TYPE_A, false);
    outcome_budget_part(b, PUSH_BUDGET_DIAMETER_NAME, "1", diameter_relative(w, context), loss, INFINITY,
                        BUDGET_TYPE_B, true);
    outcome_budget_bench(b, level_n, loss / level_n, true, context->calibration, context->settings);
    return with_rank_interval(b, loss, f->slope_uncertainty, -f->trend.near_high, -f->trend.near_low, f->n);
}

/* Force of a stretch at so many metres fed, by the common slope; what it is not known by goes to *pushes_n
 * (the scatter of its pushes) and *slope_n. */
static double level_at(const struct stretch *s, const struct fade *f, double fed_m, double *pushes_n,
                       double *slope_n)
{
    double away = fed_m - s->middle_m;
    *pushes_n = sqrt(s->variance);
    *slope_n = fabs(away) * f->slope_uncertainty;
    return s->level + f->trend.slope * away;
}

/* Mean level at the start of the stretches on a clean gear: the first, and those after a cleaning. */
static double clean_level(const struct pushes *w, const struct fade *f, size_t first, double *pushes_n)
{
    double sum = 0, variance = 0, pushes, slope;
    size_t n = 0;
    for (size_t g = first; g < w->stretch_count; g++) {
        if (w->stretches[g].used == 0 || (g != first && !w->stretches[g].cleaned))
            continue;
        sum += level_at(&w->stretches[g], f, w->stretches[g].from_m, &pushes, &slope);
        variance += pushes * pushes;
        n++;
    }
    *pushes_n = sqrt(variance) / (double)n;
    return sum / (double)n;
}

/* Mean step over the cleanings that have pushes of the same mounting on both sides. */
static size_t cleaning_gain(const struct pushes *w, const struct fade *f, double *gain_n, double *pushes_n,
                            double *slope_n)
{
    size_t n = 0;
    double slope_m = 0, sum = 0, variance = 0, *weights = calloc(w->stretch_count + 1, sizeof *weights);
    for (size_t g = 1; weights != NULL && g < w->stretch_count; g++) {
        const struct stretch *s = &w->stretches[g], *before = s - 1;
        if (!s->cleaned || !s->same_mount || s->used == 0 || before->used == 0)
            continue;
        weights[g]++;
        weights[g - 1]--;
        slope_m += (s->from_m - s->middle_m) - (s->from_m - before->middle_m);
        n++;
    }
    for (size_t g = 0; n > 0 && g < w->stretch_count; g++) {
        sum += weights[g] * w->stretches[g].level;
        variance += weights[g] * weights[g] * w->stretches[g].variance;
    }
    free(weights);
    if (n > 0) {
        *gain_n = (sum + f->trend.slope * slope_m) / (double)n;
        *pushes_n = sqrt(variance) / (double)n;
        *slope_n = fabs(slope_m) / (double)n * f->slope_uncertainty;
    }
    return n;
}

static enum err_code add_quantities(const struct pushes *w, const struct fade *f,
                                    const struct bench_test_context *context, struct outcome *o,
                                    struct err *e)
{
    struct budget b;
    struct quantity q;
    size_t first = 0, cleanings;
    double pushes_n, slope_n, gain_n;
    enum err_code code;
    while (w->stretches[first].used == 0)
        first++;
    double start_n = level_at(&w->stretches[first], f, w->stretches[first].from_m, &pushes_n, &slope_n);
    q = loss_n_per_m(w, f, start_n, context, &b);
    code = outcome_add(o, "grip_fade_n_per_m", "", "grip lost per metre fed", "N/m", &q, &b, true, e);
    if (code != ERR_OK)
        return code;
    double clean_pushes_n, clean_n = clean_level(w, f, first, &clean_pushes_n);
    double loss = -f->trend.slope, percent = 100 / clean_n;
    budget_init(&b);
    outcome_budget_part(&b, SLOPES, "N/m", f->slope_uncertainty, percent, INFINITY, BUDGET_TYPE_A, false);
    outcome_budget_part(&b, PUSHES, "N", clean_pushes_n, percent * loss / clean_n,
                        fmax(1, f->degrees_of_freedom), BUDGET_TYPE_A, false);
    outcome_budget_part(&b, PUSH_BUDGET_DIAMETER_NAME, "1", diameter_relative(w, context), percent * loss,
                        INFINITY, BUDGET_TYPE_B, true);
    q = with_rank_interval(&b, percent * loss, percent * f->slope_uncertainty, -percent * f->trend.near_high,
                           -percent * f->trend.near_low, f->n);
    code = outcome_add(o, "grip_fade_percent_per_m", "", "grip lost per metre, of that on a clean gear",
                       "%/m", &q, &b, true, e);
    if (code != ERR_OK)
        return code;
    budget_init(&b);
    outcome_budget_part(&b, PUSHES, "N", pushes_n, 1, fmax(1, f->degrees_of_freedom), BUDGET_TYPE_A, false);
    outcome_budget_part(&b, "slope up to the first push", "N", slope_n, 1, INFINITY, BUDGET_TYPE_A, false);
    push_budget_add_bench(&b, start_n, context->calibration, context->settings);
    q = budget_combine(&b, start_n, w->stretches[first].used);
    code = outcome_add(o, "stall_at_start_n", "", "stall force at the start", "N", &q, &b, true, e);
    if (code != ERR_OK)
        return code;
    char text[INTERVAL_TEXT_MAX];
    cleanings = cleaning_gain(w, f, &gain_n, &pushes_n, &slope_n);
    if (cleanings == 0)
        return ERR_OK;
    budget_init(&b);
    outcome_budget_part(&b, PUSHES, "N", pushes_n, 1, fmax(1, f->degrees_of_freedom), BUDGET_TYPE_A, false);
    outcome_budget_part(&b, "slope between the stretches", "N", slope_n, 1, INFINITY, BUDGET_TYPE_A, false);
    outcome_budget_bench(&b, start_n, gain_n / start_n, true, context->calibration, context->settings);
    q = budget_combine(&b, gain_n, cleanings);
    outcome_say(o, "cleaning the gear gives back %s, mean over %zu cleaning%s",
                interval_text(&q, " N", text, sizeof text), cleanings, cleanings == 1 ? "" : "s");
    return outcome_add(o, "cleaning_gain_n", "", "stall force regained by a cleaning", "N", &q, &b, false, e);
}

/* "p = 0.012", or "p < 0.001". */
static void write_p(double p, char *text, size_t size)
{
    if (p < 0.001)
        snprintf(text, size, "p < 0.001");
    else
        snprintf(text, size, "p = %.2g", p);
}

/* The finding in one line. */
static void say_finding(const struct fade *f, const struct quantity *loss, struct outcome *o)
{
    struct quantity gain = {
        .present = true, .value = -loss->value, .low_95 = -loss->high_95, .high_95 = -loss->low_95};
    bool shown = f->trend.p_value < 1 - CONFIDENCE, gains = shown && loss->value < 0;
    const char *found = shown ? "the grip loses" : "no fading of the grip shown:";
    char text[INTERVAL_TEXT_MAX];
    outcome_say(o, "%s %s", gains ? "the grip gains" : found,
                interval_text(gains ? &gain : loss, " N per metre fed", text, sizeof text));
}

static void say_trend(const struct pushes *w, const struct fade *f, struct outcome *o)
{
    bool shown = f->trend.p_value < 1 - CONFIDENCE;
    char p_text[24];
    write_p(f->trend.p_value, p_text, sizeof p_text);
    outcome_say(o, "%s with the metres fed (Kendall's test over %zu pushes in %zu stretch%s: S = %.0f, %s%s)",
                !shown               ? "no trend of the grip is shown"
                : f->trend.slope < 0 ? "the grip falls"
                                     : "the grip rises",
                f->n, f->trend.groups, f->trend.groups == 1 ? "" : "es", f->trend.s, p_text,
                f->trend.exact ? ", exact" : "");
    outcome_say(
        o,
        "metres are counted from this feeder's first endurance push to where each push stalled, with what "
        "springs back when the motor is cut; a remounting or cleaning begins a stretch with its own level");
    for (size_t g = 0; g < w->stretch_count && w->stretch_count > 1 && g < TOLD_MAX; g++) {
        const struct stretch *s = &w->stretches[g];
        struct trend_groups own;
        size_t first = 0;
        while (first < f->n && f->stretch[first] != g)
            first++;
        if (s->used < 3 || trend_groups(f->fed_m + first, f->force_n + first, f->stretch + first, s->used,
                                        CONFIDENCE, &own, NULL) != ERR_OK) {
            outcome_say(
                o, "stretch %zu (%.3g to %.3g m): %zu pushes tell of grip, too few for a slope of their own",
                g + 1, s->from_m, s->to_m, s->used);
        } else if (isinf(own.low) || isinf(own.high)) {
            outcome_say(
                o,
                "stretch %zu%s (%zu pushes, %.3g to %.3g m): slope %.3g N/m, too few for an interval of "
                "its own",
                g + 1, s->cleaned ? ", from a cleaning on" : "", s->used, s->from_m, s->to_m, own.slope);
        } else {
            struct quantity slope = {
                .present = true, .value = own.slope, .low_95 = own.low, .high_95 = own.high};
            char text[INTERVAL_TEXT_MAX];
            outcome_say(o, "stretch %zu%s (%zu pushes, %.3g to %.3g m): slope %s", g + 1,
                        s->cleaned ? ", from a cleaning on" : "", s->used, s->from_m, s->to_m,
                        interval_text(&slope, " N/m", text, sizeof text));
        }
    }
    if (w->stretch_count > TOLD_MAX)
        outcome_say(o, "%zu more stretches are in the common slope", w->stretch_count - TOLD_MAX);
}

static void warn(const struct pushes *w, struct outcome *o)
{
    if (w->motor > 0)
        outcome_warn(
            o,
            "%zu of %zu pushes were limited by the motor and are left out: their grip was at least what "
            "the motor gave, so the fade may be more than found",
            w->motor, w->with_stall);
    if (w->limit > 0)
        outcome_warn(o, "%zu of %zu pushes met a limit before they stalled and are left out", w->limit,
                     w->with_stall);
    if (w->unclear > 0)
        outcome_warn(o, "%zu of %zu pushes are left out: it is not clear whether motor or grip gave way",
                     w->unclear, w->with_stall);
    if (w->not_analysed > 0)
        outcome_warn(
            o,
            "%zu runs could not be analysed; where their record is cut short, the metres they fed are "
            "not all counted",
            w->not_analysed);
}

static void draw_stretch(const struct pushes *w, const struct fade *f, size_t g, struct outcome_chart *chart)
{
    const struct stretch *s = &w->stretches[g];
    char name[64];
    size_t n = 0;
    snprintf(name, sizeof name, "%s%zu", "stretch ", g + 1);
    struct outcome_group *group = outcome_add_group(chart, name, s->used, CURVE_ENDS);
    if (group == NULL)
        return;
    for (size_t i = 0; i < w->count && n < s->used; i++) {
        if (w->stretch[i] != g || !tells_of_grip(w->runs[i]))
            continue;
        const struct quantity *q = &w->runs[i]->push.stall_force_n;
        group->x[n] = w->fed_m[i];
        group->y[n] = q->value;
        group->y_low[n] = q->low_95;
        group->y_high[n++] = q->high_95;
    }
    for (size_t i = 0; i < CURVE_ENDS; i++) {
        double pushes_n, slope_n, x = s->from_m + (s->to_m - s->from_m) * (double)i / (CURVE_ENDS - 1);
        double y = level_at(s, f, x, &pushes_n, &slope_n);
        struct quantity q =
            quantity_from(y, hypot(pushes_n, slope_n), fmax(1, f->degrees_of_freedom), s->used);
        group->curve_x[i] = x;
        group->curve_y[i] = y;
        group->curve_low[i] = q.low_95;
        group->curve_high[i] = q.high_95;
    }
}

/* Pushes that count in no drawn stretch: bounds of the grip, and those of stretches that are too many. */
static void draw_rest(const struct pushes *w, struct outcome_chart *chart)
{
    size_t bounds = 0, rest = 0;
    for (size_t i = 0; i < w->count; i++) {
        if (!w->runs[i]->analysed || !w->runs[i]->push.stall_force_n.present)
            continue;
        bounds += !tells_of_grip(w->runs[i]);
        rest += tells_of_grip(w->runs[i]) && w->stretch[i] >= DRAWN_MAX;
    }
    for (int kind = 0; kind < 2; kind++) {
        size_t count = kind == 0 ? rest : bounds, n = 0;
        struct outcome_group *group =
            count > 0
                ? outcome_add_group(chart, kind == 0 ? "further stretches" : "not limited by grip", count, 0)
                : NULL;
        for (size_t i = 0; group != NULL && i < w->count; i++) {
            bool mine = kind == 0 ? tells_of_grip(w->runs[i]) && w->stretch[i] >= DRAWN_MAX
                                  : !tells_of_grip(w->runs[i]);
            if (!mine || !w->runs[i]->analysed || !w->runs[i]->push.stall_force_n.present)
                continue;
            group->x[n] = w->fed_m[i];
            group->y[n] = w->runs[i]->push.stall_force_n.value;
            group->at_least[n++] = kind == 1;
        }
    }
}

static enum err_code draw(const struct pushes *w, const struct fade *f, struct outcome *o, struct err *e)
{
    struct outcome_chart *chart = outcome_add_chart(o, "fade");
    if (chart == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the chart of endurance");
    snprintf(chart->title, sizeof chart->title, "Grip against metres fed");
    snprintf(chart->description, sizeof chart->description,
             "Stall force of each push against the metres fed over the endurance pushes. Lines share one "
             "slope, the "
             "median of the slopes between pushes of the same stretch, with 95 %% bands by scatter; vertical "
             "lines "
             "are cleanings. Open marks are lower bounds of the grip.");
    snprintf(chart->x_label, sizeof chart->x_label, "fed on this gear in m");
    snprintf(chart->y_label, sizeof chart->y_label, "stall force in N");
    chart->x_from_zero = true;
    for (size_t g = 0; g < w->stretch_count; g++) {
        if (g < DRAWN_MAX && w->stretches[g].used > 0)
            draw_stretch(w, f, g, chart);
        if (w->stretches[g].cleaned)
            outcome_mark_x(chart, w->stretches[g].from_m, "cleaned");
    }
    draw_rest(w, chart);
    return ERR_OK;
}

/* The slip onset in the same way, where most of the pushes have one. */
static enum err_code add_onset(struct pushes *w, const struct bench_test_context *context, struct outcome *o,
                               double *room, struct err *e)
{
    struct fade f = {0};
    struct budget b;
    struct err why;
    size_t first = 0;
    double pushes_n, slope_n;
    char p_text[24];
    enum err_code code = find_fade(w, true, &f, &why);
    if (code == ERR_MEMORY && e != NULL)
        *e = why;
    if (code == ERR_OK && 2 * f.n > w->grip) {
        find_levels(&f, w->stretches, w->stretch_count, room);
        while (w->stretches[first].used == 0)
            first++;
        double start_n = level_at(&w->stretches[first], &f, w->stretches[first].from_m, &pushes_n, &slope_n);
        struct quantity q = loss_n_per_m(w, &f, start_n, context, &b);
        code = outcome_add(o, "onset_fade_n_per_m", "", "slip onset lost per metre fed", "N/m", &q, &b, false,
                           e);
        write_p(f.trend.p_value, p_text, sizeof p_text);
        outcome_say(o, "the slip onset %s (Kendall's test over %zu pushes: %s)",
                    f.trend.p_value >= 1 - CONFIDENCE ? "shows no trend"
                    : f.trend.slope < 0               ? "falls likewise"
                                                      : "rises",
                    f.n, p_text);
    }
    free_fade(&f);
    return code == ERR_NO_ANSWER ? ERR_OK : code;
}

static enum err_code answer(struct pushes *w, const struct bench_test_context *context, struct outcome *o,
                            struct err *e)
{
    struct fade f = {0};
    double *room = malloc((w->count + 1) * sizeof *room);
    enum err_code code = room == NULL ? err_set(e, ERR_MEMORY, "not enough memory for %zu pushes", w->count)
                                      : find_fade(w, false, &f, e);
    if (code == ERR_OK) {
        o->used_count = f.n;
        find_levels(&f, w->stretches, w->stretch_count, room);
        if (!(f.degrees_of_freedom > 0))
            code = err_set(e, ERR_NO_ANSWER, "%zu pushes that tell of grip are too few for %zu stretches",
                           f.n, f.trend.groups);
    }
    if (code == ERR_OK) {
        struct budget b;
        size_t first = 0;
        double pushes_n, slope_n;
        while (w->stretches[first].used == 0)
            first++;
        double start_n = level_at(&w->stretches[first], &f, w->stretches[first].from_m, &pushes_n, &slope_n);
        struct quantity loss = loss_n_per_m(w, &f, start_n, context, &b);
        say_finding(&f, &loss, o);
        say_trend(w, &f, o);
        warn(w, o);
        code = draw(w, &f, o, e);
    }
    if (code == ERR_OK)
        code = add_quantities(w, &f, context, o, e);
    free_fade(&f);
    if (code == ERR_OK)
        code = add_onset(w, context, o, room, e);
    free(room);
    return code;
}

enum err_code endurance_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e)
{
    struct pushes w = {.runs = runs, .count = count};
    enum err_code code;
    count_limits(&w);
    if (w.with_stall == 0)
        return err_set(e, ERR_NO_ANSWER, "none of the %zu pushes has a stall force", count);
    if (2 * w.motor > w.with_stall)
        return err_set(
            e, ERR_NO_ANSWER,
            "%zu of %zu pushes were limited by the motor: the grip was not reached (it is at least %.3g N), "
            "and nothing can be said of its fade",
            w.motor, w.with_stall, w.motor_least_n);
    if (w.grip < PUSHES_LEAST)
        return err_set(e, ERR_NO_ANSWER, "%zu of %zu pushes were limited by grip: too few to tell a fade",
                       w.grip, w.with_stall);
    w.fed_m = malloc(count * sizeof *w.fed_m);
    w.stretch = malloc(count * sizeof *w.stretch);
    w.stretches = calloc(count, sizeof *w.stretches);
    if (w.fed_m == NULL || w.stretch == NULL || w.stretches == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory for %zu pushes", count);
    } else {
        lay_out(&w);
        code = answer(&w, context, outcome, e);
    }
    free(w.fed_m);
    free(w.stretch);
    free(w.stretches);
    return code;
}
