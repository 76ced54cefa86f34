/* Which of many weighings is far off what all the others say: a weight whose mass was entered in the wrong
 * unit, the wrong weight hung, a reading gone wrong. Part of calibration_check, which has checked the rest
 * before. */
#ifndef ANALYZE_NUMERICS_CALIBRATION_OUTLIER_H
#define ANALYZE_NUMERICS_CALIBRATION_OUTLIER_H

#include "analyze/numerics/calibration_check.h"
#include "rig/base/err.h"

#include <stddef.h>

/* groups and loads as calibration_check_group gives them; at least 3 loads and readings that are not all the
 * same. ERR_FILE names up to 3 readings or loads that are wrong, and what each reading would fit.
 * ERR_NO_ANSWER when there are 3 loads only and they are far off a line: one is wrong, but which cannot be
 * told. */
enum err_code calibration_outlier(const struct calibration_readings *readings, const size_t *groups,
                                  size_t loads, struct err *e);

#endif
