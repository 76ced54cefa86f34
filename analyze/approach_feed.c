#include "analyze/approach_feed.h"

#include "analyze/numerics/lost_share.h"

struct quantity approach_feed_ratio(const struct push_motion *m, size_t contact, double turn_mm,
                                    double pitch_mm, double runout_mm, double encoder_mm)
{
    const struct lost_share_ripple ripple = {
        .turn_mm = turn_mm, .pitch_mm = pitch_mm, .runout_mm = runout_mm, .encoder_mm = encoder_mm};
    struct lost_share lost;
    struct err unused = {0};
    if (m->lost_mm == NULL || contact < 2 || contact > m->n ||
        m->feed_mm[contact - 1] - m->feed_mm[0] < APPROACH_FEED_LEAST_MM ||
        lost_share_fit(m->feed_mm, m->lost_mm, contact, &ripple, &lost, &unused) != ERR_OK)
        return quantity_absent();
    return quantity_from(1 - lost.share, lost.standard_error, lost.degrees_of_freedom, lost.blocks);
}
