/* The search behind slip_onset: the linear problem of one loading, and the gain of every sample as the onset.
 * Inner part of slip_onset; use that. */
#ifndef ANALYZE_NUMERICS_SLIP_SEARCH_H
#define ANALYZE_NUMERICS_SLIP_SEARCH_H

#include "analyze/numerics/slip_onset.h"

/* Base columns: constant, x (or F with an encoder), W, then cosine and sine of each feed ripple. */
#define SLIP_SEARCH_BASE_MAX (3 + 2 * SLIP_ONSET_RIPPLES_MAX)
#define SLIP_SEARCH_ALL_MAX  (SLIP_SEARCH_BASE_MAX + 2) /* with H and its derivative */
/* Rows and coefficients of the base columns are this long, zeros behind the p that are in use: loops of one
 * known length, without a remainder. */
#define SLIP_SEARCH_WIDTH 8

enum slip_search_column { SLIP_SEARCH_ONE, SLIP_SEARCH_LINEAR, SLIP_SEARCH_W, SLIP_SEARCH_REST };

/* Sums of products of H_i with the base columns, with itself and with y. */
struct slip_search_candidate {
    double h[SLIP_SEARCH_WIDTH], hh, hy;
};

/* Everything the candidate search needs, in scaled units: feed over its range, force over its greatest value.
 */
struct slip_search {
    size_t n, p;
    double *x, *f, *w, *y;                    /* rotor feed, smoothed force, work, the dependent variable */
    double *columns;                          /* n rows of SLIP_SEARCH_WIDTH */
    struct slip_search_candidate *candidates; /* n of them */
    double *turns; /* n rows of cosine and sine of each ripple at the commanded feed */
    double x_scale, f_scale, y_scale;
    double prior_mean[SLIP_SEARCH_WIDTH],
        prior_weight[SLIP_SEARCH_WIDTH]; /* pseudo-observation of a coefficient, weight 0: none */
    bool encoder;
    size_t smooth_half; /* half width of the smoothing of f, samples */
};

/* Least squares of y on the base columns by the normal equations: p is small and the columns are scaled, so
 * the conditioning is mild. */
struct slip_search_normal {
    size_t p;
    double matrix[SLIP_SEARCH_WIDTH][SLIP_SEARCH_WIDTH];
    double inverse_factor[SLIP_SEARCH_WIDTH][SLIP_SEARCH_WIDTH]; /* L^-1 of the Cholesky factor, by columns */
    double reduced[SLIP_SEARCH_WIDTH];                           /* L^-1 of the right-hand side */
    double solution[SLIP_SEARCH_WIDTH];
};

/* Room for the loading, and all of it that the motor's limit does not change. ERR_NO_ANSWER when feed or
 * force does not rise; slip_search_free in every case. */
enum err_code slip_search_set_up(const struct slip_onset_input *in, struct slip_search *q, struct err *e);
void slip_search_free(struct slip_search *q);

/* Feed, work and dependent variable with the rotor's lag of that limit of the motor (N; 0: no lag) taken off.
 */
void slip_search_set_limit(const struct slip_onset_input *in, double motor_limit_n, struct slip_search *q);

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

static inline double slip_search_dot(const double *a, const double *b)
{
    return ((a[0] * b[0] + a[1] * b[1]) + (a[2] * b[2] + a[3] * b[3])) +
           ((a[4] * b[4] + a[5] * b[5]) + (a[6] * b[6] + a[7] * b[7]));
}

/* Fit without onset. False when the columns do not determine it. */
bool slip_search_fit_base(const struct slip_search *q, struct slip_search_normal *s);
/* Residuals of the fit without onset into r (n of them); returns the sum of their squares. */
double slip_search_base_residuals(const struct slip_search *q, const struct slip_search_normal *s, double *r);
/* Sum over the pseudo-observations of weight times squared misfit for these base coefficients. */
double slip_search_prior_misfit(const struct slip_search *q, const double *solution);

/* out = L^-1 right: the first half of a solution, whose squares sum up to right' M^-1 right. */
void slip_search_reduce(const struct slip_search_normal *s, const double *right, double *out);
/* solution = L'^-1 reduced: the second half. */
void slip_search_expand(const struct slip_search_normal *s, const double *reduced, double *solution);

/* For samples i as the onset, by how much the residual sum falls when H_i joins the base columns: 0 where the
 * slip would be negative or the candidate is too near an end. The gain changes little from one sample to the
 * next, so one in SLIP_SEARCH_STRIDE is worked out, and all of them from before the first to past the last
 * that comes within `within` of the best; NAN elsewhere. gain has room for n. */
#define SLIP_SEARCH_STRIDE 4
void slip_search_gains(const struct slip_search *q, const struct slip_search_normal *base, double within,
                       double *gain);

/* Best onset as a fractional index: vertex of a parabola through the gains around the greatest one. The
 * neighbourhood is where the gain is within this many residual variances of the best, and no wider: further
 * out the gain is not a parabola, and the vertex would lean to one side. 0: there is no maximum within the
 * range. */
#define SLIP_SEARCH_NEAR 3
double slip_search_refine(const double *gain, size_t n, double residual_variance);

#endif
