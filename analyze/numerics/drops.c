#include "analyze/numerics/drops.h"

#include "analyze/numerics/pair.h"
#include "analyze/numerics/parabola.h"

#include <gsl/gsl_fft_halfcomplex.h>
#include <gsl/gsl_fft_real.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define WIDEST 64u
/* A fall goes on while each sample lies this many standard deviations of a difference below the one before.
 */
#define FALL_GOES_ON 4.0
/* Share of a rise, and of the typical distance between drops, that the fit before a drop looks back on. */
#define LOOK_BACK 0.3
/* The shape of a motor's rise is known, so more of it may be used. */
#define MOTOR_LOOK_BACK 0.8
/* Most points of a rise that are fitted; steps of the load angle at which its shape is worked out. */
#define RISE_POINTS 24
#define RISE_NODES  25
/* Places of the even grid of feed for the autocorrelation, for each drop and in all; powers of two. */
#define GRID_PER_DROP 32
#define GRID_LEAST    256
#define GRID_MOST     4096
/* A fit has settled when its peak moves by less than this share of its standard error. */
#define RISE_SETTLED 0.002

/* Sum of w samples before j minus sum of w samples from j on: w times the size of a step down at j. */
static inline double step_down(const double *sums, size_t j, size_t w)
{
    return (sums[j] - sums[j - w]) - (sums[j + w] - sums[j]);
}

/* What a comparison of pairs comes to. */
typedef int64_t pair_mask __attribute__((vector_size(2 * sizeof(int64_t))));

static inline pair steps_down(const double *sums, size_t j, size_t w)
{
    pair here = pair_at(sums + j);
    return (here - pair_at(sums + j - w)) - (pair_at(sums + j + w) - here);
}

/* The first j from here on with a step down of threshold; with none, the first that has no w samples ahead.
 * Most of a push is passed over here, so four are looked at at once. */
static size_t next_step(const double *sums, size_t n, size_t j, size_t w, double threshold)
{
    for (; j + w + 3 <= n; j += 4) {
        pair_mask below = (steps_down(sums, j, w) < threshold) & (steps_down(sums, j + 2, w) < threshold);
        if ((below[0] & below[1]) == 0)
            break;
    }
    while (j + w <= n && step_down(sums, j, w) < threshold)
        j++;
    return j;
}

static double *running_sums(const double *values, size_t n)
{
    double *sums = malloc((n + 1) * sizeof *sums);
    if (sums == NULL)
        return NULL;
    sums[0] = 0;
    for (size_t i = 0; i < n; i++)
        sums[i + 1] = sums[i] + values[i];
    return sums;
}

static double plain_sd(const double *values, size_t n)
{
    return n < 2 ? 0 : gsl_stats_sd(values, 1, n);
}

/* Scatter of the step filter of width w on the quiet stretch; white noise is assumed where the stretch is too
 * short. */
static double filter_sd(const double *sums, size_t n, size_t w, double noise_n)
{
    double square = 0;
    size_t count = 0;
    if (n >= 8 * w) {
        for (size_t j = w; j + w <= n; j++, count++) {
            double step = step_down(sums, j, w);
            square += step * step;
        }
        return sqrt(square / (double)count) / (double)w;
    }
    return noise_n * sqrt(2.0 / (double)w);
}

static int by_index(const void *a, const void *b)
{
    const struct drop *p = a, *q = b;
    return p->index < q->index ? -1 : p->index > q->index;
}

static int taken(const struct drop *drops, size_t count, size_t j, size_t w)
{
    for (size_t i = 0; i < count; i++) {
        size_t d = drops[i].index > j ? drops[i].index - j : j - drops[i].index;
        if (d <= w)
            return 1;
    }
    return 0;
}

/* Whether one of the next two samples lies clearly below sample i: two are looked at, so that noise on one
 * does not hide a fall that goes on. A rise between them is another cycle. */
static int falls_after(const double *force_n, size_t i, size_t n, double clear_n)
{
    if (i + 1 < n && force_n[i] - force_n[i + 1] > clear_n)
        return 1;
    return i + 2 < n && force_n[i] - force_n[i + 2] > clear_n && force_n[i + 1] - force_n[i] < clear_n / 2;
}

