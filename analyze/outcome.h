/* What a test of a kind comes to for one feeder, in a form that report, tables, results.json and comparison
 * treat alike: quantities with their budgets, sentences, charts. Filled by the tests of a kind; nothing here
 * reads files or prints. */
#ifndef ANALYZE_OUTCOME_H
#define ANALYZE_OUTCOME_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"
#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* One number of the test. */
struct outcome_quantity {
    char key[40];     /* as in results.json, unit included: "creep_per_n" */
    char setting[48]; /* where it holds, "at 215 °C", "with 90 degrees of bend"; "" for the whole test. Key
                       * and setting together are unique in an outcome */
    char label[80];   /* for people: "creep coefficient" */
    char unit[16];    /* "N", "1/N", "mm3/s" */
    struct quantity q;
    struct budget budget; /* count 0 where there is none */
    bool compared;        /* feeders are compared in it */
};

/* One row of points, one fitted curve, or both, of one symbol and name. */
struct outcome_group {
    char name[64]; /* for the key of the figure */
    size_t point_count, curve_count;
    double *x, *y, *y_low, *y_high;                     /* points; low and high NAN: no interval */
    bool *at_least;                                     /* the point is a lower bound; NULL: none is */
    double *curve_x, *curve_y, *curve_low, *curve_high; /* rising x; low and high NAN: no band */
};

struct outcome_mark { /* a line across the picture */
    double at_x;
    char text[64];
};

#define OUTCOME_GROUPS_MAX 12
#define OUTCOME_MARKS_MAX  6
struct outcome_chart {
    char name[24]; /* part of a file name: "ripple" */
    char title[120];
    char description[480]; /* a sentence or two: what is seen, for the caption and for screen readers */
    char x_label[80], y_label[80]; /* unit included: "feed force in N" */
    bool x_from_zero, y_from_zero, y_log, x_log;
    bool stems; /* points are drawn as lines from zero, as in a spectrum */
    bool path;  /* points are joined in their order, as in a loop of force against feed */
    struct outcome_group *groups;
    size_t group_count;
    struct outcome_mark marks[OUTCOME_MARKS_MAX];
    size_t mark_count;
    double level_y; /* a line along the picture, NAN: none */
    char level_text[64];
};

#define OUTCOME_QUANTITIES_MAX 40
#define OUTCOME_SENTENCES_MAX  16
#define OUTCOME_CHARTS_MAX     3
struct outcome {
    char test[24]; /* "loaded-feed", "operating-chart" */
    bool present;  /* false: why_not says why, in one line */
    char why_not[240];
    size_t run_count, used_count; /* of this test; those that count in the answer */
    struct outcome_quantity *quantities;
    size_t quantity_count;
    char sentences[OUTCOME_SENTENCES_MAX][240]; /* findings in plain words, without a full stop */
    size_t sentence_count;
    char warnings[OUTCOME_SENTENCES_MAX]
                 [240]; /* what the numbers rest on that they had better not, and what the
                         * reader should look at: "the filament is dented past 150 N" */
    size_t warning_count;
    struct outcome_chart *charts;
    size_t chart_count;
};

void outcome_init(struct outcome *o, const char *test);
void outcome_free(struct outcome *o); /* what it holds; NULL is fine */

/* Add a quantity; key, label and unit are copied and must fit. budget NULL: none. ERR_MEMORY; ERR_CALLER when
 * there are too many or a text is too long. An absent quantity is kept: "none" is an answer too. */
enum err_code outcome_add(struct outcome *o, const char *key, const char *setting, const char *label,
                          const char *unit, const struct quantity *q, const struct budget *budget,
                          bool compared, struct err *e);
/* The quantity of that key and setting, or NULL. setting NULL: the first of that key. */
const struct outcome_quantity *outcome_find(const struct outcome *o, const char *key, const char *setting);

/* Printf form; what is past the maximum is dropped, what is too long is cut. */
void outcome_say(struct outcome *o, const char *format, ...) __attribute__((format(printf, 2, 3)));
void outcome_warn(struct outcome *o, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* A new chart, or NULL without memory or when there are OUTCOME_CHARTS_MAX. All texts are for the caller to
 * fill. The pointer is valid until the next call. */
struct outcome_chart *outcome_add_chart(struct outcome *o, const char *name);
/* A new group with room for so many points and so many points of a curve (values all NAN, at_least all
 * false), or NULL. */
struct outcome_group *outcome_add_group(struct outcome_chart *chart, const char *name, size_t points,
                                        size_t curve_points);
void outcome_mark_x(struct outcome_chart *chart, double at_x, const char *text);

#endif
