#include "analyze/free_run_spectrum.h"

#include "analyze/numerics/ripple.h"
#include "analyze/numerics/spectrum.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

/* Orders looked at for each cycle that the run can tell apart, and the most of them. */
#define ORDERS_PER_CYCLE 3.0
#define ORDERS_MOST      20000u
/* Stems of a picture; of more orders the greatest of neighbours is drawn. */
#define STEMS_MOST 400u
/* Turns of the picture of the error. */
#define PICTURE_TURNS 3.0
/* Orders of fewer cycles in a run are drift and not ripple. */
#define CYCLES_LEAST 1.5
#define FALSE_ALARM  0.01

/* Take sines of these orders and a straight line off the error. Orders too near each other are no fault here:
 * what cannot be fitted is left. */
static void take_off(const double *turns, double *error, size_t n, const double *orders, size_t count,
                     double order_most)
{
    struct ripple_input in = {.n = n,
                              .turns = turns,
                              .error = error,
                              .order_count = count,
                              .false_alarm = FALSE_ALARM,
                              .order_most = order_most};
    struct ripple fit;
    struct err ignored;
    memcpy(in.orders, orders, count * sizeof *orders);
    if (ripple_fit(&in, &fit, &ignored) != ERR_OK)
        return;
    for (size_t i = 0; i < n; i++) {
        error[i] -= fit.intercept + fit.slope * turns[i];
        for (size_t k = 0; k < count; k++)
            error[i] -=
                fit.sines[k].raw_amplitude * sin(2 * PI * orders[k] * turns[i] + fit.sines[k].phase_rad);
    }
}

