/* What the analysis of a reading session finds: the structs between the tests of a kind, which fill them, and
 * the report, which only shows them. Nothing here reads files or prints. */
#ifndef ANALYZE_ANALYSIS_H
#define ANALYZE_ANALYSIS_H

#include "analyze/motor_parameters.h"
#include "analyze/numerics/bootstrap.h"
#include "analyze/numerics/budget.h"
#include "analyze/numerics/design_compare.h"
#include "analyze/numerics/group_letters.h"
#include "analyze/numerics/quantity.h"
#include "analyze/outcome.h"
#include "analyze/progress.h"
#include "analyze/text_list.h"
#include "datasets/format/series.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum limited_by { LIMITED_MOTOR, LIMITED_GRIP, LIMITED_LIMIT, LIMITED_UNCLEAR, LIMITED_COUNT };
extern const char *const LIMITED_NAMES[LIMITED_COUNT]; /* "motor", "grip", "limit", "unclear" */

/* One rise-and-drop of the push force. */
struct push_event {
    double feed_mm;  /* commanded feed at the drop */
    double peak_n;   /* force at the drop, read off the fitted rise */
    double trough_n; /* level after the drop */
};

/* What a result rests on that it had better not: forces beyond the calibrated range, a calibration past its
 * age. Sentences without a full stop. */
#define RESULT_FLAGS_MAX 4
struct result_flags {
    size_t count;
    char text[RESULT_FLAGS_MAX][240];
};

#define PUSH_EVENTS_MAX      512
#define PUSH_EVIDENCE_MAX    6
#define PUSH_FLAGS_MAX       8
#define PUSH_PICTURE_COLUMNS 600

/* Commanded feed against force thinned for a picture: for each pixel column its least and greatest force. */
struct push_picture {
    size_t n; /* columns in use */
    double feed_mm[PUSH_PICTURE_COLUMNS];
    double force_low_n[PUSH_PICTURE_COLUMNS];
    double force_high_n[PUSH_PICTURE_COLUMNS];
};

/* How finely a push was read against what is to be seen in it. */
#define PUSH_FULL_STEPS_PER_CYCLE 4.0
struct push_sampling {
    double interval_s;         /* mean time from one reading to the next */
    double feed_mm;            /* commanded feed from one reading to the next */
    double force_n;            /* rise of the force meanwhile at most: before any slip; 0: not known */
    double cycle_mm, pitch_mm; /* a motor's electrical cycle; a tooth, 0: none or not known */
    double cycle_readings, pitch_readings; /* readings in either */
    double peak_readings;                  /* from one peak to the next */
    uint32_t rise_readings;                /* from contact to the first drop, or the end */
    bool coarse; /* much of the force lies between two readings, or a cycle or tooth cannot be made out */
};

/* One blocked push. */
struct push_result {
    struct quantity stall_force_n;
    struct quantity slip_onset_n;
    struct budget stall_budget, onset_budget; /* of the two; empty where there is no interval */
    struct quantity creep_per_n;              /* lost share of feed per newton */
    struct quantity stiffness_n_per_mm;
    struct quantity drop_period_mm;      /* commanded feed between drops */
    struct quantity approach_feed_ratio; /* measured over commanded feed before contact, scales left out of
                                          * its uncertainty; absent without an encoder or room before it */
    enum limited_by limited_by;
    double probability[3];                 /* motor, grip, neither */
    char evidence[PUSH_EVIDENCE_MAX][160]; /* sentences behind limited_by */
    size_t evidence_count;
    char flags[PUSH_FLAGS_MAX]
              [160]; /* what is odd about this run: saturated, beyond calibrated range, gaps */
    size_t flag_count;
    bool settled; /* stall force is the level the push settled to, not event peaks */
    bool with_encoder;
    double zero_counts;      /* unloaded reading used */
    bool zero_seen_after;    /* there was an unloaded reading at rest after the motion as well */
    double zero_drift_n;     /* zero after minus zero before */
    double noise_n;          /* sd of the unloaded reading */
    double greatest_force_n; /* largest reading, noise included: only for the picture and the limit check */
    double speed_mm_s;       /* as found in the data */
    struct push_sampling sampling;
    struct push_event events[PUSH_EVENTS_MAX];
    size_t event_count;
    struct push_picture picture;
};

/* What a run of a test other than a push gives. key, label and unit belong to the test of that kind and are
 * never freed. */
struct run_quantity {
    const char *key, *label, *unit;
    struct quantity q;
};
#define RUN_QUANTITIES_MAX 16

/* A picture of the run in the order of time, thinned: force against commanded feed, say. */
struct run_trace {
    size_t n;
    double *x, *y;
};

/* What the analysis of one run finds, with room for the most there can be. One for each thread is enough:
 * what is needed of it later is kept in a struct run_result. */
