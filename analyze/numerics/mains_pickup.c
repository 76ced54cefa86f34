#include "analyze/numerics/mains_pickup.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_fft_real.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const double MAINS_PICKUP_HZ[MAINS_PICKUP_LINES] = {50, 60, 100, 120};

/* Length of a block, s, and of the shortest stretch: two periods of the 10 Hz between two lines. */
#define BLOCK_S    0.5
#define SHORTEST_S 0.2
/* Readings are averaged to this rate or up to twice as many, Hz: far enough above the highest line. */
#define ENOUGH_HZ 600.0
/* Fourier frequencies beside a line that tell the noise, and the fewest of them. */
#define NEIGHBOURS       12
#define NEIGHBOURS_LEAST 4
/* Distance from any line, in Fourier frequencies, that a neighbour keeps. */
#define APART 1.5

enum { COLUMNS_MAX = 2 + 2 * MAINS_PICKUP_LINES };

/* Readings averaged, and the room that one block takes. */
struct work {
    size_t n, block_n, blocks;
    double rate_hz;
    double *t_s, *y; /* n of each */
    double *columns, *residual;
    size_t columns_first;   /* first reading of the block that the columns were made for */
    gsl_matrix *covariance; /* of these columns, for a variance of 1; NULL: none were made */
    gsl_fft_real_wavetable *table;
    gsl_fft_real_workspace *space;
};

/* Sums over the blocks, for one line. */
struct line_sum {
    double wald, square, unit_variance; /* fitted squares, in the covariance's unit and plain; its diagonal */
    double background;                  /* mean square of residuals beside the line */
    size_t neighbours;                  /* in one block: the same in all */
};

static void work_free(struct work *w)
{
    free(w->t_s);
    free(w->columns);
    gsl_matrix_free(w->covariance);
    gsl_fft_real_wavetable_free(w->table);
    gsl_fft_real_workspace_free(w->space);
}

