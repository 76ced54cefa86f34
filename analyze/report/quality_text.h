/* The quality of the raw data in a few lines for a terminal. */
#ifndef ANALYZE_REPORT_QUALITY_TEXT_H
#define ANALYZE_REPORT_QUALITY_TEXT_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdio.h>

/* How many runs are good in all, and for each respect in which some are not, how many and the worst of them.
 * Nothing where no run has a verdict. ERR_MEMORY. */
enum err_code quality_text_write(const struct session *session, FILE *out, struct err *e);

#endif
