/* The plan of a series: plan.yaml. Which feeders, which tests, at which speeds, how often, in which random
 * order. */
#ifndef DATASETS_FORMAT_PLAN_H
#define DATASETS_FORMAT_PLAN_H

#include "datasets/format/conditions.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PLAN_NAME_MAX         32
#define PLAN_TEXT_MAX         240
#define PLAN_FEEDERS_MAX      12
#define PLAN_TESTS_MAX        16
#define PLAN_SPEEDS_MAX       32 /* of any ladder: speeds, rates, loads, preloads, temperatures, bends */
#define PLAN_RUNS_MAX         1000
#define PLAN_CONTRIBUTORS_MAX 8
#define PLAN_MATTERS_MAX      16

enum plan_test_kind {
    PLAN_BLOCKED_PUSH,
    PLAN_SPEED_SWEEP,
    PLAN_FREE_RUN,
    PLAN_LOADED_FEED,
    PLAN_PRELOAD_SWEEP,
    PLAN_REVERSAL,
    PLAN_MELT_PUSH,
    PLAN_ENDURANCE,
    PLAN_TEST_KINDS
};
extern const char *const PLAN_TEST_NAMES[PLAN_TEST_KINDS]; /* "blocked-push", "speed-sweep", "free-run" ... */

/* What the filament meets in a test of a kind. */
enum plan_end { PLAN_END_BLOCKED, PLAN_END_FREE, PLAN_END_BRAKE, PLAN_END_HOT, PLAN_ENDS };
enum plan_end plan_end_of(enum plan_test_kind kind);

/* Whether a test of this kind sets the condition itself, run by run, so that it is no condition of the
 * feeder: nip preload in preload-sweep, loaded-feed and free-run, brake load in loaded-feed, hot end
 * temperature in melt-push, bend of the guide tube in reversal. */
bool plan_test_sets(enum plan_test_kind kind, enum condition_id id);

struct plan_feeder {
    char name[PLAN_NAME_MAX + 1];                  /* [a-z0-9-]+ */
    char description[PLAN_TEXT_MAX + 1];           /* "" if none */
    double drive_diameter_mm;                      /* nominal effective diameter */
    double drive_diameter_standard_uncertainty_mm; /* the operator's estimate; default 1 % of it */
    double reduction;                              /* motor turns per drive gear turn, default 1 */
    int teeth;                                     /* 0: none or not known */
    int full_steps_per_rev;                        /* default 200 */
    int microsteps;                                /* default 16 */
    struct conditions conditions;                  /* shared ones with this feeder's own over them */
};

struct plan_test {
    enum plan_test_kind kind;
    double speeds_mm_s[PLAN_SPEEDS_MAX]; /* none in melt-push, which has rates */
    size_t speed_count;
    double travel_mm;          /* commanded feed of one push; of reversal: how far forward and as far back */
    double acceleration_mm_s2; /* default 200 */
    /* Ladders that a test of a kind runs through; a count of 0 leaves the condition as the feeder has it. */
    double nip_preloads_n[PLAN_SPEEDS_MAX]; /* preload-sweep; may be given in loaded-feed and free-run */
    size_t nip_preload_count;
    double brake_loads_n[PLAN_SPEEDS_MAX]; /* loaded-feed */
    size_t brake_load_count;
    double rates_mm3_s[PLAN_SPEEDS_MAX]; /* melt-push */
    size_t rate_count;
    double hot_end_temperatures_c[PLAN_SPEEDS_MAX]; /* melt-push */
    size_t hot_end_temperature_count;
    double guide_tube_bends_deg[PLAN_SPEEDS_MAX]; /* reversal; 0: without guide tube */
    size_t guide_tube_bend_count;
    int cycles;      /* reversal: forward and back, default 3 */
    int repeats;     /* endurance: pushes one after another in each block, at least 3 */
    int clean_every; /* endurance: the gear is cleaned before every so manieth push but the first; 0: never */
};

struct plan_contributor {
    char title[PLAN_TEXT_MAX + 1];
    char role[PLAN_NAME_MAX + 1];
};

/* The smallest difference between two feeders that matters to whoever planned the series. */
struct plan_matter {
    char quantity[40]; /* key of a quantity as in results.json, "stall_force_n" */
    double difference; /* in the unit of the quantity, above 0 */
};

/* Uncertainties that no run measures: the operator's estimates, half widths or standard uncertainties as
 * their labels say. */
