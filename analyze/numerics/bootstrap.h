/* The bootstrap: how far a mean difference would move if the runs, or the blocks, had been others of the same
 * kind. Efron and Tibshirani, An Introduction to the Bootstrap (1993), chapters 6, 8 and 13; Davison and
 * Hinkley, Bootstrap Methods and their Application (1997), chapter 5. Pure arrays in, structs out.
 *
 * A draw takes n of n units with replacement. The numbers come from the Mersenne Twister MT19937 (Matsumoto
 * and Nishimura, ACM Trans. Model. Comput. Simul. 8 (1998) 3-30, seeding of 2002), each place of each draw in
 * turn (two from each number where the units are 4,096 or fewer, its lower half first), made uniform on
 * 0 to n - 1 by the upper part of a product with rejection (Lemire, ACM Trans. Model.
 * Comput. Simul. 29 (2019) 3): the seed alone makes the stream. All that is compared shares its draws. */
#ifndef ANALYZE_NUMERICS_BOOTSTRAP_H
#define ANALYZE_NUMERICS_BOOTSTRAP_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BOOTSTRAP_DRAWS 2000
/* Any number would do; a fixed one lets anybody work the same intervals out again. */
#define BOOTSTRAP_SEED 19790101UL
/* With fewer units a percentile interval is markedly too narrow: it has the scatter of the n values about
 * their own mean, which is short by sqrt((n - 1) / n), and the normal's width instead of Student's
 * (tests/sim/study_compare.c measures it). */
#define BOOTSTRAP_UNITS_FEW 8

struct bootstrap_interval {
    bool present;
    double low_95, high_95;
    size_t draws; /* that could be worked out */
};

/* Which unit stands in place i of draw d: index[d * n + i], room for draws * n. ERR_MEMORY; ERR_CALLER for n
 * of 0 or above 2^31. */
enum err_code bootstrap_draw(size_t n, size_t draws, unsigned long seed, uint32_t *index, struct err *e);

/* Mean of n values in each draw. Values that are NAN are none; a draw that holds no value has the mean NAN.
 */
void bootstrap_means(const double *values, size_t n, const uint32_t *index, size_t draws, double *means);

/* The additive model of feeders and blocks, fitted to the blocks of each draw by least squares: where some
 * feeder lacks a block its plain mean would hold that block's share. values[group * blocks + block], NAN
 * where there is none; index of bootstrap_draw(blocks). effects[group * draws + draw] is that of a feeder
 * beyond the first one; NAN for all in draws whose blocks do not connect the feeders. ERR_MEMORY. */
enum err_code bootstrap_additive(const double *values, size_t groups, size_t blocks, const uint32_t *index,
                                 size_t draws, double *effects, struct err *e);

/* Percentile interval, 2.5 % of the draws on each side, of a[d] - b[d] (b NULL: of a[d]) over the draws in
 * which that is a number. Between two order statistics it is interpolated on the scale of normal quantiles,
 * Davison and Hinkley (5.8). Absent where less than nine tenths of the draws, or fewer than 40, are numbers:
 * what could not be worked out is not left out at random. room: draws numbers. */
struct bootstrap_interval bootstrap_percentile(const double *a, const double *b, size_t draws, double *room);

#endif
