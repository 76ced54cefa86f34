/* Writes a whole report into a folder: report.html, report.md or both, results.json, results.csv,
 * figures/NAME.gp with NAME.csv, and calibration-HASH.json where one was used that is in no series. */
#ifndef ANALYZE_REPORT_REPORT_WRITE_H
#define ANALYZE_REPORT_REPORT_WRITE_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdbool.h>

#define REPORT_PAGE_HTML 1U
#define REPORT_PAGE_MD   2U

struct report_options {
    const char *folder;
    unsigned pages;            /* REPORT_PAGE_HTML, REPORT_PAGE_MD or both; 0: the first */
    bool figures;              /* draw figures; off, their scripts are still written */
    int threads;               /* figures drawn at once; 0: one for each core */
    struct progress *progress; /* told of the figures; NULL: nobody looks */
};

/* ERR_USAGE when the folder holds anything that an earlier report did not write. Called before the long work,
 * so that nobody waits for a refusal. A folder that does not exist yet is fine; its parent must exist. */
enum err_code report_check_folder(const char *folder, struct err *e);

/* Check again, make the folder, write. Figures of an earlier report are removed, and so is what one that was
 * killed had begun, and the page of a kind that is not wanted this time. Each file is written whole or not at
 * all; of a first report that was killed results.json says that it is unfinished. */
enum err_code report_write(const struct session *session, const struct report_options *options,
                           struct err *e);

#endif
