#include "analyze/numerics/lost_share.h"

#include "analyze/numerics/linear_fit.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#define PI            3.14159265358979323846
#define SAMPLES_LEAST 20u
#define BLOCKS_MAX    1000u
#define COLUMNS_MAX   8u
/* A sinusoid is fitted where the feed spans this many periods, each with so many block means. */
#define PERIODS_LEAST       3.0
#define PERIOD_BLOCKS_LEAST 4.0
/* Times the fit is made: for the scatter, with it, and with what its autocorrelation adds. */
#define PASSES 3

struct blocks {
    size_t n;
    double *x, *y; /* means of feed and lost feed */
};

static bool make_blocks(const double *feed_mm, const double *lost_mm, size_t n, struct blocks *b)
{
    b->n = n < BLOCKS_MAX ? n : BLOCKS_MAX;
    b->x = malloc(2 * b->n * sizeof *b->x);
    if (b->x == NULL)
        return false;
    b->y = b->x + b->n;
    for (size_t k = 0; k < b->n; k++) {
        size_t from = k * n / b->n, to = (k + 1) * n / b->n;
        double x = 0, y = 0;
        for (size_t i = from; i < to; i++) {
            x += feed_mm[i] - feed_mm[0];
            y += lost_mm[i] - lost_mm[0];
        }
        b->x[k] = x / (double)(to - from);
        b->y[k] = y / (double)(to - from);
    }
    return true;
}

/* How many times over the variance of a slope grows by the autocorrelation of the residuals: 1 + 2 sum of the
 * correlations up to the first that is not positive. */
static double autocorrelation_factor(const double *residual, size_t n)
{
    double square = 0, factor = 1;
    for (size_t i = 0; i < n; i++)
        square += residual[i] * residual[i];
    for (size_t lag = 1; square > 0 && lag < n / 4; lag++) {
        double sum = 0;
        for (size_t i = lag; i < n; i++)
            sum += residual[i] * residual[i - lag];
        if (!(sum > 0))
            break;
        factor += 2 * sum / square;
    }
    return factor;
}

static size_t add_wave(double *row, size_t p, double x, double period)
{
    row[p] = cos(2 * PI * x / period);
    row[p + 1] = sin(2 * PI * x / period);
    return p + 2;
}

enum err_code lost_share_fit(const double *feed_mm, const double *lost_mm, size_t n,
                             const struct lost_share_ripple *ripple, struct lost_share *result, struct err *e)
{
    struct blocks b = {0};
    struct linear_fit fit = {0};
    double *rows = NULL, *y, *weights, *residual, length, step, count_sd = ripple->encoder_mm / sqrt(12.0);
    double variance = fmax(count_sd * count_sd, 1e-12), factor = 1;
    size_t p = 2, n_rows, turn = 0;
    bool pitch, motor;
    enum err_code code = ERR_OK;
    if (n < SAMPLES_LEAST)
        return err_set(e, ERR_NO_ANSWER, "only %zu samples of steady feed", n);
    if (!make_blocks(feed_mm, lost_mm, n, &b))
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", n);
    length = feed_mm[n - 1] - feed_mm[0];
    step = length / (double)b.n;
    if (!(length > 0)) {
        free(b.x);
        return err_set(e, ERR_NO_ANSWER, "the commanded feed does not rise");
    }
    pitch = ripple->pitch_mm > PERIOD_BLOCKS_LEAST * step && length > PERIODS_LEAST * ripple->pitch_mm;
    motor =
        ripple->motor_turn_mm > PERIOD_BLOCKS_LEAST * step && length > PERIODS_LEAST * ripple->motor_turn_mm;
    if (ripple->turn_mm > 0 && ripple->runout_mm > 0) {
        turn = p;
        p += 2;
    }
    p += 2 * (size_t)pitch + 2 * (size_t)motor;
    n_rows = b.n + 2;
    rows = calloc(n_rows * (COLUMNS_MAX + 3), sizeof *rows);
    if (rows == NULL) {
        free(b.x);
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", n);
    }
    y = rows + n_rows * COLUMNS_MAX;
    weights = y + n_rows;
    residual = weights + n_rows;
    for (size_t i = 0; i < b.n; i++) {
        double *row = rows + i * p;
        size_t q = 2;
        row[0] = 1;
        row[1] = b.x[i] - length / 2;
        if (turn > 0)
            q = add_wave(row, q, b.x[i], ripple->turn_mm);
        if (pitch)
            q = add_wave(row, q, b.x[i], ripple->pitch_mm);
        if (motor)
            add_wave(row, q, b.x[i], ripple->motor_turn_mm);
        y[i] = b.y[i];
    }
    if (turn == 0)
        n_rows = b.n;
    for (size_t i = b.n; i < n_rows; i++) {
        rows[i * p + turn + (i - b.n)] = 1; /* expected: 0 give or take the runout */
        weights[i] = 1 / (ripple->runout_mm * ripple->runout_mm);
    }
    for (int pass = 0; code == ERR_OK && pass < PASSES; pass++) {
        double sum = 0;
        for (size_t i = 0; i < b.n; i++)
            weights[i] = 1 / (variance * factor);
        code = linear_fit(rows, y, weights, n_rows, p, true, &fit, e);
        for (size_t i = 0; code == ERR_OK && i < b.n; i++) {
            residual[i] = y[i];
            for (size_t j = 0; j < p; j++)
                residual[i] -= rows[i * p + j] * fit.coefficients[j];
            sum += residual[i] * residual[i];
        }
        variance = fmax(sum / (double)(b.n - p), 1e-18);
        factor = autocorrelation_factor(residual, b.n);
    }
    if (code == ERR_OK) {
        /* However smooth the residuals are, the ends of the stretch are known to a count at best. */
        double counts = fmax(1, length / fmax(ripple->encoder_mm, 1e-12));
        result->share = fit.coefficients[1];
        result->standard_error =
            hypot(fit.standard_errors[1], count_sd * sqrt(12 / fmin(counts, (double)n)) / length);
        result->degrees_of_freedom = fmax(1, (double)(b.n - p) / factor);
        result->turn_amplitude_mm = turn > 0 ? hypot(fit.coefficients[turn], fit.coefficients[turn + 1]) : 0;
        result->blocks = b.n;
    }
    free(rows);
    free(b.x);
    return code;
}
