/* What is to be seen in a figure, in words: for the line above it, and for those who cannot see it. */
#ifndef ANALYZE_REPORT_FIGURE_SEEN_H
#define ANALYZE_REPORT_FIGURE_SEEN_H

#include "analyze/report/figure.h"

/* Fill figure->seen from what the session holds, values rounded to their uncertainty. Foreign text may be
 * inside: escape it. A sentence that does not fit any more is left out whole. */
void figure_seen(const struct session *session, struct figure *figure);

#endif
