#include "analyze/numerics/torque_fit.h"

#include "analyze/numerics/censored_fit.h"
#include "analyze/numerics/torque_search.h"

#include <gsl/gsl_eigen.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_matrix.h>
#include <math.h>
#include <string.h>

#define ALL_MAX (TORQUE_FIT_PARAMETERS_MAX + 1)
/* Less than this part of itself is left of a direction's information by the others: rounding. */
static const double POSITIVE = 1e-12;

/* ---- observed information ---- */

/* Slopes of the scaled model at r against its parameters (t0, alpha, beta, phi) and, for the falling part,
 * the second derivatives, all of which have phi in them: second[k] is that of parameter k and phi. */
static double model_slopes(const struct torque_search *p, enum torque_fit_model model,
                           const struct torque_search_answer *a, size_t i, double *slope, double *second)
{
    double r = p->points[i].r, s, ds, c, c1, c2;
    memset(slope, 0, TORQUE_FIT_PARAMETERS_MAX * sizeof *slope);
    memset(second, 0, TORQUE_FIT_PARAMETERS_MAX * sizeof *second);
    if (model != TORQUE_FIT_PULL_OUT || (!a->tied && i < a->flat_count)) {
        slope[0] = 1;
        slope[1] = model == TORQUE_FIT_DROOP ? -r : 0;
        return a->t0 + slope[1] * a->alpha;
    }
    if (a->tied)
        r = fmax(r, p->speeds[a->knot].r);
    s = torque_search_shape(a->phi, r);
    ds = r * r - 1;
    c = 1 / sqrt(s);
    c1 = -ds / 2 * c / s;
    c2 = r * ds / s / s;
    slope[1] = c;
    slope[2] = -r / s;
    slope[3] = a->alpha * c1 + a->beta * c2;
    second[1] = c1;
    second[2] = c2;
    second[3] = a->alpha * 0.75 * ds * ds * c / s / s - a->beta * 2 * r * ds * ds / s / s / s;
    return a->alpha * c - a->beta * r / s;
}

/* Minus the second derivatives of the log likelihood against (t0, alpha, beta, phi, log sigma), and the same
 * without the curvature of the model. */