static double sd_of(const double *values, size_t n)
{
    double sum = 0, square = 0;
    for (size_t i = 0; i < n; i++)
        sum += values[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        square += (values[i] - sum) * (values[i] - sum);
    return sqrt(square / (double)n);
}

static bool near_any(double order, const double *orders, size_t count, double turns)
{
    for (size_t i = 0; i < count; i++) {
        if (fabs(order - orders[i]) * turns < 1)
            return true;
    }
    return false;
}

static void draw(const double *orders, const double *amplitudes, size_t count, double level_um,
                 struct outcome *outcome)
{
    size_t size = count / STEMS_MOST + 1, stems = count / size;
    struct outcome_chart *chart = outcome_add_chart(outcome, "ripple");
    struct outcome_group *g;
    if (chart == NULL)
        return;
    snprintf(chart->title, sizeof chart->title, "Feed ripple by order");
    snprintf(
        chart->description, sizeof chart->description,
        "Amplitude of the feed error against its order, in cycles for each turn of the drive gear, of the "
        "longest run. What lies below the line may be noise.");
    snprintf(chart->x_label, sizeof chart->x_label, "order (cycles per turn of the drive gear)");
    snprintf(chart->y_label, sizeof chart->y_label, "amplitude in µm");
    chart->x_from_zero = chart->y_from_zero = chart->stems = true;
    chart->level_y = level_um;
    snprintf(chart->level_text, sizeof chart->level_text, "false-alarm level, %.0f %%", 100 * FALSE_ALARM);
    g = outcome_add_group(chart, "one run", stems, 0);
    for (size_t i = 0; g != NULL && i < stems * size; i++) {
        if (!(amplitudes[i] <= g->y[i / size])) {
            g->x[i / size] = orders[i];
            g->y[i / size] = amplitudes[i];
        }
    }
}

enum err_code free_run_spectrum(const struct run_trace *trace, const double *known, size_t known_count,
                                const double *beats, size_t beat_count, double order_most, double floor_um,
                                struct outcome *outcome, struct free_run_peaks *peaks, struct err *e)
{
    size_t n = trace->n, count;
    double turns, least, *error, *orders, *power;
    enum err_code code;
    memset(peaks, 0, sizeof *peaks);
    if (n < 60)
        return err_set(e, ERR_NO_ANSWER, "too few samples for a spectrum of the feed error");
    turns = trace->x[n - 1] - trace->x[0];
    /* Half the rate of the samples, less a little. */
    order_most = fmin(order_most, 0.45 * (double)(n - 1) / turns);
    least = CYCLES_LEAST / turns;
    if (!(order_most > 2 * least))
        return err_set(e, ERR_NO_ANSWER, "the run is too short for a spectrum of the feed error");
    count = (size_t)fmin((double)ORDERS_MOST, ORDERS_PER_CYCLE * turns * (order_most - least));
    error = malloc((n + 2 * count + 2) * sizeof *error);
    if (error == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a spectrum");
    orders = error + n;
    power = orders + count;
    memcpy(error, trace->y, n * sizeof *error);
    for (size_t i = 0; i < count; i++)
        orders[i] = least + (order_most - least) * (double)i / (double)(count - 1);
    code = spectrum_power(trace->x, error, n, orders, count, power, e);
    double sd = sd_of(error, n);
    for (size_t i = 0; code == ERR_OK && i < count; i++)
        power[i] = ripple_amplitude_of_power(power[i], sd);
    double *amplitudes = malloc((count + 1) * sizeof *amplitudes);
    if (code == ERR_OK && amplitudes == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory for a spectrum");
    if (amplitudes != NULL)
        memcpy(amplitudes, power, count * sizeof *amplitudes);
    take_off(trace->x, error, n, known, known_count, order_most);
    double limit = spectrum_false_alarm_level(FALSE_ALARM, trace->x, n, order_most);
    peaks->turns = turns;
    while (code == ERR_OK) {
        size_t best = count;
        code = spectrum_power(trace->x, error, n, orders, count, power, e);
        for (size_t i = 0; code == ERR_OK && i < count; i++) {
            if (near_any(orders[i], known, known_count, turns) ||
                near_any(orders[i], beats, beat_count, turns) ||
                near_any(orders[i], peaks->orders, peaks->n, turns))
                continue;
            if (best == count || power[i] > power[best])
                best = i;
        }
        sd = sd_of(error, n);
        if (code != ERR_OK || best == count || !(power[best] > limit) || peaks->n == FREE_RUN_PEAKS_MAX ||
            !(ripple_amplitude_of_power(power[best], sd) > floor_um))
            break;
        peaks->orders[peaks->n] = orders[best];
        peaks->amplitudes_um[peaks->n++] = ripple_amplitude_of_power(power[best], sd);
        take_off(trace->x, error, n, &orders[best], 1, order_most);
    }
    peaks->level_um = ripple_amplitude_of_power(limit, sd);
    if (code == ERR_OK && outcome != NULL)
        draw(orders, amplitudes, count, peaks->level_um, outcome);
    free(amplitudes);
    free(error);
    return code;
}

void free_run_draw_error(const struct run_trace *trace, struct outcome *outcome)
{
    struct outcome_chart *chart;
    struct outcome_group *g;
    size_t n = 0;
    while (n < trace->n && trace->x[n] - trace->x[0] <= PICTURE_TURNS)
        n++;
    if (n < 2 || (chart = outcome_add_chart(outcome, "feed-error")) == NULL)
        return;
    snprintf(chart->title, sizeof chart->title, "Feed error against the turn of the drive gear");
    snprintf(
        chart->description, sizeof chart->description,
        "Commanded less measured feed over the first turns of the longest run, a straight line taken off.");
    snprintf(chart->x_label, sizeof chart->x_label, "turns of the drive gear");
    snprintf(chart->y_label, sizeof chart->y_label, "feed error in µm");
    chart->path = true;
    g = outcome_add_group(chart, "one run", n, 0);
    for (size_t i = 0; g != NULL && i < n; i++) {
        g->x[i] = trace->x[i];
        g->y[i] = trace->y[i];
    }
}
