#include "analyze/numerics/nonlinear_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PARAMETERS NONLINEAR_FIT_PARAMETERS_MAX

static const size_t ITERATIONS_MAX = 500;
static const int FINISHING_MAX = 200;
/* A fit has converged when a whole Gauss-Newton step moves no parameter by more than this part of its
 * standard error, or, where the points lie exactly on the model, by more than rounding. */
static const double STEP_IN_ERRORS = 1e-7, STEP_ROUNDING = 1e-11;
/* Having converged, it goes on while the steps still shrink, down to this: the digits cost almost nothing. */
static const double STEP_DONE = 1e-12;
/* Stands for the residual where the model cannot be computed: large enough that such a step is always
 * refused, small enough that its square is still a number. */
static const double REFUSED = 1e120;

struct problem {
    nonlinear_fit_model *model;
    void *context;
    const double *y, *weights;
    size_t n, p;
    double *slopes;    /* n rows of p, not weighted */
    double *residuals; /* n, y - model, not weighted */
};

/* Residuals and slopes at the parameters, and the weighted residual sum; INFINITY where the model cannot be
 * computed. */
static double evaluate(struct problem *q, const double *parameters)
{
    long double sum = 0;
    for (size_t i = 0; i < q->n; i++) {
        double value;
        bool fine = q->model(parameters, i, &value, q->slopes + i * q->p, q->context);
        for (size_t j = 0; j < q->p && fine; j++)
            fine = isfinite(q->slopes[i * q->p + j]);
        if (!fine || !isfinite(value))
            return INFINITY;
        q->residuals[i] = q->y[i] - value;
        sum += (q->weights != NULL ? q->weights[i] : 1) * (long double)q->residuals[i] * q->residuals[i];
    }
    return (double)sum;
}

static double root_weight(const struct problem *q, size_t i)
{
    return q->weights != NULL ? sqrt(q->weights[i]) : 1;
}

static int residuals_for_gsl(const gsl_vector *parameters, void *problem, gsl_vector *f)
{
    struct problem *q = problem;
    double values[PARAMETERS];
    bool fine;
    for (size_t j = 0; j < q->p; j++)
        values[j] = gsl_vector_get(parameters, j);
    fine = isfinite(evaluate(q, values));
    for (size_t i = 0; i < q->n; i++)
        gsl_vector_set(f, i, fine ? -root_weight(q, i) * q->residuals[i] : REFUSED);
    return GSL_SUCCESS;
}

static int slopes_for_gsl(const gsl_vector *parameters, void *problem, gsl_matrix *jacobian)
{
    struct problem *q = problem;
    double values[PARAMETERS];
    for (size_t j = 0; j < q->p; j++)
        values[j] = gsl_vector_get(parameters, j);
    if (!isfinite(evaluate(q, values)))
        return GSL_EDOM;
    for (size_t i = 0; i < q->n; i++) {
        for (size_t j = 0; j < q->p; j++)
            gsl_matrix_set(jacobian, i, j, root_weight(q, i) * q->slopes[i * q->p + j]);
    }
    return GSL_SUCCESS;
}

/* One run of the trust region method from fit->parameters, which it moves. False when it could not run at
 * all. */
static bool run_trust_region(struct problem *q, const gsl_multifit_nlinear_scale *scale,
                             struct nonlinear_fit *fit)
{
    gsl_multifit_nlinear_parameters settings = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_fdf fdf = {
        .f = residuals_for_gsl, .df = slopes_for_gsl, .n = q->n, .p = q->p, .params = q};
    gsl_vector_view start = gsl_vector_view_array(fit->parameters, q->p);
    gsl_multifit_nlinear_workspace *workspace;
    bool ran = false;
    settings.scale = scale;
    settings.solver = gsl_multifit_nlinear_solver_qr;
    workspace = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &settings, q->n, q->p);
    if (workspace == NULL)
        return false;
    if (gsl_multifit_nlinear_init(&start.vector, &fdf, workspace) == GSL_SUCCESS) {
        const gsl_vector *found = gsl_multifit_nlinear_position(workspace);
        fit->status =
            gsl_multifit_nlinear_driver(ITERATIONS_MAX, 1e-12, 1e-15, 0, NULL, NULL, &fit->info, workspace);
        fit->iterations = gsl_multifit_nlinear_niter(workspace);
        for (size_t j = 0; j < q->p; j++)
            fit->parameters[j] = gsl_vector_get(found, j);
        ran = true;
    }
    gsl_multifit_nlinear_free(workspace);
    return ran;
}

/* Gauss-Newton steps, each solved with the refinement of linear_fit, until they are small against the
 * standard errors. Where a whole step does not lower the residual sum it is halved. Fills the covariance from
 * the last linearisation. */