static int fell_before(const double *force_n, size_t i, size_t low, double clear_n)
{
    if (i > low && force_n[i - 1] - force_n[i] > clear_n)
        return 1;
    return i > low + 1 && force_n[i - 2] - force_n[i] > clear_n &&
           force_n[i - 1] - force_n[i - 2] < clear_n / 2;
}

/* A load cell of limited bandwidth, or a tear that takes its time, spreads a drop over several samples. Mark
 * where each begins and where it is over, and make one of several that were found in the same fall. */
static size_t mark_falls(const double *force_n, size_t n, double noise_n, struct drop *drops, size_t count)
{
    double clear_n = FALL_GOES_ON * M_SQRT2 * noise_n;
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        struct drop *d = drops + i;
        size_t low = kept > 0 ? drops[kept - 1].over : 0;
        if (kept > 0 && d->index <= low)
            continue;
        d->over = d->index;
        while (d->index > low + 1 && fell_before(force_n, d->index - 1, low, clear_n))
            d->index--;
        while (falls_after(force_n, d->over, n, clear_n))
            d->over++;
        drops[kept++] = *d;
    }
    return kept;
}

/* Straight line (degree 1) or parabola through samples low..high-1: its value, standard error and slope at
 * feed at_mm. Their own scatter, but where few samples tell little of it the quiet stretch tells more. */
static double value_at(const double *feed_mm, const double *force_n, size_t low, size_t high, double at_mm,
                       int degree, double noise_n, double *standard_error, double *slope)
{
    struct parabola p;
    *standard_error = noise_n;
    *slope = 0;
    if (parabola_fit(feed_mm + low, force_n + low, high - low, degree, &p, NULL) != ERR_OK)
        return force_n[high - 1];
    *standard_error = parabola_relative_sd(&p, at_mm) * fmax(p.residual_sd, noise_n);
    *slope = parabola_slope(&p, at_mm);
    return parabola_value(&p, at_mm);
}

static size_t typical_distance(const struct drop *drops, size_t count, size_t n)
{
    size_t least = n;
    double *distance;
    if (count < 2)
        return drops[0].index;
    distance = malloc((count - 1) * sizeof *distance);
    if (distance == NULL)
        return least;
    for (size_t i = 1; i < count; i++)
        distance[i - 1] = (double)(drops[i].index - drops[i - 1].index);
    gsl_sort(distance, 1, count - 1);
    least = (size_t)gsl_stats_median_from_sorted_data(distance, 1, count - 1);
    free(distance);
    return least < 1 ? 1 : least;
}

static void read_peaks(const double *feed_mm, const double *force_n, size_t n, double noise_n,
                       struct drop *drops, size_t count)
{
    size_t typical = typical_distance(drops, count, n);
    for (size_t i = 0; i < count; i++) {
        struct drop *d = drops + i;
        size_t start = i == 0 ? 0 : drops[i - 1].over, end = d->index;
        size_t next = i + 1 < count ? drops[i + 1].index : n;
        size_t rise = end - start < typical ? end - start : typical;
        size_t back = (size_t)(LOOK_BACK * (double)rise + 0.5);
        double spacing = feed_mm[end] - feed_mm[end - 1], slope, trough_error, trough_slope;
        d->feed_mm = feed_mm[end] - spacing / 2;
        if (back < 4)
            back = rise < 4 ? rise : 4;
        if (back < 2) {
            d->peak_n = force_n[end - 1];
            d->peak_standard_error_n = noise_n;
        } else {
            d->peak_n = value_at(feed_mm, force_n, end - back, end, d->feed_mm, back >= 16 ? 2 : 1, noise_n,
                                 &d->peak_standard_error_n, &slope);
            /* Where between two samples the drop fell is not known: uniform over one spacing. */
            d->peak_standard_error_n = hypot(d->peak_standard_error_n, slope * spacing / sqrt(12));
        }
        size_t ahead = (size_t)(0.3 * (double)(next - d->over) + 0.5);
        if (ahead > typical)
            ahead = typical;
        if (ahead < 3)
            ahead = next - d->over < 3 ? next - d->over : 3;
        d->trough_n = ahead < 3 ? force_n[d->over]
                                : value_at(feed_mm, force_n, d->over, d->over + ahead, d->feed_mm, 1, noise_n,
                                           &trough_error, &trough_slope);
    }
}

