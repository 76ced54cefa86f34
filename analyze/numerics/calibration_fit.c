#include "analyze/numerics/calibration_fit.h"

#include "analyze/numerics/linear_fit.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Significance of the F tests. */
static const double SIGNIFICANT = 0.05;
/* Scatter below this share of the readings is rounding: nothing is tested against it. */
static const double ROUNDING = 1e-12;

struct work {
    const struct calibration_readings *r;
    size_t *groups, loads;
    double *load, *mean, *variance; /* per load: N, counts, (N)^2 of the load itself */
    double *members;
    double *weights;        /* per load */
    double replication_sum; /* squares of readings about their load's mean */
    double largest_reading;
    double zero_or_nothing; /* loads below this are no load */
    struct linear_fit line; /* ordinary, straight */
};

static int direction_of(const struct calibration_readings *r, size_t i)
{
    return r->direction != NULL ? r->direction[i] : 1;
}

static int cycle_of(const struct calibration_readings *r, size_t i)
{
    return r->cycle != NULL ? r->cycle[i] : 1;
}

static void collect_loads(struct work *w)
{
    const struct calibration_readings *r = w->r;
    double greatest = 0;
    for (size_t i = 0; i < r->n; i++) {
        size_t g = w->groups[i];
        double u = r->load_standard_uncertainty_n != NULL ? r->load_standard_uncertainty_n[i] : 0;
        if (w->members[g] == 0) {
            w->load[g] = r->load_n[i];
            w->mean[g] = r->reading_counts[i];
        }
        w->members[g]++;
        w->variance[g] = fmax(w->variance[g], u * u);
        greatest = fmax(greatest, fabs(r->load_n[i]));
        w->largest_reading = fmax(w->largest_reading, fabs(r->reading_counts[i]));
    }
    w->zero_or_nothing = CALIBRATION_CHECK_SAME_LOAD * greatest;
    /* Means by differences from each load's first reading, which costs no digits. */
    for (size_t g = 0; g < w->loads; g++) {
        long double sum = 0, square = 0;
        for (size_t i = 0; i < r->n; i++) {
            if (w->groups[i] == g) {
                long double distance = (long double)r->reading_counts[i] - w->mean[g];
                sum += distance;
                square += distance * distance;
            }
        }
        w->mean[g] += (double)(sum / w->members[g]);
        w->replication_sum += (double)fmaxl(0, square - sum * sum / w->members[g]);
    }
}

/* Weighted sum of squares of all readings for a scatter s of one reading, and the fit that belongs to it. */
static enum err_code fit_weighted(struct work *w, int degree, double s, struct linear_fit *f, double *sum,
                                  struct err *e)
{
    enum err_code code;
    for (size_t g = 0; g < w->loads; g++)
        w->weights[g] =
            1 / (s * s / w->members[g] + w->line.coefficients[1] * w->line.coefficients[1] * w->variance[g]);
    code = linear_fit_polynomial(w->load, w->mean, w->weights, w->loads, degree, true, true, f, e);
    if (code == ERR_OK)
        *sum = f->residual_sum + w->replication_sum / (s * s);
    return code;
}

/* Fit of one degree. residual_sd of f is the scatter of one reading in both cases. */
static enum err_code fit_degree(struct work *w, int degree, struct linear_fit *f, bool *weighted,
                                struct err *e)
{
    const struct calibration_readings *r = w->r;
    double degrees, low, high, sum;
    enum err_code code =
        linear_fit_polynomial(r->load_n, r->reading_counts, NULL, r->n, degree, true, false, f, e);
    *weighted = false;
    if (code != ERR_OK)
        return code;
    if (!(f->degrees_of_freedom > 0))
        return err_set(e, ERR_NO_ANSWER,
                       "%zu readings for %d coefficients leave nothing to tell the scatter by: weigh more "
                       "loads, or the same ones again",
                       r->n, degree + 1);
    for (size_t g = 0; g < w->loads; g++)
        *weighted = *weighted || w->variance[g] > 0;
    if (!*weighted || !(f->residual_sd > ROUNDING * w->largest_reading)) {
        *weighted = false;
        return ERR_OK;
    }
    degrees = f->degrees_of_freedom;
    high = f->residual_sd;
    low = high * 1e-6; /* the loads' own uncertainty explains it all */
    for (int i = 0; i < 60; i++) {
        double middle = sqrt(low * high);
        code = fit_weighted(w, degree, middle, f, &sum, e);
        if (code != ERR_OK)
            return code;
        if (sum > degrees)
            low = middle;
        else
            high = middle;
    }
    f->n = r->n;
    f->degrees_of_freedom = degrees;
    f->residual_sd = high;
    return ERR_OK;
}

