#include "analyze/numerics/grip_fit.h"

#include "analyze/numerics/censored_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define COLUMNS CENSORED_FIT_COLUMNS_MAX
#define ALL     (COLUMNS + 1)
/* Preloads that differ by less than this share are one step of the ladder. */
#define SAME_PRELOAD 1e-6
/* Different preloads of grip-limited pushes for an intercept or a level; and for both. */
#define SHAPE_LEAST      3u
#define BOTH_SHAPE_LEAST 5u
/* How far outside its gap, as a share of the preload, the knee of a split may fall and still count as in it.
 */
#define KNEE_SLACK 0.03
/* By how much an intercept must better AICc: grip without preload is a strange thing to claim, and with it
 * the coefficient means something else. At 6, noise alone makes one in about 200 fits. */
#define INTERCEPT_GAIN 6.0
/* And a level: every gap of the ladder is tried for its beginning, so that noise has several chances. At 4,
 * noise alone makes one in about 50 fits. */
#define LEVEL_GAIN 4.0

/* One fitted shape of the grip. */
struct shape {
    bool fitted, intercept, level;
    size_t p, exact;
    double theta[COLUMNS], covariance[COLUMNS][COLUMNS], sigma, aicc;
};

struct room {
    double *columns, *y;
    bool *at_least;
    double *knots; /* different preloads of exact points, rising */
    size_t knot_count;
};

