/* Shows how far long work has come, on a terminal, by a thread of its own: the work raises counters
 * (analyze/progress.h) and knows nothing of it. Every function takes NULL for nothing that is shown. */
#ifndef ANALYZE_REPORT_PROGRESS_SHOW_H
#define ANALYZE_REPORT_PROGRESS_SHOW_H

#include "analyze/progress.h"

#include <stdio.h>

struct progress_show;

/* Begin to show on to, a terminal that many columns wide. Nothing is written in the first two seconds. NULL
 * without memory or thread: then the work goes on unseen. */
struct progress_show *progress_show_new(FILE *to, int width);

/* The counters to hand to the work; NULL of NULL. */
struct progress *progress_show_counters(struct progress_show *show);

/* Take the line away before something else is written there, while the work goes on. */
void progress_show_erase(struct progress_show *show);

/* The work is done: take the line away, and write none any more. Called before results are printed, and may
 * be called again. */
void progress_show_end(struct progress_show *show);

/* The same, and free it. */
void progress_show_free(struct progress_show *show);

#endif
