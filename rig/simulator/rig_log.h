/* The truth about one simulated rig as it happens, in two files: what happened, one JSON object a line, each
 * written whole as it happens; and the samples that the rig took, as CSV. */
#ifndef RIG_SIMULATOR_RIG_LOG_H
#define RIG_SIMULATOR_RIG_LOG_H

#include "rig/base/err.h"
#include "rig/simulator/rig_happening.h"

struct rig_log;

/* Begin both files anew; NULL: that one is not kept. ERR_SYSTEM or ERR_MEMORY. */
enum err_code rig_log_open(const char *log_path, const char *samples_path, struct rig_log **log,
                           struct err *e);
/* ERR_SYSTEM when anything could not be written. rig_log_close(NULL) is fine. */
enum err_code rig_log_close(struct rig_log *log, struct err *e);

/* What comes from now on lies between two looks at the clocks: simulated time (as in struct rig_happening)
 * and CLOCK_MONOTONIC, in us. The time outside is interpolated and never goes back. */
void rig_log_look(struct rig_log *log, const int64_t time_us[2], const int64_t outside_us[2]);

void rig_log_happened(struct rig_log *log, const struct rig_happening *h);
void rig_log_sampled(struct rig_log *log, const struct rig_samples *s);
/* The path at which the port is served from now on. */
void rig_log_port(struct rig_log *log, int64_t time_us, int64_t rig_us, const char *path);

#endif
