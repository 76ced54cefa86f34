/* Whether the linear law of propagation is good enough for a force worked out backwards from a calibration,
 * and Monte Carlo (JCGM 101) where it is not: the inverse of a polynomial with uncertain coefficients is not
 * linear in them. No I/O. */
#ifndef ANALYZE_FORCE_CHECK_H
#define ANALYZE_FORCE_CHECK_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"
#include "datasets/format/calibration.h"

#define FORCE_CHECK_DRAWS 200000

/* What the budget calls the part that linear propagation leaves out. */
extern const char *const FORCE_CHECK_COMPONENT_NAME;

enum force_check {
    FORCE_CHECK_LINEAR,   /* the linear result stands: nothing was changed */
    FORCE_CHECK_REPLACED, /* it does not: the standard uncertainty and the interval are from Monte Carlo */
    FORCE_CHECK_FAILED    /* it is doubtful, and Monte Carlo has no answer: nothing was changed */
};

/* Check *force_n (N), which budget_combine made of *budget (components in N, the calibration among them under
 * PUSH_BUDGET_CALIBRATION_NAME). Inputs: the calibration's coefficients with their covariance, and the
 * reading above zero, which carries everything else in the budget. All are taken as normal. Where
 * propagation_run calls the linear result doubtful, FORCE_CHECK_DRAWS draws are made and monte_carlo_judge
 * compares the intervals to one digit of the standard uncertainty. Where it does not stand, *force_n gets the
 * standard deviation of the draws and their probabilistically symmetric 95 % interval, stretched about the
 * value as Student's t of its degrees of freedom stretches the normal one; the value stays, and *budget gets
 * the missing variance as a component of its own. An absent value and a bound are left alone.
 *
 * seed: of the random numbers; a run gives its own number, so that neither the number of threads nor the
 * other runs change a result. */
enum force_check force_check(const struct calibration *calibration, unsigned long seed, struct budget *budget,
                             struct quantity *force_n);

#endif