enum plan_estimate_id {
    PLAN_ESTIMATE_ALIGNMENT_DEG,      /* the load axis lies within this of the cell's axis */
    PLAN_ESTIMATE_CELL_CREEP_PERCENT, /* standard uncertainty of a reading by the cell's creep, of the force
                                       */
    PLAN_ESTIMATE_RUNOUT_MM,          /* standard uncertainty of the drive gear's radius over a turn */
    PLAN_ESTIMATE_COUNT
};
struct plan_estimate_kind {
    const char *key;   /* under `estimates` in plan.yaml, unit included */
    const char *label; /* for people */
    const char *unit;  /* for people */
    double value;      /* default (common practice, no source) */
    double low, high;
};
extern const struct plan_estimate_kind PLAN_ESTIMATE_KINDS[PLAN_ESTIMATE_COUNT];
struct plan_estimate {
    double value;
    bool stated; /* false: the default of its kind */
};

#define PLAN_ZERO_DRIFT_LIMIT_N 0.5

struct plan {
    char title[PLAN_TEXT_MAX + 1];
    char description[4 * PLAN_TEXT_MAX + 1];
    char licence[PLAN_NAME_MAX + 1];     /* name as in a Data Package, "CC-BY-4.0" */
    char calibration[PLAN_TEXT_MAX + 1]; /* path of calibration.json, relative to the plan's folder */
    double calibration_max_age_days;     /* an older one is refused, and flagged when analysed; 0: no limit */
    double zero_drift_limit_n;           /* a run whose zero moved more is flagged; default 0.5 */
    struct plan_estimate estimates[PLAN_ESTIMATE_COUNT];
    bool simulated; /* the data are simulated: marked in every file and report */
    struct plan_contributor contributors[PLAN_CONTRIBUTORS_MAX];
    size_t contributor_count;
    char bench[PLAN_TEXT_MAX + 1];         /* which bench the series is run on; "" when not stated */
    char operator_name[PLAN_TEXT_MAX + 1]; /* who mounts and runs; "" when not stated */
    struct plan_matter matters[PLAN_MATTERS_MAX];
    size_t matter_count;
    uint64_t seed;
    int blocks;                         /* repeats: each block holds every feeder, test and speed once */
    double rest_before_s, rest_after_s; /* unloaded recording before and after each push, for the zero */
    double sample_rate_hz;
    double force_limit_n, travel_limit_mm, time_limit_s; /* of any run: rig and host enforce them */
    double tolerance[CONDITION_COUNT];                   /* comparability */
    enum condition_id ask[CONDITION_COUNT]; /* what the operator states anew, in the plan's own order */
    size_t ask_count;
    struct plan_feeder feeders[PLAN_FEEDERS_MAX];
    size_t feeder_count;
    struct plan_test tests[PLAN_TESTS_MAX];
    size_t test_count;
};

enum err_code plan_read(const char *path, struct plan *p, struct err *e);

/* Whether a calibration of calibration_date (RFC 3339) may be used at unix_s (seconds since 1970): always
 * where the plan states no limit, else when it is no older than that and not dated after it, a day of clocks
 * and time zones apart. When not, why (of size bytes) says it as a part of a sentence: "is 412.3 days old,
 * ...". */
bool plan_allows_calibration(const struct plan *p, const char *calibration_date, int64_t unix_s, char *why,
                             size_t size);

/* The smallest difference that matters in the quantity of that key; NAN when the plan states none. */
double plan_matters(const struct plan *p, const char *quantity);

/* How many pushes a test makes with one feeder in one block: its ladders all crossed. */
size_t plan_test_pushes(const struct plan_test *t);

/* The feed in mm/s that a volumetric rate takes in this feeder: the rate over the cross-section of the
 * filament, pi d^2 / 4, at the diameter that its conditions state; 0 where they state none. */
double plan_feed_mm_s(const struct plan_feeder *f, double rate_mm3_s);

/* One run of the plan in the order to be carried out. */
struct plan_run {
    int number; /* 1-based: runs/0001.csv */
    int block;  /* 1-based */
    size_t feeder, test;
    double speed_mm_s;
    double rate_mm3_s; /* melt-push: what the speed comes from; else 0 */
    /* The feeder's conditions with what the test sets for this run. */
    struct conditions conditions;
    int repeat;        /* endurance: 1, 2 ...; else 0 */
    bool clean_before; /* endurance: the gear is to be cleaned before this run */
};
/* Lay out all runs (room for PLAN_RUNS_MAX): block by block; in a block the feeders in random order, so that
 * each is mounted once a block, and for each mounted feeder its tests and ladders, all crossed, in random
 * order, but so that what takes long to change is changed once: what the filament meets, hot end temperature
 * and guide tube are taken in random order, and all that is done with them in random order. Endurance comes
 * last, push by push as it stands: repeat 1, 2 ... at the first of its speeds, then at the next. The order
 * depends on the plan's seed alone. Returns the count. */
size_t plan_order(const struct plan *p, struct plan_run *runs);

#endif
