/* How a wrong load is found. Each candidate, a single reading or all readings of one load, is left out of the
 * least-squares fit in turn; that takes one fit, because what remains follows from residuals and leverage
 * (Cook and Weisberg, Residuals and Influence in Regression, 2.2, from memory). The candidate without which
 * the rest agrees best is taken out, up to REMOVED_MAX times, and whatever was taken out is then held against
 * the rest. It is called wrong only if it is far off by three measures: against the scatter of the rest, in
 * newtons, and, for a straight line, only if no curve, through all readings or through all but some others,
 * explains them better. */
#include "analyze/numerics/calibration_outlier.h"

#include "analyze/numerics/linear_fit.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { REMOVED_MAX = 3 };

/* Off by this share of the greatest load, or by this share of itself provided it is more than a small share
 * of the greatest: a slip of the pen, and more than any load cell's non-linearity. */
static const double GROSS_OF_RANGE = 0.02, GROSS_OF_LOAD = 0.1, SMALL_OF_RANGE = 0.002;
/* Off beyond any doubt, whatever the statistics say; and for three loads, which have little to say. */
static const double BLATANT_OF_RANGE = 0.2, GROSS_OF_THREE = 0.05;
/* Least distance in standard deviations, and the false alarms that Student's t may cause in one calibration.
 */
static const double LEAST_T = 8, FALSE_ALARM = 0.005;
/* Scatter below this share of the readings' range is not believed: few points agree by chance. */
static const double LEAST_SCATTER = 1e-4;
/* A curve through all readings does, where leaving some out of a line makes the variance smaller by no more
 * than this: at the ends of a bent line the two are hard to tell apart, and nobody's calibration is to be
 * refused for being bent. */
static const double CURVE_ENOUGH = 4;
/* Chance at which a curve is believed over a line. */
static const double CURVE_WANTED = 0.001;

struct work {
    const struct calibration_readings *r;
    const size_t *groups;
    size_t loads;
    bool *removed;
    size_t *members;  /* kept readings per load */
    double *residual; /* 0 where removed */
    double *leverage;
    double *x, *y; /* kept readings, for the solver */
    double load_range, reading_range;
    struct linear_fit fit; /* in (load - centre) / half */
    double centre, half;
};

struct suspect {
    bool whole_load; /* all readings of the load; else one reading */
    size_t reading;  /* the (first) reading */
    size_t group;
    double rest_variance; /* of the fit without it */
};

/* What was taken out for one degree, and how well the rest then agrees. */
struct explanation {
    int degree;
    bool wrong; /* all that was taken out is far off the rest */
    size_t count;
    struct suspect suspects[REMOVED_MAX];
    double variance, degrees_of_freedom; /* of the rest */
};

/* Fit the kept readings; residuals and leverages of the kept, and how many there are per load. */
static enum err_code fit_kept(struct work *w, int degree, struct err *e)
{
    const struct calibration_readings *r = w->r;
    size_t kept = 0;
    double low = INFINITY, high = -INFINITY;
    enum err_code code;
    for (size_t i = 0; i < r->n; i++) {
        if (!w->removed[i]) {
            low = fmin(low, r->load_n[i]);
            high = fmax(high, r->load_n[i]);
        }
    }
    w->centre = low / 2 + high / 2;
    w->half = high / 2 - low / 2;
    memset(w->members, 0, w->loads * sizeof *w->members);
    for (size_t i = 0; i < r->n; i++) {
        if (w->removed[i])
            continue;
        w->members[w->groups[i]]++;
        w->x[kept] = (r->load_n[i] - w->centre) / w->half;
        w->y[kept++] = r->reading_counts[i];
    }
    code = linear_fit_polynomial(w->x, w->y, NULL, kept, degree, true, true, &w->fit, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < r->n; i++) {
        double x = (r->load_n[i] - w->centre) / w->half, power[3] = {1, x, x * x}, value = 0;
        w->leverage[i] = 0;
        for (size_t j = 0; j < w->fit.p; j++) {
            value += w->fit.coefficients[j] * power[j];
            for (size_t k = 0; k < w->fit.p; k++)
                w->leverage[i] += power[j] * power[k] * w->fit.covariance[j][k];
        }
        w->residual[i] = r->reading_counts[i] - value;
    }
    return ERR_OK;
}

/* Variance about the fit without m readings of one load whose residuals sum to `sum` and squares to `square`;
 * INFINITY when nothing would be left to judge by. The scatter of perfect agreement counts as 0. */
