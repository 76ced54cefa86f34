#include "analyze/numerics/slip_search.h"

#include "analyze/numerics/parabola.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_math.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Moving average of 2 h + 1 samples, narrower towards the ends so that it stays centred: exact for a straight
 * line. */
static void smooth(const double *values, size_t n, size_t half, double *out)
{
    double sum = values[0];
    size_t low = 0, high = 0; /* inclusive window */
    for (size_t i = 0; i < n; i++) {
        size_t h = half;
        if (h > i)
            h = i;
        if (h > n - 1 - i)
            h = n - 1 - i;
        while (high < i + h)
            sum += values[++high];
        while (low < i - h)
            sum -= values[low++];
        while (high > i + h)
            sum -= values[high--];
        out[i] = sum / (double)(high - low + 1);
    }
}

void slip_search_free(struct slip_search *q)
{
    free(q->x);
    free(q->candidates);
}

/* Cosine and sine of each ripple's phase: the motor's limit does not change them, nor what the nip passes on.
 */
static void set_turns(const struct slip_onset_input *in, struct slip_search *q)
{
    for (size_t k = 0; k < in->ripple_count; k++) {
        double per_mm = 2 * M_PI / in->ripples[k].period_mm;
        for (size_t i = 0; i < q->n; i++) {
            double *turn = q->turns + (i * in->ripple_count + k) * 2;
            turn[0] = cos(per_mm * in->feed_mm[i]);
            turn[1] = sin(per_mm * in->feed_mm[i]);
        }
    }
}

