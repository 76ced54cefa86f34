#include "analyze/numerics/propagation.h"

#include <gsl/gsl_eigen.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

#define INPUTS  BUDGET_COMPONENTS_MAX
#define OUTPUTS PROPAGATION_OUTPUTS_MAX

/* Least step of a difference, as a share of the input: below it the rounding of the model's own results would
 * show. The step is otherwise half a standard uncertainty, so that the model is asked for nothing farther
 * off than one standard uncertainty. */
static const double LEAST_STEP = 1e-6;
static const double STEP_WITHOUT_UNCERTAINTY = 1e-4;
/* How often a step is halved when the model cannot be computed that far out. */
static const int HALVINGS_MAX = 20;
/* An eigenvalue of the correlation matrix this far below 0 is rounding. */
static const double EIGENVALUE_ROUNDING = 1e-9;

struct problem {
    propagation_model *model;
    void *context;
    const double *x;
    size_t n, m;
};

static bool evaluate(const struct problem *p, const double *x, double *y)
{
    if (!p->model(x, y, p->context))
        return false;
    for (size_t k = 0; k < p->m; k++) {
        if (!isfinite(y[k]))
            return false;
    }
    return true;
}

/* Results with input i moved by a and input j by b. */
static bool evaluate_moved(const struct problem *p, size_t i, double a, size_t j, double b, double *y)
{
    double x[INPUTS];
    memcpy(x, p->x, p->n * sizeof *x);
    x[i] += a;
    x[j] += b;
    return evaluate(p, x, y);
}

enum err_code propagation_add(struct propagation_inputs *inputs, const struct budget_component *component,
                              double value, struct err *e)
{
    struct budget_component c = *component;
    enum err_code code;
    c.sensitivity = 0;
    if (!isfinite(value))
        return err_set(e, ERR_NO_ANSWER, "the value of \"%.40s\" is not a finite number", component->name);
    code = budget_add(&inputs->budget, &c, e);
    if (code == ERR_OK)
        inputs->values[inputs->budget.count - 1] = value;
    return code;
}

static enum err_code check_correlations(const struct budget *b, struct err *e)
{
    gsl_matrix *matrix = gsl_matrix_alloc(b->count, b->count);
    gsl_vector *values = gsl_vector_alloc(b->count);
    gsl_eigen_symm_workspace *work = gsl_eigen_symm_alloc(b->count);
    enum err_code code = ERR_OK;
    if (matrix == NULL || values == NULL || work == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory to check %zu correlated inputs", b->count);
    } else {
        for (size_t i = 0; i < b->count; i++) {
            for (size_t j = 0; j < b->count; j++)
                gsl_matrix_set(matrix, i, j, b->correlation[i][j]);
        }
        if (gsl_eigen_symm(matrix, values, work) != GSL_SUCCESS ||
            !(gsl_vector_min(values) >= -EIGENVALUE_ROUNDING * (double)b->count))
            code =
                err_set(e, ERR_NO_ANSWER,
                        "the correlations of the %zu inputs contradict each other: no covariance can be like "
                        "that",
                        b->count);
    }
    gsl_matrix_free(matrix);
    gsl_vector_free(values);
    if (work != NULL)
        gsl_eigen_symm_free(work);
    return code;
}

/* Partial derivatives against input i, (8 (f(h) - f(-h)) - (f(2h) - f(-2h))) / (12 h), error of order h^4. */
static enum err_code differentiate(const struct problem *p, const struct budget *b, size_t i,
                                   struct propagation *r, struct err *e)
{
    double step = fmax(b->components[i].standard_uncertainty / 2, LEAST_STEP * fabs(p->x[i]));
    double near_low[OUTPUTS], near_high[OUTPUTS], far_low[OUTPUTS], far_high[OUTPUTS];
    if (!(b->components[i].standard_uncertainty > 0))
        step = STEP_WITHOUT_UNCERTAINTY * (p->x[i] != 0 ? fabs(p->x[i]) : 1);
    for (int halvings = 0; halvings <= HALVINGS_MAX; halvings++, step /= 2) {
        volatile double moved = p->x[i] + step; /* the step that is really taken once x + step is rounded */
        double h = moved - p->x[i];
        if (!(h > 0))
            break;
        if (!evaluate_moved(p, i, h, i, 0, near_high) || !evaluate_moved(p, i, -h, i, 0, near_low) ||
            !evaluate_moved(p, i, 2 * h, i, 0, far_high) || !evaluate_moved(p, i, -2 * h, i, 0, far_low))
            continue;
        for (size_t k = 0; k < p->m; k++)
            r->sensitivities[k][i] =
                (8 * (near_high[k] - near_low[k]) - (far_high[k] - far_low[k])) / (12 * h);
        return ERR_OK;
    }
    return err_set(e, ERR_NO_ANSWER,
                   "the model cannot be computed near \"%s\" = %g: its sensitivity is unknown",
                   b->components[i].name, p->x[i]);
}

/* Variance of the second-order terms for normal, independent inputs: sum of (f_ii u_i^2)^2 / 2 over i and
 * (f_ij u_i u_j)^2 over i < j, from differences over one standard uncertainty. */
