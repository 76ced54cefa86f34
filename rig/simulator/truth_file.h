/* Writes what the simulated rig knows about itself: parameters and the true answers of each run (README.md of
 * this folder has the format). */
#ifndef RIG_SIMULATOR_TRUTH_FILE_H
#define RIG_SIMULATOR_TRUTH_FILE_H

#include "rig/base/err.h"
#include "rig/simulator/rig_state.h"

/* Replaces path as a whole: a reader sees the old file or the new one, never a part. ERR_SYSTEM or
 * ERR_MEMORY. */
enum err_code truth_file_write(const char *path, const struct rig_setup *setup, const struct rig_state *rig,
                               struct err *e);

#endif