size_t drops_find(const double *feed_mm, const double *force_n, size_t n, const double *quiet_n_values,
                  size_t quiet_count, double least_n, struct drop *drops, size_t room)
{
    double noise_n = plain_sd(quiet_n_values, quiet_count);
    double *sums = running_sums(force_n, n), *quiet_sums = running_sums(quiet_n_values, quiet_count);
    size_t count = 0;
    if (sums == NULL || quiet_sums == NULL)
        n = 0;
    for (size_t w = 1; w <= WIDEST && 4 * w < n; w *= 2) {
        double threshold =
            (double)w * fmax(least_n, DROPS_STAND_OUT * filter_sd(quiet_sums, quiet_count, w, noise_n));
        size_t before = count;
        for (size_t j = w; count < room;) {
            double size;
            size_t best;
            j = next_step(sums, n, j, w, threshold);
            if (j + w > n)
                break;
            size = step_down(sums, j, w);
            best = j;
            /* The top of this excursion over the threshold is where the step is. */
            for (; j + w <= n && step_down(sums, j, w) >= threshold; j++) {
                if (step_down(sums, j, w) > size) {
                    size = step_down(sums, j, w);
                    best = j;
                }
            }
            if (!taken(drops, before, best, w))
                drops[count++] = (struct drop){.index = best};
        }
        if (count > before)
            qsort(drops, count, sizeof *drops, by_index);
    }
    count = mark_falls(force_n, n, noise_n, drops, count);
    if (count > 0)
        read_peaks(feed_mm, force_n, n, noise_n, drops, count);
    free(sums);
    free(quiet_sums);
    return count;
}

static double share_passed(const struct motor_rise *m, double f)
{
    double lost = m->creep_per_n * f + m->gross_slip_per_n * fmax(0, f - m->onset_n);
    return 1 - fmin(0.98, fmax(0, lost));
}

/* Integral of dF / (1 - s) from f to the peak: the logarithms of the two straight pieces of s. */
static double relaxed(const struct motor_rise *m, double slope, double f, double peak_n)
{
    double at_f = share_passed(m, f), at_peak = share_passed(m, peak_n);
    if (slope * (peak_n - f) < 1e-6)
        return (peak_n - f) / (0.5 * (at_f + at_peak));
    return log(at_f / at_peak) / slope;
}

static double gear_travel_n(const struct motor_rise *m, double f, double peak_n)
{
    double knee = fmin(m->onset_n, peak_n), travel = 0;
    if (m->gross_slip_per_n <= 0 || f >= peak_n)
        return relaxed(m, m->creep_per_n, f, peak_n);
    if (f < knee)
        travel = relaxed(m, m->creep_per_n, f, knee);
    if (peak_n > knee)
        travel += relaxed(m, m->creep_per_n + m->gross_slip_per_n, fmax(f, knee), peak_n);
    return travel;
}

/* A rise as it is fitted: single samples, or the means of as many blocks where there are more. */
struct rise_points {
    size_t n;
    double ahead_mm[RISE_POINTS], force_n[RISE_POINTS];
    double spread_mm; /* sd of the feed of a block's samples; 0: single samples */
    double noise_n;   /* of a sample */
    double samples;   /* in a block */
};

