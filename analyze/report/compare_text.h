/* The comparison for a terminal: the answer in sentences, then one aligned row for each pair, quantity and
 * speed. */
#ifndef ANALYZE_REPORT_COMPARE_TEXT_H
#define ANALYZE_REPORT_COMPARE_TEXT_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdio.h>

/* Foreign text is freed of control characters on the way. */
enum err_code compare_text_write(const struct session *session, FILE *out, struct err *e);

#endif
