/* A new calibration in the place of an old one, without losing the old one: it is kept beside the new one
 * under a name with its own date. */
#ifndef DATASETS_FORMAT_CALIBRATION_PUT_H
#define DATASETS_FORMAT_CALIBRATION_PUT_H

#include "datasets/format/calibration.h"
#include "rig/base/err.h"

#include <stdbool.h>

#define CALIBRATION_PUT_PATH_SIZE 512

/* The calibration that is at path now. *present is false, and *old untouched, when there is nothing. ERR_FILE
 * when there is something that is no calibration, which then must not be replaced. */
enum err_code calibration_put_read_old(const char *path, bool *present, struct calibration *old,
                                       struct err *e);

struct calibration_put_outcome {
    bool unchanged;                       /* path held this very calibration: nothing was written */
    char kept[CALIBRATION_PUT_PATH_SIZE]; /* where the old one is kept; "" when there was none */
};

/* Write c to path. What is there is first kept byte for byte as STEM-DATE.json, DATE being its own date
 * without colons ("calibration-2031-04-05T160708Z.json"); where that name holds other bytes, as after a feed
 * was added to a calibration, STEM-DATE-2.json and so on are tried, up to 99. Nothing is ever overwritten but
 * path itself, and that only once the copy is durable. ERR_FILE: what is there is no calibration, or all
 * names are taken. */
enum err_code calibration_put(const char *path, const struct calibration *c,
                              struct calibration_put_outcome *outcome, struct err *e);

#endif