static void take_points(const double *feed_mm, const double *force_n, size_t n, double drop_mm,
                        double noise_n, struct rise_points *p)
{
    size_t size = (n - 1) / RISE_POINTS + 1, count = n / size, first = n - count * size;
    double square = 0;
    p->n = count;
    p->noise_n = noise_n;
    p->samples = (double)size;
    for (size_t i = 0; i < count; i++) {
        const double *x = feed_mm + first + i * size, *f = force_n + first + i * size;
        double x_sum = 0, f_sum = 0;
        for (size_t j = 0; j < size; j++) {
            x_sum += x[j];
            f_sum += f[j];
        }
        p->ahead_mm[i] = drop_mm - x_sum / (double)size;
        p->force_n[i] = f_sum / (double)size;
        for (size_t j = 0; j < size; j++)
            square += gsl_pow_2(x[j] - x_sum / (double)size);
    }
    p->spread_mm = sqrt(square / (double)(count * size));
}

/* The equation of drops.h gives the feed to go for each force, not the force for each feed: it is worked out
 * at even steps of the load angle, which is where the rise bends, and read the other way round in between. */
struct rise_table {
    double ahead_mm[RISE_NODES];                          /* falling to 0 */
    double force_n[RISE_NODES], slope[RISE_NODES];        /* slope: dF by feed to go */
    double by_peak[RISE_NODES], by_stiffness[RISE_NODES]; /* of the force at the same feed to go */
};

static void tabulate(const struct motor_rise *m, double peak_n, double stiffness, double ahead_most_mm,
                     struct rise_table *t)
{
    /* No rise is steeper than the stiffness, so the force sought is nowhere less. */
    double from = asin(fmax(-1, 1 - stiffness * fmax(ahead_most_mm, 0) / peak_n));
    double lag_mm = m->full_step_mm * M_2_PI, at_peak = share_passed(m, peak_n);
    for (size_t i = 0; i < RISE_NODES; i++) {
        double angle = i + 1 < RISE_NODES ? from + (M_PI_2 - from) * (double)i / (RISE_NODES - 1) : M_PI_2;
        double sine = sin(angle), f = peak_n * sine, root = peak_n * cos(angle);
        double travel_n = gear_travel_n(m, f, peak_n);
        double whole = root / (stiffness * share_passed(m, f)) + lag_mm;
        t->ahead_mm[i] = travel_n / stiffness + m->full_step_mm - lag_mm * angle;
        t->force_n[i] = f;
        t->slope[i] = -root / whole;
        t->by_peak[i] = (root / (stiffness * at_peak) + lag_mm * sine) / whole;
        t->by_stiffness[i] = -travel_n / (stiffness * stiffness) * root / whole;
    }
}

/* Force and its derivatives at one feed to go: a cubic through values and slopes of the two nodes around it.
 * at is where the last one was found; points come in the order of falling feed to go. */
static void read_table(const struct rise_table *t, double ahead_mm, size_t *at, double *f, double *by_peak,
                       double *by_stiffness)
{
    size_t i = *at;
    while (i + 2 < RISE_NODES && t->ahead_mm[i + 1] > ahead_mm)
        i++;
    while (i > 0 && t->ahead_mm[i] < ahead_mm)
        i--;
    *at = i;
    double width = t->ahead_mm[i + 1] - t->ahead_mm[i];
    double u = fmax(0, fmin(1, (ahead_mm - t->ahead_mm[i]) / width)), v = 1 - u;
    *f = t->force_n[i] * v * v * (1 + 2 * u) + t->force_n[i + 1] * u * u * (1 + 2 * v) +
         width * u * v * (t->slope[i] * v - t->slope[i + 1] * u);
    *by_peak = t->by_peak[i] * v + t->by_peak[i + 1] * u;
    *by_stiffness = t->by_stiffness[i] * v + t->by_stiffness[i + 1] * u;
}

/* Gauss-Newton for peak and stiffness of one rise; false when it does not settle. The mean of a block is that
 * of two points at its own spread to either side: exact for a cubic. */
