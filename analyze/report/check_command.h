/* nipbench-analyze report --check: a published results.json worked out again from the raw data, and each
 * number that is not the same. */
#ifndef ANALYZE_REPORT_CHECK_COMMAND_H
#define ANALYZE_REPORT_CHECK_COMMAND_H

#include "analyze/report/progress_show.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct check_request {
    const char *published;     /* results.json */
    const char *const *series; /* folders, in any order: the published package hashes put them in theirs */
    size_t series_count;
    /* Where the calibration of each series is that was worked out with another than its own; NULL, or NULL
     * for a series: beside the published file, where a report keeps it. */
    const char *const *calibrations;
    int threads;
    bool json;
    struct progress_show *show; /* taken away before anything is printed; NULL: none */
};

/* What was published is worked out again with the options that it names itself. Prints a line for each
 * difference and what it comes to, to out. ERR_FILE: the published file is none, or a
 * calibration that it names is not there or not of its hash; ERR_USAGE: it names none for a series that one
 * is given for; ERR_NO_ANSWER, after all is printed: something differs by more than rounding. */
enum err_code check_command(const struct check_request *request, FILE *out, struct err *e);

#endif
