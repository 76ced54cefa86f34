/* The answer for a reader who knows neither the trade nor statistics: what was compared, which pushes harder,
 * how sure that is, and what it means. The texts hold feeder names and reasons as they came from the data
 * set: escape them for where they go. */
#ifndef ANALYZE_REPORT_ANSWER_PLAIN_H
#define ANALYZE_REPORT_ANSWER_PLAIN_H

#include "analyze/analysis.h"

#include <stddef.h>

#define ANSWER_PLAIN_PARTS 4
#define ANSWER_PLAIN_LINES 10

/* One question with its answers, a sentence or a few each. */
struct answer_plain {
    const char *question; /* constant text */
    char *lines[ANSWER_PLAIN_LINES];
    size_t count;
};

/* Fill ANSWER_PLAIN_PARTS parts; one without lines has nothing to say here. ERR_MEMORY. answer_plain_free
 * frees the lines, after an error too. */
enum err_code answer_plain(const struct session *session, struct answer_plain *parts, struct err *e);
void answer_plain_free(struct answer_plain *parts);

#endif
