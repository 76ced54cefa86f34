/* The words after a command of nipbench-analyze: its options, read and checked, and how a mistake in them is
 * told. Part of the program, not of any library. */
#ifndef ANALYZE_REQUEST_H
#define ANALYZE_REQUEST_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <argp.h>
#include <stdbool.h>
#include <stddef.h>

#define PROGRAM "nipbench-analyze"

/* What the words after a command said. */
struct request {
    const char **series;
    size_t series_count;
    const char **calibrations; /* words of --calibration, calibration_count of them */
    size_t calibration_count;
    const char **calibration_of; /* for each of series the file that was chosen; NULL: the one inside */
    const char *out, *degree, *feeder, *speeds, *check;
    const char *difference, *power, *level, *feeders, *design, *scatter, *quantity, *speed, *table;
    bool json, no_figures, dry_run;
    bool html, md; /* pages that --format named */
    bool chosen;   /* margin, accept or matters were given */
    int threads;
    double margin; /* of the load, in operating charts: 0.2 for 20 % */
    bool accept[CONDITION_COUNT];
    struct plan_matter matters[PLAN_MATTERS_MAX];
    size_t matter_count;
    struct session_motor motors[SESSION_MOTORS_MAX];
    size_t motor_count;
};

/* Options of each command, for argp. */
extern const struct argp_option REQUEST_REPORT[], REQUEST_CALIBRATE[], REQUEST_COMPARE[], REQUEST_PREDICT[],
    REQUEST_BENCHES[], REQUEST_REPEATS[], REQUEST_VERIFY[];

/* argp's parser; input is a struct request. Ends the program with status 2 and one line for a word that
 * cannot be. */
error_t request_option(int key, char *argument, struct argp_state *state);

/* One line on standard error. */
void request_complain(const struct err *e);
/* The same for wrong use; returns its exit status. */
int request_misuse(const char *format, const char *word);

#endif
