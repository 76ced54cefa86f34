/* A series folder in the hands of one capture: locked, put in order, and which runs are still to be done. */
#ifndef CAPTURE_SERIES_RESUME_H
#define CAPTURE_SERIES_RESUME_H

#include "datasets/format/plan.h"
#include "datasets/format/series_recover.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Keep any other capture out of folder until *lock is closed. ERR_USAGE when one has it already; ERR_FILE
 * when it cannot be opened. */
enum err_code series_resume_lock(const char *folder, int *lock, struct err *e);

/* Whether folder is there and has neither descriptor nor all that a series needs to be resumed: it is empty,
 * the making of a series in it was broken off, or it is no series at all. */
bool series_resume_is_bare(const char *folder);

/* ERR_FILE with what to do about it when folder holds no series, or one whose making was broken off. */
enum err_code series_resume_check_folder(const char *folder, struct err *e);

/* Whether the plan at plan_path is byte for byte that of the series in folder. ERR_USAGE when it is not. */
enum err_code series_resume_check_plan(const char *folder, const char *plan_path, struct err *e);

/* Of the count runs of a plan in order, keep those of which progress tells no finished run. Returns how many
 * they are. */
size_t series_resume_rest(const struct series_progress *progress, struct plan_run *order, size_t count);

#endif
