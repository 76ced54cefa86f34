/* runs/NNNN.json: everything about one run that is not a sample. */
#ifndef DATASETS_FORMAT_RUN_RECORD_H
#define DATASETS_FORMAT_RUN_RECORD_H

#include "datasets/format/conditions.h"
#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SERIES_EVENTS_MAX       64
#define SERIES_EVENT_TEXT_MAX   120
#define SERIES_GAPS_MAX         64
#define RUN_RECORD_RIG_TEXT_MAX 32
/* Times of a record, on the clock of the CSV: 11 days, past any run. */
/* Past any count of a link, and small enough that SERIES_GAPS_MAX of them can be added up. */
#define RUN_RECORD_COUNT_MAX   INT64_C(10000000000000)
#define RUN_RECORD_TIME_MAX_US INT64_C(1000000000000)
#define SERIES_RUNS_MAX        2000 /* in one folder: those of a plan, and repeats among them */

enum run_end { RUN_COMPLETE, RUN_LIMIT, RUN_INTERRUPTED, RUN_FAULT, RUN_ENDS };
extern const char *const RUN_END_NAMES[RUN_ENDS]; /* "complete", "limit", "interrupted", "fault" */

struct run_event {
    int64_t time_us;  /* rig clock as in the CSV */
    const char *text; /* at most SERIES_EVENT_TEXT_MAX bytes; of an event in a record, a kept text */
};

/* A place where frames or samples are missing. The last one of a full list sums up all that came after it. */
struct run_gap {
    int64_t time_us; /* of the last row before it, on the clock of the CSV; 0 before the first row */
    int64_t places;  /* 1; more in a last one that sums up */
    int64_t frames;  /* that had not arrived when a later one did; 0: samples are missing all the same */
    int64_t samples; /* of the sample grid, from the row before to the row after; 0 behind the last row */
};

/* What the link did to the run, beyond what the older counts below tell. */
struct run_link {
    int64_t frames_repeated;  /* that arrived twice; used once */
    int64_t frames_late;      /* among the missing: arrived after all, behind a later one; samples not used */
    int64_t samples_missing;  /* of the sample grid, between the first row and the last */
    int64_t samples_backward; /* not later than the sample before; not used */
    double clock_ppm;         /* how much faster the rig's clock ran than the host's; NAN: not measured */
    double clock_standard_uncertainty_ppm; /* NAN with it */
    size_t gap_count;
};

/* A bench made of a force gauge and a motion controller that know nothing of each other: how the computer
 * made one clock of the two. datasets/README.md says what each number is. */
struct run_separate {
    double force_interval_s, force_interval_sd_s; /* from one reading to the next; scatter of one interval */
    double force_latency_s, force_latency_standard_uncertainty_s; /* from the force until its text had come */
    double feed_latency_s, feed_latency_standard_uncertainty_s;   /* from the command until the axis moved */
    double force_resolution_n; /* of the gauge: one step of its last digit */
};

/* Many runs state the same conditions and texts. So a record only points at its conditions, rig_serial,
 * rig_firmware, separate and ended_why, which are there for longer than the record and which it never frees;
 * those of a record that was read are kept once for all (conditions_keep, kept_text).
 *
 * A record owns its lists, which take the room that they need: one that is all zero is empty, and
 * run_record_free gives back what it came to own. A copy by assignment shares the lists with the original:
 * one of the two is freed, and neither is added to. */
