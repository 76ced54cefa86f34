/* nipbench-analyze benches: one feeder on several benches, or several operators and refits on one. */
#ifndef ANALYZE_REPORT_BENCHES_COMMAND_H
#define ANALYZE_REPORT_BENCHES_COMMAND_H

#include "analyze/analysis.h"
#include "analyze/report/progress_show.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct benches_request {
    const char *const *series; /* folders; count 0 where a table is given */
    size_t series_count;
    struct session_options session;
    const char *table;                     /* NULL, or a file of results */
    const char *quantity, *speed, *feeder; /* NULL: stall_force_n, every speed, every feeder */
    bool json;
    int width;                  /* columns of a line of text; 0: any */
    struct progress_show *show; /* taken away before anything is printed; NULL: none */
};

/* ERR_USAGE: words of the command; ERR_FILE: series or table; ERR_NO_ANSWER: nothing could be worked out, or,
 * after all is printed, a test of Cochran or Grubbs found an outlier or some feeder or speed has no answer.
 */
enum err_code benches_command(const struct benches_request *request, FILE *out, struct err *e);

#endif
