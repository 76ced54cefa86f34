/* What a calibration says, for people to read. Text from files is cleaned before it reaches a terminal. */
#ifndef ANALYZE_REPORT_CALIBRATE_TEXT_H
#define ANALYZE_REPORT_CALIBRATE_TEXT_H

#include "analyze/calibrate.h"
#include "analyze/calibrate_feed.h"

#include <stdbool.h>
#include <stdio.h>

/* What became of the file. */
struct calibrate_filed {
    const char *path;    /* of the calibration */
    const char *kept_as; /* where the one before is kept; "" if there was none, or it is the same */
    bool dry_run;        /* nothing was written */
    bool unchanged;      /* the file held this very calibration already */
};

/* width: columns that no line is wider than; 0: any. ERR_MEMORY. */
enum err_code calibrate_text_force(const struct readings *r, const struct readings_note *note,
                                   const struct calibrate_force *result, const struct calibrate_filed *filed,
                                   int width, FILE *out, struct err *e);

/* results: one for each feeder of r. */
enum err_code calibrate_text_feed(const struct readings *r, const struct readings_note *note,
                                  const struct calibrate_feed *results, const struct calibrate_filed *filed,
                                  int width, FILE *out, struct err *e);

#endif
