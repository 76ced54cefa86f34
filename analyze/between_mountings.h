/* Scatter between mountings: each block of a series is a new mounting of the feeder, and all that the grip
 * does in a block is moved by one factor. What is worked out from all runs together is therefore known no
 * better than the mean of that factor over the blocks. Plain numbers in a fixed-size struct; no I/O. */
#ifndef ANALYZE_BETWEEN_MOUNTINGS_H
#define ANALYZE_BETWEEN_MOUNTINGS_H

#include "analyze/bench_test.h"
#include "analyze/numerics/budget.h"

#include <stdbool.h>
#include <stddef.h>

#define BETWEEN_MOUNTINGS_MAX 200

extern const char *const BETWEEN_MOUNTINGS_NAME; /* what the budgets call it */

struct between_mountings {
    size_t count; /* of blocks */
    int block[BETWEEN_MOUNTINGS_MAX];
    double sum[BETWEEN_MOUNTINGS_MAX];
    size_t runs[BETWEEN_MOUNTINGS_MAX];
};

void between_mountings_init(struct between_mountings *m);
/* One run: its grip over what the fit of all runs gives for it. Not finite or not above 0: left out, and so
 * are blocks past the maximum. */
void between_mountings_count(struct between_mountings *m, int block, double factor);
/* Standard deviation of the blocks' mean factors over the root of their number, relative to their mean:
 * the relative standard uncertainty of the factor's mean, with count - 1 degrees of freedom. NAN with fewer
 * than two blocks. */
double between_mountings_relative(const struct between_mountings *m);

/* The last component of the budget is the fit of a value that goes with the factor, made as if all runs were
 * independent. Where the scatter between blocks says more than it does, that takes its place: the blocks
 * scatter by what their runs do as well, so both together would count the runs twice, and what is known from
 * count blocks has count - 1 degrees of freedom. Nothing changes where it says less. Call before the bench's
 * components are added. */
void between_mountings_widen(struct budget *b, const struct between_mountings *m, double value);

/* Say that the analysed runs are of one block only, if so. */
void between_mountings_say(const struct run_result *const *runs, size_t count, struct outcome *o);

#endif