static struct calibration_test f_test(double f, double numerator, double denominator)
{
    struct calibration_test t = {
        .f = f, .numerator_degrees_of_freedom = numerator, .denominator_degrees_of_freedom = denominator};
    t.present = isfinite(f) && f >= 0;
    if (t.present)
        t.p_value = gsl_cdf_fdist_Q(f, numerator, denominator);
    return t;
}

/* F test of the last coefficient: the square of its t. Absent when there is no scatter to test against. */
static struct calibration_test last_term_test(const struct linear_fit *f)
{
    double t = f->coefficients[f->p - 1] / f->standard_errors[f->p - 1];
    return f_test(t * t, 1, f->degrees_of_freedom);
}

/* Whether a curve of degree 2 rises, or falls, over the whole range. */
static bool keeps_direction(const double *coefficients, const struct calibration_fit *fit)
{
    double first = coefficients[1] + 2 * coefficients[2] * fit->load_low_n;
    double last = coefficients[1] + 2 * coefficients[2] * fit->load_high_n;
    return first * last > 0;
}

static enum err_code choose_degree(struct work *w, int asked, struct linear_fit *chosen, int *degree,
                                   struct calibration_fit *fit, struct err *e)
{
    struct linear_fit curve;
    bool curve_weighted, exact_line = w->line.residual_sd <= ROUNDING * w->largest_reading;
    enum err_code code;
    *degree = asked;
    if (w->loads >= 4 && w->r->n > 3 && !exact_line) {
        code = fit_degree(w, 2, &curve, &curve_weighted, e);
        if (code != ERR_OK)
            return code;
        fit->curvature = last_term_test(&curve);
        /* A curve that leaves no scatter at all, where the line does, is wanted though no F can be given. */
        if (asked == CALIBRATION_FIT_DEGREE_AUTO)
            *degree = (!fit->curvature.present || fit->curvature.p_value < SIGNIFICANT) &&
                              keeps_direction(curve.coefficients, fit)
                          ? 2
                          : 1;
    } else if (asked == CALIBRATION_FIT_DEGREE_AUTO) {
        *degree = 1;
    }
    return fit_degree(w, *degree, chosen, &fit->weighted, e);
}

static void test_lack_of_fit(const struct work *w, struct calibration_fit *fit)
{
    const struct calibration_readings *r = w->r;
    double pure = (double)(r->n - w->loads), lack = (double)w->loads - (double)(fit->degree + 1);
    long double sum = 0;
    if (!(pure > 0))
        return;
    fit->replicated = true;
    fit->replication_degrees_of_freedom = pure;
    fit->replication_sd = sqrt(w->replication_sum / pure);
    if (!(lack > 0) || !(fit->replication_sd > ROUNDING * w->largest_reading))
        return;
    for (size_t g = 0; g < w->loads; g++) {
        long double distance = calibration_fit_residual(fit, w->load[g], w->mean[g]);
        sum += w->members[g] * distance * distance;
    }
    fit->lack_of_fit = f_test((double)sum / lack / (w->replication_sum / pure), lack, pure);
}

static void consider(struct calibration_characteristic *c, const struct calibration_fit *fit, double counts,
                     double load_n)
{
    double percent = 100 * counts / fit->full_scale_counts;
    if (c->present && fabs(percent) <= fabs(c->percent))
        return;
    c->present = true;
    c->percent = percent;
    c->load_n = load_n;
}

static bool is_zero(const struct work *w, size_t i)
{
    return fabs(w->r->load_n[i]) <= w->zero_or_nothing;
}