static void information(const struct torque_search *p, enum torque_fit_model model,
                        const struct torque_search_answer *a, double matrix[ALL_MAX][ALL_MAX],
                        double linear[ALL_MAX][ALL_MAX])
{
    const size_t last = ALL_MAX - 1;
    memset(linear, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    memset(matrix, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    for (size_t i = 0; i < p->n;) {
        /* Points of one speed have the same slopes. */
        double slope[TORQUE_FIT_PARAMETERS_MAX], second[TORQUE_FIT_PARAMETERS_MAX],
            weight = 0, cross = 0, pull = 0, value = model_slopes(p, model, a, i, slope, second),
            r = p->points[i].r;
        for (; i < p->n && p->points[i].r == r; i++) {
            double over = 1 / (a->sigma * p->points[i].scale), u = (p->points[i].y - value) * over, rate = u,
                   rate_slope = 1;
            if (p->points[i].at_least)
                censored_fit_log_survival(u, &rate, &rate_slope);
            weight += rate_slope * over * over;
            cross += (rate_slope * u + rate) * over;
            pull += rate * over;
            linear[last][last] += (rate_slope * u + rate) * u;
        }
        for (size_t j = 0; j < last; j++) {
            for (size_t k = 0; k <= j; k++)
                linear[j][k] += weight * slope[j] * slope[k];
            linear[last][j] += cross * slope[j];
            matrix[3][j] -= pull * second[j];
        }
    }
    for (size_t j = 0; j < ALL_MAX; j++) {
        for (size_t k = 0; k <= j; k++) {
            matrix[j][k] += linear[j][k];
            matrix[k][j] = matrix[j][k];
            linear[k][j] = linear[j][k];
        }
    }
}

/* Inverse of the rows and columns in use, which must be positive definite by more than rounding. */
static bool invert_positive(double matrix[ALL_MAX][ALL_MAX], const bool *used,
                            double inverse[ALL_MAX][ALL_MAX])
{
    double root[ALL_MAX][ALL_MAX] = {{0}}, back[ALL_MAX][ALL_MAX] = {{0}};
    memset(inverse, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    for (size_t i = 0; i < ALL_MAX; i++) {
        if (!used[i])
            continue;
        for (size_t j = 0; j <= i; j++) {
            double sum = matrix[i][j];
            if (!used[j])
                continue;
            for (size_t k = 0; k < j; k++)
                sum -= root[i][k] * root[j][k];
            if (i == j && !(sum > POSITIVE * matrix[i][i]))
                return false;
            root[i][j] = i == j ? sqrt(sum) : sum / root[j][j];
        }
        back[i][i] = 1 / root[i][i];
        for (size_t j = 0; j < i; j++) {
            for (size_t k = j; k < i && used[j]; k++)
                back[i][j] -= root[i][k] * back[k][j] / root[i][i];
        }
    }
    for (size_t i = 0; i < ALL_MAX; i++) {
        for (size_t j = 0; j < ALL_MAX; j++) {
            for (size_t k = 0; k < ALL_MAX; k++)
                inverse[i][j] += back[k][i] * back[k][j];
        }
    }
    return true;
}

/* Inverse of the rows and columns in use, after scaling to a unit diagonal. Directions in which the points
 * say nothing (eigenvalue 0 to rounding) are left out. */
static bool invert_information(double matrix[ALL_MAX][ALL_MAX], const bool *used,
                               double inverse[ALL_MAX][ALL_MAX])
{
    double packed[ALL_MAX * ALL_MAX], value[ALL_MAX], vector[ALL_MAX * ALL_MAX], scale[ALL_MAX];
    size_t place[ALL_MAX] = {0}, q = 0;
    gsl_matrix_view a, v;
    gsl_vector_view w;
    gsl_eigen_symmv_workspace *workspace;
    int status;
    memset(inverse, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    for (size_t j = 0; j < ALL_MAX; j++) {
        if (used[j])
            place[q++] = j;
    }
    for (size_t j = 0; j < q; j++) {
        if (!(matrix[place[j]][place[j]] > 0))
            return false;
        scale[j] = 1 / sqrt(matrix[place[j]][place[j]]);
    }
    for (size_t j = 0; j < q; j++) {
        for (size_t k = 0; k < q; k++)
            packed[j * q + k] = matrix[place[j]][place[k]] * scale[j] * scale[k];
    }
    a = gsl_matrix_view_array(packed, q, q);
    v = gsl_matrix_view_array(vector, q, q);
    w = gsl_vector_view_array(value, q);
    workspace = gsl_eigen_symmv_alloc(q);
    if (workspace == NULL)
        return false;
    status = gsl_eigen_symmv(&a.matrix, &w.vector, &v.matrix, workspace);
    gsl_eigen_symmv_free(workspace);
    if (status != GSL_SUCCESS)
        return false;
    for (size_t k = 0; k < q; k++) {
        if (!(value[k] > POSITIVE))
            continue;
        for (size_t i = 0; i < q; i++) {
            for (size_t j = 0; j < q; j++)
                inverse[place[i]][place[j]] +=
                    vector[i * q + k] * vector[j * q + k] / value[k] * scale[i] * scale[j];
        }
    }
    return true;
}

/* ---- from the scaled answer to torques and speeds ---- */
static void carry_back(size_t p, double widen,
                       double back[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX],
                       double inverse[ALL_MAX][ALL_MAX],
                       double covariance[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX])
{
    for (size_t i = 0; i < p; i++) {
        double row[TORQUE_FIT_PARAMETERS_MAX] = {0};
        for (size_t k = 0; k < TORQUE_FIT_PARAMETERS_MAX; k++) {
            for (size_t l = 0; l < TORQUE_FIT_PARAMETERS_MAX; l++)
                row[l] += widen * back[i][k] * inverse[k][l];
        }
        for (size_t j = 0; j < p; j++) {
            for (size_t l = 0; l < TORQUE_FIT_PARAMETERS_MAX; l++)
                covariance[i][j] += row[l] * back[j][l];
        }
    }
}

static enum err_code fill_covariance(const struct torque_search *p, const struct torque_search_answer *a,
                                     struct torque_fit *fit, struct err *e)
{
    double matrix[ALL_MAX][ALL_MAX], linear[ALL_MAX][ALL_MAX], inverse[ALL_MAX][ALL_MAX],
        back[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX] = {{0}};
    double widen = (double)p->uncensored / fit->degrees_of_freedom, y = p->largest_nm, w = p->middle_rad_s;
    bool used[ALL_MAX] = {false};
    used[ALL_MAX - 1] = a->sigma > 10 * CENSORED_FIT_SIGMA_LEAST;
    if (fit->model == TORQUE_FIT_PULL_OUT) {
        double z2 = 1 / (1 - a->phi), z = sqrt(z2);
        fit->parameters[0] = y * a->t0;
        fit->parameters[1] = y * a->alpha * z;
        fit->parameters[2] = y * a->beta * z2 / w;
        fit->parameters[3] = sqrt(a->phi * z2) / w;
        used[0] = !a->tied;
        used[1] = used[2] = used[3] = true;
        back[0][0] = y;
        back[1][1] = y * z;
        back[1][3] = y * a->alpha * z * z2 / 2;
        back[2][2] = y * z2 / w;
        back[2][3] = y * a->beta * z2 * z2 / w;
        back[3][3] = z2 * z2 / 2 / sqrt(a->phi * z2) / w;
        if (a->tied) {
            double second[TORQUE_FIT_PARAMETERS_MAX], slope[TORQUE_FIT_PARAMETERS_MAX];
            model_slopes(p, fit->model, a, p->speeds[a->knot].first, slope, second);
            for (size_t j = 1; j < TORQUE_FIT_PARAMETERS_MAX; j++)
                back[0][j] = y * slope[j];
        }
    } else {
        fit->parameters[0] = y * a->t0;
        fit->parameters[1] = y * a->alpha / w;
        for (size_t j = 0; j < fit->p; j++) {
            used[j] = true;
            back[j][j] = j == 0 ? y : y / w;
        }
    }
    /* The observed information need not be positive when the shape is at a limit: then without the curvature
     * of the model, which always is. */
    information(p, fit->model, a, matrix, linear);
    if (!invert_positive(linear, used, inverse) && !invert_information(linear, used, inverse))
        return err_set(e, ERR_NO_ANSWER, "the points do not determine the uncertainty of the torque curve");
    carry_back(fit->p, widen, back, inverse, fit->linearised);
    if (fit->model == TORQUE_FIT_PULL_OUT && invert_positive(matrix, used, inverse))
        carry_back(fit->p, widen, back, inverse, fit->covariance);
    else
        memcpy(fit->covariance, fit->linearised, sizeof fit->covariance);
    return ERR_OK;
}

static enum err_code fit_points(struct torque_search *p, enum torque_fit_model model, struct torque_fit *fit,
                                struct err *e)
{
    double parameters, n = (double)p->n;
    if (model == TORQUE_FIT_PULL_OUT)
        torque_search_pull_out(p);
    else
        torque_search_line(p, fit->p);
    if (p->best.log_likelihood <= TORQUE_SEARCH_IMPOSSIBLE)
        return err_set(e, ERR_NO_ANSWER, "the points do not determine the %s torque curve",
                       model == TORQUE_FIT_PULL_OUT ? "pull-out"
                       : model == TORQUE_FIT_DROOP  ? "drooping"
                                                    : "constant");
    fit->flat_part_seen = model == TORQUE_FIT_PULL_OUT && !p->best.tied;
    fit->degrees_of_freedom = (double)(p->uncensored - fit->p);
    fit->scatter_nm = p->largest_nm * p->best.sigma * sqrt((double)p->uncensored / fit->degrees_of_freedom);
    fit->log_likelihood = p->best.log_likelihood - (double)p->uncensored * log(p->largest_nm) - p->log_scales;
    parameters = (double)fit->p + 1;
    fit->aicc =
        2 * parameters - 2 * fit->log_likelihood + 2 * parameters * (parameters + 1) / (n - parameters - 1);
    return fill_covariance(p, &p->best, fit, e);
}

enum err_code torque_fit(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm,
                         const bool *at_least, size_t n, struct torque_fit *fit, struct err *e)
{
    return torque_fit_scaled(model, w_rad_s, torque_nm, at_least, NULL, n, fit, e);
}

enum err_code torque_fit_scaled(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm,
                                const bool *at_least, const double *scale, size_t n, struct torque_fit *fit,
                                struct err *e)
{
    static const size_t counts[TORQUE_FIT_MODELS] = {1, 2, 4};
    struct torque_search p;
    enum err_code code;
    if ((int)model < 0 || model >= TORQUE_FIT_MODELS)
        return err_set(e, ERR_CALLER, "there is no torque model %d", (int)model);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(w_rad_s[i]) || !isfinite(torque_nm[i]) || w_rad_s[i] < 0)
            return err_set(e, ERR_NO_ANSWER,
                           "point %zu of the torque curve is not a finite number, or its speed is negative",
                           i + 1);
        if (scale != NULL && !(scale[i] > 0 && isfinite(scale[i])))
            return err_set(e, ERR_NO_ANSWER, "point %zu of the torque curve has no scatter", i + 1);
    }
    memset(fit, 0, sizeof *fit);
    fit->model = model;
    fit->p = counts[model];
    if (n < fit->p + 3)
        return err_set(e, ERR_NO_ANSWER,
                       "%zu points are too few for a torque curve of %zu parameters: it takes %zu", n, fit->p,
                       fit->p + 3);
    code = torque_search_begin(&p, w_rad_s, torque_nm, at_least, scale, n, e);
    if (code != ERR_OK)
        goto out;
    fit->low_rad_s = p.points[0].r * p.middle_rad_s;
    fit->high_rad_s = p.points[n - 1].r * p.middle_rad_s;
    if (p.uncensored < fit->p + 1 || p.speeds[0].speeds_from < fit->p) {
        code = err_set(e, ERR_NO_ANSWER,
                       "only %zu points at %zu speeds are more than lower bounds: a torque curve of %zu "
                       "parameters takes %zu at %zu",
                       p.uncensored, p.speeds[0].speeds_from, fit->p, fit->p + 1, fit->p);
        goto out;
    }
    code = fit_points(&p, model, fit, e);
out:
    torque_search_end(&p);
    return code;
}

/* ---- reading the fitted curve ---- */

/* A / z - B w / z^2 with its slopes against A, B, tau (slope[1] to [3]) and w. */
static double pull_out_at(const struct torque_fit *fit, double w, double *slope, double *slope_w)
{
    double a = fit->parameters[1], b = fit->parameters[2], tau = fit->parameters[3];
    double z2 = 1 + w * w * tau * tau, z = sqrt(z2);
    slope[0] = 0;
    slope[1] = 1 / z;
    slope[2] = -w / z2;
    slope[3] = -a * w * w * tau / z2 / z + 2 * b * w * w * w * tau / z2 / z2;
    *slope_w = -a * w * tau * tau / z2 / z - b / z2 + 2 * b * w * w * tau * tau / z2 / z2;
    return a / z - b * w / z2;
}

static double error_of(const struct torque_fit *fit, const double *slope)
{
    double variance = 0;
    for (size_t i = 0; i < fit->p; i++) {
        for (size_t j = 0; j < fit->p; j++)
            variance += slope[i] * fit->covariance[i][j] * slope[j];
    }
    return sqrt(fmax(0, variance));
}

double torque_fit_at(const struct torque_fit *fit, double w_rad_s, double *standard_error_nm)
{
    double slope[TORQUE_FIT_PARAMETERS_MAX] = {1}, slope_w, value = fit->parameters[0];
    if (fit->model == TORQUE_FIT_DROOP) {
        slope[1] = -w_rad_s;
        value -= fit->parameters[1] * w_rad_s;
    } else if (fit->model == TORQUE_FIT_PULL_OUT) {
        double falling[TORQUE_FIT_PARAMETERS_MAX];
        double limit = pull_out_at(fit, w_rad_s, falling, &slope_w);
        if (limit < value) {
            value = limit;
            memcpy(slope, falling, sizeof slope);
        }
    }
    if (standard_error_nm != NULL)
        *standard_error_nm = error_of(fit, slope);
    return value;
}

bool torque_fit_corner(const struct torque_fit *fit, double *w_rad_s, double *standard_error_rad_s)
{
    double slope[TORQUE_FIT_PARAMETERS_MAX], slope_w, low = fit->low_rad_s, high = fit->high_rad_s;
    /* P falls wherever it is positive, so that a change of side shows one corner. */
    if (fit->model != TORQUE_FIT_PULL_OUT || !fit->flat_part_seen ||
        pull_out_at(fit, low, slope, &slope_w) <= fit->parameters[0] ||
        pull_out_at(fit, high, slope, &slope_w) >= fit->parameters[0])
        return false;
    for (int i = 0; i < 200 && high - low > 1e-14 * high; i++) {
        double middle = low / 2 + high / 2;
        *(pull_out_at(fit, middle, slope, &slope_w) > fit->parameters[0] ? &low : &high) = middle;
    }
    *w_rad_s = low / 2 + high / 2;
    pull_out_at(fit, *w_rad_s, slope, &slope_w);
    slope[0] = -1; /* d w = (d T0 - d P) / P'(w) */
    *standard_error_rad_s = error_of(fit, slope) / fabs(slope_w);
    return true;
}
