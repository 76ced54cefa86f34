/* The uncertainty budget of one published number: which inputs it rests on and how much of its standard
 * uncertainty each brings, as JCGM 100 (GUM) section 5 combines them. Plain numbers in a fixed-size struct.
 */
#ifndef ANALYZE_NUMERICS_BUDGET_H
#define ANALYZE_NUMERICS_BUDGET_H

#include "analyze/numerics/quantity.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define BUDGET_COMPONENTS_MAX 16

/* How a standard uncertainty was found (JCGM 100 section 4): from the scatter of observations, or otherwise.
 */
enum budget_type { BUDGET_TYPE_A, BUDGET_TYPE_B };

struct budget_component {
    char name[48];               /* what it is: "resolution of the converter" */
    char unit[16];               /* of the input */
    double standard_uncertainty; /* of the input, in unit */
    double sensitivity;          /* change of the result per unit of the input */
    double contribution;         /* |sensitivity| * standard_uncertainty, in the unit of the result */
    double degrees_of_freedom;   /* INFINITY when the standard uncertainty is taken as exact */
    enum budget_type type;
    bool operator_estimate; /* a number that the operator gave and nothing measured */
};

struct budget {
    size_t count;
    struct budget_component components[BUDGET_COMPONENTS_MAX];
    double correlation[BUDGET_COMPONENTS_MAX]
                      [BUDGET_COMPONENTS_MAX]; /* 1 on the diagonal, for the first count */
};

void budget_init(struct budget *b);

/* Append one component, uncorrelated with those before it; its contribution is worked out here. ERR_CALLER
 * when the budget is full, or a number is not finite, an uncertainty is negative, or degrees of freedom are
 * not above 0 (INFINITY is allowed). Names and units that are too long are refused as well. */
enum err_code budget_add(struct budget *b, const struct budget_component *component, struct err *e);
/* State the correlation coefficient of two components' inputs. ERR_CALLER for an index out of range, i == j
 * or a coefficient outside -1 to 1. */
enum err_code budget_correlate(struct budget *b, size_t i, size_t j, double correlation, struct err *e);

/* Combined standard uncertainty, JCGM 100 equations (10) and (13). NAN when the correlations contradict each
 * other so that the variance comes out negative. */
double budget_standard_uncertainty(const struct budget *b);
/* Effective degrees of freedom by Welch-Satterthwaite, JCGM 100 equation (G.2b), not truncated. That formula
 * is for independent components: those that are correlated, directly or through others, therefore count as
 * one, with the variance they have together and the least degrees of freedom among them. That is exact where
 * their covariance comes from the same simultaneous observations, and cautious elsewhere. INFINITY when
 * nothing contributes. */
double budget_degrees_of_freedom(const struct budget *b);
/* The budget's result about value: quantity_from with the two numbers above. Absent where they are. */
struct quantity budget_combine(const struct budget *b, double value, size_t n);
/* Share of component i in the combined variance: contribution^2 / u^2; 0 when u is 0. With correlations the
 * shares do not add up to 1: what is missing, or too much, is theirs. */
double budget_share(const struct budget *b, size_t i);

/* Standard uncertainty of a value known to lie within +- half_width: evenly (JCGM 100 4.3.7), more likely
 * near the middle (4.3.9), or as a sine spends its time there (JCGM 101 6.4.6). */
double budget_rectangular(double half_width);
double budget_triangular(double half_width);
double budget_arcsine(double half_width);
/* Degrees of freedom of a type B standard uncertainty that is itself good to +- relative_uncertainty of its
 * value, JCGM 100 (G.3): 1 / (2 relative^2); INFINITY for 0. */
double budget_type_b_degrees_of_freedom(double relative_uncertainty);

#endif
