/* What a calibration says, for programs to read: 17 significant digits, so that every number comes back as it
 * was. */
#ifndef ANALYZE_REPORT_CALIBRATE_JSON_H
#define ANALYZE_REPORT_CALIBRATE_JSON_H

#include "analyze/calibrate.h"
#include "analyze/calibrate_feed.h"
#include "analyze/report/calibrate_text.h"
#include "rig/base/err.h"

#include <stdio.h>

/* One object: degree, coefficients[], standard_errors[], covariance[][], residual_sd, degrees_of_freedom, n,
 * load_low_n, load_high_n, lack_of_fit and more; absent means null. */
enum err_code calibrate_json_force(const struct readings *r, const struct readings_note *note,
                                   const struct calibrate_force *result, const struct calibrate_filed *filed,
                                   FILE *out, struct err *e);

/* One object with feeders[], one for each feeder of r. */
enum err_code calibrate_json_feed(const struct readings *r, const struct readings_note *note,
                                  const struct calibrate_feed *results, const struct calibrate_filed *filed,
                                  FILE *out, struct err *e);

#endif
