/* The note beside a table of readings: a JSON file of the same stem that tells how they were taken, on which
 * rig, and which of its numbers are the operator's word. */
#ifndef DATASETS_FORMAT_READINGS_NOTE_H
#define DATASETS_FORMAT_READINGS_NOTE_H

#include "datasets/format/readings.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define READINGS_NOTE_PATH_SIZE     512
#define READINGS_NOTE_ESTIMATES_MAX 24
#define READINGS_NOTE_ESTIMATE_SIZE 64

/* The file beside it. Every key but the schema may be left out; keys that are not known are refused, but for
 * those that begin with "x_". Numbers that are not stated are NAN, texts "". */
struct readings_note {
    bool present;
    char path[READINGS_NOTE_PATH_SIZE]; /* where it is, or would be */
    char date[40];                      /* RFC 3339 */
    bool simulated;
    bool interrupted; /* the weighing was not carried to its end */
    char rig_serial[READINGS_NAME_SIZE];
    double counts_min, counts_max; /* ends of the converter's range */
    /* Force. */
    char gravity_origin[READINGS_NOTE_ESTIMATE_SIZE]; /* "latitude and height"; "" when the loads were stated
                                                       * in N
                                                       */
    double gravity_m_s2, gravity_standard_uncertainty_m_s2;
    double density_kg_m3, air_density_kg_m3;
    double tolerance_mg, tolerance_relative; /* of every load; half width of what it may be off by */
    /* Feed: of the feeder's motor, driver and reduction. */
    char feeder[READINGS_NAME_SIZE]; /* whose motor, driver and gear the numbers are of */
    double full_steps_per_rev, microsteps, reduction, drive_diameter_mm;
    double resolution_mm; /* of the rule or caliper: its division */
    char estimates[READINGS_NOTE_ESTIMATES_MAX]
                  [READINGS_NOTE_ESTIMATE_SIZE]; /* keys that rest on the operator's word */
    size_t estimate_count;
};

/* Where the note of a table is: its name with ".json" in place of its ending. ERR_FILE when that is too long.
 */
enum err_code readings_note_path(const char *csv_path, char path[READINGS_NOTE_PATH_SIZE], struct err *e);

/* Read the note that belongs to the table at csv_path; note->present is false when there is none. ERR_FILE
 * when there is one that cannot be read. */
enum err_code readings_note_read(const char *csv_path, enum readings_kind kind, struct readings_note *note,
                                 struct err *e);

#endif
