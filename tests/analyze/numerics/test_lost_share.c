#include "analyze/numerics/lost_share.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>

#define N  3000
#define PI 3.14159265358979323846

static double feed[N], lost[N];
static const struct lost_share_ripple RIPPLE = {
    .turn_mm = 25.31, .pitch_mm = 0.9735, .runout_mm = 0.02, .encoder_mm = 0.005};

static void begin(void)
{
    quantity_init_numerics();
}

TestSuite(lost_share, .init = begin);

/* Lost feed over length_mm read in whole counts, with a ripple per turn and per tooth. */
static void make(double length_mm, double share, double turn_mm_amplitude, double phase, double tooth)
{
    for (int i = 0; i < N; i++) {
        double x = length_mm * i / (N - 1);
        double gone = x * (1 - share) + turn_mm_amplitude * sin(2 * PI * x / RIPPLE.turn_mm + phase) +
                      tooth * sin(2 * PI * x / RIPPLE.pitch_mm + 2 * phase);
        feed[i] = x;
        lost[i] = x - RIPPLE.encoder_mm * floor(gone / RIPPLE.encoder_mm);
    }
}

static struct lost_share fit(void)
{
    struct lost_share l = {0};
    struct err e = {0};
    cr_assert_eq(lost_share_fit(feed, lost, N, &RIPPLE, &l, &e), ERR_OK, "%s", e.text);
    return l;
}

Test(lost_share, steady_share_is_found_through_ripple_and_counts)
{
    make(37.4, 0.02718, 0.0173, 1.234, 0.0031);
    struct lost_share l = fit();
    cr_expect_float_eq(l.share, 0.02718, 2e-5, "%.7f", l.share);
    cr_expect_float_eq(l.turn_amplitude_mm, 0.0173, 2e-4);
    cr_expect(l.standard_error > 0 && l.standard_error < 3e-5, "%g", l.standard_error);
}

Test(lost_share, feed_over_part_of_a_turn_is_known_no_better_than_the_runout_allows)
{
    struct model_random r = {771};
    int held = 0;
    for (int k = 0; k < 200; k++) {
        /* Each coefficient as the estimate says: normal with the runout as standard deviation. */
        double a = 0.02 * model_random_normal(&r), b = 0.02 * model_random_normal(&r);
        make(4.3, 0.0133, hypot(a, b), atan2(b, a), 0);
        struct lost_share l = fit();
        held += fabs(l.share - 0.0133) < 1.96 * l.standard_error;
        /* Fifty times what the counts alone leave. */
        cr_expect(l.standard_error > 0.0005, "%g", l.standard_error);
    }
    cr_expect(held >= 180 && held <= 199, "%d of 200", held);
}

Test(lost_share, feed_that_stands_still_or_is_too_short_is_refused)
{
    struct lost_share l;
    struct err e = {0};
    make(12.7, 0.1, 0, 0, 0);
    cr_expect_eq(lost_share_fit(feed, lost, 19, &RIPPLE, &l, &e), ERR_NO_ANSWER);
    for (int i = 0; i < N; i++)
        feed[i] = 3.21;
    cr_expect_eq(lost_share_fit(feed, lost, N, &RIPPLE, &l, &e), ERR_NO_ANSWER);
}