static enum err_code work_begin(const double *t_s, const double *y, size_t n, size_t join, struct work *w,
                                struct err *e)
{
    w->n = n / join;
    w->t_s = calloc(2 * w->n + 1, sizeof *w->t_s);
    w->y = w->t_s != NULL ? w->t_s + w->n : NULL;
    for (size_t i = 0; w->t_s != NULL && i < w->n * join; i++) {
        /* From the first on: a clock that has run for days costs no digits. */
        w->t_s[i / join] += (t_s[i] - t_s[0]) / (double)join;
        w->y[i / join] += (y[i] - y[0]) / (double)join;
    }
    w->blocks = (size_t)((double)w->n / w->rate_hz / BLOCK_S);
    w->blocks = w->blocks > 0 ? w->blocks : 1;
    w->block_n = w->n / w->blocks;
    w->columns = malloc((w->block_n * (COLUMNS_MAX + 1) + 1) * sizeof *w->columns);
    w->residual = w->columns != NULL ? w->columns + w->block_n * COLUMNS_MAX : NULL;
    w->table = gsl_fft_real_wavetable_alloc(w->block_n);
    w->space = gsl_fft_real_workspace_alloc(w->block_n);
    if (w->t_s == NULL || w->columns == NULL || w->table == NULL || w->space == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to look for mains pick-up in %zu readings", n);
    return ERR_OK;
}

/* A step of the clock from one block to the next that changes nothing, s. */
#define SAME_TIME_S 1e-9

/* Whether the readings from first on are spaced like those that the columns were made for. */
static bool same_times(const struct work *w, size_t first)
{
    const double *t_s = w->t_s + first, *made_s = w->t_s + w->columns_first;
    for (size_t i = 1; i < w->block_n; i++) {
        if (fabs(t_s[i] - t_s[0] - (made_s[i] - made_s[0])) > SAME_TIME_S)
            return false;
    }
    return true;
}

/* Columns of the block: mean, drift, and cosine and sine of each visible line, p of them; and the inverse of
 * their products. Over two periods of every difference between two lines the columns are nearly orthogonal,
 * so that the normal equations cost no digits that matter. */
static enum err_code make_columns(struct work *w, const struct mains_pickup *m, size_t first, size_t p,
                                  struct err *e)
{
    double length_s = w->t_s[first + w->block_n - 1] - w->t_s[first];
    w->columns_first = first;
    gsl_matrix_free(w->covariance);
    w->covariance = gsl_matrix_calloc(p, p);
    if (w->covariance == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to look for mains pick-up");
    for (size_t i = 0; i < w->block_n; i++) {
        double *row = w->columns + i * p, t_s = w->t_s[first + i] - w->t_s[first];
        size_t k = 2;
        row[0] = 1;
        row[1] = 2 * t_s / length_s - 1;
        for (int j = 0; j < MAINS_PICKUP_LINES; j++) {
            if (!m->lines[j].visible)
                continue;
            row[k++] = cos(2 * M_PI * MAINS_PICKUP_HZ[j] * t_s);
            row[k++] = sin(2 * M_PI * MAINS_PICKUP_HZ[j] * t_s);
        }
        for (size_t a = 0; a < p; a++) {
            for (size_t b = 0; b <= a; b++)
                *gsl_matrix_ptr(w->covariance, a, b) += row[a] * row[b];
        }
    }
    if (gsl_linalg_cholesky_decomp1(w->covariance) != GSL_SUCCESS ||
        gsl_linalg_cholesky_invert(w->covariance) != GSL_SUCCESS)
        return err_set(e, ERR_NO_ANSWER, "the times of the readings cannot tell the mains from a drift");
    return ERR_OK;
}

/* By least squares; residuals are left in w->residual. */
static enum err_code fit_block(struct work *w, const struct mains_pickup *m, size_t first,
                               double coefficients[COLUMNS_MAX], struct err *e)
{
    size_t p = 2 + 2 * m->visible_count;
    const double *y = w->y + first;
    double products[COLUMNS_MAX] = {0};
    enum err_code code = ERR_OK;
    if (w->covariance == NULL || !same_times(w, first))
        code = make_columns(w, m, first, p, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < w->block_n; i++) {
        for (size_t k = 0; k < p; k++)
            products[k] += w->columns[i * p + k] * y[i];
    }
    for (size_t k = 0; k < p; k++) {
        coefficients[k] = 0;
        for (size_t l = 0; l < p; l++)
            coefficients[k] += gsl_matrix_get(w->covariance, k, l) * products[l];
    }
    for (size_t i = 0; i < w->block_n; i++) {
        w->residual[i] = y[i];
        for (size_t k = 0; k < p; k++)
            w->residual[i] -= coefficients[k] * w->columns[i * p + k];
    }
    return ERR_OK;
}

static bool beside_all(const struct mains_pickup *m, double hz, double bin_hz)
{
    for (int j = 0; j < MAINS_PICKUP_LINES; j++) {
        if (m->lines[j].visible && fabs(hz - MAINS_PICKUP_HZ[j]) < APART * bin_hz)
            return false;
    }
    return true;
}

/* Mean square of the transformed residuals at the Fourier frequencies nearest to line j, from one step to the
 * next farther away on both sides; each is the variance of one reading where the noise is flat. */
static double background(const struct work *w, const struct mains_pickup *m, int j, size_t *count)
{
    double bin_hz = w->rate_hz / (double)w->block_n, sum = 0;
    long middle = lround(MAINS_PICKUP_HZ[j] / bin_hz), last = ((long)w->block_n - 1) / 2;
    *count = 0;
    for (long away = 1; away <= last && *count < NEIGHBOURS; away++) {
        for (int side = -1; side <= 1; side += 2) {
            long bin = middle + side * away;
            /* The first bins hold what is left of a drift that is not straight. */
            if (bin < 2 || bin > last || !beside_all(m, (double)bin * bin_hz, bin_hz))
                continue;
            double real = w->residual[2 * bin - 1], imaginary = w->residual[2 * bin];
            sum += (real * real + imaginary * imaginary) / (double)w->block_n;
            ++*count;
        }
    }
    return *count > 0 ? sum / (double)*count : 0;
}

static enum err_code add_block(struct work *w, const struct mains_pickup *m, size_t first,
                               struct line_sum *sums, struct err *e)
{
    double coefficients[COLUMNS_MAX];
    size_t k = 2;
    enum err_code code = fit_block(w, m, first, coefficients, e);
    if (code != ERR_OK)
        return code;
    if (gsl_fft_real_transform(w->residual, 1, w->block_n, w->table, w->space) != GSL_SUCCESS)
        return err_set(e, ERR_NO_ANSWER, "a block of readings could not be transformed");
    for (int j = 0; j < MAINS_PICKUP_LINES; j++) {
        if (!m->lines[j].visible)
            continue;
        double a = coefficients[k], b = coefficients[k + 1];
        double aa = gsl_matrix_get(w->covariance, k, k), ab = gsl_matrix_get(w->covariance, k, k + 1);
        double bb = gsl_matrix_get(w->covariance, k + 1, k + 1);
        sums[j].wald += (bb * a * a - 2 * ab * a * b + aa * b * b) / (aa * bb - ab * ab);
        sums[j].square += a * a + b * b;
        sums[j].unit_variance += aa + bb;
        sums[j].background += background(w, m, j, &sums[j].neighbours);
        k += 2;
    }
    return ERR_OK;
}

/* What averaging over so many readings leaves of a sinusoid. */
static double gain_of(double hz, size_t join, double interval_s)
{
    double half = M_PI * hz * interval_s;
    return join > 1 ? sin((double)join * half) / ((double)join * sin(half)) : 1;
}

static void judge(const struct line_sum *s, double gain, double level, double blocks, struct mains_line *line,
                  double *detectable)
{
    double degrees = 2 * blocks, beside = degrees * (double)s->neighbours, variance = s->background / blocks;
    double unit = s->unit_variance / blocks, least = gsl_cdf_fdist_Qinv(level, degrees, beside);
    line->amplitude = sqrt(fmax(0, s->square / blocks - unit * variance)) / gain;
    line->standard_uncertainty = sqrt(unit / 2 * variance / blocks) / gain;
    if (variance > 0)
        line->p_value = gsl_cdf_fdist_Q(s->wald / degrees / variance, degrees, beside);
    else
        line->p_value = s->wald > 0 ? 0 : 1;
    line->found = line->p_value < level;
    *detectable = fmax(*detectable, sqrt(unit * variance * (least - 1)) / gain);
}

/* Which lines can be seen, with noise beside them to hold them against. */
static void find_visible(const struct work *w, struct mains_pickup *m)
{
    double bin_hz = w->rate_hz / (double)w->block_n;
    for (int j = 0; j < MAINS_PICKUP_LINES; j++) {
        m->lines[j].visible = MAINS_PICKUP_HZ[j] + bin_hz <= w->rate_hz / 2;
        m->visible_count += m->lines[j].visible;
    }
}

static enum err_code check(const double *t_s, const double *y, size_t n, struct err *e)
{
    if (n < 2 || !(t_s[n - 1] - t_s[0] >= SHORTEST_S * (1 - 1 / (double)n)))
        return err_set(e, ERR_NO_ANSWER, "the unloaded stretch is shorter than %g s", SHORTEST_S);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(t_s[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "reading %zu is not a finite number", i + 1);
    }
    return ERR_OK;
}

enum err_code mains_pickup_find(const double *t_s, const double *y, size_t n, double false_alarm,
                                struct mains_pickup *m, struct err *e)
{
    struct line_sum sums[MAINS_PICKUP_LINES] = {0};
    struct work w = {0};
    double interval_s, variance = 0;
    size_t join;
    enum err_code code = check(t_s, y, n, e);
    memset(m, 0, sizeof *m);
    if (code != ERR_OK)
        return code;
    interval_s = (t_s[n - 1] - t_s[0]) / (double)(n - 1);
    join = (size_t)(1 / interval_s / ENOUGH_HZ);
    join = join > 0 ? join : 1;
    w.rate_hz = 1 / interval_s / (double)join;
    if (w.rate_hz <= 2 * MAINS_PICKUP_HZ[0])
        return err_set(e, ERR_NO_ANSWER, "%.3g readings a second cannot show %g Hz", w.rate_hz,
                       MAINS_PICKUP_HZ[0]);
    code = work_begin(t_s, y, n, join, &w, e);
    if (code == ERR_OK)
        find_visible(&w, m);
    if (code == ERR_OK && m->visible_count == 0)
        code = err_set(e, ERR_NO_ANSWER, "%.3g readings a second cannot show %g Hz", w.rate_hz,
                       MAINS_PICKUP_HZ[0]);
    for (size_t i = 0; code == ERR_OK && i < w.blocks; i++)
        code = add_block(&w, m, i * w.block_n, sums, e);
    for (int j = 0; code == ERR_OK && j < MAINS_PICKUP_LINES; j++) {
        if (!m->lines[j].visible)
            continue;
        if (sums[j].neighbours < NEIGHBOURS_LEAST)
            code = err_set(e, ERR_NO_ANSWER, "too few readings to tell a line from noise");
        else
            judge(&sums[j], gain_of(MAINS_PICKUP_HZ[j], join, interval_s),
                  false_alarm / (double)m->visible_count, (double)w.blocks, &m->lines[j], &m->detectable);
        variance += sums[j].background / (double)w.blocks / (double)m->visible_count;
    }
    /* Of one reading, not of the mean of some. */
    m->noise_sd = sqrt(variance * (double)join);
    work_free(&w);
    return code;
}
