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

/* How long one way takes. */
static double way_s(const struct simulated_push *push)
{
    return push->speed_mm_s / push->acceleration_mm_s2 + push->travel_mm / push->speed_mm_s;
}

static int ways(const struct simulated_push *push)
{
    return push->cycles > 0 ? 2 * push->cycles : 1;
}

/* Commanded feed at time t after the start of a trapezoid of this speed, acceleration and travel. */
static double trapezoid_mm(const struct simulated_push *push, double t)
{
    double a = push->acceleration_mm_s2, v = push->speed_mm_s, x = push->travel_mm;
    double ramp_s = v / a, ramp_mm = v * v / (2 * a), whole_s = way_s(push);
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

/* Commanded feed at time t after the start of the first way: forward, back, forward ... without a pause. */
static double commanded_mm(const struct simulated_push *push, double t)
{
    int way = t > 0 ? (int)fmin(floor(t / way_s(push)), ways(push) - 1) : 0;
    double gone_mm = trapezoid_mm(push, t - way * way_s(push));
    return way % 2 == 0 ? gone_mm : push->travel_mm - gone_mm;
}

static void state_number(struct conditions *c, enum condition_id id, double value)
{
    c->stated[id] = true;
    c->number[id] = value;
}

/* The conditions that the parameters settle, as a plan would state them: the brake's load as it is set, not
 * what it turned out to be. */
static void state_conditions(const struct model_parameters *p, const struct model_state *s,
                             struct conditions *c)
{
    state_number(c, CONDITION_NIP_PRELOAD_N, s->preload_n);
    state_number(c, CONDITION_FILAMENT_DIAMETER_MM, p->fixture.filament_diameter_mm);
    state_number(c, CONDITION_FREE_LENGTH_MM, p->fixture.free_length_mm);
    state_number(c, CONDITION_FILAMENT_MODULUS_MPA, p->fixture.filament_modulus_mpa);
    state_number(c, CONDITION_GUIDE_TUBE_BEND_DEG, p->tube.bend_rad * 180 / 3.14159265358979323846);
    if (p->fixture.end == MODEL_END_BRAKE)
        state_number(c, CONDITION_BRAKE_LOAD_N, p->fixture.brake_n);
    if (p->fixture.end == MODEL_END_HOT)
        state_number(c, CONDITION_HOT_END_TEMPERATURE_C, p->hot_end.temperature_c);
    conditions_set_word(c, CONDITION_LOAD_CELL_SEAT,
                        p->sensor.at_feeder ? CONDITION_SEAT_FEEDER : CONDITION_SEAT_END);
    if (p->sensor.encoder_at_end)
        conditions_set_word(c, CONDITION_ENCODER_SEAT, CONDITION_SEAT_END);
}

static bool allocate(struct run_columns *columns, size_t n, bool encoder)
{
    memset(columns, 0, sizeof *columns);
    columns->time_us = malloc(n * sizeof *columns->time_us);
    columns->force_counts = malloc(n * sizeof *columns->force_counts);
    columns->commanded_steps = malloc(n * sizeof *columns->commanded_steps);
    columns->encoder_counts = encoder ? malloc(n * sizeof *columns->encoder_counts) : NULL;
    columns->flags = calloc(n, 1);
    if (columns->time_us == NULL || columns->force_counts == NULL || columns->commanded_steps == NULL ||
        columns->flags == NULL || (encoder && columns->encoder_counts == NULL)) {
        run_columns_free(columns);
        return false;
    }
    columns->n = n;
    return true;
}

/* The record as capture would write it; the samples first..last are those of the motion. False when there is
 * no memory. */
static bool fill_record(const struct model_parameters *p, const struct model_state *s,
                        const struct simulated_push *push, const struct run_columns *columns, size_t first,
                        size_t last, struct run_record *record)
{
    double section_mm2 =
        3.14159265358979323846 / 4 * p->fixture.filament_diameter_mm * p->fixture.filament_diameter_mm;
    struct conditions conditions = {0};
    memset(record, 0, sizeof *record);
    record->number = 1;
    snprintf(record->feeder, sizeof record->feeder, "%s", p->name);
    record->test = push->test;
    record->speed_mm_s = push->speed_mm_s;
    if (push->test == PLAN_MELT_PUSH)
        record->rate_mm3_s = push->speed_mm_s * section_mm2;
    record->travel_mm = push->travel_mm;
    record->cycles = push->cycles > 0 ? push->cycles : 0;
    state_conditions(p, s, &conditions);
    record->conditions = conditions_keep(&conditions);
    record->drive_diameter_mm = p->gear.drive_diameter_mm;
    record->drive_diameter_standard_uncertainty_mm = 0.01 * p->gear.drive_diameter_mm;
    record->reduction = p->gear.reduction;
    record->teeth = p->gear.teeth;
    record->full_steps_per_rev = p->motor.full_steps_per_rev;
    record->microsteps = p->motor.microsteps;
    record->mm_per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
    record->simulated = true;
    record->sample_rate_hz = push->sample_rate_hz;
    record->counts_min = p->sensor.counts_min;
    record->counts_max = p->sensor.counts_max;
    record->push_start_us = columns->time_us[first];
    record->push_end_us = columns->time_us[last];
    record->rows = (int64_t)columns->n;
    record->ended = RUN_COMPLETE;
    record->ended_why = "travel complete";
    return record->conditions != NULL && run_record_add_event(record, record->push_end_us, "motor cut");
}

bool simulate_push(const struct model_parameters *p, struct model_state *s, const struct simulated_push *push,
                   struct run_columns *columns, struct run_record *record, struct model_truth *truth)
{
    double dt = 1 / push->sample_rate_hz;
    size_t rest = (size_t)(push->rest_s / dt);
    size_t moving = (size_t)ceil(ways(push) * way_s(push) / dt) + 1;
    size_t n = 2 * rest + moving;
    memset(columns, 0, sizeof *columns);
    if (push->speed_mm_s * push->speed_mm_s > push->acceleration_mm_s2 * push->travel_mm ||
        !allocate(columns, n, p->sensor.encoder))
        return false;
    model_begin_run(p, s, push->preload_n);
    if (truth != NULL)
        *truth = model_truth_of_run(p, s, push->speed_mm_s);
    double per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
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
    if (!fill_record(p, s, push, columns, rest, rest + moving - 1, record)) {
        run_columns_free(columns);
        run_record_free(record);
        return false;
    }
    return true;
}
