/* nipbench-analyze predict: from a motor file to push forces, alone or beside what a series measured. Reads
 * and writes the files that belong to it, prints what was found, and nothing else. */
#ifndef ANALYZE_REPORT_PREDICT_COMMAND_H
#define ANALYZE_REPORT_PREDICT_COMMAND_H

#include "analyze/report/progress_show.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct predict_request {
    const char *motor;         /* MOTOR.yaml */
    const char *const *series; /* folders; count 0: none */
    size_t series_count;
    const char *const *calibrations; /* as in struct session_options */
    const char *feeder;              /* NULL: every feeder of the series */
    const char *speeds;              /* "5,10,25" in mm/s; NULL: those measured, else a ladder of its own */
    const char *out;                 /* folder for the figure; NULL: none */
    bool json, no_figures;
    int threads;
    int width;                  /* columns of a line of text; 0: any */
    struct progress_show *show; /* taken away before anything is printed; NULL: none */
};

/* ERR_USAGE: speeds, feeder, folder; ERR_FILE: motor file or series; ERR_NO_ANSWER, after all is printed and
 * written: measured and predicted differ somewhere by more than the joint interval, or a series holds nothing
 * to compare. */
enum err_code predict_command(const struct predict_request *request, FILE *out, struct err *e);

#endif
