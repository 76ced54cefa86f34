#include "analyze/approach_feed.h"

#include <criterion/criterion.h>
#include <math.h>

#define N 4000

static double feed[N], lost[N];
static struct push_motion m;

static void begin(void)
{
    quantity_init_numerics();
    for (int i = 0; i < N; i++) {
        feed[i] = 5.7 * i / (N - 1);
        lost[i] = feed[i] - 0.003 * floor(feed[i] * 0.9873 / 0.003);
    }
    m = (struct push_motion){.n = N, .feed_mm = feed, .lost_mm = lost};
}

TestSuite(approach_feed, .init = begin);

Test(approach_feed, feed_before_contact_gives_the_ratio)
{
    /* Without an expected runout only counts remain. */
    struct quantity exact = approach_feed_ratio(&m, 3000, 25.3, 0.97, 0, 0.003);
    cr_assert(exact.present);
    cr_expect_float_eq(exact.value, 0.9873, 1e-4);
    cr_expect(exact.standard_uncertainty < 1e-4);
    /* 4.3 of 25.3 mm of a turn: an eccentric gear may be anywhere. */
    struct quantity eccentric = approach_feed_ratio(&m, 3000, 25.3, 0.97, 0.02, 0.003);
    cr_expect(eccentric.standard_uncertainty > 10 * exact.standard_uncertainty);
    cr_expect(fabs(eccentric.value - 0.9873) < 3 * eccentric.standard_uncertainty);
}

Test(approach_feed, without_encoder_or_way_there_is_none)
{
    cr_expect(!approach_feed_ratio(&m, 1300, 25.3, 0.97, 0.02, 0.003).present); /* 1.9 mm */
    cr_expect(!approach_feed_ratio(&m, 0, 25.3, 0.97, 0.02, 0.003).present);
    m.lost_mm = NULL;
    cr_expect(!approach_feed_ratio(&m, 3000, 25.3, 0.97, 0.02, 0.003).present);
}
