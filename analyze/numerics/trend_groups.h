/* A straight trend that several stretches of points share, each with a level of its own: the median of the
 * slopes between all pairs of points of the same stretch, and Kendall's test for a trend from the sum of the
 * stretches' S (Mann 1945; for stretches, Hirsch, Slack and Smith, Water Resources Research 18 (1982)
 * 107-121, from memory). One stretch gives the Mann-Kendall test and the Theil-Sen slope. */
#ifndef ANALYZE_NUMERICS_TREND_GROUPS_H
#define ANALYZE_NUMERICS_TREND_GROUPS_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define TREND_GROUPS_POINTS_MAX 2000
/* Pairs up to which the distribution of S is worked out exactly (no ties). */
#define TREND_GROUPS_EXACT_PAIRS 4000

struct trend_groups {
    size_t n, groups,
        pairs;        /* points; stretches with two different x or more; pairs with different x in them */
    double slope;     /* median over the pairs */
    double low, high; /* interval; -INFINITY to INFINITY when so few points allow none */
    /* The same, interpolated between the two ranks whose coverages lie on either side of the confidence asked
     * for, as is done for the interval of a median (Hettmansperger and Sheather, Statistics & Probability
     * Letters 4 (1986) 75-79, from memory): it holds the slope as often as asked for and not more often.
     * Where one rank alone is to be had, low and high. */
    double near_low, near_high;
    double confidence; /* asked for */
    double coverage;   /* of that interval: exact without ties and up to TREND_GROUPS_EXACT_PAIRS, else
                        * the confidence that the normal approximation aims at */
    double s;          /* Kendall's S, summed over the stretches: above 0 when y rises with x */
    double p_value;    /* two-sided, that S is as far from 0 without any trend */
    bool exact;
};

/* Points in any order; group: which stretch each belongs to, any numbers. Scatter is taken as independent and
 * alike in all of them. Errors as trend_theil_sen, but that the fewest points are 3 over all stretches. */
enum err_code trend_groups(const double *x, const double *y, const size_t *group, size_t n, double confidence,
                           struct trend_groups *trend, struct err *e);

#endif