/* First reading without load of the cycle of reading i, which is where its deflections start; n: none. */
static size_t zero_of(const struct work *w, size_t i)
{
    size_t j = 0;
    while (j < w->r->n && (cycle_of(w->r, j) != cycle_of(w->r, i) || !is_zero(w, j)))
        j++;
    return j;
}

/* Spread over the runs up of readings at one load, as deflections where every cycle has its zero. */
static void find_repeatability(const struct work *w, bool deflections, struct calibration_fit *fit)
{
    const struct calibration_readings *r = w->r;
    for (size_t g = 0; g < w->loads; g++) {
        double low = INFINITY, high = -INFINITY;
        size_t count = 0;
        for (size_t i = 0; i < r->n; i++) {
            double value;
            if (w->groups[i] != g || direction_of(r, i) < 0 || is_zero(w, i))
                continue;
            value = r->reading_counts[i] - (deflections ? r->reading_counts[zero_of(w, i)] : 0);
            low = fmin(low, value);
            high = fmax(high, value);
            count++;
        }
        if (count > 1)
            consider(&fit->repeatability, fit, high - low, w->load[g]);
    }
}

static void find_hysteresis(const struct work *w, struct calibration_fit *fit)
{
    const struct calibration_readings *r = w->r;
    for (size_t g = 0; g < w->loads; g++) {
        double total = 0, cycles = 0;
        for (size_t first = 0; first < r->n; first++) {
            double up = 0, down = 0, ups = 0, downs = 0;
            bool seen = false;
            if (w->groups[first] != g || is_zero(w, first))
                continue;
            for (size_t i = 0; i < r->n; i++) {
                if (w->groups[i] != g || cycle_of(r, i) != cycle_of(r, first))
                    continue;
                seen = seen || i < first; /* this cycle was counted already */
                if (direction_of(r, i) > 0) {
                    up += r->reading_counts[i];
                    ups++;
                } else {
                    down += r->reading_counts[i];
                    downs++;
                }
            }
            if (!seen && ups > 0 && downs > 0) {
                total += down / downs - up / ups;
                cycles++;
            }
        }
        if (cycles > 0)
            consider(&fit->hysteresis, fit, total / cycles, w->load[g]);
    }
}

static void find_zero_return(const struct work *w, struct calibration_fit *fit)
{
    const struct calibration_readings *r = w->r;
    for (size_t i = 0; i < r->n; i++) {
        bool last = is_zero(w, i) && zero_of(w, i) != i;
        for (size_t j = i + 1; j < r->n && last; j++)
            last = !is_zero(w, j) || cycle_of(r, j) != cycle_of(r, i);
        if (last)
            consider(&fit->zero_return, fit, r->reading_counts[i] - r->reading_counts[zero_of(w, i)], 0);
    }
}

static void find_characteristics(const struct work *w, struct calibration_fit *fit)
{
    const struct calibration_readings *r = w->r;
    double far = fabs(fit->load_low_n) > fabs(fit->load_high_n) ? fit->load_low_n : fit->load_high_n;
    bool deflections = true;
    fit->full_scale_counts = fabs(calibration_fit_reading(fit, far, NULL) - fit->coefficients[0]);
    if (!(fit->full_scale_counts > 0))
        return;
    for (size_t i = 0; i < r->n; i++)
        deflections = deflections && zero_of(w, i) < r->n;
    find_repeatability(w, deflections, fit);
    find_hysteresis(w, fit);
    find_zero_return(w, fit);
    for (size_t g = 0; g < w->loads; g++) {
        double line = w->line.coefficients[0] + w->line.coefficients[1] * w->load[g];
        consider(&fit->non_linearity, fit, w->mean[g] - line, w->load[g]);
        consider(&fit->interpolation, fit, calibration_fit_residual(fit, w->load[g], w->mean[g]), w->load[g]);
    }
}

static double slope_at(const struct calibration_fit *fit, double load_n)
{
    return fit->coefficients[1] + 2 * fit->coefficients[2] * load_n;
}

