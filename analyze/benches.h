/* One quantity on several benches, or by several operators and refits on one: what repeats, what can be
 * reproduced, and how much of the scatter is the rig's own. No I/O. */
#ifndef ANALYZE_BENCHES_H
#define ANALYZE_BENCHES_H

#include "analyze/analysis.h"
#include "analyze/benches_section.h"
#include "datasets/format/bench_table.h"

#include <stdbool.h>
#include <stddef.h>

struct benches {
    char quantity[64], unit[16];
    struct benches_section *sections;
    size_t count;
};

/* Of the pushes of a session: onset false for the stall force. feeder, and speed_mm_s, choose; NULL and NAN:
 * all. Benches go by what the plans say, or by the rig's serial where they say nothing. Between benches a
 * value is one mounting of the feeder (runs in one block are averaged); in a rig study it is one run. A
 * section whose feeder was pushed under other conditions on one bench, or in one series, than in another is
 * not answered, nor is one with lower bounds among its values. ERR_NO_ANSWER when no section is answered;
 * ERR_USAGE for a feeder or speed that is not there; ERR_MEMORY. */
enum err_code benches_from_session(const struct session *s, bool onset, const char *feeder, double speed_mm_s,
                                   struct benches *benches, struct err *e);

/* Of a table, by the columns that it has. Rows that share a refit are of one mounting; without that column
 * each row is a value of its own. ERR_USAGE for a feeder that is not there, and as above. */
enum err_code benches_from_table(const struct bench_table *table, const char *feeder, struct benches *benches,
                                 struct err *e);
void benches_free(struct benches *benches);

/* The tests for outliers: Cochran's, then Grubbs' of the lowest mean, the highest, the two lowest, the two
 * highest. NULL where one does not apply: too few benches, or a pair whose own extreme is an outlier by the
 * test of one already. */
#define BENCHES_CHECKS 5
#define BENCHES_PAIRS  3 /* from here on they are of two benches, and a smaller statistic is further off */
const struct bench_check *benches_check(const struct bench_consistency *c, size_t i);

/* Whether one of them found an outlier in any section (1 %). */
bool benches_outlier(const struct benches *benches);

#endif
