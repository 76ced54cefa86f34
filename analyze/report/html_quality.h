/* The page's section on the quality of the raw data. */
#ifndef ANALYZE_REPORT_HTML_QUALITY_H
#define ANALYZE_REPORT_HTML_QUALITY_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdio.h>

/* Verdicts of the whole session with the worst run of each, then of every feeder (and series, where there are
 * several), then of every run that is not good in all. What stands within the section: not its heading.
 * ERR_MEMORY. */
enum err_code html_quality(const struct session *session, FILE *out, struct err *e);

#endif
