/* The comparison for a terminal: the answer in sentences, then one aligned row for each pair, quantity and
 * speed. */
#ifndef ANALYZE_REPORT_COMPARE_TEXT_H
#define ANALYZE_REPORT_COMPARE_TEXT_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdio.h>

/* Foreign text is freed of control characters on the way. width: columns that no line is wider than; 0: any.
 */
enum err_code compare_text_write(const struct session *session, int width, FILE *out, struct err *e);

#endif
