/* The uncertainty budget of a push force: what the events and fits bring, and what zero, load cell, alignment
 * and calibration add to every force of the bench. No I/O. */
#ifndef ANALYZE_PUSH_BUDGET_H
#define ANALYZE_PUSH_BUDGET_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"
#include "analyze/push_motion.h"
#include "datasets/format/calibration.h"
#include "datasets/format/plan.h"

/* The operator's estimates that no run measures, and the stated limit of zero drift. */
struct push_settings {
    double estimates[PLAN_ESTIMATE_COUNT]; /* in the units of PLAN_ESTIMATE_KINDS */
    double zero_drift_limit_n;
};

/* What the budgets call the component that rests on each estimate of a plan. */
extern const char *const PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_COUNT];
/* What they call the calibration, stated or fitted, and the drive diameter, stated or measured. */
extern const char *const PUSH_BUDGET_CALIBRATION_NAME;
/* And what they call the parts of a calibration that are told apart from its fit. */
extern const char *const PUSH_BUDGET_WEIGHTS_NAME;
extern const char *const PUSH_BUDGET_GRAVITY_NAME;
extern const char *const PUSH_BUDGET_REVERSIBILITY_NAME;
extern const char *const PUSH_BUDGET_DIAMETER_NAME;
/* What a bench of separate instruments brings, and readings that are few. */
extern const char *const PUSH_BUDGET_GAUGE_NAME;
extern const char *const PUSH_BUDGET_STAMPS_NAME;
extern const char *const PUSH_BUDGET_BETWEEN_NAME;
extern const char *const PUSH_BUDGET_HIDDEN_NAME; /* motor cycles whose drops the noise hides */
extern const char *const PUSH_BUDGET_UNSEEN_NAME; /* cycles or teeth that come too quickly for the readings */

/* What a plan states, or the defaults of its kinds where it states nothing (plan NULL: all defaults). */
struct push_settings push_budget_settings(const struct plan *plan);

/* Add a component in newtons (sensitivity 1). A standard uncertainty that is not finite or not above 0 is
 * left out. estimate: it rests on a number that the operator gave. */
void push_budget_add(struct budget *b, const char *name, double standard_uncertainty_n,
                     double degrees_of_freedom, enum budget_type type, bool estimate);

/* Whether a component stands for what the covariance of a calibration's coefficients holds: fit, weights or
 * gravity, but not reversibility. */
bool push_budget_of_covariance(const char *name);

/* What a calibration adds to the uncertainty of a force, as fit, weights, gravity and reversibility: the
 * first three together are calibration_uncertainty_n. share: 1 for the force itself, or the share of these
 * errors that is left in the result (in a difference, say). which: put behind each name, or "". */
void push_budget_add_calibration(struct budget *b, double force_n, double share, const char *which,
                                 const struct calibration *calibration);

/* What every force of this bench carries, once however many runs are averaged: load cell creep, alignment of
 * the load axis, calibration. */
void push_budget_add_bench(struct budget *b, double force_n, const struct calibration *calibration,
                           const struct push_settings *settings);

/* The zero of one run: its noise, and how far the drift between the zeros may stray from a straight line. */
void push_budget_add_zero(struct budget *b, const struct push_motion *m);

/* What few readings, unseen cycles and separate instruments leave unknown of one run is much the same in the
 * next and does not average out. Sum up its squares over the budgets of the runs, N^2, by component; then add
 * the root of their mean over so many runs to the budget of the mean. */
#define PUSH_BUDGET_READING 5
void push_budget_sum_reading(const struct budget *of_run, double squares[PUSH_BUDGET_READING]);
void push_budget_add_reading(struct budget *b, const double squares[PUSH_BUDGET_READING], size_t runs);

/* What one run scatters by itself: its type A components but for the calibration, which all runs share.
 * Returns their variance in N^2 and adds their degrees of freedom to *degrees_of_freedom. */
double push_budget_own_variance(const struct budget *b, double *degrees_of_freedom);

#endif
