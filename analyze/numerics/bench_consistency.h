/* Repeatability and reproducibility of one quantity measured on several benches, with the consistency checks
 * of ISO 5725-2. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_BENCH_CONSISTENCY_H
#define ANALYZE_NUMERICS_BENCH_CONSISTENCY_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define BENCH_CONSISTENCY_MAX 100 /* benches */

/* A statistic of one bench, or of the set, against its critical values: at 5 % it is a straggler, at 1 % an
 * outlier, as ISO 5725-2 has it. */
enum bench_mark { BENCH_SOUND, BENCH_STRAGGLER, BENCH_OUTLIER };
struct bench_check {
    bool present; /* false: too few benches for the test, or nothing scatters that it could look at */
    double statistic, critical_5, critical_1;
    enum bench_mark mark;
    size_t bench, other; /* which, the extreme one first; other: the second of Grubbs' double test */
};

struct bench_cell {
    size_t n;
    double mean, sd; /* sd NAN for n < 2 */
    double h, k;     /* Mandel; h NAN where the means do not differ, k NAN for n < 2 or s_r = 0 */
    enum bench_mark h_mark, k_mark;
};

/* Cells may differ in their number of values. Values have the unit of the quantity, and so have all means and
 * standard deviations. h and the tests of Grubbs are of the cell means, each counted once; k and Cochran's
 * test are of the cells with two values or more and hold strictly only where these have equally many: the
 * critical values are those of the commonest n (of two equally common, the smaller). */
struct bench_consistency {
    size_t benches, values;
    double mean;               /* general mean m, weighted by n as the standard has it */
    double sd_of_means;        /* s_x of the cell means, each counted once */
    double repeatability_sd;   /* s_r */
    double between_sd;         /* s_L; 0 where its estimate was negative */
    bool between_clamped;      /* its estimate was negative */
    double reproducibility_sd; /* s_R, never below s_r */
    double effective_n;        /* n double bar of unequal cells */
    double repeatability_limit, reproducibility_limit; /* 2.8 times */
    size_t common_n;                                   /* the commonest n of 2 or more */
    double h_critical_5, h_critical_1;                 /* NAN for two benches */
    double k_critical_5, k_critical_1;                 /* for the commonest n; NAN without a second sd */
    struct bench_cell cells[BENCH_CONSISTENCY_MAX];
    struct bench_check cochran; /* of the greatest sd; for the commonest n */
    /* Of the means. The standard looks at a pair only where its single test found no outlier. The statistic
     * of a pair is a ratio of sums of squares: the smaller, the further off. */
    struct bench_check grubbs_low, grubbs_high, grubbs_two_low, grubbs_two_high;
};

/* values[i] was measured on bench[i] (0 to benches - 1, 2 or more). ERR_NO_ANSWER for a bench without a
 * value, fewer than two values on every bench, a value that is not finite or too great to be worked with, or
 * no scatter at all. ERR_CALLER for a number of benches out of range or a bench[i] that is none of them. */
enum err_code bench_consistency(const double *values, const size_t *bench, size_t n, size_t benches,
                                struct bench_consistency *result, struct err *e);

/* Critical values. p benches of n values each, at level (0.05, 0.01). NAN outside the domain (p of 2 or more,
 * for h and Grubbs' test of one 3 or more, of two 4 or more; n of 2 or more; level between 0 and 1). */

/* Upper; 1 / (1 + (p - 1) / F) with F of level / p. */
double bench_cochran_critical(size_t p, double n, double level);
/* Upper; half of the level belongs to either end (Student's t of level / (2 p)), which is how the table of
 * the standard is made. */
double bench_grubbs_critical(size_t p, double level);
/* Lower, and half of the level belongs to either end, as above. From the exact distribution; good to some six
 * digits. p up to BENCH_CONSISTENCY_MAX, NAN above. */
double bench_grubbs_double_critical(size_t p, double level);
double bench_mandel_h_critical(size_t p, double level); /* of either sign */
double bench_mandel_k_critical(size_t p, double n, double level);

#endif