struct run_finding {
    struct push_result push; /* of tests that are no push: zero, noise, flags, speed and picture alone */
    struct run_quantity
        quantities[RUN_QUANTITIES_MAX]; /* in an order that is the same for all runs of a kind */
    size_t quantity_count;
    struct run_trace trace; /* n 0: none; owned */
    double fed_mm;          /* commanded feed of all motion of the run, forward and back */
};

/* Sentences, of the session's store: equal ones of many runs are there once. */
struct run_texts {
    size_t count;
    const char *const *text;
};

/* The budget of a force of one run: no part of it is correlated with another, and each is in newtons with a
 * sensitivity of 1. What its parts are is the same for many runs and kept once (run_store); a run has its
 * numbers. run_budget makes a struct budget of the two. */
struct run_budget_part {
    char name[48];
    enum budget_type type;
    bool operator_estimate;
    bool exact; /* degrees of freedom are INFINITY */
};
struct run_budget_kind {
    size_t count; /* at least 1 */
    struct run_budget_part part[BUDGET_COMPONENTS_MAX];
};
struct run_budget {
    const struct run_budget_kind *kind; /* of the session's store; NULL: there is no budget */
    const double *number; /* standard uncertainty of each part, N; then the degrees of freedom of each part
                             that is not exact, in the same order */
};

/* Commanded feed against force with no more columns than its figure has room for; and what is read off the
 * whole picture. */
struct run_picture {
    size_t n;                                           /* columns */
    const double *feed_mm, *force_low_n, *force_high_n; /* of the first reading; least; greatest */
    double feed_end_mm;                                 /* of the last column of the whole picture */
    double feed_onset_mm; /* where the push first reached its slip onset; 0: none was found */
    size_t event_count;
    const struct push_event *events; /* of very many every second, third and so on */
    size_t room_bytes;               /* of all this together */
};

/* What is kept of struct push_result, whose names it has. */
struct run_push {
    struct quantity stall_force_n, slip_onset_n;
    struct run_budget stall_budget, onset_budget;
    struct quantity creep_per_n, stiffness_n_per_mm, drop_period_mm, approach_feed_ratio;
    struct push_sampling sampling;
    double probability[3];
    double zero_drift_n, noise_n, greatest_force_n, speed_mm_s;
    struct run_texts evidence, flags;
    size_t event_count;
    const struct run_picture *picture; /* NULL: not kept, for no figure shows it */
    double event_feed_mm;              /* of the middle one of the events; 0: there are none */
    double pressed_mm;                 /* of endurance: see endurance_pressed_mm */
    enum limited_by limited_by;
    bool settled, with_encoder;
};

/* How good the rows of a run are, whatever test it is of: see run_quality.h. What its record and its other
 * results say already is not here. NAN: not known. */
enum run_mains { RUN_MAINS_UNKNOWN, RUN_MAINS_NONE, RUN_MAINS_FOUND };
struct run_quality {
    float interval_us;             /* mean from one row to the next, holes left out */
    float jitter_us;               /* and its standard deviation */
    uint32_t over_range_rows;      /* the converter was at an end of its range */
    uint32_t over_range_in_motion; /* of these, between start and end of the motion */
    float range_used;              /* greatest share of the range on one side of the zero */
    float mains_n;                 /* amplitude of the strongest line that was found */
    float mains_standard_uncertainty_n;
    float mains_detectable_n; /* what is less may be there and not be found */
    float mains_noise_n;      /* noise of one reading beside the lines */
    uint16_t step_counts;     /* all readings are apart by multiples of it: 1 where nothing else is seen */
    uint8_t mains_hz;         /* of mains_n */
    uint8_t mains : 2;        /* enum run_mains */
    bool present : 1;         /* false: the rows were not read */
    bool zero_seen_after : 1;
};

/* One run of the session: as small as what tables, sums and figures need of it. */
struct run_result {
    size_t series;                   /* index into session.series */
    size_t feeder;                   /* index into session.feeders */
    const struct run_record *record; /* belongs to the series */
    const char *why_not;             /* of a run that was not analysed; else NULL */
    bool analysed;
    struct run_push push; /* of tests that are no push: zero, noise, flags and speed alone */
    struct run_quality quality;
    struct run_quantity *quantities;
    size_t quantity_count;
    struct run_trace trace; /* n 0: none; owned */
    double fed_mm;
    /* What the others point into, beside the session's store: why_not, and the picture; owned. */
    void *why_room, *picture_room;
};

/* One feeder at one speed over its runs. */
struct speed_point {
    double speed_mm_s;
    struct quantity
        stall_force_n; /* mean over runs, at_least when any run is censored and none may be averaged in */
    struct quantity slip_onset_n;
    struct budget stall_budget, onset_budget; /* of the two means */
    struct quantity
        torque_nm; /* at the motor shaft: F D / (2 i), efficiency included in the motor's favour */
    struct budget torque_budget;                  /* of the force, and the drive diameter */
    struct result_flags stall_flags, onset_flags; /* of the two means; torque has those of the stall force */
    size_t run_count, censored_count, no_onset_count;
    size_t limited_count[LIMITED_COUNT];
};

