/* How many repeats a comparison of feeders takes: from a stated scatter, or from that of a pilot series by
 * the design that was run; and what the series as it is could have seen. No I/O. */
#ifndef ANALYZE_REPEATS_H
#define ANALYZE_REPEATS_H

#include "analyze/analysis.h"
#include "analyze/numerics/power.h"

#include <stdbool.h>
#include <stddef.h>

enum repeats_design { REPEATS_AS_RUN, REPEATS_BLOCKS, REPEATS_GROUPS };

/* What is asked. */
struct repeats_aim {
    double difference;   /* to be found, above 0; NAN: the one that matters, where anyone stated it */
    double power, level; /* 0.8, 0.05: of all pairs together */
    int feeders;         /* to be compared, 2 or more; 0: as many as were run, 2 where it was one */
    enum repeats_design design;
};

/* Scatter of one value. */
struct repeats_scatter {
    double sd, degrees_of_freedom; /* INFINITY: stated */
    double low_95, high_95;        /* of sd, by chi-squared */
    bool own;                      /* the feeders scatter differently: that of the pair that scatters most */
    size_t a, b;                   /* that pair, indices into session.feeders */
};

/* A number with its interval from that of the scatter. */
struct repeats_number {
    double value, low_95, high_95;
};
/* Repeats; 0: more than POWER_REPEATS_MAX. */
struct repeats_count {
    int value, low_95, high_95;
};

struct repeats_row {
    int repeats;
    double power;             /* to find the difference; NAN without one */
    double found;             /* difference that is found with the power asked for */
    double equivalence_power; /* to call feeders that are alike equivalent within the difference; NAN */
};
#define REPEATS_ROWS_MAX 32

struct repeats_plan {
    double speed_mm_s; /* NAN: of a stated scatter */
    size_t members[ANOVA_GROUPS_MAX], count;
    bool answered;
    char why_not[300];           /* a sentence without a full stop */
    const char *method;          /* how the pilot's values are compared; NULL: stated, or a single feeder */
    bool run_by_blocks;          /* the pilot's scatter has its blocks taken out */
    size_t values, lower_bounds; /* of the pilot: how many, and how many of them are only "at least" */
    int present;                 /* repeats of each feeder in the pilot, the least; 0: stated scatter */
    struct repeats_scatter run_scatter, scatter; /* as run; as planned, which is another where other than
                                                    the design run is planned */
    bool blocks;                                 /* planned */
    int feeders;                                 /* planned */
    double difference;                           /* NAN: nobody stated one */
    bool matters;                                /* it is the smallest that matters, not one asked for */
    struct repeats_count find, alike; /* to find the difference; to call alike feeders equivalent within it */
    struct repeats_number found, margin; /* with the present repeats: the difference found, and the margin
                                            within which alike feeders are called equivalent */
    struct repeats_row rows[REPEATS_ROWS_MAX];
    size_t row_count;
};

/* What one more block of a series' plan takes, by what its blocks took. */
struct repeats_effort {
    bool present;
    size_t runs;
    double feed_mm;     /* commanded, forward and back */
    double recording_s; /* mounting not counted */
};

/* Of a stated scatter, with aim->difference. ERR_CALLER for nonsense. */
enum err_code repeats_from_scatter(double sd, const struct repeats_aim *aim, struct repeats_plan *plan,
                                   struct err *e);

/* Of the pushes of a session at one speed, or at every one (NAN): a plan for each family of feeders measured
 * alike, and for each feeder of none. *plans is to be freed. ERR_USAGE for a quantity or a speed that the
 * session does not have; ERR_NO_ANSWER when there is no plan, or none of them is answered; ERR_MEMORY. */
enum err_code repeats_from_session(const struct session *s, const char *quantity, double speed_mm_s,
                                   const struct repeats_aim *aim, struct repeats_plan **plans, size_t *count,
                                   struct err *e);

/* Absent of several series, or of one without a whole block. */
struct repeats_effort repeats_effort_of(const struct session *s);

#endif