static int fit_rise(const struct motor_rise *m, const struct rise_points *p, int free_stiffness,
                    double *peak_n, double *stiffness, double *error_n)
{
    struct rise_table table;
    int sides = p->spread_mm > 0 ? 2 : 1;
    for (int pass = 0; pass < 20; pass++) {
        double a11 = 0, a12 = 0, a22 = 0, b1 = 0, b2 = 0, square = 0;
        size_t at = 0;
        tabulate(m, *peak_n, *stiffness, p->ahead_mm[0] + p->spread_mm, &table);
        for (size_t i = 0; i < p->n; i++) {
            double f = 0, by_peak = 0, by_stiffness = 0;
            for (int side = 0; side < sides; side++) {
                double f_side, by_peak_side, by_stiffness_side;
                read_table(&table, p->ahead_mm[i] + (side == 0 ? p->spread_mm : -p->spread_mm), &at, &f_side,
                           &by_peak_side, &by_stiffness_side);
                f += f_side / sides;
                by_peak += by_peak_side / sides;
                by_stiffness += free_stiffness ? by_stiffness_side / sides : 0;
            }
            double r = p->force_n[i] - f;
            a11 += by_peak * by_peak;
            a12 += by_peak * by_stiffness;
            a22 += by_stiffness * by_stiffness;
            b1 += by_peak * r;
            b2 += by_stiffness * r;
            square += r * r;
        }
        double d = free_stiffness ? a11 * a22 - a12 * a12 : a11;
        if (!(d > 0))
            return 0;
        double step_peak = free_stiffness ? (a22 * b1 - a12 * b2) / d : b1 / a11;
        double step_stiffness = free_stiffness ? (a11 * b2 - a12 * b1) / d : 0;
        if (!(fabs(step_peak) < 0.3 * *peak_n) || !(fabs(step_stiffness) < 0.5 * *stiffness))
            return 0;
        *peak_n += step_peak;
        *stiffness += step_stiffness;
        double noise = p->noise_n * p->noise_n / p->samples; /* variance of a point */
        double misfit = fmax(0, p->n > 2 ? square / (double)(p->n - 2) - noise : 0);
        double scatter = noise + misfit / p->samples;
        *error_n = sqrt(scatter * (free_stiffness ? a22 / d : 1 / a11));
        if (fabs(step_peak) < RISE_SETTLED * *error_n)
            return 1;
    }
    return 0;
}

void drops_read_motor_peaks(const double *feed_mm, const double *force_n, size_t n, double noise_n,
                            const struct motor_rise *rise, struct drop *drops, size_t count)
{
    size_t typical = count > 0 ? typical_distance(drops, count, n) : 0;
    struct rise_points points;
    for (size_t i = 0; i < count; i++) {
        struct drop *d = drops + i;
        size_t start = i == 0 ? 0 : drops[i - 1].over, end = d->index;
        size_t length = end - start < typical ? end - start : typical;
        size_t back = (size_t)(MOTOR_LOOK_BACK * (double)length + 0.5);
        double spacing = feed_mm[end] - feed_mm[end - 1];
        double peak = d->peak_n, stiffness = rise->stiffness_n_per_mm, error = 0;
        if (back < 3)
            continue;
        take_points(feed_mm + end - back, force_n + end - back, back, d->feed_mm, noise_n, &points);
        if (!fit_rise(rise, &points, back >= 12, &peak, &stiffness, &error))
            continue;
        d->peak_n = peak;
        d->peak_standard_error_n = hypot(error, stiffness * share_passed(rise, peak) * spacing / sqrt(12));
    }
}

