/* Which runs the figures of pushes show, and how much of each: so that no more is kept of a run than its
 * share. Known from the plan and the records, but for runs that turn out not to be analysed. No I/O. */
#ifndef ANALYZE_PICTURE_SHARE_H
#define ANALYZE_PICTURE_SHARE_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

/* Panels of a figure: the first runs of a feeder at the reference speed; more are in the tables only. */
#define PICTURE_SHARE_PANELS_MAX 16
/* Columns of all panels of a figure together: keeps a picture under 300 KB. */
#define PICTURE_SHARE_COLUMNS 2400

/* Whether a figure would show the run, were it among the first. */
bool picture_share_wanted(const struct session *session, const struct run_result *run);

/* How many columns the picture of each run of a feeder may have: its share of PICTURE_SHARE_COLUMNS. */
size_t picture_share_columns(const struct session *session, size_t feeder);

/* The runs that hold a picture, by feeder. */
struct picture_share {
    struct {
        size_t columns, count, run[PICTURE_SHARE_PANELS_MAX]; /* in rising order */
    } * feeder;
};

/* For the feeders of a session. ERR_MEMORY. */
enum err_code picture_share_begin(struct picture_share *share, const struct session *session, struct err *e);
void picture_share_end(struct picture_share *share);

/* Columns that a run may keep; 0: none, for no figure shows it. */
size_t picture_share_of(const struct picture_share *share, const struct session *session, size_t run);

/* Run i was analysed and holds a picture. Runs come in any order; what is kept at last does not depend on it:
 * the picture of the last of too many is given up. */
void picture_share_take(struct picture_share *share, struct session *session, size_t run);

#endif
