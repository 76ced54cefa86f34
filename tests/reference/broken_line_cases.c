/* Broken lines of our own for a live comparison with another program: writes the points of each case to
 * DIR/NAME.csv and our fits to DIR/fits.csv, which segmented.R reads.
 *
 *     broken_line_cases DIR [SEED]
 *
 * Cases: published points; simulated pushes from the free feed into the blocked end, which bend where the
 * filament meets it; a simulated ladder of nip preloads, whose grip stops growing past one of them. */
#include "analyze/numerics/broken_line.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/number.h"
#include "tests/reference/stagnant.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define POINTS_MAX 4096
#define PUSHES     6
#define PRELOADS   28

static bool write_case(const char *folder, FILE *fits, const char *name, const double *x, const double *y,
                       size_t n)
{
    struct broken_line f;
    struct err e = {0};
    char path[1024];
    FILE *points;
    if (broken_line_fit(x, y, n, &f, &e) != ERR_OK) {
        fprintf(stderr, "%s: %s\n", name, e.text);
        return false;
    }
    fprintf(fits, "%s,%zu,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", name, n,
            f.breakpoint, f.breakpoint_standard_error, f.intercept, f.left_slope, f.left_slope_standard_error,
            f.right_slope, f.right_slope_standard_error, f.residual_sum, f.residual_sd, f.degrees_of_freedom);
    snprintf(path, sizeof path, "%s/%s.csv", folder, name);
    points = fopen(path, "w");
    if (points == NULL) {
        perror(path);
        return false;
    }
    fprintf(points, "x,y\n");
    for (size_t i = 0; i < n; i++)
        fprintf(points, "%.17g,%.17g\n", x[i], y[i]);
    return fclose(points) == 0;
}

static double force_n(const struct model_parameters *p, const struct run_columns *columns, size_t i)
{
    return (columns->force_counts[i] - p->sensor.zero_counts) / p->sensor.gain_counts_per_n;
}

static double between(struct model_random *r, double low, double high)
{
    return low + (high - low) * model_random_uniform(r);
}

/* Commanded feed against force of one push, from the first microstep to about 12 N. */
static bool meet_blocked_end(const char *folder, FILE *fits, uint64_t seed, int number)
{
    static double x[POINTS_MAX], y[POINTS_MAX];
    struct model_random r = {seed + 1000u * (unsigned)number};
    struct model_parameters p = model_default();
    struct model_state s = {0};
    struct simulated_push push = {.acceleration_mm_s2 = 500, .sample_rate_hz = 1000, .rest_s = 0.1};
    struct run_columns columns;
    struct run_record record;
    struct model_truth truth;
    char name[32];
    size_t n = 0;
    p.fixture.gap_mm = between(&r, 0.3, 1.5);
    p.fixture.stiffness_n_per_mm = between(&r, 15, 60);
    p.sensor.noise_n = between(&r, 0.05, 0.6);
    push.speed_mm_s = between(&r, 0.9, 3);
    push.travel_mm = p.fixture.gap_mm + 12 / model_stiffness_n_per_mm(&p.fixture);
    model_mount(&p, &s, seed + (uint64_t)number);
    if (!simulate_push(&p, &s, &push, &columns, &record, &truth))
        return false;
    for (size_t i = 0; i < columns.n && n < POINTS_MAX; i++) {
        if (columns.time_us[i] < record.push_start_us || columns.time_us[i] > record.push_end_us)
            continue;
        x[n] = columns.commanded_steps[i] * record.mm_per_microstep;
        y[n++] = force_n(&p, &columns, i);
    }
    run_columns_free(&columns);
    run_record_free(&record);
    snprintf(name, sizeof name, "push_%d", number);
    return write_case(folder, fits, name, x, y, n);
}

/* Level that a slipping push settles to, against nip preload. */
static bool climb_preloads(const char *folder, FILE *fits, uint64_t seed)
{
    double x[PRELOADS], y[PRELOADS];
    struct model_parameters p = model_default();
    struct model_state s = {0};
    struct simulated_push push = {
        .speed_mm_s = 2, .acceleration_mm_s2 = 200, .sample_rate_hz = 200, .rest_s = 0.1};
    p.motor.holding_torque_nm = 2; /* the grip gives way first */
    p.nip.grip_coefficient = 1.3;
    p.nip.saturation_preload_n = 52.7;
    p.nip.wear_per_m = 0;
    p.spread.refit = p.spread.repeat = 0.02;
    model_mount(&p, &s, seed);
    for (size_t i = 0; i < PRELOADS; i++) {
        struct run_columns columns;
        struct run_record record;
        struct model_truth truth;
        double sum = 0;
        size_t count = 0;
        x[i] = push.preload_n = 12.5 + 3 * (double)i;
        push.travel_mm = 20;
        if (!simulate_push(&p, &s, &push, &columns, &record, &truth))
            return false;
        for (size_t j = 0; j < columns.n; j++) {
            if (columns.time_us[j] <= record.push_end_us &&
                columns.time_us[j] > record.push_end_us - 500000) {
                sum += force_n(&p, &columns, j);
                count++;
            }
        }
        y[i] = sum / (double)count;
        run_columns_free(&columns);
        run_record_free(&record);
    }
    return write_case(folder, fits, "preloads", x, y, PRELOADS);
}

int main(int argc, char **argv)
{
    int64_t seed = 20261125;
    struct err e = {0};
    char path[1024];
    FILE *fits;
    bool good;
    if (argc < 2 || argc > 3 ||
        (argc == 3 && number_read_int64(argv[2], 0, INT64_MAX / 2, "SEED", "", &seed, &e) != ERR_OK)) {
        fprintf(stderr, "usage: %s DIR [SEED] %s\n", argv[0], e.text);
        return 2;
    }
    quantity_init_numerics();
    snprintf(path, sizeof path, "%s/fits.csv", argv[1]);
    fits = fopen(path, "w");
    if (fits == NULL) {
        perror(path);
        return 5;
    }
    fprintf(fits, "name,n,breakpoint,breakpoint_se,intercept,left_slope,left_slope_se,right_slope,"
                  "right_slope_se,residual_sum,residual_sd,degrees_of_freedom\n");
    good = write_case(argv[1], fits, "stagnant", STAGNANT_X, STAGNANT_Y, STAGNANT_N);
    for (int i = 1; i <= PUSHES; i++)
        good = meet_blocked_end(argv[1], fits, (uint64_t)seed, i) && good;
    good = climb_preloads(argv[1], fits, (uint64_t)seed) && good;
    if (fclose(fits) != 0)
        good = false;
    return good ? 0 : 1;
}