static int by_size(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

/* Covariance of the p coefficients: inverse of the observed information with the scatter as one more
 * parameter, and the scatter freed of the degrees of freedom that the coefficients take. */
static bool covariance_of(const struct censored_points *points, size_t p, const double *theta, double sigma,
                          size_t exact, double covariance[COLUMNS][COLUMNS])
{
    double information[ALL * ALL] = {0}, inverse[ALL * ALL];
    size_t all = p + 1;
    double factor = (double)exact / (double)(exact - p);
    for (size_t i = 0; i < points->n; i++) {
        const double *x = points->columns + i * COLUMNS;
        double u = points->y[i], slope = 1, cross, last;
        for (size_t j = 0; j < p; j++)
            u -= x[j] * theta[j];
        u /= sigma;
        cross = 2 * u;
        last = 3 * u * u - 1;
        if (points->at_least[i]) {
            double hazard;
            censored_fit_log_survival(u, &hazard, &slope);
            cross = slope * u + hazard;
            last = slope * u * u + 2 * hazard * u;
        }
        for (size_t j = 0; j < p; j++) {
            for (size_t k = 0; k < p; k++)
                information[j * all + k] += slope * x[j] * x[k] / sigma / sigma;
            information[j * all + p] += cross * x[j] / sigma / sigma;
            information[p * all + j] += cross * x[j] / sigma / sigma;
        }
        information[p * all + p] += last / sigma / sigma;
    }
    gsl_matrix_view a = gsl_matrix_view_array(information, all, all);
    gsl_matrix_view b = gsl_matrix_view_array(inverse, all, all);
    if (gsl_linalg_cholesky_decomp1(&a.matrix) != GSL_SUCCESS)
        return false;
    gsl_matrix_memcpy(&b.matrix, &a.matrix);
    if (gsl_linalg_cholesky_invert(&b.matrix) != GSL_SUCCESS)
        return false;
    for (size_t j = 0; j < p; j++) {
        for (size_t k = 0; k < p; k++)
            covariance[j][k] = factor * inverse[j * all + k];
    }
    return true;
}

/* Grip against preload where pushes above split_n are at the level (INFINITY: none is). Each row is divided
 * by about its own force, so that the scatter is relative. */
static void fit_shape(const double *preload_n, const double *stall_n, const enum grip_fit_label *labels,
                      size_t n, bool intercept, double split_n, struct room *r, struct shape *s)
{
    struct censored_points points = {.columns = r->columns, .y = r->y, .at_least = r->at_least, .n = n};
    double log_likelihood, k, scale = r->knots[r->knot_count / 2];
    memset(s, 0, sizeof *s);
    s->intercept = intercept;
    s->level = !isinf(split_n);
    s->p = 1 + (size_t)intercept + (size_t)s->level;
    for (size_t i = 0; i < n; i++) {
        double *x = r->columns + i * COLUMNS, by = fmin(preload_n[i], split_n);
        bool level = preload_n[i] > split_n;
        memset(x, 0, COLUMNS * sizeof *x);
        r->y[i] = stall_n[i] / by;
        r->at_least[i] = labels[i] != GRIP_FIT_GRIP;
        s->exact += !r->at_least[i];
        x[0] = level ? 0 : 1;
        if (intercept)
            x[1] = level ? 0 : scale / by;
        if (s->level)
            x[s->p - 1] = level ? scale / by : 0;
    }
    if (s->exact < s->p + 1 || !censored_fit(&points, s->p, s->theta, &s->sigma, &log_likelihood) ||
        !covariance_of(&points, s->p, s->theta, s->sigma, s->exact, s->covariance))
        return;
    for (size_t j = 1; j < s->p; j++) {
        s->theta[j] *= scale;
        for (size_t l = 0; l < s->p; l++) {
            s->covariance[j][l] *= scale;
            s->covariance[l][j] *= scale;
        }
    }
    /* And the scatter. Where line and level meet is no parameter of its own. */
    k = (double)s->p + 1;
    s->aicc = -2 * log_likelihood + 2 * k + 2 * k * (k + 1) / fmax(0.5, (double)s->exact - k - 1);
    /* Rows are divided by different numbers in different shapes: back to forces. */
    for (size_t i = 0; i < n; i++) {
        if (labels[i] == GRIP_FIT_GRIP)
            s->aicc += 2 * log(fmin(preload_n[i], split_n));
    }
    s->fitted = s->theta[0] > 0;
}

static double level_of(const struct shape *s)
{
    return s->level ? s->theta[s->p - 1] : INFINITY;
}

static double intercept_of(const struct shape *s)
{
    return s->intercept ? s->theta[1] : 0;
}

static void consider(struct shape *best, const struct shape *s)
{
    double gain = 0;
    if (s->intercept && !best->intercept)
        gain += INTERCEPT_GAIN;
    if (s->level && !best->level)
        gain += LEVEL_GAIN;
    if (s->fitted && (!best->fitted || s->aicc < best->aicc - gain))
        *best = *s;
}

/* The one best shape. Shapes without an intercept come first, so that one is kept only where it is clear. */
static struct shape choose_shape(const double *preload_n, const double *stall_n,
                                 const enum grip_fit_label *labels, size_t n, struct room *r)
{
    struct shape best = {0}, s;
    fit_shape(preload_n, stall_n, labels, n, false, INFINITY, r, &best);
    if (r->knot_count < SHAPE_LEAST)
        return best;
    for (int intercept = 0; intercept <= 1; intercept++) {
        size_t first = intercept ? 1 : 0; /* a line with an intercept is not found from one preload */
        fit_shape(preload_n, stall_n, labels, n, intercept, INFINITY, r, &s);
        consider(&best, &s);
        for (size_t k = first; k + 1 < r->knot_count; k++) {
            double knee, low = r->knots[k], high = r->knots[k + 1];
            if (intercept && r->knot_count < BOTH_SHAPE_LEAST)
                break;
            fit_shape(preload_n, stall_n, labels, n, intercept, (low + high) / 2, r, &s);
            if (!s.fitted)
                continue;
            knee = (level_of(&s) - intercept_of(&s)) / s.theta[0];
            if (knee >= low * (1 - KNEE_SLACK) && knee <= high * (1 + KNEE_SLACK))
                consider(&best, &s);
        }
    }
    return best;
}

static struct grip_fit_value value_of(double value, double variance, double degrees)
{
    return (struct grip_fit_value){true, value, sqrt(fmax(0, variance)), degrees};
}

/* The force at which the motor gives way; pushes that something else ended are lower bounds. */
static void fit_motor(const double *stall_n, const enum grip_fit_label *labels, size_t n, struct room *r,
                      struct grip_fit *fit)
{
    struct censored_points points = {.columns = r->columns, .y = r->y, .at_least = r->at_least, .n = n};
    double scale = 0, theta, sigma, unused, covariance[COLUMNS][COLUMNS];
    size_t exact = fit->count[GRIP_FIT_MOTOR];
    if (exact == 0)
        return;
    for (size_t i = 0; i < n; i++) {
        if (labels[i] == GRIP_FIT_MOTOR)
            scale += stall_n[i] / (double)exact;
    }
    /* One push alone says nothing of its scatter: it is taken to be that of the grip. */
    fit->motor_n = (struct grip_fit_value){true, scale, fit->coefficient.found ? fit->grip_sd * scale : NAN,
                                           fit->coefficient.found ? fit->coefficient.degrees_of_freedom : 1};
    if (exact < 2)
        return;
    for (size_t i = 0; i < n; i++) {
        r->columns[i * COLUMNS] = 1;
        r->y[i] = stall_n[i] / scale;
        r->at_least[i] = labels[i] != GRIP_FIT_MOTOR;
    }
    if (censored_fit(&points, 1, &theta, &sigma, &unused) &&
        covariance_of(&points, 1, &theta, sigma, exact, covariance))
        fit->motor_n = value_of(theta * scale, covariance[0][0] * scale * scale, (double)exact - 1);
}

/* Where the rising line meets a level: (level - intercept) / coefficient. shared: the level is the grip's
 * own, third in the covariance. */
static struct grip_fit_value meeting(const struct grip_fit *fit, const struct grip_fit_value *level,
                                     bool shared)
{
    double mu = fit->coefficient.value, at = (level->value - fit->intercept_n.value) / mu;
    double slopes[3] = {-at / mu, -1 / mu, shared ? 1 / mu : 0}, of_grip = 0, of_motor = 0, degrees;
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            of_grip += slopes[i] * slopes[j] * fit->covariance[i][j];
    }
    if (!shared)
        of_motor = pow(level->standard_error / mu, 2);
    /* Welch and Satterthwaite */
    degrees = pow(of_grip + of_motor, 2) / (of_grip * of_grip / fit->coefficient.degrees_of_freedom +
                                            of_motor * of_motor / level->degrees_of_freedom);
    return value_of(at, of_grip + of_motor, degrees);
}

