/* The law of propagation of uncertainty (JCGM 100 section 5, and JCGM 102 for several results) with
 * correlated inputs: y = f(x), U_y = C U_x C'. Pure: the model is the caller's function. */
#ifndef ANALYZE_NUMERICS_PROPAGATION_H
#define ANALYZE_NUMERICS_PROPAGATION_H

#include "analyze/numerics/budget.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define PROPAGATION_OUTPUTS_MAX 8

/* The results for these inputs; false where they cannot be computed. */
typedef bool propagation_model(const double *inputs, double *outputs, void *context);

/* The inputs, in the order the model takes them. Of the budget the names, units, standard uncertainties,
 * degrees of freedom, types and correlations count; its sensitivities do not. Build it with budget_add
 * (sensitivity 0) and budget_correlate. */
struct propagation_inputs {
    struct budget budget;
    double values[BUDGET_COMPONENTS_MAX];
};

struct propagation {
    size_t n, m; /* inputs, outputs */
    double values[PROPAGATION_OUTPUTS_MAX];
    double standard_uncertainties[PROPAGATION_OUTPUTS_MAX];
    double covariance[PROPAGATION_OUTPUTS_MAX][PROPAGATION_OUTPUTS_MAX];
    double correlation[PROPAGATION_OUTPUTS_MAX][PROPAGATION_OUTPUTS_MAX]; /* 0 where an uncertainty is 0 */
    double sensitivities[PROPAGATION_OUTPUTS_MAX][BUDGET_COMPONENTS_MAX];
    double degrees_of_freedom[PROPAGATION_OUTPUTS_MAX]; /* see budget_degrees_of_freedom */
    /* Standard uncertainty that the second-order terms would add (JCGM 100 5.1.2, note), taken as if the
     * inputs were normal and independent. Where it is more than PROPAGATION_DOUBTFUL of the linear one, the
     * linear result is doubtful and wants checking by Monte Carlo. NAN where the model cannot be computed
     * within one standard uncertainty of the inputs: doubtful as well. */
    double second_order[PROPAGATION_OUTPUTS_MAX];
    bool doubtful[PROPAGATION_OUTPUTS_MAX];
};

#define PROPAGATION_DOUBTFUL 0.1

/* One more input: component's sensitivity is ignored. Errors as budget_add, and ERR_NO_ANSWER for a value
 * that is not finite. */
enum err_code propagation_add(struct propagation_inputs *inputs, const struct budget_component *component,
                              double value, struct err *e);

/* m outputs (1 to PROPAGATION_OUTPUTS_MAX). sensitivities: m rows of n partial derivatives, or NULL to have
 * them worked out by differences over half the standard uncertainty (five-point formula, about 9 digits for a
 * smooth model). ERR_NO_ANSWER when the model cannot be computed, gives a number that is not finite, or the
 * correlations contradict each other; ERR_CALLER for sizes out of range. */
enum err_code propagation_run(propagation_model *model, void *context,
                              const struct propagation_inputs *inputs, const double *sensitivities, size_t m,
                              struct propagation *result, struct err *e);

/* The budget of output k: the inputs' components with the sensitivities and contributions found. */
void propagation_budget(const struct propagation *result, const struct propagation_inputs *inputs, size_t k,
                        struct budget *b);

#endif
