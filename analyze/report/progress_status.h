/* The status line of long work: what it says, and when it is written. The clock is an argument; whoever has
 * one calls progress_status_tick now and then. */
#ifndef ANALYZE_REPORT_PROGRESS_STATUS_H
#define ANALYZE_REPORT_PROGRESS_STATUS_H

#include "analyze/progress.h"

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Work that ends sooner says nothing. */
#define PROGRESS_STATUS_SILENT_US 2000000
/* A line is written no more often than this: below six times a second. */
#define PROGRESS_STATUS_EVERY_US 200000
#define PROGRESS_STATUS_SIZE     160

/* Seconds that the rest takes at the pace so far; negative where that is not known: too little is done
 * (below a fiftieth, or of less than half a second), or more than all. */
double progress_status_left_s(uint64_t done, uint64_t total, int64_t elapsed_us);

/* "about 20 s left", "about 4 min left", "about 2 h 30 min left", "a few seconds left"; "" for a negative
 * number. Rounded, so that it does not flicker. Returns buffer. */
char *progress_status_left_text(double left_s, char *buffer, size_t size);

struct progress_status {
    const struct progress *progress;
    FILE *to;
    int width;          /* columns of the terminal */
    int64_t begun_us;   /* when all began */
    int64_t step_us;    /* when the present step was first seen */
    uint64_t step;      /* which one that is */
    int64_t written_us; /* when the line was last written */
    int shown;          /* columns of the line that stands there; 0: none */
    char line[PROGRESS_STATUS_SIZE];
};

void progress_status_begin(struct progress_status *s, const struct progress *progress, FILE *to, int width,
                           int64_t now_us);
/* Write or renew the line if it is time to. */
void progress_status_tick(struct progress_status *s, int64_t now_us);
/* Take the line away, before anything else is written; the next tick may write it again. */
void progress_status_erase(struct progress_status *s);

#endif