enum torque_model { TORQUE_CONSTANT, TORQUE_DROOP, TORQUE_PULL_OUT, TORQUE_MODELS };
extern const char
    *const TORQUE_MODEL_NAMES[TORQUE_MODELS]; /* "constant", "linear droop", "flat, then pull-out" */

#define CURVE_POINTS 121
struct torque_curve {
    bool present;
    char why_not[160];          /* when not present */
    enum torque_model model;    /* chosen by AICc */
    double aicc[TORQUE_MODELS]; /* NAN where the model could not be fitted */
    double speed_mm_s[CURVE_POINTS];
    double torque_nm[CURVE_POINTS];
    double low_95_nm[CURVE_POINTS];
    double high_95_nm[CURVE_POINTS];
    double
        standard_error_nm[CURVE_POINTS]; /* of the fit alone, without the drive diameter that the band has */
    double degrees_of_freedom;           /* of the fit; 0 where not known */
    struct quantity corner_speed_mm_s;   /* only for TORQUE_PULL_OUT */
    struct motor_parameters motor;       /* what the curve tells of the motor; only for TORQUE_PULL_OUT, and
                                            the flat torque alone for TORQUE_CONSTANT */
    size_t fitted_count;                 /* pushes that it is fitted to, bounds among them */
    size_t censored_count;               /* grip-limited points taken as lower bounds */
    struct result_flags flags;           /* of the runs it is fitted to */
};

#define SPEED_POINTS_MAX PLAN_SPEEDS_MAX
#define FEEDER_NAME_MAX  63
struct feeder_result {
    char name[FEEDER_NAME_MAX + 1]; /* unique in the session: "gear-8mm", or "gear-8mm (series 2)" */
    size_t series;                  /* the series it was measured in */
    char description[PLAN_TEXT_MAX + 1];
    struct conditions conditions;        /* of its first run */
    struct conditions *conditions_range; /* least and greatest values over its runs, two of them; NULL: all
                                            runs have conditions */
    bool conditions_vary;                /* its own runs differ by more than the plan's tolerances */
    struct speed_point points[SPEED_POINTS_MAX];
    size_t point_count;
    size_t reference; /* index of the session's reference speed in points; point_count if absent */
    struct torque_curve torque_curve;
    struct outcome *outcomes; /* one for each kind of test that it went through, in the order of the kinds;
                               * then what is worked out from several of them */
    size_t outcome_count;
};

enum verdict {
    VERDICT_A_HIGHER,
    VERDICT_B_HIGHER,
    VERDICT_NO_DIFFERENCE_SHOWN,
    VERDICT_EQUIVALENT,
    VERDICT_NOT_COMPARABLE,
    VERDICT_COUNT
};
extern const char *const VERDICT_NAMES[VERDICT_COUNT]; /* "a_higher" ... as in results.json */

#define COMPARISON_REASONS_MAX  16
#define COMPARISON_ACCEPTED_MAX 6
/* Two feeders in one quantity. */
struct comparison {
    char quantity[40]; /* "stall_force_n" or "slip_onset_n", or the key of an outcome's quantity */
    char test[24];    /* "" for pushes at one speed; else the outcome's test: speed_mm_s then means nothing */
    char setting[48]; /* of the outcome's quantity */
    char unit[16];    /* of the difference */
    double speed_mm_s;
    size_t a, b;                /* indices into session.feeders */
    size_t family;              /* index into session.families; SIZE_MAX: of none, not comparable */
    struct quantity difference; /* a minus b, with the 95 % interval of this pair alone */
    /* What of its budget is its own, of pushes: the scatter, by the design, and the two means that the
     * calibration counts by. comparison_budget makes the whole of it. */
    const char *scatter_name; /* constant text; NULL: none */
    double scatter, scatter_degrees;
    double mean_a, mean_b;
    /* Percentile bootstrap of the same difference, runs (or blocks) of the two resampled, calibration left
     * out: a plain check beside the interval, which no verdict rests on. Absent where lower bounds count, and
     * of outcomes. */
    struct bootstrap_interval resampled;
    double family_low_95, family_high_95; /* 95 % interval together with all pairs of its family: wider where
                                             those are several; NAN where there is none */
    bool has_p_value;
    double p_value;            /* two-sided; adjusted over pairs, then over quantities */
    double p_value_family;     /* adjusted over the pairs of its family alone */
    double p_value_unadjusted; /* of this pair alone */
    bool shown;                /* that they differ: p_value below the level */
    double matters;            /* the smallest difference that matters; NAN: nobody stated one */
    bool has_equivalence_p_value;
    double equivalence_p_value; /* that they differ by less than matters; adjusted over all such (Holm) */
    bool by_blocks;             /* compared within blocks */
    const char *method;         /* constant text, how it was judged; NULL: not */
    /* What more repeats would bring: see comparison_size.h. Zeros where nothing can be said. */
    double wanted_difference; /* which difference the repeats below are for: matters, else the one seen */
    int wanted_repeats;       /* repeats that find it in 80 % of such series; 0: not known, or too many */
    double seen_difference;   /* that the present repeats find in 80 % of such series; NAN: not known */
    enum verdict verdict;
    struct text_list reasons; /* why the pair cannot be compared */
    /* Conditions that differ by more than the tolerance and were accepted all the same, each with both values
     * and the tolerance. Whoever shows a number of this comparison shows these beside it. */
    struct text_list accepted;
    struct text_list flags; /* of the two means, each with the feeder's name, or "both" */
};