static void take_shape(const struct shape *s, struct grip_fit *fit)
{
    /* Places of the shape's coefficients among coefficient, intercept and level. */
    size_t place[COLUMNS] = {0, s->intercept ? 1 : 2, 2};
    double degrees = (double)(s->exact - s->p);
    for (size_t j = 0; j < s->p; j++) {
        for (size_t k = 0; k < s->p; k++)
            fit->covariance[place[j]][place[k]] = s->covariance[j][k];
    }
    fit->coefficient = value_of(s->theta[0], s->covariance[0][0], degrees);
    if (s->intercept)
        fit->intercept_n = value_of(s->theta[1], s->covariance[1][1], degrees);
    if (s->level)
        fit->saturated_n = value_of(level_of(s), s->covariance[s->p - 1][s->p - 1], degrees);
    fit->grip_sd = s->sigma * sqrt((double)s->exact / degrees) / s->theta[0];
}

enum err_code grip_fit(const double *preload_n, const double *stall_n, const enum grip_fit_label *labels,
                       size_t n, struct grip_fit *fit, struct err *e)
{
    struct room r = {0};
    struct shape shape = {0};
    size_t all_knots = n > 0;
    memset(fit, 0, sizeof *fit);
    for (size_t i = 0; i < n; i++) {
        if (!(preload_n[i] > 0) || !(stall_n[i] > 0) || isinf(preload_n[i]) || isinf(stall_n[i]))
            return err_set(e, ERR_NO_ANSWER, "a preload or a stall force is not above zero");
        fit->count[labels[i]]++;
        all_knots += i > 0 && fabs(preload_n[i] - preload_n[0]) > SAME_PRELOAD * preload_n[0];
    }
    if (all_knots < 2)
        return err_set(e, ERR_NO_ANSWER,
                       "pushed at one preload only: grip against preload needs at least two");
    r.columns = malloc(n * (COLUMNS + 2) * sizeof *r.columns);
    r.at_least = malloc(n * sizeof *r.at_least);
    if (r.columns == NULL || r.at_least == NULL) {
        free(r.columns);
        free(r.at_least);
        return err_set(e, ERR_MEMORY, "not enough memory for %zu pushes", n);
    }
    r.y = r.columns + n * COLUMNS;
    r.knots = r.y + n;
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (labels[i] == GRIP_FIT_GRIP)
            r.knots[m++] = preload_n[i];
    }
    qsort(r.knots, m, sizeof *r.knots, by_size);
    for (size_t i = 0; i < m; i++) {
        if (r.knot_count == 0 || r.knots[i] > r.knots[r.knot_count - 1] * (1 + SAME_PRELOAD))
            r.knots[r.knot_count++] = r.knots[i];
    }
    if (m >= 2)
        shape = choose_shape(preload_n, stall_n, labels, n, &r);
    if (shape.fitted)
        take_shape(&shape, fit);
    fit_motor(stall_n, labels, n, &r, fit);
    free(r.columns);
    free(r.at_least);
    if (!fit->coefficient.found && !fit->motor_n.found)
        return err_set(e, ERR_NO_ANSWER,
                       "neither grip nor motor can be told: %zu pushes by grip, %zu by motor, "
                       "%zu ended before they stalled",
                       fit->count[GRIP_FIT_GRIP], fit->count[GRIP_FIT_MOTOR], fit->count[GRIP_FIT_BOUND]);
    if (fit->saturated_n.found && !(fit->motor_n.found && fit->motor_n.value < fit->saturated_n.value)) {
        fit->top = GRIP_FIT_TOP_SATURATED;
        fit->top_n = fit->saturated_n;
        fit->best_preload_n = meeting(fit, &fit->saturated_n, true);
    } else if (fit->motor_n.found) {
        fit->top = GRIP_FIT_TOP_MOTOR;
        fit->top_n = fit->motor_n;
        if (fit->coefficient.found && fit->motor_n.value > fit->intercept_n.value)
            fit->best_preload_n = meeting(fit, &fit->motor_n, false);
    }
    return ERR_OK;
}

double grip_fit_at(const struct grip_fit *fit, double preload_n, double *standard_error)
{
    double slopes[3] = {preload_n, 1, 0}, sum = 0, value;
    if (standard_error != NULL)
        *standard_error = NAN;
    if (!fit->coefficient.found)
        return NAN;
    value = fit->intercept_n.value + fit->coefficient.value * preload_n;
    if (fit->saturated_n.found && value > fit->saturated_n.value) {
        value = fit->saturated_n.value;
        slopes[0] = slopes[1] = 0;
        slopes[2] = 1;
    }
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            sum += slopes[i] * slopes[j] * fit->covariance[i][j];
    }
    if (standard_error != NULL)
        *standard_error = sqrt(fmax(0, sum));
    return value;
}
