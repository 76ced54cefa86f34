/* runs/NNNN.json: everything about one run that is not a sample. */
#ifndef DATASETS_FORMAT_RUN_RECORD_H
#define DATASETS_FORMAT_RUN_RECORD_H

#include "datasets/format/conditions.h"
#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SERIES_EVENTS_MAX     64
#define SERIES_EVENT_TEXT_MAX 120

enum run_end { RUN_COMPLETE, RUN_LIMIT, RUN_INTERRUPTED, RUN_FAULT, RUN_ENDS };
extern const char *const RUN_END_NAMES[RUN_ENDS]; /* "complete", "limit", "interrupted", "fault" */

struct run_event {
    int64_t time_us; /* rig clock as in the CSV */
    char text[SERIES_EVENT_TEXT_MAX + 1];
};

struct run_record {
    int number;
    char feeder[PLAN_NAME_MAX + 1];
    enum plan_test_kind test;
    double speed_mm_s;
    int block, order;  /* order: 1-based place in the series as carried out */
    double rate_mm3_s; /* melt-push: the rate that speed_mm_s was worked out from; 0: none */
    double travel_mm;  /* commanded feed of one way; 0: not recorded (series of earlier versions) */
    int cycles;        /* reversal: forward and back; 0: one way only */
    int repeat;        /* endurance: 1, 2 ...; 0: none */
    bool cleaned;      /* the drive gear was cleaned just before this run */
    struct conditions conditions;
    double drive_diameter_mm; /* nominal, from the plan */
    double drive_diameter_standard_uncertainty_mm;
    double reduction;
    int teeth, full_steps_per_rev, microsteps;
    double mm_per_microstep; /* the host's own, used to command speed and travel */
    bool simulated;
    char start_time[40]; /* RFC 3339 */
    char rig_serial[33], rig_firmware[33];
    uint32_t boot;
    double sample_rate_hz;
    int64_t counts_min, counts_max;
    double force_limit_n, travel_limit_mm, time_limit_s;
    /* When motion was commanded and when it ended, on the clock of the CSV; zero is taken outside. Both 0:
     * the run ended before any motion. */
    int64_t push_start_us, push_end_us;
    int64_t rows;
    int64_t frames_missing, frames_corrupt, gaps; /* a gap: one or more frames missing in a row */
    enum run_end ended;
    char ended_why[SERIES_EVENT_TEXT_MAX + 1]; /* "travel complete", "force limit on the rig" ... */
    struct run_event events[SERIES_EVENTS_MAX];
    size_t event_count;
};

/* Both check every field: types, ranges, finite numbers, a feeder's name, no key that is not known. Writing
 * refuses what reading would, but makes '?' of control characters and bad UTF-8 in texts, which may have come
 * from a device. Reading leaves events beyond event_count untouched. */
enum err_code run_record_write(const char *path, const struct run_record *r, struct err *e);
enum err_code run_record_read(const char *path, struct run_record *r, struct err *e);

#endif
