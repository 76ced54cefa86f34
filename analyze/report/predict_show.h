/* What a prediction came to, as text, JSON, a figure and a section of a report. Shared by the files that
 * write one each. */
#ifndef ANALYZE_REPORT_PREDICT_SHOW_H
#define ANALYZE_REPORT_PREDICT_SHOW_H

#include "analyze/prediction.h"
#include "analyze/report/figure.h"
#include "analyze/report/json_build.h"

#include <stdio.h>

#define PREDICT_SPEEDS_MAX   64
#define PREDICT_CURVE_POINTS 81

/* One feeder, or the drive of the motor file alone. */
struct predict_feeder {
    struct prediction p; /* name "" for the motor file's own drive */
    struct predict_force forces[PREDICT_SPEEDS_MAX];
    size_t force_count;
    struct predict_force curve[PREDICT_CURVE_POINTS]; /* empty (no speed above 0) without a figure */
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

/* predict_words.c: the same words wherever a prediction is told. */
#define PREDICT_WORDS_SIZE 480
/* "agree", "not contradicted", "differs, below". */
const char *predict_judgement(const struct predict_measured *m);
/* What came of it for one feeder, as sentences. Returns buffer. */
char *predict_verdict(const struct prediction *p, char *buffer, size_t size);
/* That grip or a limit gave way first somewhere, and what to do; "" where they did not. Returns buffer. */
char *predict_bounds(const struct prediction *p, char *buffer, size_t size);
/* Whether causes are to be listed: there is a difference that some explain. */
bool predict_has_causes(const struct prediction *p);
/* "set current" or "supply voltage". */
const char *predict_limit(const struct predict_force *f);
/* What the i-th component brings, in N; "0" where that is next to nothing. Returns buffer. */
char *predict_newtons(const struct budget *budget, size_t i, char *buffer, size_t size);
/* "estimate", or the degrees of freedom of what was measured. Returns buffer. */
char *predict_degrees(const struct budget_component *c, char *buffer, size_t size);

/* predict_json.c: the motors and predictions of a session, as results.json has them. */
json_t *predict_json_motors(struct json_build *b, const struct session *session);
json_t *predict_json_predictions(struct json_build *b, const struct session *session);

/* html_prediction.c: the section of the page, the budgets of the predicted forces, and the motor files with
 * what stands in them. Nothing where nothing was to be predicted. */
bool html_prediction_wanted(const struct session *session);
enum err_code html_prediction(const struct session *session, const struct figures *figures, FILE *out,
                              struct err *e);
enum err_code html_prediction_budgets(const struct session *session, FILE *out, struct err *e);
void html_prediction_motors(const struct session *session, FILE *out);
void html_prediction_method(FILE *out);

#endif
