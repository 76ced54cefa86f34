#include "analyze/numerics/slip_search.h"

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
    free(q->f);
    free(q->w);
    free(q->y);
    free(q->columns);
}

enum err_code slip_search_set_up(const struct slip_onset_input *in, double motor_limit_n,
                                 struct slip_search *q, struct err *e)
{
    size_t n = in->n;
    double force_greatest = 0;
    q->n = n;
    q->encoder = in->lost_mm != NULL;
    q->x = malloc(n * sizeof *q->x);
    q->f = malloc(n * sizeof *q->f);
    q->w = malloc(n * sizeof *q->w);
    q->y = malloc(n * sizeof *q->y);
    q->columns = malloc(n * SLIP_SEARCH_BASE_MAX * sizeof *q->columns);
    if (q->x == NULL || q->f == NULL || q->w == NULL || q->y == NULL || q->columns == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a loading of %zu samples", n);

    /* A window of about 1/80 of the loading: the force changes little in it, and the noise is averaged. */
    q->smooth_half = n / 160 + 1;
    smooth(in->force_n, n, q->smooth_half, q->f);
    for (size_t i = 0; i < n; i++)
        force_greatest = fmax(force_greatest, q->f[i]);
    q->x_scale = in->feed_mm[n - 1] - in->feed_mm[0];
    q->f_scale = force_greatest;
    if (!(q->x_scale > 0) || !(q->f_scale > 0))
        return err_set(e, ERR_NO_ANSWER, "the feed or the force does not rise in this loading");

    bool lagging = in->full_step_mm > 0 && motor_limit_n > 0;
    q->p = SLIP_SEARCH_REST + 2 * in->ripple_count;
    q->y_scale = q->encoder ? q->x_scale : q->f_scale;
    for (size_t i = 0; i < n; i++) {
        double lag_mm = lagging ? slip_onset_lag_mm(in->full_step_mm, q->f[i], motor_limit_n) : 0;
        double *row = q->columns + i * q->p;
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
    return ERR_OK;
}

void slip_search_set_ripples(const struct slip_onset_input *in, struct slip_search *q, double c, double g,
                             double f_on)
{
    for (size_t k = 0; k < in->ripple_count; k++) {
        double per_mm = 2 * M_PI / in->ripples[k].period_mm;
        double cosine = cos(per_mm * in->feed_mm[0]), sine = sin(per_mm * in->feed_mm[0]);
        double *row = q->columns + SLIP_SEARCH_REST + 2 * k;
        row[0] = cosine;
        row[1] = sine;
        for (size_t i = 1; i < q->n; i++) {
            double cosine_now = cos(per_mm * in->feed_mm[i]), sine_now = sin(per_mm * in->feed_mm[i]);
            double f = q->f[i] / q->f_scale;
            double passed = 1 - fmax(0, fmin(1, c * f + g * fmax(0, f - f_on)));
            row += q->p;
            row[0] = row[0 - (ptrdiff_t)q->p] + passed * (cosine_now - cosine);
            row[1] = row[1 - (ptrdiff_t)q->p] + passed * (sine_now - sine);
            cosine = cosine_now;
            sine = sine_now;
        }
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

bool slip_search_factor(struct slip_search_normal *s)
{
    gsl_matrix_view m = gsl_matrix_view_array(s->matrix, s->p, s->p);
    return gsl_linalg_cholesky_decomp1(&m.matrix) == GSL_SUCCESS;
}

bool slip_search_solve(const struct slip_search_normal *s, const double *right, double *solution)
{
    gsl_matrix_const_view m = gsl_matrix_const_view_array(s->matrix, s->p, s->p);
    gsl_vector_const_view b = gsl_vector_const_view_array(right, s->p);
    gsl_vector_view x = gsl_vector_view_array(solution, s->p);
    return gsl_linalg_cholesky_solve(&m.matrix, &b.vector, &x.vector) == GSL_SUCCESS;
}

double slip_search_dot(const double *a, const double *b, size_t p)
{
    double sum = 0;
    for (size_t j = 0; j < p; j++)
        sum += a[j] * b[j];
    return sum;
}

bool slip_search_fit_base(const struct slip_search *q, struct slip_search_normal *s, double *residual_sum)
{
    double right[SLIP_SEARCH_BASE_MAX] = {0};
    double sum = 0;
    s->p = q->p;
    memset(s->matrix, 0, sizeof s->matrix);
    for (size_t i = 0; i < q->n; i++) {
        const double *row = q->columns + i * q->p;
        for (size_t j = 0; j < q->p; j++) {
            for (size_t k = 0; k <= j; k++)
                s->matrix[j * q->p + k] += row[j] * row[k];
            right[j] += row[j] * q->y[i];
        }
    }
    for (size_t j = 0; j < q->p; j++) {
        s->matrix[j * q->p + j] += q->prior_weight[j];
        right[j] += q->prior_weight[j] * q->prior_mean[j];
        for (size_t k = 0; k < j; k++)
            s->matrix[k * q->p + j] = s->matrix[j * q->p + k];
    }
    if (!slip_search_factor(s) || !slip_search_solve(s, right, s->solution))
        return false;
    for (size_t i = 0; i < q->n; i++) {
        double r = q->y[i] - slip_search_dot(q->columns + i * q->p, s->solution, q->p);
        sum += r * r;
    }
    for (size_t j = 0; j < q->p; j++)
        sum += q->prior_weight[j] * gsl_pow_2(s->solution[j] - q->prior_mean[j]);
    *residual_sum = sum;
    return true;
}

void slip_search_gains(const struct slip_search *q, const struct slip_search_normal *base, double *gain)
{
    size_t n = q->n, p = q->p;
    size_t edge = n / 50 > 4 ? n / 50 : 4;
    double sign = q->encoder ? 1 : -1;
    long double one[SLIP_SEARCH_BASE_MAX] = {0}, x[SLIP_SEARCH_BASE_MAX] = {0}, w[SLIP_SEARCH_BASE_MAX] = {0};
    long double ww = 0, wx = 0, xx = 0, w1 = 0, x1 = 0, wy = 0, xy = 0, y1 = 0;
    for (size_t i = n; i-- > 0;) {
        const double *row = q->columns + i * p;
        long double X = q->x[i], W = q->w[i], Y = q->y[i], F = q->f[i] / q->f_scale;
        long double count = (long double)(n - i);
        double h[SLIP_SEARCH_BASE_MAX], solution[SLIP_SEARCH_BASE_MAX];
        for (size_t j = 0; j < p; j++) {
            one[j] += row[j];
            x[j] += X * row[j];
            w[j] += W * row[j];
        }
        ww += W * W;
        wx += W * X;
        xx += X * X;
        w1 += W;
        x1 += X;
        wy += W * Y;
        xy += X * Y;
        y1 += Y;
        gain[i] = 0;
        if (i < edge || n - i < edge)
            continue;
        for (size_t j = 0; j < p; j++)
            h[j] = (double)((w[j] - W * one[j]) - F * (x[j] - X * one[j]));
        long double dw2 = ww - 2 * W * w1 + count * W * W;
        long double dx2 = xx - 2 * X * x1 + count * X * X;
        long double dwx = wx - W * x1 - X * w1 + count * W * X;
        double hh = (double)(dw2 - 2 * F * dwx + F * F * dx2);
        double hy = (double)((wy - W * y1) - F * (xy - X * y1));
        if (!slip_search_solve(base, h, solution))
            continue;
        double rest = hh - slip_search_dot(h, solution, p);
        double up = hy - slip_search_dot(h, base->solution, p);
        /* A candidate whose H is all but a mix of the base columns decides nothing. */
        if (rest <= 1e-9 * hh || up * sign <= 0)
            continue;
        gain[i] = up * up / rest;
    }
}

double slip_search_refine(const double *gain, size_t n, double residual_variance)
{
    size_t best = 0, low, high;
    double s[5] = {0}, t[3] = {0};
    for (size_t i = 1; i < n; i++) {
        if (gain[i] > gain[best])
            best = i;
    }
    low = high = best;
    /* A best candidate at the end of the allowed range is no maximum: the onset may lie beyond. */
    if (best == 0 || best + 1 >= n || gain[best - 1] == 0 || gain[best + 1] == 0)
        return 0;
    while (low > 1 && gain[low - 1] > 0 &&
           (best - low < 1 || gain[low - 1] > gain[best] - 3 * residual_variance))
        low--;
    while (high + 2 < n && gain[high + 1] > 0 &&
           (high - best < 1 || gain[high + 1] > gain[best] - 3 * residual_variance))
        high++;
    double width = (double)(high - low) / 2;
    if (width < 1)
        return (double)best;
    double centre = (double)(low + high) / 2;
    for (size_t i = low; i <= high; i++) {
        double u = ((double)i - centre) / width, power = 1;
        for (size_t j = 0; j < 5; j++, power *= u) {
            s[j] += power;
            if (j < 3)
                t[j] += power * gain[i];
        }
    }
    double matrix[9] = {s[0], s[1], s[2], s[1], s[2], s[3], s[2], s[3], s[4]};
    double solution[3];
    gsl_matrix_view m = gsl_matrix_view_array(matrix, 3, 3);
    gsl_vector_view b = gsl_vector_view_array(t, 3);
    gsl_vector_view z = gsl_vector_view_array(solution, 3);
    if (gsl_linalg_cholesky_decomp1(&m.matrix) != GSL_SUCCESS ||
        gsl_linalg_cholesky_solve(&m.matrix, &b.vector, &z.vector) != GSL_SUCCESS || solution[2] >= 0)
        return (double)best;
    double vertex = -solution[1] / (2 * solution[2]);
    if (fabs(vertex) > 1)
        return (double)best;
    return centre + vertex * width;
}