static enum err_code check_slope(const struct work *w, const struct calibration_fit *fit, struct err *e)
{
    struct calibration_test follows = last_term_test(&w->line);
    if (follows.present && follows.p_value > SIGNIFICANT &&
        !(fit->degree == 2 && fit->curvature.p_value < SIGNIFICANT))
        return err_set(
            e, ERR_NO_ANSWER,
            "the readings do not follow the load: a slope of %.4g per newton is not told from none. "
            "Check that the weights hang on the load cell and weigh again",
            w->line.coefficients[1]);
    if (!keeps_direction(fit->coefficients, fit))
        return err_set(
            e, ERR_NO_ANSWER,
            "the fitted curve turns round within %g to %g N, so a reading would mean two loads: fit "
            "degree 1, or weigh more loads",
            fit->load_low_n, fit->load_high_n);
    return ERR_OK;
}

static enum err_code fit_all(struct work *w, int degree, struct calibration_fit *fit, struct err *e)
{
    const struct calibration_readings *r = w->r;
    struct linear_fit chosen;
    enum err_code code =
        linear_fit_polynomial(r->load_n, r->reading_counts, NULL, r->n, 1, true, false, &w->line, e);
    fit->load_low_n = fit->load_high_n = r->load_n[0];
    for (size_t i = 0; i < r->n; i++) {
        fit->load_low_n = fmin(fit->load_low_n, r->load_n[i]);
        fit->load_high_n = fmax(fit->load_high_n, r->load_n[i]);
    }
    if (code == ERR_OK)
        code = choose_degree(w, degree, &chosen, &fit->degree, fit, e);
    if (code != ERR_OK)
        return code;
    fit->n = r->n;
    fit->loads = w->loads;
    fit->residual_sd = chosen.residual_sd;
    fit->degrees_of_freedom = chosen.degrees_of_freedom;
    for (size_t i = 0; i < chosen.p; i++) {
        fit->coefficients[i] = chosen.coefficients[i];
        fit->standard_errors[i] = chosen.standard_errors[i];
        memcpy(fit->covariance[i], chosen.covariance[i], chosen.p * sizeof *fit->covariance[i]);
    }
    test_lack_of_fit(w, fit);
    find_characteristics(w, fit);
    return check_slope(w, fit, e);
}

enum err_code calibration_fit(const struct calibration_readings *readings, int degree,
                              struct calibration_fit *fit, struct err *e)
{
    struct work w;
    enum err_code code;
    memset(fit, 0, sizeof *fit);
    memset(&w, 0, sizeof w);
    if (degree < 0 || degree > CALIBRATION_FIT_DEGREE_MAX)
        return err_set(e, ERR_CALLER, "a calibration has degree 1 or 2, not %d", degree);
    code = calibration_check(readings, e);
    if (code != ERR_OK)
        return code;
    w.r = readings;
    w.groups = calloc(readings->n, sizeof *w.groups);
    w.load = calloc(readings->n, sizeof *w.load);
    w.mean = calloc(readings->n, sizeof *w.mean);
    w.variance = calloc(readings->n, sizeof *w.variance);
    w.members = calloc(readings->n, sizeof *w.members);
    w.weights = calloc(readings->n, sizeof *w.weights);
    if (w.groups == NULL || w.load == NULL || w.mean == NULL || w.variance == NULL || w.members == NULL ||
        w.weights == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory to fit %zu readings", readings->n);
    } else {
        calibration_check_group(readings, w.groups, &w.loads);
        collect_loads(&w);
        code = fit_all(&w, degree, fit, e);
    }
    free(w.groups);
    free(w.load);
    free(w.mean);
    free(w.variance);
    free(w.members);
    free(w.weights);
    return code;
}

double calibration_fit_reading(const struct calibration_fit *fit, double load_n, double *standard_uncertainty)
{
    long double power[CALIBRATION_FIT_DEGREE_MAX + 1] = {1, load_n, (long double)load_n * load_n};
    long double value = 0, variance = 0;
    for (int i = 0; i <= fit->degree; i++) {
        value += power[i] * fit->coefficients[i];
        for (int j = 0; j <= fit->degree; j++)
            variance += power[i] * power[j] * fit->covariance[i][j];
    }
    if (standard_uncertainty != NULL)
        *standard_uncertainty = (double)sqrtl(fmaxl(0, variance));
    return (double)value;
}

double calibration_fit_residual(const struct calibration_fit *fit, double load_n, double reading_counts)
{
    return reading_counts - calibration_fit_reading(fit, load_n, NULL);
}