enum err_code slip_search_set_up(const struct slip_onset_input *in, struct slip_search *q, struct err *e)
{
    size_t n = in->n;
    double force_greatest = 0;
    memset(q, 0, sizeof *q);
    q->n = n;
    q->p = SLIP_SEARCH_REST + 2 * in->ripple_count;
    q->encoder = in->lost_mm != NULL;
    q->x = calloc(n * (4 + SLIP_SEARCH_WIDTH + 2 * in->ripple_count), sizeof *q->x);
    q->candidates = malloc(n * sizeof *q->candidates);
    if (q->x == NULL || q->candidates == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a loading of %zu samples", n);
    q->f = q->x + n;
    q->w = q->f + n;
    q->y = q->w + n;
    q->columns = q->y + n;
    q->turns = q->columns + n * SLIP_SEARCH_WIDTH;

    /* A window of about 1/80 of the loading: the force changes little in it, and the noise is averaged. */
    q->smooth_half = n / 160 + 1;
    smooth(in->force_n, n, q->smooth_half, q->f);
    for (size_t i = 0; i < n; i++)
        force_greatest = fmax(force_greatest, q->f[i]);
    q->x_scale = in->feed_mm[n - 1] - in->feed_mm[0];
    q->f_scale = force_greatest;
    if (!(q->x_scale > 0) || !(q->f_scale > 0))
        return err_set(e, ERR_NO_ANSWER, "the feed or the force does not rise in this loading");
    q->y_scale = q->encoder ? q->x_scale : q->f_scale;
    set_turns(in, q);
    return ERR_OK;
}

void slip_search_set_limit(const struct slip_onset_input *in, double motor_limit_n, struct slip_search *q)
{
    bool lagging = in->full_step_mm > 0 && motor_limit_n > 0;
    for (size_t i = 0; i < q->n; i++) {
        double lag_mm = lagging ? slip_onset_lag_mm(in->full_step_mm, q->f[i], motor_limit_n) : 0;
        double *row = q->columns + i * SLIP_SEARCH_WIDTH;
        q->x[i] = (in->feed_mm[i] - in->feed_mm[0] - lag_mm) / q->x_scale;
        if (i == 0)
            q->w[i] = 0;
        else
            q->w[i] = q->w[i - 1] +
                      (in->force_n[i] + in->force_n[i - 1]) / (2 * q->f_scale) * (q->x[i] - q->x[i - 1]);
        q->y[i] = q->encoder ? (in->lost_mm[i] - lag_mm) / q->y_scale : in->force_n[i] / q->y_scale;
        row[SLIP_SEARCH_ONE] = 1;
        row[SLIP_SEARCH_LINEAR] = q->encoder ? q->f[i] / q->f_scale : q->x[i];
        row[SLIP_SEARCH_W] = q->w[i];
    }
}

void slip_search_set_ripples(const struct slip_onset_input *in, struct slip_search *q, double c, double g,
                             double f_on)
{
    size_t two = 2 * in->ripple_count;
    const double *turn = q->turns;
    double *row = q->columns + SLIP_SEARCH_REST;
    for (size_t j = 0; j < two; j++)
        row[j] = turn[j];
    for (size_t i = 1; i < q->n; i++) {
        double f = q->f[i] / q->f_scale, beyond = f > f_on ? f - f_on : 0, lost = c * f + g * beyond;
        double passed = lost < 0 ? 1 : lost > 1 ? 0 : 1 - lost;
        row += SLIP_SEARCH_WIDTH;
        turn += two;
        for (size_t j = 0; j < two; j++)
            row[j] = row[(ptrdiff_t)j - SLIP_SEARCH_WIDTH] +
                     passed * (turn[j] - turn[(ptrdiff_t)j - (ptrdiff_t)two]);
    }
}

void slip_search_set_priors(const struct slip_onset_input *in, struct slip_search *q, double gain,
                            const double *found_mm, double residual_variance)
{
    size_t j = SLIP_SEARCH_REST;
    memset(q->prior_mean, 0, sizeof q->prior_mean);
    memset(q->prior_weight, 0, sizeof q->prior_weight);
    for (size_t i = 0; i < in->ripple_count; i++, j += 2) {
        double sd = fmax(in->ripples[i].amplitude_mm, found_mm[i]) / q->x_scale * gain;
        q->prior_weight[j] = q->prior_weight[j + 1] = residual_variance / (sd * sd);
    }
}

void slip_search_reduce(const struct slip_search_normal *s, const double *right, double *out)
{
    double sum[SLIP_SEARCH_WIDTH] = {0};
    for (size_t j = 0; j < s->p; j++) {
        for (size_t k = 0; k < SLIP_SEARCH_WIDTH; k++)
            sum[k] += right[j] * s->inverse_factor[j][k];
    }
    memcpy(out, sum, sizeof sum);
}

void slip_search_expand(const struct slip_search_normal *s, const double *reduced, double *solution)
{
    for (size_t j = 0; j < SLIP_SEARCH_WIDTH; j++)
        solution[j] = slip_search_dot(s->inverse_factor[j], reduced);
}

/* A product with the inverse of the factor is a handful of multiplications here, and one is made for every
 * candidate of every fit: a solve through a matrix library cost several times the arithmetic. */
static bool invert_factor(struct slip_search_normal *s)
{
    double factor[SLIP_SEARCH_BASE_MAX * SLIP_SEARCH_BASE_MAX];
    size_t p = s->p;
    for (size_t j = 0; j < p; j++)
        memcpy(factor + j * p, s->matrix[j], p * sizeof *factor);
    gsl_matrix_view m = gsl_matrix_view_array(factor, p, p);
    if (gsl_linalg_cholesky_decomp1(&m.matrix) != GSL_SUCCESS ||
        gsl_linalg_tri_invert(CblasLower, CblasNonUnit, &m.matrix) != GSL_SUCCESS)
        return false;
    memset(s->inverse_factor, 0, sizeof s->inverse_factor);
    for (size_t j = 0; j < p; j++) {
        for (size_t k = j; k < p; k++)
            s->inverse_factor[j][k] = factor[k * p + j];
    }
    return true;
}

/* Two rows of the matrix of products, from column j on, which is all that is looked at. The sums stay in
 * registers meanwhile; in place they would be stored and loaded with every sample. */
static void add_products(const struct slip_search *q, size_t j, double *first, double *second)
{
    double a[SLIP_SEARCH_WIDTH] = {0}, b[SLIP_SEARCH_WIDTH] = {0};
    for (size_t i = 0; i < q->n; i++) {
        const double *row = q->columns + i * SLIP_SEARCH_WIDTH;
        for (size_t k = 0; k < SLIP_SEARCH_WIDTH; k++) {
            a[k] += row[j] * row[k];
            b[k] += row[j + 1] * row[k];
        }
    }
    memcpy(first, a, sizeof a);
    memcpy(second, b, sizeof b);
}

bool slip_search_fit_base(const struct slip_search *q, struct slip_search_normal *s)
{
    double right[SLIP_SEARCH_WIDTH] = {0};
    s->p = q->p;
    memset(s->matrix, 0, sizeof s->matrix);
    for (size_t j = 0; j < q->p; j += 2) /* SLIP_SEARCH_WIDTH is even */
        add_products(q, j, s->matrix[j], s->matrix[j + 1]);
    for (size_t i = 0; i < q->n; i++) {
        const double *row = q->columns + i * SLIP_SEARCH_WIDTH;
        for (size_t j = 0; j < SLIP_SEARCH_WIDTH; j++)
            right[j] += row[j] * q->y[i];
    }
    for (size_t j = 0; j < q->p; j++) {
        s->matrix[j][j] += q->prior_weight[j];
        right[j] += q->prior_weight[j] * q->prior_mean[j];
    }
    if (!invert_factor(s))
        return false;
    slip_search_reduce(s, right, s->reduced);
    slip_search_expand(s, s->reduced, s->solution);
    return true;
}

double slip_search_base_residuals(const struct slip_search *q, const struct slip_search_normal *s, double *r)
{
    double sum = 0;
    for (size_t i = 0; i < q->n; i++) {
        r[i] = q->y[i] - slip_search_dot(q->columns + i * SLIP_SEARCH_WIDTH, s->solution);
        sum += r[i] * r[i];
    }
    return sum;
}

double slip_search_prior_misfit(const struct slip_search *q, const double *solution)
{
    double sum = 0;
    for (size_t j = 0; j < q->p; j++)
        sum += q->prior_weight[j] * gsl_pow_2(solution[j] - q->prior_mean[j]);
    return sum;
}

/* The products of every candidate. Sums with W - W_i and x - x_i are carried on from each sample to the one
 * before it, so that nothing is the difference of large numbers. */
static void take_candidates(const struct slip_search *q)
{
    size_t n = q->n;
    /* Sums over the samples past i: of the columns and of y alone, and times W - W_i and x - x_i. */
    double one[SLIP_SEARCH_WIDTH] = {0}, w[SLIP_SEARCH_WIDTH] = {0}, x[SLIP_SEARCH_WIDTH] = {0};
    double y1 = 0, wy = 0, xy = 0, w1 = 0, x1 = 0, ww = 0, wx = 0, xx = 0;
    for (size_t i = n - 1; i-- > 0;) {
        struct slip_search_candidate *c = &q->candidates[i];
        const double *row = q->columns + (i + 1) * SLIP_SEARCH_WIDTH;
        double dw = q->w[i + 1] - q->w[i], dx = q->x[i + 1] - q->x[i], f = q->f[i] / q->f_scale;
        double count = (double)(n - 1 - i);
        for (size_t j = 0; j < SLIP_SEARCH_WIDTH; j++) {
            one[j] += row[j];
            w[j] += dw * one[j];
            x[j] += dx * one[j];
            c->h[j] = w[j] - f * x[j];
        }
        ww += dw * (2 * w1 + dw * count);
        wx += dw * x1 + dx * w1 + dw * dx * count;
        xx += dx * (2 * x1 + dx * count);
        w1 += dw * count;
        x1 += dx * count;
        y1 += q->y[i + 1];
        wy += dw * y1;
        xy += dx * y1;
        c->hh = ww - 2 * f * wx + f * f * xx;
        c->hy = wy - f * xy;
    }
}

static double gain_of(const struct slip_search_candidate *c, const struct slip_search_normal *base,
                      double sign)
{
    double reduced[SLIP_SEARCH_WIDTH];
    slip_search_reduce(base, c->h, reduced);
    double rest = c->hh - slip_search_dot(reduced, reduced);
    double up = c->hy - slip_search_dot(reduced, base->reduced);
    /* A candidate whose H is all but a mix of the base columns decides nothing. */
    return rest <= 1e-9 * c->hh || up * sign <= 0 ? 0 : up * up / rest;
}

void slip_search_gains(const struct slip_search *q, const struct slip_search_normal *base, double within,
                       double *gain)
{
    size_t n = q->n, edge = n / 50 > 4 ? n / 50 : 4, end = n - edge + 1;
    double sign = q->encoder ? 1 : -1, best = 0;
    take_candidates(q);
    for (size_t i = 0; i < n; i++)
        gain[i] = i < edge || i >= end ? 0 : NAN;
    for (size_t i = edge; i < end; i += SLIP_SEARCH_STRIDE) {
        gain[i] = gain_of(&q->candidates[i], base, sign);
        best = fmax(best, gain[i]);
    }
    for (size_t i = edge; i < end; i += SLIP_SEARCH_STRIDE) {
        if (gain[i] < best - within)
            continue;
        for (size_t k = i > edge + SLIP_SEARCH_STRIDE ? i - SLIP_SEARCH_STRIDE : edge;
             k < end && k <= i + SLIP_SEARCH_STRIDE; k++) {
            if (isnan(gain[k]))
                gain[k] = gain_of(&q->candidates[k], base, sign);
        }
    }
}

double slip_search_refine(const double *gain, size_t n, double residual_variance)
{
    size_t best = 0, low, high;
    struct parabola p;
    for (size_t i = 1; i < n; i++) {
        if (gain[i] > gain[best])
            best = i;
    }
    low = high = best;
    /* A best candidate at the end of the allowed range is no maximum: the onset may lie beyond. */
    if (best == 0 || best + 1 >= n || gain[best - 1] == 0 || gain[best + 1] == 0)
        return 0;
    while (low > 1 && gain[low - 1] > 0 &&
           (best - low < 1 || gain[low - 1] > gain[best] - SLIP_SEARCH_NEAR * residual_variance))
        low--;
    while (high + 2 < n && gain[high + 1] > 0 &&
           (high - best < 1 || gain[high + 1] > gain[best] - SLIP_SEARCH_NEAR * residual_variance))
        high++;
    if (high - low < 2 || parabola_fit(NULL, gain + low, high - low + 1, 2, &p, NULL) != ERR_OK ||
        p.coefficients[2] >= 0)
        return (double)best;
    double vertex = -p.coefficients[1] / (2 * p.coefficients[2]);
    return fabs(vertex) > 1 ? (double)best : (double)low + p.centre + vertex / p.per_scale;
}
