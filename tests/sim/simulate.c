#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct calibration simulate_exact_calibration(const struct model_parameters *p)
{
    struct calibration c = {
        .degree = 1, .degrees_of_freedom = INFINITY, .load_low_n = -10, .load_high_n = 1000};
    snprintf(c.date, sizeof c.date, "2026-01-01T00:00:00Z");
    snprintf(c.origin, sizeof c.origin, "stated");
    c.coefficients[0] = p->sensor.zero_counts;
    c.coefficients[1] = p->sensor.gain_counts_per_n;
    if (p->sensor.encoder)
        c.encoder_mm_per_count = p->sensor.encoder_mm_per_count;
    return c;
}

/* Commanded feed at time t after the start of a trapezoid of this speed, acceleration and travel. */
static double commanded_mm(const struct simulated_push *push, double t)
{
    double a = push->acceleration_mm_s2, v = push->speed_mm_s, x = push->travel_mm;
    double ramp_s = v / a, ramp_mm = v * v / (2 * a), whole_s = ramp_s + x / v;
    if (t <= 0)
        return 0;
    if (t >= whole_s)
        return x;
    if (t < ramp_s)
        return 0.5 * a * t * t;
    if (t > whole_s - ramp_s)
        return x - 0.5 * a * (whole_s - t) * (whole_s - t);
    return ramp_mm + v * (t - ramp_s);
}

bool simulate_push(const struct model_parameters *p, struct model_state *s, const struct simulated_push *push,
                   struct run_columns *columns, struct run_record *record, struct model_truth *truth)
{
    double dt = 1 / push->sample_rate_hz;
    double push_s = push->speed_mm_s / push->acceleration_mm_s2 + push->travel_mm / push->speed_mm_s;
    size_t rest = (size_t)(push->rest_s / dt), moving = (size_t)ceil(push_s / dt) + 1, n = 2 * rest + moving;
    double per_microstep;
    memset(columns, 0, sizeof *columns);
    if (push->speed_mm_s * push->speed_mm_s > push->acceleration_mm_s2 * push->travel_mm)
        return false;
    columns->time_us = malloc(n * sizeof *columns->time_us);
    columns->force_counts = malloc(n * sizeof *columns->force_counts);
    columns->commanded_steps = malloc(n * sizeof *columns->commanded_steps);
    columns->encoder_counts = p->sensor.encoder ? malloc(n * sizeof *columns->encoder_counts) : NULL;
    columns->flags = calloc(n, 1);
    if (columns->time_us == NULL || columns->force_counts == NULL || columns->commanded_steps == NULL ||
        columns->flags == NULL || (p->sensor.encoder && columns->encoder_counts == NULL)) {
        run_columns_free(columns);
        return false;
    }
    columns->n = n;
    model_begin_run(p, s, push->preload_n);
    *truth = model_truth_of_run(p, s, push->speed_mm_s);
    per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
    s->coils_on = true;
    for (size_t i = 0; i < n; i++) {
        double t = ((double)i - (double)rest) * dt;
        bool over = false;
        if (i == rest + moving)
            s->coils_on = false;
        double microsteps = commanded_mm(push, t) / per_microstep;
        model_step(p, s, microsteps, dt);
        columns->time_us[i] = (int64_t)llround((double)i * dt * 1e6);
        columns->force_counts[i] = model_read_force(p, s, &over);
        columns->commanded_steps[i] = (int32_t)floor(microsteps + 0.5);
        if (columns->encoder_counts != NULL)
            columns->encoder_counts[i] = model_read_encoder(p, s);
        columns->flags[i] = over ? RUN_FLAG_OVER_RANGE : 0;
    }
    memset(record, 0, sizeof *record);
    record->number = 1;
    snprintf(record->feeder, sizeof record->feeder, "%s", p->name);
    record->speed_mm_s = push->speed_mm_s;
    record->drive_diameter_mm = p->gear.drive_diameter_mm;
    record->drive_diameter_standard_uncertainty_mm = 0.01 * p->gear.drive_diameter_mm;
    record->reduction = p->gear.reduction;
    record->teeth = p->gear.teeth;
    record->full_steps_per_rev = p->motor.full_steps_per_rev;
    record->microsteps = p->motor.microsteps;
    record->mm_per_microstep = per_microstep;
    record->simulated = true;
    record->sample_rate_hz = push->sample_rate_hz;
    record->push_start_us = columns->time_us[rest];
    record->push_end_us = columns->time_us[rest + moving - 1];
    record->rows = (int64_t)n;
    record->ended = RUN_COMPLETE;
    snprintf(record->ended_why, sizeof record->ended_why, "travel complete");
    return true;
}
