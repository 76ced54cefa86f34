/* What is worked out of one feeder on several benches, or of one bench, at one speed. */
#ifndef ANALYZE_BENCHES_SECTION_H
#define ANALYZE_BENCHES_SECTION_H

#include "analyze/numerics/bench_consistency.h"
#include "analyze/numerics/variance_split.h"
#include "datasets/format/conditions.h"
#include "datasets/format/plan.h"
#include "rig/base/err.h"

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

/* Why it has no answer. Only the first reason is kept. */
void benches_section_refuse(struct benches_section *section, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* The outcome of a calculation, code with *why, into the section: answered, or why not. ERR_NO_ANSWER is no
 * error; any other is handed on in *e. */
enum err_code benches_section_settle(enum err_code code, const struct err *why,
                                     struct benches_section *section, struct err *e);

/* Frees what the section holds, not the section itself. */
void benches_section_free(struct benches_section *section);

/* What the i-th component of a section's split is called: a factor's name, or that of the rest. */
const char *benches_section_source(const struct benches_section *section, size_t i);

#endif
