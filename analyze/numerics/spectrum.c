#include "analyze/numerics/spectrum.h"

#include "analyze/numerics/difference.h"
#include "analyze/numerics/linear_fit.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A column whose mean square about its mean is below this is constant for the times at hand, and two columns
 * whose determinant is below this share of its size are one: 1 - correlation^2 is then rounding. */
static const double VANISHES = 1e-10;

static enum err_code check_series(const double *t, const double *y, size_t n, size_t least, struct err *e)
{
    if (n < least)
        return err_set(e, ERR_NO_ANSWER, "a spectrum needs at least %zu points, not %zu", least, n);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(t[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu of the series is not a finite number", i + 1);
    }
    return ERR_OK;
}

/* Mean and spread of the times. The middle is taken off every time before it meets a frequency: the power
 * does not depend on the origin, but the digits do. */
static double middle_of(const double *t, size_t n, double *sd)
{
    double mean;
    difference_mean_sd(t, n, &mean, sd);
    return mean;
}

static double power_at(const double *t, const double *y, size_t n, double middle, double y_mean,
                       double frequency)
{
    double c = 0, s = 0, cc = 0, ss = 0, cs = 0, yc = 0, ys = 0, yy = 0, count = (double)n, size, determinant;
    for (size_t i = 0; i < n; i++) {
        double turns = frequency * (t[i] - middle), angle = 2 * M_PI * (turns - nearbyint(turns));
        double cosine = cos(angle), sine = sin(angle), value = y[i] - y_mean;
        c += cosine;
        s += sine;
        cc += cosine * cosine;
        cs += cosine * sine;
        yc += value * cosine;
        ys += value * sine;
        yy += value * value;
    }
    ss = 1 - cc / count - s / count * (s / count);
    cc = cc / count - c / count * (c / count);
    cs = cs / count - c / count * (s / count);
    yc /= count; /* y has mean 0: nothing to take off */
    ys /= count;
    yy /= count;
    size = cc + ss;
    determinant = cc * ss - cs * cs;
    if (size < VANISHES)
        return 0;
    /* One direction only: the larger eigenvalue of the rank-one matrix is its trace. */
    if (determinant < VANISHES * size * size)
        return (cc >= ss ? yc * yc / cc : ys * ys / ss) / yy;
    return (ss * yc * yc + cc * ys * ys - 2 * cs * yc * ys) / (yy * determinant);
}

enum err_code spectrum_power(const double *t, const double *y, size_t n, const double *frequencies,
                             size_t count, double *power, struct err *e)
{
    double middle, spread, y_mean, y_sd;
    enum err_code code = check_series(t, y, n, 4, e);
    if (code != ERR_OK)
        return code;
    middle = middle_of(t, n, &spread);
    difference_mean_sd(y, n, &y_mean, &y_sd);
    if (!(y_sd > 0))
        return err_set(e, ERR_NO_ANSWER, "the %zu values do not scatter at all: there is no spectrum", n);
    for (size_t k = 0; k < count; k++) {
        if (!isfinite(frequencies[k]))
            return err_set(e, ERR_NO_ANSWER, "frequency %zu is not a finite number", k + 1);
        power[k] = fmin(1, fmax(0, power_at(t, y, n, middle, y_mean, frequencies[k])));
    }
    return ERR_OK;
}

/* Logarithm of the probability that no power up to frequency_most reaches z, by Baluev's tau. */
static double log_no_alarm(double z, double n, double effective_length, double frequency_most)
{
    double gamma = sqrt(2 / (n - 1)) * exp(lgamma((n - 1) / 2) - lgamma((n - 2) / 2));
    double tau = gamma * frequency_most * effective_length * pow(1 - z, (n - 4) / 2) * sqrt((n - 1) * z / 2);
    return log1p(-pow(1 - z, (n - 3) / 2)) - tau;
}

/* sqrt(4 pi var(t)): for even times that is about their length. */
static double effective_length_of(const double *t, size_t n)
{
    double sd;
    middle_of(t, n, &sd);
    return sqrt(4 * M_PI * (double)(n - 1) / (double)n) * sd;
}

double spectrum_false_alarm(double power, const double *t, size_t n, double frequency_most)
{
    if (n < 4 || !(frequency_most > 0) || isnan(power))
        return NAN;
    if (power <= 0)
        return 1;
    if (power >= 1)
        return 0;
    return -expm1(log_no_alarm(power, (double)n, effective_length_of(t, n), frequency_most));
}

double spectrum_false_alarm_level(double probability, const double *t, size_t n, double frequency_most)
{
    double low, high = 1, length;
    if (n < 4 || !(frequency_most > 0) || !(probability > 0 && probability < 1))
        return NAN;
    length = effective_length_of(t, n);
    /* From 1 / (n - 3) upwards, where tau is greatest, the bound falls all the way. */
    low = 1 / (double)(n - 3);
    for (int i = 0; i < 60; i++) {
        double z = low / 2 + high / 2;
        if (z < 1 && -expm1(log_no_alarm(z, (double)n, length, frequency_most)) >= probability)
            low = z;
        else
            high = z;
    }
    return high;
}

/* Where a line shows at even spacing, and whether that is somewhere else than it is. */
static void fold(const double *t, size_t n, struct spectrum_line *line)
{
    double rate = (double)(n - 1) / fabs(t[n - 1] - t[0]);
    double rest = fabs(line->frequency_hz - rate * nearbyint(line->frequency_hz / rate));
    line->folded = line->frequency_hz > rate / 2;
    line->apparent_frequency_hz = line->folded ? rest : line->frequency_hz;
}

/* Mean, drift, cosine and sine. */
enum { LINE_COLUMNS = 4 };

/* Whether the times tell the cosine and sine columns from a constant and from each other. The solver cannot
 * say: a column of nothing but rounding looks to it like any other. */
static bool sines_differ(const double *columns, size_t n)
{
    double c = 0, s = 0, cc = 0, ss = 0, cs = 0, count = (double)n;
    for (size_t i = 0; i < n; i++) {
        double cosine = columns[i * LINE_COLUMNS + 2], sine = columns[i * LINE_COLUMNS + 3];
        c += cosine / count;
        s += sine / count;
        cc += cosine * cosine / count;
        ss += sine * sine / count;
        cs += cosine * sine / count;
    }
    cc -= c * c;
    ss -= s * s;
    cs -= c * s;
    return cc > VANISHES && ss > VANISHES && cc * ss - cs * cs > VANISHES * (cc + ss) * (cc + ss);
}

enum err_code spectrum_line_fit(const double *t_s, const double *y, size_t n, double frequency_hz,
                                struct spectrum_line *line, struct err *e)
{
    struct linear_fit with, without;
    double *columns, middle, spread, a, b, statistic;
    bool seen;
    enum err_code code = check_series(t_s, y, n, 6, e);
    memset(line, 0, sizeof *line);
    if (code != ERR_OK)
        return code;
    if (!(frequency_hz > 0) || !isfinite(frequency_hz))
        return err_set(e, ERR_CALLER, "a frequency of %g Hz cannot be looked for", frequency_hz);
    middle = middle_of(t_s, n, &spread);
    if (!(spread > 0))
        return err_set(e, ERR_NO_ANSWER, "all %zu points have the same time", n);
    line->frequency_hz = frequency_hz;
    fold(t_s, n, line);
    columns = calloc(n * LINE_COLUMNS, sizeof *columns);
    if (columns == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a series of %zu points", n);
    for (size_t i = 0; i < n; i++) {
        double turns = frequency_hz * (t_s[i] - middle), angle = 2 * M_PI * (turns - nearbyint(turns));
        columns[i * LINE_COLUMNS] = 1;
        columns[i * LINE_COLUMNS + 1] = (t_s[i] - middle) / spread;
        columns[i * LINE_COLUMNS + 2] = cos(angle);
        columns[i * LINE_COLUMNS + 3] = sin(angle);
    }
    seen = sines_differ(columns, n);
    code = linear_fit_polynomial(t_s, y, NULL, n, 1, true, false, &without, e);
    if (code == ERR_OK && (!seen || linear_fit(columns, y, NULL, n, LINE_COLUMNS, false, &with, e) != ERR_OK))
        code = err_set(
            e, ERR_NO_ANSWER,
            "the %zu points, %g a second, cannot show a line at %g Hz: its sine, its cosine and a drift "
            "look alike at their times",
            n, (double)(n - 1) / fabs(t_s[n - 1] - t_s[0]), frequency_hz);
    free(columns);
    if (code != ERR_OK)
        return code;
    a = with.coefficients[2];
    b = with.coefficients[3];
    line->amplitude = hypot(a, b);
    line->residual_sd = with.residual_sd;
    line->degrees_of_freedom = with.degrees_of_freedom;
    if (line->amplitude > 0)
        line->standard_uncertainty = sqrt(a * a * with.covariance[2][2] + b * b * with.covariance[3][3] +
                                          2 * a * b * with.covariance[2][3]) /
                                     line->amplitude;
    else
        line->standard_uncertainty = with.standard_errors[2];
    line->phase_rad = remainder(atan2(-b, a) - 2 * M_PI * remainder(frequency_hz * middle, 1), 2 * M_PI);
    statistic = (without.residual_sum - with.residual_sum) / 2 * with.degrees_of_freedom / with.residual_sum;
    line->p_value =
        with.residual_sum > 0 ? gsl_cdf_fdist_Q(fmax(0, statistic), 2, with.degrees_of_freedom) : 0;
    return ERR_OK;
}
