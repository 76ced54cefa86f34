/* Reads the parameters of one simulated feeder from a YAML file (the keys are listed in README.md of this
 * folder). */
#ifndef RIG_SIMULATOR_FEEDER_FILE_H
#define RIG_SIMULATOR_FEEDER_FILE_H

#include "rig/base/err.h"
#include "rig/model/model.h"

/* ERR_FILE with file:line:column for anything that cannot be simulated. What the file does not name keeps its
 * value from model_default. *p is untouched on error. */
enum err_code feeder_file_read(const char *path, struct model_parameters *p, struct err *e);

/* Can these be served by one rig? Names must differ; sensor and microsteps are the rig's, so they must be the
 * same. ERR_FILE naming the feeder and what differs. */
enum err_code feeder_file_check_together(const struct model_parameters *feeders, size_t count, struct err *e);

#endif
