/* The likelihood is concave in coefficients / sigma and 1 / sigma (Olsen, Econometrica 46 (1978) 1211-1215),
 * so Newton steps that never lose find its one maximum. */
#include "analyze/numerics/censored_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_sf_erf.h>
#include <math.h>
#include <string.h>

#define COLUMNS CENSORED_FIT_COLUMNS_MAX
#define ALL     (COLUMNS + 1)
static const double SIGMA_LEAST = CENSORED_FIT_SIGMA_LEAST;
static const double IMPOSSIBLE = -1e300;
static const double LOG_ROOT_2_PI = 0.91893853320467274178;
/* Between these erfc and exp have all their digits. */
static const double LOW_TAIL = -36, HIGH_TAIL = 20;
/* A bound so far below the curve adds less than 1e-19. */
static const double SAYS_NOTHING = -9;
/* A step that promises less is the last; one that promises little is right to its square, so that the
 * likelihood need not be worked out where it leads. */
static const double GAIN_LEAST = 1e-11, GAIN_LITTLE = 1e-8;

double censored_fit_log_survival(double u, double *hazard, double *hazard_slope)
{
    gsl_sf_result rate, tail;
    if (u > LOW_TAIL && u < HIGH_TAIL) {
        double beyond = erfc(fabs(u) / M_SQRT2) / 2, above = u < 0 ? 1 - beyond : beyond;
        rate.val = exp(-u * u / 2 - LOG_ROOT_2_PI) / above;
        *hazard = rate.val;
        *hazard_slope = rate.val * (rate.val - u);
        return u < 0 ? log1p(-beyond) : log(beyond);
    }
    if (gsl_sf_hazard_e(u, &rate) != GSL_SUCCESS || gsl_sf_log_erfc_e(u / M_SQRT2, &tail) != GSL_SUCCESS) {
        /* Below about -38 the hazard underflows: such a bound says nothing. */
        rate.val = u < 0 ? 0 : u;
        tail.val = u < 0 ? M_LN2 : -u * u / 2;
    }
    *hazard = rate.val;
    /* Far out the difference below would be all rounding; there the slope is 1 - 1 / u^2 + 6 / u^4 ... */
    *hazard_slope = u > 1e4 ? 1 - 1 / u / u : rate.val * (rate.val - u);
    return tail.val - M_LN2;
}

/* The lower triangle of a symmetric matrix of order q, which is small: the general routines spend more time
 * on being called than on its elements. */
struct triangle {
    double at[ALL][ALL];
};

static void add_row(struct triangle *t, size_t q, double weight, const double *row)
{
    for (size_t j = 0; j < q; j++) {
        double part = weight * row[j];
        for (size_t k = 0; k <= j; k++)
            t->at[j][k] += part * row[k];
    }
}

/* Solve t x = b by Cholesky's decomposition. False when t is not positive definite. */
static bool solve_definite(struct triangle *t, const double *b, double *x, size_t q)
{
    for (size_t j = 0; j < q; j++) {
        double rest = t->at[j][j], root;
        for (size_t k = 0; k < j; k++)
            rest -= t->at[j][k] * t->at[j][k];
        if (!(rest > 0))
            return false;
        root = sqrt(rest);
        t->at[j][j] = root;
        for (size_t i = j + 1; i < q; i++) {
            double sum = t->at[i][j];
            for (size_t k = 0; k < j; k++)
                sum -= t->at[i][k] * t->at[j][k];
            t->at[i][j] = sum / root;
        }
    }
    for (size_t j = 0; j < q; j++) {
        double sum = b[j];
        for (size_t k = 0; k < j; k++)
            sum -= t->at[j][k] * x[k];
        x[j] = sum / t->at[j][j];
    }
    for (size_t j = q; j-- > 0;) {
        double sum = x[j];
        for (size_t k = j + 1; k < q; k++)
            sum -= t->at[k][j] * x[k];
        x[j] = sum / t->at[j][j];
        if (!isfinite(x[j]))
            return false;
    }
    return true;
}

/* Log likelihood in v = (theta / sigma, 1 / sigma) with q linear parameters; gradient (q + 1) and minus the
 * second derivatives. known: values that are more than bounds. */
static double likelihood(const struct censored_points *p, size_t q, double known, const double *v,
                         double *gradient, struct triangle *curvature)
{
    double sum = 0, squares = p->squares * v[q] * v[q];
    memset(gradient, 0, (q + 1) * sizeof *gradient);
    memset(curvature, 0, sizeof *curvature);
    for (size_t i = 0; i < p->n; i++) {
        const double *x = p->columns + i * COLUMNS;
        double y = p->y[i], u = v[q] * y, slope = 1, rate, row[ALL];
        for (size_t j = 0; j < q; j++) {
            u -= x[j] * v[j];
            row[j] = x[j];
        }
        row[q] = -y;
        rate = u;
        if (!p->at_least[i]) {
            squares += u * u;
        } else {
            if (u < SAYS_NOTHING)
                rate = slope = 0;
            else
                sum += censored_fit_log_survival(u, &rate, &slope);
            if (p->likely != NULL)
                p->likely[i] = y + (rate - u) / v[q];
            if (rate == 0)
                continue;
        }
        for (size_t j = 0; j <= q; j++)
            gradient[j] += rate * row[j];
        add_row(curvature, q + 1, slope, row);
    }
    gradient[q] += known / v[q] - p->squares * v[q];
    curvature->at[q][q] += known / v[q] / v[q] + p->squares;
    return sum - squares / 2 + known * (log(v[q]) - LOG_ROOT_2_PI);
}