static double variance_without(const struct work *w, double m, double sum, double square, double leverage)
{
    double left = (double)w->fit.n - (double)w->fit.p - m, rest = 1 - m * leverage;
    if (left < 1 || rest < 1e-9)
        return INFINITY;
    return fmax(0, w->fit.residual_sum - square - leverage * sum * sum / rest) / left;
}

/* The candidate whose removal leaves the least scatter: a whole load, or one reading if that does nearly as
 * well. */
static bool find_suspect(const struct work *w, struct suspect *s)
{
    const double nearly = 2.25; /* 1.5 in standard deviations */
    const struct calibration_readings *r = w->r;
    struct suspect one = {.rest_variance = INFINITY}, whole = {.whole_load = true, .rest_variance = INFINITY};
    for (size_t i = 0; i < r->n; i++) {
        double e = w->residual[i], sum = 0, square = 0, variance;
        size_t first = i;
        if (w->removed[i])
            continue;
        variance = variance_without(w, 1, e, e * e, w->leverage[i]);
        if (variance < one.rest_variance) {
            one.rest_variance = variance;
            one.reading = i;
            one.group = w->groups[i];
        }
        for (size_t j = 0; j < r->n; j++) {
            if (w->groups[j] == w->groups[i] && !w->removed[j]) {
                first = j < first ? j : first;
                sum += w->residual[j];
                square += w->residual[j] * w->residual[j];
            }
        }
        if (first != i || w->members[w->groups[i]] < 2)
            continue;
        variance = variance_without(w, (double)w->members[w->groups[i]], sum, square, w->leverage[i]);
        if (variance < whole.rest_variance) {
            whole.rest_variance = variance;
            whole.reading = i;
            whole.group = w->groups[i];
        }
    }
    *s = one.rest_variance <= nearly * whole.rest_variance ? one : whole;
    return isfinite(s->rest_variance);
}

/* How far off a suspect is, by the fit without it. */
struct offence {
    double mean, expected; /* readings */
    double load_n, load_by_reading_n;
    double t;
};

static struct offence offence_of(const struct work *w, const struct suspect *s)
{
    const struct calibration_readings *r = w->r;
    const struct linear_fit *f = &w->fit;
    struct offence o = {.load_n = r->load_n[s->reading]};
    double scatter = f->degrees_of_freedom > 0 ? f->residual_sd : 0, count = 0, x, slope;
    for (size_t i = 0; i < r->n; i++) {
        if (i == s->reading || (s->whole_load && w->groups[i] == s->group)) {
            o.mean += r->reading_counts[i];
            count++;
        }
    }
    o.mean /= count;
    o.expected = r->reading_counts[s->reading] - w->residual[s->reading];
    scatter = fmax(scatter, LEAST_SCATTER * w->reading_range);
    o.t = fabs(o.mean - o.expected) / scatter / sqrt(1 / count + w->leverage[s->reading]);
    /* The load that the reading belongs to, by the branch of the curve that the other loads are on. */
    x = 0;
    for (int i = 0; i < 20; i++) {
        double value =
            f->coefficients[0] + f->coefficients[1] * x + (f->p > 2 ? f->coefficients[2] * x * x : 0);
        slope = f->coefficients[1] + (f->p > 2 ? 2 * f->coefficients[2] * x : 0);
        if (!(slope * f->coefficients[1] > 0))
            break;
        x += (o.mean - value) / slope;
    }
    o.load_by_reading_n = w->centre + w->half * x;
    return o;
}

/* What a mistake of this factor usually is. Empty when it is none of the known ones. */
static const char *slip_of(const struct offence *o)
{
    static const struct {
        double factor;
        const char *text;
    } SLIPS[] = {
        {2.2046226218, "a weight in pounds entered as kilograms?"},
        {1 / 2.2046226218, "a weight in kilograms entered as pounds?"},
        {1 / 9.80665, "kilograms entered as newtons?"},
        {9.80665, "newtons multiplied by gravity twice?"},
        {1 / 4.4482216153, "pounds entered as newtons?"},
        {1000, "grams entered as kilograms?"},
        {0.001, "kilograms entered as grams?"},
    };
    double ratio = o->load_n / o->load_by_reading_n;
    for (size_t i = 0; i < sizeof SLIPS / sizeof *SLIPS; i++) {
        if (fabs(ratio / SLIPS[i].factor - 1) < 0.03)
            return SLIPS[i].text;
    }
    return "";
}

