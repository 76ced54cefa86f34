/* What a prediction came to, as text, JSON and a figure. Shared by the files that write one each. */
#ifndef ANALYZE_REPORT_PREDICT_SHOW_H
#define ANALYZE_REPORT_PREDICT_SHOW_H

#include "analyze/predict.h"
#include "analyze/predict_cause.h"
#include "analyze/report/figure.h"
#include "datasets/format/plan.h"

#include <stdio.h>

#define PREDICT_SPEEDS_MAX   64
#define PREDICT_CURVE_POINTS 81
#define PREDICT_FEEDERS_MAX  64

/* One feeder, or the drive of the motor file alone. */
struct predict_feeder {
    char name[80]; /* "" for the motor file's own drive */
    struct predict_drive drive;
    struct predict_force forces[PREDICT_SPEEDS_MAX];
    size_t force_count;
    struct predict_force curve[PREDICT_CURVE_POINTS]; /* empty (no speed above 0) without a figure */
    struct predict_measured measured[PLAN_SPEEDS_MAX];
    size_t measured_count;
    struct predict_verdict verdict;
};

struct predict_answer {
    struct predict_motor motor;
    struct predict_feeder *feeders;
    size_t feeder_count;
    bool with_series, simulated;
    const struct session *session; /* NULL: without series */
};

/* width: columns that no line is wider than; 0: any. ERR_MEMORY. */
enum err_code predict_text_write(const struct predict_answer *answer, int width, FILE *out, struct err *e);
enum err_code predict_json_write(const struct predict_answer *answer, FILE *out, struct err *e);
/* Script and data of prediction.gp and prediction.csv into *figure, which figure_draw then takes. The caller
 * frees script, data and svg. */
enum err_code predict_figure_build(const struct predict_answer *answer, struct figure *figure, struct err *e);

#endif
