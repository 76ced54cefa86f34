/* The search behind slip_onset: the linear problem of one loading, and the gain of every sample as the onset.
 * Inner part of slip_onset; use that. */
#ifndef ANALYZE_NUMERICS_SLIP_SEARCH_H
#define ANALYZE_NUMERICS_SLIP_SEARCH_H

#include "analyze/numerics/slip_onset.h"

/* Base columns: constant, x (or F with an encoder), W, then cosine and sine of each feed ripple. */
#define SLIP_SEARCH_BASE_MAX (3 + 2 * SLIP_ONSET_RIPPLES_MAX)
#define SLIP_SEARCH_ALL_MAX  (SLIP_SEARCH_BASE_MAX + 2) /* with H and its derivative */

enum slip_search_column { SLIP_SEARCH_ONE, SLIP_SEARCH_LINEAR, SLIP_SEARCH_W, SLIP_SEARCH_REST };

/* Everything the candidate search needs, in scaled units: feed over its range, force over its greatest value.
 */
struct slip_search {
    size_t n, p;
    double *x, *f, *w, *y; /* rotor feed, smoothed force, work, the dependent variable */
    double *columns;       /* n rows of p */
    double x_scale, f_scale, y_scale;
    double prior_mean[SLIP_SEARCH_BASE_MAX],
        prior_weight[SLIP_SEARCH_BASE_MAX]; /* pseudo-observation of a coefficient, weight 0: none */
    bool encoder;
    size_t smooth_half; /* half width of the smoothing of f, samples */
};

/* Least squares of y on the first p entries of rows given by a callback-free normal matrix; used for p <=
 * SLIP_SEARCH_ALL_MAX on scaled columns, where the conditioning is mild. Returns false when the matrix is not
 * positive definite. */
struct slip_search_normal {
    size_t p;
    double matrix[SLIP_SEARCH_ALL_MAX * SLIP_SEARCH_ALL_MAX]; /* Cholesky factor after solving */
    double solution[SLIP_SEARCH_ALL_MAX];
};

void slip_search_free(struct slip_search *q);

enum err_code slip_search_set_up(const struct slip_onset_input *in, double motor_limit_n,
                                 struct slip_search *q, struct err *e);

/* Columns of the feed ripples: of the feed that a ripple adds, the share that the nip passes on, from the fit
 * so far (share lost c f + g * max(0, f - f_on) in scaled force). */
void slip_search_set_ripples(const struct slip_onset_input *in, struct slip_search *q, double c, double g,
                             double f_on);

/* Pseudo-observations, in the scaled units of y: coefficient j is expected at mean with standard deviation
 * sd. The displacement columns act on F through the stiffness, so its first estimate (scaled) comes in as
 * gain. found_mm: amplitudes of the ripples as last fitted; one that turns out larger than expected is then
 * expected to be so. */
void slip_search_set_priors(const struct slip_onset_input *in, struct slip_search *q, double gain,
                            const double *found_mm, double residual_variance);

bool slip_search_factor(struct slip_search_normal *s);

bool slip_search_solve(const struct slip_search_normal *s, const double *right, double *solution);

double slip_search_dot(const double *a, const double *b, size_t p);

/* Fit without onset: solution and penalised residual sum. */
bool slip_search_fit_base(const struct slip_search *q, struct slip_search_normal *s, double *residual_sum);

/* For every sample i as the onset, by how much the residual sum falls when H_i joins the base columns.
 * gain[i] is 0 where the slip would be negative or the candidate is too near an end. Sums run from the last
 * sample back; long double, because the products of H_i are differences of larger ones. */
void slip_search_gains(const struct slip_search *q, const struct slip_search_normal *base, double *gain);

/* Best onset as a fractional index: vertex of a parabola through the gains around the greatest one. The
 * neighbourhood is where the gain is within 3 residual variances of the best, and no wider: further out the
 * gain is not a parabola, and the vertex would lean to one side. 0: there is no maximum within the range. */
double slip_search_refine(const double *gain, size_t n, double residual_variance);

#endif
