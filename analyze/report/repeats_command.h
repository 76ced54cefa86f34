/* nipbench-analyze repeats: how many repeats a difference takes, by a stated scatter or by that of a pilot
 * series, and what the series as it is could have seen. Prints what was found, and nothing else. */
#ifndef ANALYZE_REPORT_REPEATS_COMMAND_H
#define ANALYZE_REPORT_REPEATS_COMMAND_H

#include "analyze/analysis.h"
#include "analyze/report/progress_show.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/* Options as they were given; NULL: not given. */
struct repeats_request {
    const char *const *series; /* folders; count 0: none, and then a scatter is stated */
    size_t series_count;
    struct session_options session; /* threads, accept, matters: of series only; SESSION_MARGIN */
    const char *difference;         /* in the unit of the scatter; of pushes N */
    const char *power, *level;      /* %; 80 and 5 */
    const char *feeders;            /* how many are to be compared; as many as were run, else 2 */
    const char *design;             /* "blocks" or "groups"; as run, else blocks */
    const char *scatter;            /* sd of one value, blocks taken out */
    const char *quantity;           /* "stall_force_n" (the default) or "slip_onset_n" */
    const char *speed;              /* mm/s; every one of the series */
    bool json;
    int width;                  /* columns of a line of text; 0: any */
    struct progress_show *show; /* taken away before anything is printed; NULL: none */
};

/* ERR_USAGE: an option, with the word that is wrong; ERR_FILE: series; ERR_NO_ANSWER: no scatter that one can
 * plan by, or, after all is printed, more than POWER_REPEATS_MAX repeats to find the difference. */
enum err_code repeats_command(const struct repeats_request *request, FILE *out, struct err *e);

#endif
