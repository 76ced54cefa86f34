#include "rig/model/load_cell.h"

#include "rig/model/push_line.h"

#include <math.h>

static const double PI = 3.14159265358979323846;

void load_cell_drift(const struct model_parameters *p, struct model_state *s, double dt_s)
{
    s->time_s += dt_s;
    s->drift_n += p->sensor.drift_n_per_min * dt_s / 60;
    if (p->sensor.drift_walk_n > 0)
        s->drift_n += p->sensor.drift_walk_n * sqrt(dt_s / 60) * model_random_normal(&s->drift_draws);
}

static double half_play_n(const struct model_sensor *c)
{
    return c->full_scale_n / 8;
}

/* The cell's hysteresis is a play operator (Krasnosel'skii and Pokrovskii): what follows lags the load by at
 * most the half-width, and how far it lags is the deviation. */
static double cell_follows_n(const struct model_sensor *c, const struct model_state *s)
{
    double load_n = s->force_n + s->hung_n;
    return fmax(load_n - half_play_n(c), fmin(load_n + half_play_n(c), s->cell_follows_n));
}

void load_cell_load(const struct model_parameters *p, struct model_state *s)
{
    s->force_n = p->sensor.at_feeder ? s->force_feeder_n : s->force_end_n;
    if (p->sensor.hysteresis_n > 0)
        s->cell_follows_n = cell_follows_n(&p->sensor, s);
}

/* What the cell makes of its load. */
static double cell_shows_n(const struct model_sensor *c, const struct model_state *s)
{
    double load_n = s->force_n + s->hung_n;
    double of_scale = load_n / c->full_scale_n;
    double lag_n = cell_follows_n(c, s) - load_n;
    return load_n + c->nonlinearity_n * of_scale * of_scale + c->hysteresis_n / 2 * lag_n / half_play_n(c);
}

int32_t model_read_force(const struct model_parameters *p, struct model_state *s, bool *over_range)
{
    const struct model_sensor *c = &p->sensor;
    double seen_n = cell_shows_n(c, s) + s->drift_n + c->mains_n * sin(2 * PI * c->mains_hz * s->time_s) +
                    c->noise_n * model_random_normal(&s->sensor_draws);
    double counts = round(c->zero_counts + c->gain_counts_per_n * seen_n);
    *over_range = counts < c->counts_min || counts > c->counts_max;
    return (int32_t)fmax(c->counts_min, fmin(c->counts_max, counts));
}

int32_t model_read_encoder(const struct model_parameters *p, const struct model_state *s)
{
    if (!p->sensor.encoder)
        return 0;
    double at_mm = s->filament_mm;
    if (p->sensor.encoder_at_end) {
        const struct push_line line = push_line_blocked(p);
        const struct push_line_state now = {s->filament_mm, s->force_feeder_n, s->force_end_n,
                                            s->tube_play_mm, 0};
        at_mm = push_line_far_end_mm(&line, &now);
    }
    double counts = floor(at_mm / p->sensor.encoder_mm_per_count);
    return (int32_t)fmax(INT32_MIN, fmin(INT32_MAX, counts));
}
