/* What a plan comes to before anything is mounted: how many runs, what the operator does, how long it takes,
 * how much filament and disk, which difference it can see, and whether it can answer at all. Works on the
 * plan and its calibration file alone; no rig is asked, and nothing here prints. */
#ifndef CAPTURE_PLAN_CHECK_H
#define CAPTURE_PLAN_CHECK_H

#include "capture/plan_example.h"
#include "capture/plan_time.h"
#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Minutes that a change of the bench is taken to need where nobody says otherwise (assumption, no source). */
#define PLAN_CHECK_MOUNT_MINUTES  3.0
#define PLAN_CHECK_CHANGE_MINUTES 1.0

struct plan_check_request {
    const char *path;
    double scatter_n;      /* of one value, blocks taken out; NAN: not known */
    double density_g_cm3;  /* of the filament; NAN: not known */
    double mount_minutes;  /* for each mounting of a feeder, */
    double change_minutes; /* and for each other change between runs */
    int64_t now_s;         /* seconds since 1970: a calibration may be too old */
};

/* Sentences without a line break. Past PLAN_CHECK_LINES_MAX they are counted only. */
#define PLAN_CHECK_LINES_MAX 40
#define PLAN_CHECK_LINE_SIZE 700
struct plan_check_lines {
    size_t count;
    char text[PLAN_CHECK_LINES_MAX][PLAN_CHECK_LINE_SIZE];
};

/* One thing that the operator is asked for, in the words of `run'. */
#define PLAN_CHECK_ASKED_MAX 120
struct plan_check_asked {
    char what[120];
    int times;
};

/* Which difference between two feeders is found in 80 % of such series at 5 % (seen_difference.h). */
#define PLAN_CHECK_MATTERS_MAX 2
struct plan_check_seen {
    int feeders;  /* compared with each other; below 2: none are */
    int values;   /* quantities with a value for each run, stall force and slip onset, at each speed of the
                   * pushes; 0: the plan has no such test, and no difference can be told beforehand */
    double ratio; /* difference over scatter; NAN: none is seen */
    double difference_n; /* at the scatter asked for; NAN without */
    size_t matter_count; /* of the plan's differences that matter, those in newtons of a run */
    struct {
        const char *quantity; /* the plan's */
        double difference_n;
        double scatter_most_n; /* scatter up to which the design sees it */
        int blocks;            /* that see it at the scatter asked for; 0: more than 200 */
    } matters[PLAN_CHECK_MATTERS_MAX];
};

struct plan_check {
    struct plan_check_request request;
    struct plan plan;
    struct plan_run *order;
    size_t runs;
    struct plan_time time;
    double longest_s;  /* time of the longest push alone */
    double longest_mm; /* travel of the longest */
    double rows, disk_bytes;
    struct plan_example example;
    struct plan_check_asked asked[PLAN_CHECK_ASKED_MAX];
    size_t asked_count; /* in the order of their words; past PLAN_CHECK_ASKED_MAX left out */
    struct plan_check_seen seen;
    struct plan_check_lines no;       /* why the plan cannot answer what it asks */
    struct plan_check_lines warnings; /* what makes an answer unlikely: those of `run', and more */
    struct plan_check_lines before;   /* what is to be done before it runs */
};

/* The plan is read as `run' reads it. ERR_FILE for a plan that is refused, with line and column; what a plan
 * cannot answer is no error here. The caller frees it. */
enum err_code plan_check_work_out(const struct plan_check_request *request, struct plan_check **check,
                                  struct err *e);
void plan_check_free(struct plan_check *check);

/* ERR_NO_ANSWER with one line when the plan holds examples still, or cannot answer. */
enum err_code plan_check_judge(const struct plan_check *check, struct err *e);

/* Seconds that mounting and all other changes are taken to need. */
double plan_check_hands_s(const struct plan_check *check);

/* Grams of filament that a feeder is asked to feed at the most; NAN where its diameter or the density is not
 * stated. */
double plan_check_feed_g(const struct plan_check *check, size_t feeder);

/* What a run sets beside its speed, "brake load 20 N, nip preload 80 N"; "" for nothing. */
void plan_check_settings(const struct plan_check *check, const struct plan_run *run, char *text, size_t size);

/* In plain words, no line wider than 80 characters; with_order: each run in its order, besides. */
void plan_check_write_text(const struct plan_check *check, bool with_order, FILE *out);

/* As one JSON object. ERR_SYSTEM or ERR_MEMORY when it cannot be made. */
enum err_code plan_check_write_json(const struct plan_check *check, bool with_order, FILE *out,
                                    struct err *e);

/* A number above 0 at three digits, without an exponent where it is 0.0001 or more: "0.841", "12.3", "4414".
 * Returns buffer. */
#define PLAN_CHECK_NUMBER_SIZE 48
const char *plan_check_number(double value, char buffer[PLAN_CHECK_NUMBER_SIZE]);

/* Parts of plan_check_work_out. */

/* Add a sentence. */
void plan_check_say(struct plan_check_lines *lines, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* Fill seen, and say where feeders cannot be compared or what matters is not seen. */
void plan_check_see(struct plan_check *check);

#endif
