/* Which calibration a command line chooses for which of its series. No file is read. */
#ifndef ANALYZE_CALIBRATION_CHOICE_H
#define ANALYZE_CALIBRATION_CHOICE_H

#include "rig/base/err.h"

#include <stddef.h>

/* words: "FILE", for every series that no other word names, at most one; or, with a "=" in it, "SERIES=FILE",
 * SERIES being one of series (count of them) as it stands there, but for slashes at its end, at most one for
 * each. files[i] receives the file of series[i], a part of a word, or NULL where none was chosen. ERR_USAGE
 * otherwise, or without any series. */
enum err_code calibration_choice(const char *const *words, size_t word_count, const char *const *series,
                                 size_t count, const char **files, struct err *e);

#endif
