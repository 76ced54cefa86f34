/* One quantity on several benches, or by several operators and refits on one: what repeats, what can be
 * reproduced, and how much of the scatter is the rig's own. No I/O. */
#ifndef ANALYZE_BENCHES_H
#define ANALYZE_BENCHES_H

#include "analyze/analysis.h"
#include "analyze/numerics/bench_consistency.h"
#include "analyze/numerics/variance_split.h"
#include "datasets/format/bench_table.h"

#include <stdbool.h>
#include <stddef.h>

#define BENCHES_NAME_SIZE 128

enum benches_kind {
    BENCHES_BETWEEN, /* several benches: ISO 5725-2, one feeder at a time */
    BENCHES_RIG      /* one bench: variance split over feeders, operators, series and refits */
};

enum benches_factor {
    BENCHES_FEEDER,
    BENCHES_OPERATOR,
    BENCHES_FEEDER_OPERATOR, /* what an operator does with one feeder that he does not with another */
    BENCHES_SERIES,          /* the same operator again, from setting up on */
    BENCHES_REFIT,           /* the same feeder mounted again */
    BENCHES_FACTORS
};
extern const char *const BENCHES_FACTOR_NAMES[BENCHES_FACTORS + 1]; /* the last one: "repeat" */

struct benches_section {
    enum benches_kind kind;
    char feeder[BENCHES_NAME_SIZE]; /* BENCHES_BETWEEN: the one feeder, "" where the table names none */
    double speed_mm_s;              /* NAN: of a table */
    bool answered;
    char why_not[400]; /* a sentence without a full stop */
    size_t values;
    char (*names)[BENCHES_NAME_SIZE];      /* BENCHES_BETWEEN: of each bench */
    struct bench_consistency *consistency; /* BENCHES_BETWEEN */
    struct variance_split split;           /* BENCHES_RIG: components in the order of factors, then repeat */
    enum benches_factor factors[BENCHES_FACTORS];
    size_t factor_count, levels[BENCHES_FACTORS];
    bool refits_alone;        /* each refit has one value: what refit and repeat bring cannot be told apart */
    bool has_own_share;       /* several feeders, so that their differences can be set apart */
    double own_share;         /* of the total variance: the rig's, that is all but the feeders' */
    double own_sd, feeder_sd; /* the two */
    char accepted[6][256];    /* conditions that differ and were let pass */
    size_t accepted_count;
};

struct benches {
    char quantity[64], unit[16];
    struct benches_section *sections;
    size_t count;
};

/* Of the pushes of a session: onset false for the stall force. feeder, and speed_mm_s, choose; NULL and NAN:
 * all. Benches go by what the plans say, or by the rig's serial where they say nothing. Between benches a
 * value is one mounting of the feeder (runs in one block are averaged); in a rig study it is one run. A
 * section whose feeder was pushed under other conditions on one bench than on another is not answered.
 * ERR_NO_ANSWER when no section is answered; ERR_USAGE for a feeder or speed that is not there; ERR_MEMORY.
 */
enum err_code benches_from_session(const struct session *s, bool onset, const char *feeder, double speed_mm_s,
                                   struct benches *benches, struct err *e);

/* Of a table, by the columns that it has. */
enum err_code benches_from_table(const struct bench_table *table, const char *feeder, struct benches *benches,
                                 struct err *e);
void benches_free(struct benches *benches);

/* What the i-th component of a section's split is called: a factor's name, or that of the rest. */
const char *benches_source(const struct benches_section *section, size_t i);

/* Whether a test of Cochran or Grubbs found an outlier in any section (1 %). */
bool benches_outlier(const struct benches *benches);

#endif