static void second_order(const struct problem *p, const struct budget *b, struct propagation *r)
{
    double high[INPUTS][OUTPUTS], low[INPUTS][OUTPUTS], variance[OUTPUTS] = {0};
    for (size_t i = 0; i < p->n; i++) {
        double u = b->components[i].standard_uncertainty;
        if (!evaluate_moved(p, i, u, i, 0, high[i]) || !evaluate_moved(p, i, -u, i, 0, low[i])) {
            for (size_t k = 0; k < p->m; k++)
                r->second_order[k] = NAN;
            return;
        }
        for (size_t k = 0; k < p->m; k++) {
            double bend = high[i][k] + low[i][k] - 2 * r->values[k];
            variance[k] += bend * bend / 2;
        }
    }
    for (size_t i = 0; i < p->n; i++) {
        for (size_t j = 0; j < i; j++) {
            double ui = b->components[i].standard_uncertainty, uj = b->components[j].standard_uncertainty;
            double both[OUTPUTS], neither[OUTPUTS];
            if (!evaluate_moved(p, i, ui, j, uj, both) || !evaluate_moved(p, i, -ui, j, -uj, neither)) {
                for (size_t k = 0; k < p->m; k++)
                    r->second_order[k] = NAN;
                return;
            }
            for (size_t k = 0; k < p->m; k++) {
                double twist = (both[k] + neither[k] - high[i][k] - low[i][k] - high[j][k] - low[j][k]) / 2 +
                               r->values[k];
                variance[k] += twist * twist;
            }
        }
    }
    for (size_t k = 0; k < p->m; k++)
        r->second_order[k] = sqrt(variance[k]);
}

/* U_y = C U_x C', summed with the inputs' standard uncertainties taken into C. */
static void combine(const struct propagation_inputs *inputs, struct propagation *r)
{
    const struct budget *b = &inputs->budget;
    for (size_t k = 0; k < r->m; k++) {
        for (size_t l = 0; l < r->m; l++) {
            double sum = 0;
            for (size_t i = 0; i < r->n; i++) {
                for (size_t j = 0; j < r->n; j++)
                    sum += r->sensitivities[k][i] * b->components[i].standard_uncertainty *
                           b->correlation[i][j] * r->sensitivities[l][j] *
                           b->components[j].standard_uncertainty;
            }
            r->covariance[k][l] = sum;
        }
    }
    for (size_t k = 0; k < r->m; k++) {
        struct budget own;
        r->covariance[k][k] = fmax(0, r->covariance[k][k]);
        r->standard_uncertainties[k] = sqrt(r->covariance[k][k]);
        propagation_budget(r, inputs, k, &own);
        r->degrees_of_freedom[k] = budget_degrees_of_freedom(&own);
        r->doubtful[k] = !(r->second_order[k] <= PROPAGATION_DOUBTFUL * r->standard_uncertainties[k]);
    }
    for (size_t k = 0; k < r->m; k++) {
        for (size_t l = 0; l < r->m; l++) {
            double product = r->standard_uncertainties[k] * r->standard_uncertainties[l];
            r->correlation[k][l] = product > 0 ? r->covariance[k][l] / product : k == l;
        }
    }
}

enum err_code propagation_run(propagation_model *model, void *context,
                              const struct propagation_inputs *inputs, const double *sensitivities, size_t m,
                              struct propagation *result, struct err *e)
{
    struct problem p = {model, context, inputs->values, inputs->budget.count, m};
    enum err_code code;
    memset(result, 0, sizeof *result);
    if (m < 1 || m > OUTPUTS || p.n < 1 || p.n > INPUTS)
        return err_set(e, ERR_CALLER, "propagation takes 1 to %d inputs and 1 to %d outputs, not %zu and %zu",
                       INPUTS, OUTPUTS, p.n, m);
    result->n = p.n;
    result->m = m;
    code = check_correlations(&inputs->budget, e);
    if (code != ERR_OK)
        return code;
    if (!evaluate(&p, p.x, result->values))
        return err_set(e, ERR_NO_ANSWER, "the model cannot be computed at the values of its inputs");
    for (size_t i = 0; i < p.n; i++) {
        if (sensitivities == NULL) {
            code = differentiate(&p, &inputs->budget, i, result, e);
            if (code != ERR_OK)
                return code;
        }
        for (size_t k = 0; k < m && sensitivities != NULL; k++) {
            result->sensitivities[k][i] = sensitivities[k * p.n + i];
            if (!isfinite(result->sensitivities[k][i]))
                return err_set(e, ERR_NO_ANSWER,
                               "the sensitivity of result %zu to \"%s\" is not a finite number", k + 1,
                               inputs->budget.components[i].name);
        }
    }
    second_order(&p, &inputs->budget, result);
    combine(inputs, result);
    return ERR_OK;
}

void propagation_budget(const struct propagation *result, const struct propagation_inputs *inputs, size_t k,
                        struct budget *b)
{
    *b = inputs->budget;
    for (size_t i = 0; i < b->count; i++) {
        struct budget_component *c = &b->components[i];
        c->sensitivity = result->sensitivities[k][i];
        c->contribution = fabs(c->sensitivity) * c->standard_uncertainty;
    }
}
