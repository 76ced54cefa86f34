/* Motions made by hand: a spring of 31.7 N/mm pressed by a filament whose position an encoder reads in
 * counts. */
#include "analyze/push_signal.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

enum { SAMPLES = 2300, QUIET = 700, CONTACT = 117 };
#define STIFFNESS 31.7
#define COUNT_MM  0.005

struct bench {
    double force_n[SAMPLES], feed_mm[SAMPLES], lost_mm[SAMPLES], quiet_n[QUIET], true_n[SAMPLES];
    struct push_motion m;
};

static struct bench *make(double noise_n, double hysteresis_n)
{
    struct bench *b = calloc(1, sizeof *b);
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(r, 7);
    for (int i = 0; i < SAMPLES; i++) {
        double position = 0.0017 * i;
        if (position > 2.413)
            position =
                2.413 - 0.171 * fmod(position - 2.413, 0.171) / 0.171 * 0.5; /* falls and rises again */
        b->feed_mm[i] = 0.0017 * i;
        b->lost_mm[i] = b->feed_mm[i] - COUNT_MM * floor(position / COUNT_MM);
        b->true_n[i] = STIFFNESS * position + (i % 200 < 100 ? hysteresis_n : 0);
        b->force_n[i] = b->true_n[i] + gsl_ran_gaussian(r, noise_n);
    }
    for (int i = 0; i < QUIET; i++)
        b->quiet_n[i] = gsl_ran_gaussian(r, noise_n);
    gsl_rng_free(r);
    b->m = (struct push_motion){.n = SAMPLES,
                                .force_n = b->force_n,
                                .feed_mm = b->feed_mm,
                                .lost_mm = b->lost_mm,
                                .quiet_n = b->quiet_n,
                                .quiet_count = QUIET};
    return b;
}

static double scatter_about_truth(const struct push_signal *s, const struct bench *b)
{
    double square = 0;
    for (int i = CONTACT; i < SAMPLES; i++)
        square += pow(s->force_n[i - CONTACT] - b->true_n[i], 2);
    return sqrt(square / (SAMPLES - CONTACT));
}

Test(push_signal, position_takes_the_noise_off)
{
    struct bench *b = make(1.03, 0);
    struct push_signal s = push_signal_of(&b->m, 1.03, CONTACT, COUNT_MM);
    cr_assert(s.by_position);
    cr_expect_float_eq(s.stiffness_n_per_mm, STIFFNESS, 0.2, "%g", s.stiffness_n_per_mm);
    /* One count of 0.005 mm is 0.16 N, its rectangle 0.046 N. */
    double left = scatter_about_truth(&s, b);
    cr_expect(left < 0.12 && left > 0.03, "%g", left);
    cr_expect(s.noise_n < 0.1 && s.noise_n > 0.03, "%g", s.noise_n);
    cr_expect_eq(s.quiet_count, QUIET);
    push_signal_free(&s);
    free(b);
}

Test(push_signal, quiet_cell_is_left_as_it_is)
{
    struct bench *b = make(0.004, 0);
    struct push_signal s = push_signal_of(&b->m, 0.004, CONTACT, COUNT_MM);
    cr_expect(scatter_about_truth(&s, b) < 0.006);
    push_signal_free(&s);
    free(b);
}

Test(push_signal, end_that_is_no_spring_gets_no_help)
{
    struct bench *b = make(0.31, 2.7);
    struct push_signal s = push_signal_of(&b->m, 0.31, CONTACT, COUNT_MM);
    cr_expect(!s.by_position);
    cr_expect_eq(s.force_n, b->force_n + CONTACT);
    cr_expect_eq(s.quiet_n, b->quiet_n);
    push_signal_free(&s);
    free(b);
}

Test(push_signal, without_encoder_it_is_the_cell)
{
    struct bench *b = make(0.31, 0);
    b->m.lost_mm = NULL;
    struct push_signal s = push_signal_of(&b->m, 0.31, CONTACT, 0);
    cr_expect(!s.by_position && s.stiffness_n_per_mm == 0);
    cr_expect_eq(s.force_n, b->force_n + CONTACT);
    push_signal_free(&s);
    free(b);
}