/* Feeders that were measured alike, all compared with each other in one quantity. */
struct comparison_family {
    char quantity[40], test[24], setting[48], unit[16]; /* as in struct comparison */
    double speed_mm_s;
    size_t count;                        /* 0 where no pair of them could be judged */
    size_t *members;                     /* indices into session.feeders, the highest value first */
    double *value;                       /* of each member: what is ranked */
    char (*letters)[GROUP_LETTERS_SIZE]; /* two members that share one were not shown to differ; "" where
                                            letters ran out */
    size_t *pairs;                       /* indices into session.comparisons, rising */
    size_t pair_count;
    bool designed; /* compared by the scatter of values per run: design then says how; else by the budgets of
                      one value each */
    struct design_result design; /* its groups are the members in the order of session.feeders; no pairs */
};

/* What runs point into: kinds of budgets and sentences that many of them share, each kept once, and the room
 * of all runs, in blocks one after another. */
struct run_store {
    struct run_budget_kind **kind;
    size_t kind_count;
    void *sentences; /* tree of those in the blocks (tsearch) */
    struct run_block *last_block;
};

/* A motor file by which push forces are predicted (prediction.h). */
struct session_motor {
    char feeder[FEEDER_NAME_MAX + 1]; /* as its plan or the session calls it; "": every feeder that no other
                                         motor is named for */
    const char *file;                 /* to be read, and its name */
    const char *text;                 /* what stands in it, where that is known already; else NULL */
};
#define SESSION_MOTORS_MAX 64
struct prediction_motor;
struct prediction;

struct session {
    struct series **series;
    size_t series_count;
    struct run_store store;
    struct run_result *runs;
    size_t run_count;
    struct feeder_result *feeders;
    size_t feeder_count;
    struct comparison *comparisons;
    size_t comparison_count;
    struct comparison_family *families;
    size_t family_count;
    struct studentised_tables *studentised;       /* what comparisons ask; NULL: they take longer */
    size_t adjusted_count;                        /* families whose p values were adjusted together (Holm) */
    bool accept[CONDITION_COUNT];                 /* conditions that may differ */
    struct plan_matter matters[PLAN_MATTERS_MAX]; /* differences that matter, before those of the plans */
    size_t matter_count;
    struct prediction_motor
        *motors; /* of prediction.h, like the next; 0 of them: nothing was to be predicted */
    size_t motor_count;
    struct prediction *predictions; /* feeders that were run and have a motor, in their order */
    size_t prediction_count;
    double reference_speed_mm_s; /* of the first plan that has blocked pushes, their first speed */
    double margin;               /* of the load, in operating charts */
    bool simulated;              /* any series is marked so */
    struct progress *progress;   /* told how far the analysis is, while it lasts; NULL: nobody looks */
};

/* Open and analyse series folders. Runs are independent and are spread over threads (0: one per core); the
 * result does not depend on how many. */
enum err_code session_analyse(const char *const *folders, size_t count, int threads, struct session **session,
                              struct err *e);
/* The same with more to choose. */
#define SESSION_MARGIN 0.2
struct session_options {
    int threads;
    double margin;                                /* of the load, in operating charts: 0.2 for 20 % */
    bool accept[CONDITION_COUNT];                 /* conditions in which compared feeders may differ */
    struct plan_matter matters[PLAN_MATTERS_MAX]; /* differences that matter: they go before those of plans */
    size_t matter_count;
    /* For each folder another calibration than the one inside (datasets/format/series_calibration.h), or
     * NULL; NULL: all inside. */
    const char *const *calibrations;
    const struct session_motor *motors;
    size_t motor_count;
    struct progress *progress; /* told how far it has come; NULL: nobody looks */
};
enum err_code session_analyse_with(const char *const *folders, size_t count,
                                   const struct session_options *options, struct session **session,
                                   struct err *e);
void session_free(struct session *session);

#endif
