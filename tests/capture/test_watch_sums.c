/* What is said of the last second and minute, against closed forms. */
#include "capture/watch_sums.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

struct signal {
    double rate_hz;
    double level, amplitude, hz, phase; /* counts */
    double noise;                       /* standard deviation of white noise, counts */
    double slope;                       /* counts a second */
};

static struct raw_sample sample_at(const struct signal *s, int64_t i, struct model_random *draws)
{
    double t = (double)i / s->rate_hz;
    double force = s->level + s->slope * t + s->amplitude * sin(2 * M_PI * s->hz * t + s->phase);
    if (s->noise > 0)
        force += s->noise * model_random_normal(draws);
    return (struct raw_sample){
        .time_us = llround(t * 1e6), .force_counts = (int32_t)lround(force), .commanded_steps = (int32_t)i};
}

/* Samples from number first on, count of them. */
static void feed(struct watch_sums *w, const struct signal *s, int64_t first, int64_t count,
                 struct model_random *draws)
{
    for (int64_t i = first; i < first + count; i++) {
        struct raw_sample sample = sample_at(s, i, draws);
        watch_sums_feed(w, &sample, 1);
    }
}

static struct watch_sums *fed(const struct signal *s, int64_t count, uint64_t seed)
{
    struct model_random draws = {.state = seed};
    struct watch_sums *w;
    cr_assert_eq(watch_sums_new(s->rate_hz, &w, NULL), ERR_OK);
    feed(w, s, 0, count, &draws);
    return w;
}

Test(watch_sums, nothing_is_said_before_there_are_samples)
{
    struct watch_sums *w;
    double history[10];
    cr_assert_eq(watch_sums_new(1000, &w, NULL), ERR_OK);
    cr_assert_null(watch_sums_last(w));
    cr_assert(isnan(watch_sums_mean_counts(w, 1000000)));
    cr_assert(isnan(watch_sums_sd_counts(w)));
    cr_assert(isnan(watch_sums_rate_hz(w)));
    cr_assert(isnan(watch_sums_speed_steps_s(w)));
    cr_assert_eq(watch_sums_pickup(w).state, WATCH_PICKUP_WAITING);
    cr_assert_eq(watch_sums_elapsed_us(w), 0);
    cr_assert_eq(watch_sums_history(w, 0, history), 0);
    cr_assert_eq(watch_sums_history(w, 10, history), 10);
    for (size_t i = 0; i < 10; i++)
        cr_assert(isnan(history[i]));
    watch_sums_resume(w, 5000000);
    watch_sums_free(w);
    watch_sums_free(NULL);
}

Test(watch_sums, one_sample_has_a_mean_and_no_scatter)
{
    struct signal s = {.rate_hz = 1000, .level = -8388608};
    struct watch_sums *w = fed(&s, 1, 1);
    cr_assert_eq(watch_sums_mean_counts(w, 200000), -8388608);
    cr_assert(isnan(watch_sums_sd_counts(w)));
    cr_assert(isnan(watch_sums_rate_hz(w)));
    cr_assert_eq(watch_sums_pickup(w).state, WATCH_PICKUP_WAITING);
    watch_sums_free(w);
}

Test(watch_sums, scatter_of_a_sine_is_its_amplitude_over_the_root_of_two)
{
    struct signal s = {.rate_hz = 1000, .level = 8000000, .amplitude = 20000, .hz = 50, .phase = 0.31};
    struct watch_sums *w = fed(&s, 2500, 1);
    /* n - 1 of n = 1000 samples; rounding by 0.5 at most changes it by 0.5 at most. */
    cr_assert_float_eq(watch_sums_sd_counts(w), 20000 / sqrt(2) * sqrt(1000.0 / 999), 0.5);
    cr_assert_float_eq(watch_sums_mean_counts(w, 1000000), 8000000, 0.05);
    watch_sums_free(w);
}

Test(watch_sums, scatter_of_a_ramp_is_that_of_the_numbers_in_a_row)
{
    struct signal s = {.rate_hz = 400, .slope = 2800}; /* 7 counts a sample */
    struct watch_sums *w = fed(&s, 5000, 1);
    cr_assert_float_eq(watch_sums_sd_counts(w), 7 * sqrt(400.0 * 401 / 12), 1e-6);
    /* The last 0.1 s are 40 samples. */
    cr_assert_float_eq(watch_sums_mean_counts(w, 100000), 7 * (4999 - 19.5), 1e-6);
    cr_assert_float_eq(watch_sums_rate_hz(w), 400, 1e-6);
    cr_assert_float_eq(watch_sums_speed_steps_s(w), 400, 1e-6);
    watch_sums_free(w);
}