static bool is_gross(const struct work *w, const struct offence *o, size_t candidates)
{
    double off = fabs(o->load_n - o->load_by_reading_n), limit = LEAST_T;
    double least = GROSS_OF_RANGE * w->load_range;
    if (o->load_n != 0)
        least = fmin(least, fmax(GROSS_OF_LOAD * fabs(o->load_n), SMALL_OF_RANGE * w->load_range));
    if (off < BLATANT_OF_RANGE * w->load_range && slip_of(o)[0] == '\0')
        limit = fmax(limit, gsl_cdf_tdist_Qinv(FALSE_ALARM / 2 / (double)candidates,
                                               fmax(1, w->fit.degrees_of_freedom)));
    return off > least && o->t > limit;
}

/* "reading 4" or "readings 4, 9 and 14", at most a few of them. */
static void name_readings(const struct work *w, const struct suspect *s, char *text, size_t size)
{
    const size_t most = 6;
    size_t total = 0, named = 0, used;
    for (size_t i = 0; i < w->r->n; i++)
        total += w->groups[i] == s->group;
    if (!s->whole_load || total == 1) {
        snprintf(text, size, "reading %zu", s->reading + 1);
        return;
    }
    used = (size_t)snprintf(text, size, "readings");
    for (size_t i = 0; i < w->r->n && named < most; i++) {
        if (w->groups[i] != s->group)
            continue;
        named++;
        used += (size_t)snprintf(text + used, size - used, "%s %zu",
                                 named == 1       ? ""
                                 : named == total ? " and"
                                                  : ",",
                                 i + 1);
    }
    if (total > most)
        snprintf(text + used, size - used, " ...");
}

static void restore(struct work *w)
{
    memset(w->removed, 0, w->r->n * sizeof *w->removed);
}

static void remove_suspect(struct work *w, const struct suspect *s)
{
    for (size_t i = 0; i < w->r->n; i++) {
        if (i == s->reading || (s->whole_load && w->groups[i] == s->group))
            w->removed[i] = true;
    }
}

static size_t loads_kept(const struct work *w)
{
    size_t count = 0;
    for (size_t g = 0; g < w->loads; g++) {
        size_t i = 0;
        while (i < w->r->n && (w->removed[i] || w->groups[i] != g))
            i++;
        count += i < w->r->n;
    }
    return count;
}

static enum err_code report_suspects(struct work *w, const struct explanation *x, struct err *e)
{
    char text[640];
    size_t used = 0;
    enum err_code code;
    restore(w);
    for (size_t k = 0; k < x->count; k++)
        remove_suspect(w, &x->suspects[k]);
    code = fit_kept(w, x->degree, e);
    if (code != ERR_OK)
        return code;
    for (size_t k = 0; k < x->count && used < sizeof text; k++) {
        struct offence o = offence_of(w, &x->suspects[k]);
        char names[96];
        name_readings(w, &x->suspects[k], names, sizeof names);
        used += (size_t)snprintf(
            text + used, sizeof text - used,
            "%s%s: a load of %.6g N, but by the other weights %.6g belongs to %.4g N (factor "
            "%.4g%s%s)",
            k > 0 ? "; " : "", names, o.load_n, o.mean, o.load_by_reading_n, o.load_n / o.load_by_reading_n,
            slip_of(&o)[0] != '\0' ? ": " : "", slip_of(&o));
    }
    return err_set(e, ERR_FILE, "%s: correct load_n, or take the row%s out, or weigh again", text,
                   x->count > 1 || x->suspects[0].whole_load ? "s" : "");
}

/* Variance about the fit; what is below LEAST_SCATTER counts as that. */
static double variance_of(const struct work *w)
{
    double least = LEAST_SCATTER * w->reading_range;
    return fmax(w->fit.residual_sd * w->fit.residual_sd, least * least);
}

/* Take out suspects one by one until what was taken out is far off what is left. */
static enum err_code explain(struct work *w, int degree, struct explanation *x, struct err *e)
{
    memset(x, 0, sizeof *x);
    x->degree = degree;
    restore(w);
    while (x->count < REMOVED_MAX && !x->wrong) {
        size_t gross = 0;
        enum err_code code = fit_kept(w, degree, e);
        if (code != ERR_OK)
            return code;
        if (!find_suspect(w, &x->suspects[x->count]))
            break;
        remove_suspect(w, &x->suspects[x->count++]);
        /* The rest must still be able to contradict the fit. */
        if (loads_kept(w) < (size_t)degree + 2)
            break;
        code = fit_kept(w, degree, e);
        if (code != ERR_OK)
            return code;
        for (size_t k = 0; k < x->count; k++) {
            struct offence o = offence_of(w, &x->suspects[k]);
            gross += is_gross(w, &o, w->r->n + w->loads);
        }
        x->wrong = gross == x->count && w->fit.degrees_of_freedom > 0;
        x->variance = variance_of(w);
        x->degrees_of_freedom = w->fit.degrees_of_freedom;
    }
    return ERR_OK;
}