struct run_record {
    int number;
    int plan_run; /* place in the plan's order of what it carries out; 0: not recorded, the same as number */
    char feeder[PLAN_NAME_MAX + 1];
    enum plan_test_kind test;
    double speed_mm_s;
    int block, order;  /* order: 1-based place in the series as carried out */
    double rate_mm3_s; /* melt-push: the rate that speed_mm_s was worked out from; 0: none */
    double travel_mm;  /* commanded feed of one way; 0: not recorded (series of earlier versions) */
    int cycles;        /* reversal: forward and back; 0: one way only */
    int repeat;        /* endurance: 1, 2 ...; 0: none */
    /* Number of the run that the operator had repeated by this one, because it looked wrong; 0: none. That
     * run stays as it was written, and does not count any more as soon as this one is complete or met a
     * limit. */
    int repeats;
    int repeated_by; /* the same from the other side; in no file: series_repeats_settle fills it. 0: it counts
                      */
    const struct conditions *conditions; /* see run_record_conditions; NULL: none is stated */
    double drive_diameter_mm;            /* nominal, from the plan */
    double drive_diameter_standard_uncertainty_mm;
    double reduction;
    int teeth, full_steps_per_rev, microsteps;
    double mm_per_microstep; /* the host's own, used to command speed and travel */
    bool cleaned;            /* the drive gear was cleaned just before this run */
    bool simulated;
    char start_time[40];                   /* RFC 3339 */
    const char *rig_serial, *rig_firmware; /* at most RUN_RECORD_RIG_TEXT_MAX bytes; NULL is as "" */
    uint32_t boot;
    double sample_rate_hz;
    int64_t counts_min, counts_max;
    double force_limit_n, travel_limit_mm, time_limit_s;
    /* When motion was commanded and when it ended, on the clock of the CSV; zero is taken outside. Both 0:
     * the run ended before any motion. */
    int64_t push_start_us, push_end_us;
    int64_t rows;
    /* Missing: not there when a later one arrived. Gaps: places where frames or samples are missing. */
    int64_t frames_missing, frames_corrupt, gaps;
    bool link_recorded; /* false: a series of an earlier version, which says nothing of link and link_gaps */
    struct run_link link;
    const struct run_separate *separate; /* NULL: one rig, which has no separate instruments */
    double durable_within_ms; /* longest time from a row's arrival until it was durable; 0: not recorded */
    enum run_end ended;
    const char *ended_why;    /* "travel complete" ..., at most SERIES_EVENT_TEXT_MAX bytes; NULL is as "" */
    struct run_event *events; /* event_count of them, at most SERIES_EVENTS_MAX */
    size_t event_count;
    struct run_gap *link_gaps; /* link.gap_count of them, in the order of time */
    bool incomplete;           /* for want of memory: a record like that is not written */
};

/* Its conditions; where it has none, such as state nothing. */
const struct conditions *run_record_conditions(const struct run_record *r);
/* Why it ended: a copy of text, cut at SERIES_EVENT_TEXT_MAX bytes. False when there is no memory, and then
 * the record is not written any more. */
bool run_record_set_why(struct run_record *r, const char *text);

/* Give back the events and gaps and make both lists empty; the counts of what is missing stay. NULL is fine.
 */
void run_record_free(struct run_record *r);

/* Both check every field: types, ranges, finite numbers, a feeder's name, no key that is not known. Writing
 * refuses what reading would, but makes '?' of control characters and bad UTF-8 in texts, which may have come
 * from a device. Reading looks at nothing that *r held; after an error nothing of it needs freeing. Of a
 * record whose link is recorded the sums over link_gaps must be gaps, frames_missing and
 * link.samples_missing. */
enum err_code run_record_write(const char *path, const struct run_record *r, struct err *e);
enum err_code run_record_read(const char *path, struct run_record *r, struct err *e);
/* The same, with the SHA-256 of the file ("sha256:...", FILE_BYTES_HASH_SIZE bytes) and its size. */
enum err_code run_record_read_hashed(const char *path, struct run_record *r, char *hash, int64_t *bytes,
                                     struct err *e);

/* Put an event at the end, of a copy of text that is cut at SERIES_EVENT_TEXT_MAX bytes; where the list is
 * full, nothing. False when there is no memory, and then the record is not written any more. */
bool run_record_add_event(struct run_record *r, int64_t time_us, const char *text);
/* Leave the first count events. */
void run_record_cut_events(struct run_record *r, size_t count);

/* Count a gap in and list it: gaps, frames_missing and link.samples_missing grow by it, and so does link_gaps
 * or, where that is full, its last entry. Gaps must come in the order of time. Counts stop at
 * RUN_RECORD_COUNT_MAX. False when there is no memory to list it: it is counted all the same, and the record
 * is not written any more. */
bool run_record_add_gap(struct run_record *r, const struct run_gap *gap);

#endif
