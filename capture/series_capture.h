/* A series: carry out a plan on a rig, run after run, into a new data set folder, or go on with one that was
 * broken off. */
#ifndef CAPTURE_SERIES_CAPTURE_H
#define CAPTURE_SERIES_CAPTURE_H

#include "capture/link.h"
#include "capture/operator.h"
#include "rig/base/err.h"

#include <signal.h>
#include <stdbool.h>

struct series_request {
    const char *plan_path; /* NULL: that of the series, when it is resumed */
    const char *port;
    const char *folder; /* of the series */
    int baud;
    enum link_way way;
    bool resume; /* the series is there already: do what is left of its plan */
    void (*tell)(void *context, const char *text); /* a sentence for each thing put in order before */
    void *context;
};

struct series_capture; /* plan, calibration and open rig */

/* Read and check everything before anything moves and before anything is written: the plan, its calibration,
 * the folder, the port, the rig, and whether that rig can carry out every run. A series that is resumed is
 * put in order first (series_recover), so that it is sound even when the port cannot be opened; one that is
 * complete needs no port. ERR_FILE: plan, calibration, or a folder that holds no series; ERR_USAGE: the
 * folder is in use, or the plan or the rig is not that of the series; ERR_DEVICE, ERR_BYTES: port or rig. */
enum err_code series_capture_prepare(const struct series_request *request, struct series_capture **capture,
                                     struct err *e);

struct series_outcome {
    int planned;  /* runs still to be done when this capture began */
    int recorded; /* by this capture */
    int complete, limited, faulted, interrupted;
    int repeated; /* on the operator's wish, because a run looked wrong; planned has grown by as many */
    int mended;   /* among the faulted: repeated with success */
    int wrong;    /* places of the plan whose last run looked wrong, though it was complete or met a limit */
    bool last_faulted;
    bool begun; /* the folder is there, and --resume goes on in it */
};

/* Show the cautions and what in the plan is likely to spoil a test, make the folder of a new series and carry
 * out the plan, with instructions for the operator whenever something on the bench must change. The rig is
 * left disarmed. ERR_NO_ANSWER when the operator stopped it or runs ended as faults; other errors end the
 * series where they arise. *outcome is always filled. */
enum err_code series_capture_carry_out(struct series_capture *capture, struct operator_view *view,
                                       struct series_outcome *outcome, struct err *e);

void series_capture_free(struct series_capture *capture); /* closes the port; NULL is fine */

#endif
