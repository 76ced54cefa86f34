/* Every pair of several feeders compared by the design that was run: blocks or not, whatever is missing,
 * equal scatter or not. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_DESIGN_COMPARE_H
#define ANALYZE_NUMERICS_DESIGN_COMPARE_H

#include "analyze/numerics/anova.h"
#include "analyze/numerics/studentised_table.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* One value of a feeder in a block. */
struct design_value {
    size_t group; /* feeder, from 0 */
    size_t block; /* from 0; means nothing without blocks */
    double order; /* when it was taken: its place among the runs */
    double value;
    bool at_least; /* the true value is this or above */
};

enum design_method {
    DESIGN_PAIRED,       /* two feeders, block by block */
    DESIGN_WELCH,        /* two feeders without blocks */
    DESIGN_BLOCKS_TUKEY, /* additive model of feeders and blocks, pooled scatter, Tukey and Kramer */
    DESIGN_BLOCKS_OWN,   /* differences within blocks, each pair with its own scatter: t, adjusted by Holm */
    DESIGN_TUKEY,        /* no blocks, pooled scatter, Tukey and Kramer */
    DESIGN_GAMES_HOWELL, /* no blocks, each feeder with its own scatter */
    DESIGN_CENSORED,     /* likelihood of censored normal values, studentised range over its errors */
    DESIGN_METHODS
};
extern const char *const DESIGN_METHOD_NAMES[DESIGN_METHODS]; /* for people: "Tukey-Kramer in blocks" */

/* Levels of the check that decides between pooled and own scatter. Within blocks residuals mix the scatters
 * of all feeders, so that the check sees less there: a higher one makes up for it
 * (tests/sim/study_compare.c). */
#define DESIGN_SCATTER_LEVEL        0.05
#define DESIGN_SCATTER_LEVEL_BLOCKS 0.1
/* Of three feeders one that scatters a lot hides the other two altogether: Mauchly's test, which does not see
 * little differences of scatter, sees that. */
#define DESIGN_SCATTER_LEVEL_THREE 0.02

struct design_pair {
    size_t a, b;  /* a < b */
    bool present; /* false: why_not */
    char why_not[160];
    double difference; /* a minus b */
    double standard_error, degrees_of_freedom;
    double t;
    double p_alone;  /* of this pair as if it were the only one (t) */
    double p_family; /* adjusted over the pairs of the family (studentised range, or Holm); p_alone with two
                        feeders */
    double low_95, high_95;               /* of this pair alone */
    double family_low_95, family_high_95; /* all pairs together */
    size_t n;                             /* values of the smaller of the two feeders */
};

struct design_result {
    enum design_method method;
    size_t groups, blocks, values, censored; /* as used */
    bool by_blocks;
    bool incomplete;           /* a feeder lacks a block that another has */
    struct anova_test feeders; /* whether there is any difference (F; Welch's where scatters differ) */
    struct anova_test block;   /* block effect; absent without blocks */
    struct anova_test order;   /* effect of the place in the block, or in the series without blocks */
    double order_slope;        /* per place */
    struct anova_test scatter; /* Bartlett, or of three feeders in blocks Mauchly; absent with two feeders,
                                  which need none */
    double residual_sd;        /* of one value, blocks taken out; NAN where not pooled */
    double degrees_of_freedom; /* of residual_sd */
    double mean[ANOVA_GROUPS_MAX]; /* of each feeder: adjusted for blocks where there are */
    size_t count[ANOVA_GROUPS_MAX];
    struct design_pair *pairs; /* groups * (groups - 1) / 2, in the order 0-1, 0-2 ... 1-2 ...; to be freed */
    size_t pair_count;
};

/* groups: 2 to ANOVA_GROUPS_MAX. with_blocks: the feeders were run block by block in one series. Several
 * values of a feeder in a block are averaged first, since they share its mounting (a mean that holds a
 * censored one is censored). with_blocks false: each value counts by itself. Blocks that hold a single feeder
 * say nothing of differences and are left out; where those that remain do not connect all feeders, leave no
 * degree of freedom, or no pair can be judged within them, the design is taken as one without blocks.
 * ERR_NO_ANSWER when no pair can be judged: fewer than two values of some feeder, no scatter (within blocks,
 * where there are), too many censored. A pair that alone cannot be judged has present false. ERR_MEMORY.
 * tables: at 5 %, which many comparisons may share; NULL: this one has its own. */
enum err_code design_compare(const struct design_value *values, size_t n, size_t groups, bool with_blocks,
                             struct studentised_tables *tables, struct design_result *result, struct err *e);
void design_result_free(struct design_result *result);

/* p value of two one-sided tests that a difference lies within +- least (above 0): small when the two are
 * alike. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680. */
double design_equivalence_p(double difference, double standard_error, double degrees_of_freedom,
                            double least);

#endif