/* What rounding to whole counts can do to an amplitude at the worst, when it repeats with the sine: 2 / pi.
 */
#define ROUNDING 0.64

/* A sine of known amplitude, with and without noise and slope. */
struct sine_case {
    const char *legend;
    struct signal s;
    enum watch_pickup_state state;
    double tolerance; /* counts: ROUNDING, or 4 standard deviations sd sqrt(2 / n) of a part of the sum */
};

static const struct sine_case SINES[] = {
    {"50 Hz at 1000 Hz", {1000, 12345, 2385, 50, 0.7, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"50 Hz at 400 Hz", {400, 12345, 2385, 50, 2.1, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"60 Hz at 1000 Hz", {1000, -54321, 731, 60, 1.3, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"100 Hz at 400 Hz", {400, 12345, 2385, 100, 0.2, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"120 Hz at 400 Hz", {400, 12345, 2385, 120, 0.2, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"50 Hz at 100 kHz", {100000, 12345, 2385, 50, 0.7, 0, 0}, WATCH_PICKUP_SEEN, ROUNDING},
    {"50 Hz at an odd rate", {997.3, 12345, 2385, 50, 0.7, 0, 0}, WATCH_PICKUP_SEEN, 3},
    {"50 Hz in noise", {1000, 12345, 2385, 50, 0.7, 1200, 0}, WATCH_PICKUP_SEEN, 4 * 1200 * 0.0447},
    {"60 Hz in noise at 400 Hz", {400, 12345, 2385, 60, 0.7, 1200, 0}, WATCH_PICKUP_SEEN, 4 * 1200 * 0.0707},
    {"nothing but a level", {1000, 8388607, 0, 50, 0, 0, 0}, WATCH_PICKUP_BELOW_NOISE, 0.01},
    {"50 Hz at 80 Hz", {80, 12345, 2385, 50, 0.7, 0, 0}, WATCH_PICKUP_CANNOT, 0},
    {"50 Hz at 100 Hz, just its Nyquist rate", {100, 12345, 2385, 50, 0.7, 0, 0}, WATCH_PICKUP_CANNOT, 0},
};

Test(watch_sums, amplitude_of_a_known_sine_is_found)
{
    for (size_t i = 0; i < sizeof SINES / sizeof SINES[0]; i++) {
        const struct sine_case *c = &SINES[i];
        struct watch_sums *w = fed(&c->s, (int64_t)(2.5 * c->s.rate_hz), 20310302);
        struct watch_pickup p = watch_sums_pickup(w);
        cr_expect_eq(p.state, c->state, "%s: state %d", c->legend, (int)p.state);
        if (c->state != WATCH_PICKUP_CANNOT)
            cr_expect_float_eq(p.amplitude_counts, c->s.amplitude, c->tolerance, "%s: %.4f", c->legend,
                               p.amplitude_counts);
        if (c->state == WATCH_PICKUP_SEEN)
            cr_expect_eq(p.frequency_hz, c->s.hz, "%s: at %g", c->legend, p.frequency_hz);
        watch_sums_free(w);
    }
}

Test(watch_sums, what_the_sample_rate_lets_be_seen_is_told)
{
    static const struct {
        double rate_hz;
        bool seen[WATCH_SUMS_MAINS_COUNT];
    } CASES[] = {{1000, {true, true, true, true}},   {80, {false, false, false, false}},
                 {110, {true, false, false, false}}, {120, {true, false, false, false}},
                 {125, {true, true, false, false}},  {220, {true, true, true, false}},
                 {245, {true, true, true, true}}};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct signal s = {.rate_hz = CASES[i].rate_hz, .level = 1000, .noise = 50};
        struct watch_sums *w = fed(&s, (int64_t)(3 * s.rate_hz), 7);
        struct watch_pickup p = watch_sums_pickup(w);
        for (int j = 0; j < WATCH_SUMS_MAINS_COUNT; j++)
            cr_expect_eq(p.can_be_seen[j], CASES[i].seen[j], "%g Hz at %g Hz", watch_sums_mains_hz[j],
                         s.rate_hz);
        watch_sums_free(w);
    }
}

/* 1 % of quiet windows may show something: of 2000, 20 with a standard deviation of 4.4. */
Test(watch_sums, white_noise_is_rarely_taken_for_mains)
{
    struct signal s = {.rate_hz = 400, .level = 5000, .noise = 900};
    struct model_random draws = {.state = 4711};
    int seen = 0;
    for (int i = 0; i < 2000; i++) {
        struct watch_sums *w;
        cr_assert_eq(watch_sums_new(s.rate_hz, &w, NULL), ERR_OK);
        feed(w, &s, 0, 400, &draws);
        seen += watch_sums_pickup(w).state == WATCH_PICKUP_SEEN;
        watch_sums_free(w);
    }
    cr_assert_leq(seen, 34, "%d of 2000", seen);
    cr_assert_geq(seen, 6, "%d of 2000", seen);
}

Test(watch_sums, a_gap_begins_the_pick_up_anew_and_lowers_the_rate)
{
    struct signal s = {.rate_hz = 1000, .level = 5000, .amplitude = 300, .hz = 50};
    struct model_random draws = {.state = 1};
    struct watch_sums *w = fed(&s, 1500, 1);
    feed(w, &s, 1600, 300, &draws); /* 100 samples are missing */
    cr_assert_eq(watch_sums_pickup(w).state, WATCH_PICKUP_WAITING);
    cr_assert_float_eq(watch_sums_rate_hz(w), 899 / 0.999, 0.001);
    feed(w, &s, 1900, 199, &draws);
    cr_assert_eq(watch_sums_pickup(w).state, WATCH_PICKUP_WAITING);
    feed(w, &s, 2099, 1, &draws); /* half a second without a gap */
    cr_assert_eq(watch_sums_pickup(w).state, WATCH_PICKUP_SEEN);
    cr_assert_float_eq(watch_sums_pickup(w).amplitude_counts, 300, 0.2);
    watch_sums_free(w);
}

Test(watch_sums, a_pause_forgets_the_window_and_keeps_the_history)
{
    struct signal s = {.rate_hz = 100, .level = 5000};
    struct model_random draws = {.state = 1};
    double history[60];
    struct watch_sums *w = fed(&s, 1000, 1);
    watch_sums_resume(w, 20000000);
    cr_assert(isnan(watch_sums_mean_counts(w, 1000000)));
    s.level = 7000;
    feed(w, &s, 0, 1000, &draws); /* the clock of the rig begins anew */
    cr_assert_float_eq(watch_sums_mean_counts(w, 1000000), 7000, 1e-9);
    cr_assert_float_eq((double)watch_sums_elapsed_us(w), 39.98e6, 1);
    cr_assert_eq(watch_sums_history(w, 60, history), 60);
    cr_assert_float_eq(history[59], 7000, 1e-9);
    cr_assert_float_eq(history[51], 7000, 1e-9);
    cr_assert(isnan(history[40]));
    cr_assert_float_eq(history[25], 5000, 1e-9);
    cr_assert(isnan(history[10]));
    watch_sums_free(w);
}

Test(watch_sums, history_holds_the_last_minute_in_as_many_steps_as_there_is_room_for)
{
    struct signal s = {.rate_hz = 50, .slope = 100}; /* 100 counts a second */
    struct watch_sums *w = fed(&s, 90 * 50, 1);
    static const size_t COLUMNS[] = {1, 7, 60, 100, 600, 1000};
    double history[1000];
    for (size_t i = 0; i < sizeof COLUMNS / sizeof COLUMNS[0]; i++) {
        size_t count = watch_sums_history(w, COLUMNS[i], history);
        cr_expect_leq(count, COLUMNS[i]);
        cr_expect_gt(count, 0);
        for (size_t j = 1; j < count; j++)
            cr_expect_gt(history[j], history[j - 1], "step %zu of %zu", j, count);
        /* The newest step ends at 90 s, the oldest is no older than a minute. */
        cr_expect_gt(history[0], 100 * 29.9);
        cr_expect_lt(history[count - 1], 100 * 90);
    }
    cr_assert_eq(watch_sums_history(w, 600, history), 600);
    /* A step of 100 ms holds 5 samples, 2 counts apart. */
    cr_assert_float_eq(history[599], 9000 - 10 + 4, 1e-9);
    cr_assert_float_eq(history[0], 3000 + 4, 1e-9);
    watch_sums_free(w);
}

Test(watch_sums, more_samples_than_asked_for_do_no_harm)
{
    struct signal s = {.rate_hz = 1000, .level = 5000, .amplitude = 300, .hz = 50};
    struct watch_sums *w;
    struct model_random draws = {.state = 1};
    cr_assert_eq(watch_sums_new(100, &w, NULL), ERR_OK);
    feed(w, &s, 0, 20000, &draws);
    cr_assert_float_eq(watch_sums_rate_hz(w), 1000, 1e-6);
    cr_assert_float_eq(watch_sums_mean_counts(w, 20000), 5000, 1);
    watch_sums_free(w);
}