double drops_period_mm(const double *feed_mm, const double *force_n, const struct drop *drops, size_t count,
                       double *strength)
{
    double *padded, mean = 0, period_mm = 0, spacing;
    size_t low, high, at, grid = GRID_LEAST;
    *strength = 0;
    if (count < 3)
        return 0;
    while (grid < GRID_MOST && grid < GRID_PER_DROP * count)
        grid *= 2;
    low = drops[0].index;
    high = drops[count - 1].index;
    spacing = (feed_mm[high - 1] - feed_mm[low]) / (double)(grid - 1);
    padded = calloc(2 * grid, sizeof *padded);
    if (padded == NULL || !(spacing > 0)) {
        free(padded);
        return 0;
    }
    at = low;
    for (size_t i = 0; i < grid; i++) {
        double x = feed_mm[low] + (double)i * spacing;
        while (at + 2 < high && feed_mm[at + 1] < x)
            at++;
        double step = feed_mm[at + 1] - feed_mm[at];
        double part = step > 0 ? (x - feed_mm[at]) / step : 0;
        padded[i] = force_n[at] * (1 - part) + force_n[at + 1] * part;
        mean += padded[i] / (double)grid;
    }
    for (size_t i = 0; i < grid; i++)
        padded[i] -= mean;
    /* Autocorrelation by way of the power spectrum; the zero padding keeps the ends apart. */
    gsl_fft_real_radix2_transform(padded, 1, 2 * grid);
    padded[0] *= padded[0];
    padded[grid] *= padded[grid];
    for (size_t i = 1; i < grid; i++) {
        padded[i] = gsl_pow_2(padded[i]) + gsl_pow_2(padded[2 * grid - i]);
        padded[2 * grid - i] = 0;
    }
    gsl_fft_halfcomplex_radix2_inverse(padded, 1, 2 * grid);
    double whole = padded[0];
    size_t lag = 1;
    /* Leave the top at zero lag, then take the highest correlation before three quarters of the stretch; the
     * first peak nearly as high is the period and later ones are its multiples. */
    while (lag < grid / 2 && padded[lag] > 0)
        lag++;
    double best = 0;
    for (size_t i = lag; i + 1 < 3 * grid / 4; i++)
        best = fmax(best, padded[i] / (1 - (double)i / (double)grid));
    for (size_t i = lag; i + 1 < 3 * grid / 4 && whole > 0; i++) {
        double here = padded[i] / (1 - (double)i / (double)grid);
        double left = padded[i - 1] / (1 - (double)(i - 1) / (double)grid);
        double right = padded[i + 1] / (1 - (double)(i + 1) / (double)grid);
        if (here >= 0.85 * best && here >= left && here > right && best > 0) {
            double bend = left - 2 * here + right;
            double shift = bend < 0 ? 0.5 * (left - right) / bend : 0;
            *strength = fmin(1, here / whole);
            period_mm = ((double)i + shift) * spacing;
            break;
        }
    }
    free(padded);
    return period_mm;
}

double drops_recurrence_mm(const struct drop *drops, size_t count)
{
    double *feed_mm = malloc((count + 1) * sizeof *feed_mm), median_mm = 0;
    for (size_t i = 1; feed_mm != NULL && i < count; i++)
        feed_mm[i - 1] = drops[i].feed_mm - drops[i - 1].feed_mm;
    if (feed_mm != NULL && count > 1) {
        gsl_sort(feed_mm, 1, count - 1);
        median_mm = gsl_stats_median_from_sorted_data(feed_mm, 1, count - 1);
    }
    free(feed_mm);
    return median_mm;
}

double drops_median_variance(size_t n)
{
    /* Second moments of the central order statistics of standard normal samples, by numerical integration. */
    static const double exact[] = {1,        1,        0.5,      0.448671, 0.298200, 0.286834,
                                   0.214743, 0.210447, 0.168181, 0.166101, 0.138326};
    if (n < sizeof exact / sizeof exact[0])
        return exact[n];
    /* Asymptotic pi / (2 n), with the offset that meets the integrals from n = 11 to 40 within 0.3 %. */
    return M_PI_2 / ((double)n + (n % 2 == 0 ? 1.40 : 0.44));
}

double drops_median_peak(const struct drop *drops, size_t count, double *standard_error_n)
{
    double *peaks = malloc((count + 1) * sizeof *peaks), median = 0;
    *standard_error_n = 0;
    if (peaks == NULL || count == 0) {
        free(peaks);
        return 0;
    }
    for (size_t i = 0; i < count; i++)
        peaks[i] = drops[i].peak_n;
    gsl_sort(peaks, 1, count);
    median = gsl_stats_median_from_sorted_data(peaks, 1, count);
    if (count >= 2)
        *standard_error_n = plain_sd(peaks, count) * sqrt(drops_median_variance(count));
    free(peaks);
    return median;
}