/* Whether the rest of the line scatters more than that of the curve, beyond chance. */
static bool curve_is_better(const struct explanation *line, double variance, double degrees_of_freedom)
{
    return degrees_of_freedom > 0 && gsl_cdf_fdist_Q(line->variance / variance, line->degrees_of_freedom,
                                                     degrees_of_freedom) < CURVE_WANTED;
}

static enum err_code check_many(struct work *w, struct err *e)
{
    struct explanation line, curve = {.degree = 2};
    bool curved;
    enum err_code code = explain(w, 1, &line, e);
    if (code == ERR_OK && w->loads > 4)
        code = explain(w, 2, &curve, e);
    if (code != ERR_OK)
        return code;
    if (line.wrong) {
        restore(w);
        code = fit_kept(w, 2, e);
        if (code != ERR_OK)
            return code;
        curved = w->fit.degrees_of_freedom > 0 && variance_of(w) <= CURVE_ENOUGH * line.variance;
        if (curve.wrong && curve_is_better(&line, curve.variance, curve.degrees_of_freedom))
            line.wrong = false;
        else if (curved)
            return ERR_OK;
    }
    if (!line.wrong && !curve.wrong)
        return ERR_OK;
    return report_suspects(w, line.wrong ? &line : &curve, e);
}

/* Three loads: leaving any out leaves a line through two, so any may be the wrong one; a load of nothing is
 * trusted, and the factors of known slips point at one. */
static enum err_code check_three(struct work *w, struct err *e)
{
    char text[400] = "";
    size_t used = 0;
    bool off_line = false;
    enum err_code code;
    for (size_t g = 0; g < 3; g++) {
        struct suspect s = {.whole_load = true, .group = g};
        struct offence o;
        while (w->groups[s.reading] != g)
            s.reading++;
        restore(w);
        remove_suspect(w, &s);
        code = fit_kept(w, 1, e);
        if (code != ERR_OK)
            return code;
        o = offence_of(w, &s);
        if (!(o.t > LEAST_T) || fabs(o.load_n - o.load_by_reading_n) < GROSS_OF_THREE * w->load_range)
            return ERR_OK;
        off_line = true;
        if (o.load_n != 0 && slip_of(&o)[0] != '\0' && used < sizeof text) {
            char names[96];
            name_readings(w, &s, names, sizeof names);
            used += (size_t)snprintf(text + used, sizeof text - used,
                                     "; %s, %.6g N, would fit as %.4g N (factor %.4g: %s)", names, o.load_n,
                                     o.load_by_reading_n, o.load_n / o.load_by_reading_n, slip_of(&o));
        }
    }
    return off_line
               ? err_set(e, ERR_NO_ANSWER,
                         "the 3 loads are far off a straight line, so one is wrong%s: check load_n, or weigh "
                         "again with more loads, so that the wrong one can be told",
                         text)
               : ERR_OK;
}

enum err_code calibration_outlier(const struct calibration_readings *readings, const size_t *groups,
                                  size_t loads, struct err *e)
{
    struct work w;
    size_t n = readings->n;
    double low = INFINITY, high = -INFINITY, reading_low = INFINITY, reading_high = -INFINITY;
    enum err_code code = ERR_OK;
    if (loads < 3)
        return err_set(e, ERR_CALLER, "%zu loads cannot be held against each other", loads);
    memset(&w, 0, sizeof w);
    w.r = readings;
    w.groups = groups;
    w.loads = loads;
    for (size_t i = 0; i < n; i++) {
        low = fmin(low, readings->load_n[i]);
        high = fmax(high, readings->load_n[i]);
        reading_low = fmin(reading_low, readings->reading_counts[i]);
        reading_high = fmax(reading_high, readings->reading_counts[i]);
    }
    w.load_range = high - low;
    w.reading_range = reading_high - reading_low;
    w.removed = calloc(n, sizeof *w.removed);
    w.members = calloc(n, sizeof *w.members);
    w.residual = calloc(n, sizeof *w.residual);
    w.leverage = calloc(n, sizeof *w.leverage);
    w.x = calloc(n, sizeof *w.x);
    w.y = calloc(n, sizeof *w.y);
    if (w.removed == NULL || w.members == NULL || w.residual == NULL || w.leverage == NULL || w.x == NULL ||
        w.y == NULL)
        code = err_set(e, ERR_MEMORY, "no memory to check %zu readings", n);
    else
        code = loads == 3 ? check_three(&w, e) : check_many(&w, e);
    free(w.removed);
    free(w.members);
    free(w.residual);
    free(w.leverage);
    free(w.x);
    free(w.y);
    return code;
}
