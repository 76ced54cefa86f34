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

#define BENCHES_NAME_SIZE    (PLAN_TEXT_MAX + 1)
#define BENCHES_ACCEPTED_MAX (CONDITION_COUNT + 4)

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
    char bench[BENCHES_NAME_SIZE];  /* BENCHES_RIG: the one bench, "" where nobody names it */
    double speed_mm_s;              /* NAN: of a table */
    bool answered;
    char why_not[400];      /* a sentence without a full stop */
    size_t runs;            /* pushes, or rows of a table, that gave a value */
    size_t without;         /* pushes that gave none: they are left out */
    size_t values;          /* as they were worked with: BENCHES_BETWEEN, one for each mounting */
    bool mounted;           /* it is known which runs share a mounting */
    bool several_operators; /* BENCHES_BETWEEN: on one bench at least */

    char (*names)[BENCHES_NAME_SIZE];      /* BENCHES_BETWEEN: of each bench */
    struct bench_consistency *consistency; /* BENCHES_BETWEEN */
    double *numbers;                       /* BENCHES_BETWEEN: the values, and which bench each is of */
    size_t *bench_of;

    struct variance_split split; /* BENCHES_RIG: components in the order of factors, then repeat */
    enum benches_factor factors[BENCHES_FACTORS];
    size_t factor_count, levels[BENCHES_FACTORS];
    bool refits_alone;        /* each refit has one value: what refit and repeat bring cannot be told apart */
    bool has_own_share;       /* what the feeders bring stands apart from all else */
    char why_no_share[300];   /* where it does not; a sentence without a full stop */
    double own_share;         /* of the total variance: the rig's, that is all but the feeders' */
    double own_sd, feeder_sd; /* the two */

    char accepted[BENCHES_ACCEPTED_MAX][256]; /* conditions that differ and were let pass */
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

/* What the i-th component of a section's split is called: a factor's name, or that of the rest. */
const char *benches_source(const struct benches_section *section, size_t i);

/* The tests for outliers: Cochran's, then Grubbs' of the lowest mean, the highest, the two lowest, the two
 * highest. NULL where one does not apply: too few benches, or a pair whose own extreme is an outlier by the
 * test of one already. */
#define BENCHES_CHECKS 5
#define BENCHES_PAIRS  3 /* from here on they are of two benches, and a smaller statistic is further off */
const struct bench_check *benches_check(const struct bench_consistency *c, size_t i);

/* Whether one of them found an outlier in any section (1 %). */
bool benches_outlier(const struct benches *benches);

#endif