/* The load on the branch of the curve that the calibrated range is on; false: none. */
static bool solve_load(const struct calibration_fit *fit, double reading_counts, double *load_n)
{
    const double *c = fit->coefficients;
    double sign = copysign(1, slope_at(fit, fit->load_low_n / 2 + fit->load_high_n / 2));
    double root = c[1] * c[1] - 4 * c[2] * (c[0] - reading_counts);
    if (!(root > 0))
        return false;
    root = sign * sqrt(root); /* the slope there */
    *load_n = c[1] * sign > 0 ? 2 * (reading_counts - c[0]) / (c[1] + root) : (root - c[1]) / (2 * c[2]);
    return isfinite(*load_n);
}

/* Distance of the reading above the band's edge at a load: edge +1 the upper, -1 the lower. */
static double above_edge(const struct calibration_fit *fit, double load_n, double reading_counts,
                         double averaged, double edge)
{
    double u, value = calibration_fit_reading(fit, load_n, &u);
    return reading_counts - value -
           edge * quantity_t_975(fit->degrees_of_freedom) * hypot(u, fit->residual_sd / sqrt(averaged));
}

/* Where the band's edge meets the reading, on the given side of the load (+1: greater loads), by bisection.
 */
static bool solve_edge(const struct calibration_fit *fit, double load_n, double reading_counts,
                       double averaged, double side, double step, double *end_n)
{
    double slope = slope_at(fit, load_n), edge = side * slope > 0 ? -1 : 1, inside = load_n, outside = load_n;
    for (int i = 0; i < 60; i++, step *= 2) {
        outside = load_n + side * step;
        if (!isfinite(outside) || !(slope_at(fit, outside) * slope > 0))
            return false;
        /* At the load itself the reading is above the lower edge and below the upper one. */
        if (!(-edge * above_edge(fit, outside, reading_counts, averaged, edge) > 0))
            break;
        inside = outside;
        if (i == 59)
            return false;
    }
    for (int i = 0; i < 200; i++) {
        double middle = inside / 2 + outside / 2;
        if (middle == inside || middle == outside)
            break;
        if (-edge * above_edge(fit, middle, reading_counts, averaged, edge) > 0)
            inside = middle;
        else
            outside = middle;
    }
    *end_n = outside;
    return true;
}

enum err_code calibration_fit_load(const struct calibration_fit *fit, double reading_counts, double averaged,
                                   struct quantity *load_n, bool *beyond_range, struct err *e)
{
    double value, u, standard, low, high;
    *load_n = quantity_absent();
    if (!isfinite(reading_counts) || !(averaged > 0))
        return err_set(e, ERR_CALLER, "a reading of %g, mean of %g, is no reading", reading_counts, averaged);
    if (!solve_load(fit, reading_counts, &value))
        return err_set(e, ERR_NO_ANSWER,
                       "no load has a reading of %.10g by this calibration, which was made for %g to %g N",
                       reading_counts, fit->load_low_n, fit->load_high_n);
    calibration_fit_reading(fit, value, &u);
    standard = hypot(u, fit->residual_sd / sqrt(averaged)) / fabs(slope_at(fit, value));
    *load_n = quantity_from(value, standard, fit->degrees_of_freedom, fit->n);
    if (beyond_range != NULL)
        *beyond_range = value < fit->load_low_n || value > fit->load_high_n;
    if (!load_n->present || standard == 0)
        return load_n->present
                   ? ERR_OK
                   : err_set(e, ERR_NO_ANSWER, "the load for a reading of %.10g has no uncertainty",
                             reading_counts);
    if (!solve_edge(fit, value, reading_counts, averaged, -1, standard, &low) ||
        !solve_edge(fit, value, reading_counts, averaged, 1, standard, &high)) {
        *load_n = quantity_absent();
        return err_set(
            e, ERR_NO_ANSWER,
            "a reading of %.10g gives %g N, but with no limit to how far off that may be: weigh more "
            "loads, or nearer to it",
            reading_counts, value);
    }
    load_n->low_95 = low;
    load_n->high_95 = high;
    return ERR_OK;
}