/* Least squares through the uncensored points, which must determine theta, and then, when `all`, through all
 * points with what the bounds most likely stand for. sigma: scatter of the uncensored ones. */
static bool least_squares(const struct censored_points *p, size_t q, double known, bool all, double *theta,
                          double *sigma, double *squares)
{
    struct triangle normal = {{{0}}}, decomposed = {{{0}}};
    double right[COLUMNS] = {0};
    for (int bounds = 0; bounds <= (all ? 1 : 0); bounds++) {
        for (size_t i = 0; i < p->n; i++) {
            const double *x = p->columns + i * COLUMNS;
            double y = bounds ? p->likely[i] : p->y[i];
            if (p->at_least[i] != (bounds != 0))
                continue;
            for (size_t j = 0; j < q; j++)
                right[j] += x[j] * y;
            add_row(&normal, q, 1, x);
        }
        decomposed = normal;
        if (!solve_definite(&decomposed, right, theta, q))
            return false;
    }
    *squares = p->squares;
    for (size_t i = 0; i < p->n; i++) {
        double residual = p->y[i];
        if (p->at_least[i])
            continue;
        for (size_t j = 0; j < q; j++)
            residual -= p->columns[i * COLUMNS + j] * theta[j];
        *squares += residual * residual;
    }
    *sigma = fmax(SIGMA_LEAST, sqrt(*squares / known));
    return isfinite(*sigma);
}

/* Newton's steps from v, halved until they gain. */
static bool climb(const struct censored_points *p, size_t q, double known, double *v, double *value)
{
    double gradient[ALL];
    struct triangle curvature = {{{0}}};
    *value = likelihood(p, q, known, v, gradient, &curvature);
    for (int iteration = 0; iteration < 60; iteration++) {
        double step[ALL] = {0}, next[ALL] = {0}, gain = 0, next_value, length = 1;
        if (v[q] >= 0.999 / SIGMA_LEAST)
            return true;
        if (!solve_definite(&curvature, gradient, step, q + 1))
            return false;
        for (size_t j = 0; j <= q; j++)
            gain += step[j] * gradient[j];
        if (gain < GAIN_LEAST)
            return true;
        if (gain < GAIN_LITTLE && v[q] + step[q] > 0 && v[q] + step[q] < 1 / SIGMA_LEAST) {
            for (size_t j = 0; j <= q; j++)
                v[j] += step[j];
            *value += gain / 2;
            return true;
        }
        for (;; length /= 2) {
            for (size_t j = 0; j <= q; j++)
                next[j] = v[j] + length * step[j];
            if (next[q] > 1 / SIGMA_LEAST) {
                for (size_t j = 0; j < q; j++)
                    next[j] /= next[q] * SIGMA_LEAST;
                next[q] = 1 / SIGMA_LEAST;
            }
            next_value = next[q] > 0 ? likelihood(p, q, known, next, gradient, &curvature) : IMPOSSIBLE;
            if (next_value > *value || (length == 1 && next_value > *value - 1e-9 && gain < GAIN_LITTLE))
                break;
            if (length < 1e-9) /* at the maximum as far as rounding shows */
                return true;
        }
        memcpy(v, next, sizeof next);
        *value = next_value;
    }
    return true;
}

bool censored_fit(const struct censored_points *p, size_t q, double *theta, double *sigma,
                  double *log_likelihood)
{
    double v[ALL], known = (double)p->more, squares;
    bool bounds = false, again = p->likely != NULL;
    for (size_t i = 0; i < p->n; i++) {
        known += !p->at_least[i];
        bounds = bounds || p->at_least[i];
        again = again && !(p->at_least[i] && isnan(p->likely[i]));
    }
    if (!(known > 0))
        return false;
    if (!bounds) {
        if (!least_squares(p, q, known, false, theta, sigma, &squares))
            return false;
        *log_likelihood = -known * (log(*sigma) + LOG_ROOT_2_PI) - squares / *sigma / *sigma / 2;
        return isfinite(*log_likelihood);
    }
    if ((!again || !least_squares(p, q, known, true, theta, sigma, &squares)) &&
        !least_squares(p, q, known, false, theta, sigma, &squares))
        return false;
    for (size_t j = 0; j < q; j++)
        v[j] = theta[j] / *sigma;
    v[q] = 1 / *sigma;
    if (!climb(p, q, known, v, log_likelihood))
        return false;
    for (size_t j = 0; j < q; j++)
        theta[j] = v[j] / v[q];
    *sigma = 1 / v[q];
    return isfinite(*log_likelihood);
}
