/* nipbench-analyze calibrate: from a table of readings to calibration.json, with all reading and writing of
 * files that belongs to it. Prints what was found, and nothing else. */
#ifndef ANALYZE_REPORT_CALIBRATE_COMMAND_H
#define ANALYZE_REPORT_CALIBRATE_COMMAND_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct calibrate_request {
    const char *readings; /* READINGS.csv or FEED.csv; its header tells which */
    const char *degree;   /* "1", "2" or "auto"; NULL: not stated, which is auto */
    const char *out;      /* the calibration to write; NULL: calibration.json beside the readings */
    bool json, dry_run;
    int64_t now_unix_s;
    int width; /* columns of a line of text; 0: any */
};

/* ERR_USAGE: degree, or a path; ERR_FILE: readings, their note or the calibration in place; ERR_NO_ANSWER:
 * the readings do not make a calibration. Whatever fails, no file is changed. */
enum err_code calibrate_command(const struct calibrate_request *request, FILE *out, struct err *e);

#endif