static enum err_code finish(struct problem *q, struct nonlinear_fit *fit, struct err *e)
{
    double sum = evaluate(q, fit->parameters), previous = INFINITY;
    for (int k = 0; k < FINISHING_MAX && isfinite(sum); k++) {
        struct linear_fit step;
        double next[PARAMETERS], next_sum = INFINITY, length = 1;
        bool small = true;
        enum err_code code =
            linear_fit(q->slopes, q->residuals, q->weights, q->n, q->p, fit->known_variances, &step, e);
        if (code == ERR_MEMORY)
            return code;
        if (code != ERR_OK)
            return err_set(e, ERR_NO_ANSWER, "the points do not determine all %zu parameters", q->p);
        fit->last_step = 0;
        for (size_t j = 0; j < q->p; j++) {
            double change = fabs(step.coefficients[j]), error = step.standard_errors[j];
            bool rounding = change <= STEP_ROUNDING * fabs(fit->parameters[j]);
            if (!rounding && !(change <= STEP_IN_ERRORS * error))
                small = false;
            if (error > 0)
                fit->last_step = fmax(fit->last_step, change / error);
            fit->standard_errors[j] = error;
        }
        memcpy(fit->covariance, step.covariance, sizeof fit->covariance);
        for (; length > 1e-8; length /= 2) {
            for (size_t j = 0; j < q->p; j++)
                next[j] = fit->parameters[j] + length * step.coefficients[j];
            next_sum = evaluate(q, next);
            if (next_sum < sum || (small && next_sum <= sum * (1 + 1e-9)))
                break;
            if (small)
                length = 0;
        }
        if (length > 1e-8) {
            memcpy(fit->parameters, next, q->p * sizeof *next);
            sum = next_sum;
        } else {
            sum = evaluate(q, fit->parameters);
        }
        if (small && length > 1e-8 && fit->last_step > STEP_DONE && fit->last_step < 0.9 * previous) {
            previous = fit->last_step;
            continue;
        }
        if (small || length <= 1e-8) {
            fit->residual_sum = sum;
            fit->residual_sd = q->n > q->p ? sqrt(sum / (double)(q->n - q->p)) : 0;
            return small ? ERR_OK : err_set(e, ERR_NO_ANSWER, "the fit came to a halt before it converged");
        }
    }
    return err_set(e, ERR_NO_ANSWER, "the fit did not converge in %zu steps", ITERATIONS_MAX);
}

static enum err_code check_input(struct problem *q, const double *start, struct err *e)
{
    if (q->n < q->p)
        return err_set(e, ERR_NO_ANSWER, "%zu points cannot determine %zu parameters", q->n, q->p);
    for (size_t i = 0; i < q->n; i++) {
        if (!isfinite(q->y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu has a y that is not a finite number", i + 1);
        if (q->weights != NULL && !(isfinite(q->weights[i]) && q->weights[i] > 0))
            return err_set(e, ERR_NO_ANSWER, "point %zu has a weight that is not a finite number above 0",
                           i + 1);
    }
    for (size_t j = 0; j < q->p; j++) {
        if (!isfinite(start[j]))
            return err_set(e, ERR_NO_ANSWER, "parameter %zu has a start that is not a finite number", j + 1);
    }
    if (!isfinite(evaluate(q, start)))
        return err_set(e, ERR_NO_ANSWER, "the model cannot be computed at the start");
    return ERR_OK;
}

enum err_code nonlinear_fit(nonlinear_fit_model *model, void *context, const double *y, const double *weights,
                            size_t n, size_t p, const double *start, bool known_variances,
                            struct nonlinear_fit *fit, struct err *e)
{
    /* No scaling is best on all: the first two are independent of units, the third takes long steps where a
     * slope vanishes. */
    const gsl_multifit_nlinear_scale *const scales[] = {gsl_multifit_nlinear_scale_more,
                                                        gsl_multifit_nlinear_scale_marquardt,
                                                        gsl_multifit_nlinear_scale_levenberg};
    struct problem q = {.model = model, .context = context, .y = y, .weights = weights, .n = n, .p = p};
    struct nonlinear_fit best = {.residual_sum = INFINITY};
    enum err_code code, last = ERR_NO_ANSWER;
    if (p < 1 || p > PARAMETERS)
        return err_set(e, ERR_CALLER, "a nonlinear fit takes 1 to %d parameters, not %zu", PARAMETERS, p);
    q.slopes = calloc(n * p + 1, sizeof *q.slopes);
    q.residuals = calloc(n + 1, sizeof *q.residuals);
    code = q.slopes == NULL || q.residuals == NULL
               ? err_set(e, ERR_MEMORY, "no memory for a fit of %zu points", n)
               : check_input(&q, start, e);
    for (size_t i = 0; i < sizeof scales / sizeof scales[0] && code == ERR_OK; i++) {
        struct nonlinear_fit run = {
            .n = n, .p = p, .degrees_of_freedom = (double)(n - p), .known_variances = known_variances};
        struct err run_error;
        memcpy(run.parameters, start, p * sizeof *start);
        if (!run_trust_region(&q, scales[i], &run)) {
            code = err_set(e, ERR_MEMORY, "the fit of %zu points could not be started", n);
            break;
        }
        last = finish(&q, &run, &run_error);
        if (last == ERR_OK && run.residual_sum < best.residual_sum)
            best = run;
        if (last != ERR_OK && isinf(best.residual_sum) && e != NULL)
            *e = run_error;
    }
    if (code == ERR_OK && isinf(best.residual_sum))
        code = last;
    if (code == ERR_OK)
        *fit = best;
    free(q.residuals);
    free(q.slopes);
    return code;
}
