/* A series: carry out a plan on a rig, run after run, into a new data set folder. */
#ifndef CAPTURE_SERIES_CAPTURE_H
#define CAPTURE_SERIES_CAPTURE_H

#include "capture/link.h"
#include "capture/operator.h"
#include "rig/base/err.h"

#include <signal.h>
#include <stdbool.h>

struct series_request {
    const char *plan_path;
    const char *port;
    const char *folder; /* of the new series */
    int baud;
    enum link_way way;
};

struct series_capture; /* plan, calibration and open rig */

/* Read and check everything before anything moves and before anything is written: the plan, its calibration,
 * the folder, the port, the rig, and whether that rig can carry out every run. ERR_FILE: plan or calibration;
 * ERR_USAGE: the folder is in use; ERR_DEVICE, ERR_BYTES: port or rig. */
enum err_code series_capture_prepare(const struct series_request *request, struct series_capture **capture,
                                     struct err *e);

struct series_outcome {
    int planned, recorded; /* runs */
    int complete, limited, faulted, interrupted;
};

/* Show the cautions and what in the plan is likely to spoil a test, make the folder and carry out the plan,
 * with instructions for the operator whenever something on the bench must change. The rig is left disarmed.
 * ERR_NO_ANSWER when the operator stopped it or runs ended as faults; other errors end the series where they
 * arise. *outcome is always filled. */
enum err_code series_capture_carry_out(struct series_capture *capture, struct operator_view *view,
                                       struct series_outcome *outcome, struct err *e);

void series_capture_free(struct series_capture *capture); /* closes the port; NULL is fine */

#endif
