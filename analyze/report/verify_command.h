/* nipbench-analyze verify: series folders checked byte by byte against their own packages. What comes of it
 * is printed, the verdict first; the findings themselves are handed to the caller. */
#ifndef ANALYZE_REPORT_VERIFY_COMMAND_H
#define ANALYZE_REPORT_VERIFY_COMMAND_H

#include "analyze/report/progress_show.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct verify_request {
    const char *const *series; /* folders */
    size_t series_count;
    bool json;
    int width;                  /* columns of a line; 0: any */
    struct progress_show *show; /* taken away before anything is printed; NULL: none */
    /* Told of each finding, and of each other reason why a series could not be checked, after all is
     * printed. */
    void (*tell)(void *context, const struct err *finding);
    void *context;
};

/* ERR_OK when all series are what their packages say; else the code whose exit status is the greatest.
 * Whatever is wrong was told. */
enum err_code verify_command(const struct verify_request *request, FILE *out);

#endif
