#include "analyze/report/predict_command.h"

#include "analyze/analysis.h"
#include "analyze/motor_file.h"
#include "analyze/report/predict_show.h"
#include "datasets/format/series.h"
#include "rig/base/number.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define SPEED_MOST_MM_S 10000
/* Speeds of a prediction without any named or measured. */
static const double LADDER_MM_S[] = {1, 2, 5, 10, 20, 30, 50, 75, 100, 150, 200};
#define LADDER_COUNT (sizeof LADDER_MM_S / sizeof LADDER_MM_S[0])

struct work {
    const struct predict_request *request;
    struct predict_answer answer;
    struct session *session;
    double speeds_mm_s[PREDICT_SPEEDS_MAX];
    size_t speed_count;
};

static enum err_code read_speeds(struct work *w, struct err *e)
{
    const char *at = w->request->speeds;
    while (at != NULL) {
        char word[40];
        size_t length = strcspn(at, ",");
        enum err_code code;
        if (length >= sizeof word)
            return err_set(e, ERR_USAGE, "--speeds: '%.60s' is no number; see --help", at);
        memcpy(word, at, length);
        word[length] = 0;
        if (w->speed_count == PREDICT_SPEEDS_MAX)
            return err_set(e, ERR_USAGE, "--speeds: more than %d speeds; see --help", PREDICT_SPEEDS_MAX);
        code = number_read_double(word, 1e-3, SPEED_MOST_MM_S, "--speeds", "mm/s",
                                  &w->speeds_mm_s[w->speed_count], e);
        if (code != ERR_OK)
            return code;
        w->speed_count++;
        at = at[length] == ',' ? at + length + 1 : NULL;
    }
    return ERR_OK;
}

/* The drive that the motor file itself states. */
static enum err_code add_own_drive(struct work *w, struct err *e)
{
    struct predict_motor *m = &w->answer.motor;
    struct predict_feeder *f = &w->answer.feeders[0];
    if (!(m->values[PREDICT_DRIVE_DIAMETER_MM] > 0))
        return err_set_at(e, ERR_FILE, w->request->motor, 0, 0,
                          "drive_diameter_mm is missing: it takes that, or a series whose plan states it");
    if (!(m->reduction > 0))
        return err_set_at(e, ERR_FILE, w->request->motor, 0, 0,
                          "reduction is missing: it takes that, or a series whose plan states it");
    f->p.drive.drive_diameter_mm = m->values[PREDICT_DRIVE_DIAMETER_MM];
    f->p.drive.reduction = m->reduction;
    w->answer.feeder_count = 1;
    return ERR_OK;
}

static enum err_code add_feeders(struct work *w, struct err *e)
{
    enum err_code code = ERR_OK;
    bool run;
    for (size_t i = 0; i < w->session->feeder_count && code == ERR_OK; i++) {
        if (w->request->feeder != NULL && strcmp(w->request->feeder, w->session->feeders[i].name) != 0)
            continue;
        code = prediction_of_feeder(w->session, i, &w->answer.motor, w->request->motor,
                                    &w->answer.feeders[w->answer.feeder_count].p, &run, e);
        w->answer.feeder_count += run;
    }
    if (code == ERR_OK && w->answer.feeder_count == 0)
        code = w->request->feeder != NULL
                   ? err_set(e, ERR_USAGE, "--feeder: no feeder '%.60s' was run in these series",
                             w->request->feeder)
                   : err_set(e, ERR_NO_ANSWER, "these series hold no run");
    return code;
}

static enum err_code work_out(struct work *w, struct predict_feeder *f, struct err *e)
{
    const struct predict_motor *m = &w->answer.motor;
    double top = 0;
    enum err_code code = ERR_OK;
    size_t count = w->speed_count;
    for (size_t i = 0; i < count; i++)
        f->forces[i].speed_mm_s = w->speeds_mm_s[i];
    for (size_t i = 0; count == 0 && i < f->p.measured_count; i++)
        f->forces[i].speed_mm_s = f->p.measured[i].speed_mm_s;
    if (count == 0)
        count = f->p.measured_count;
    if (count == 0) {
        for (count = 0; count < LADDER_COUNT; count++)
            f->forces[count].speed_mm_s = LADDER_MM_S[count];
    }
    for (size_t i = 0; i < count && code == ERR_OK; i++) {
        top = fmax(top, f->forces[i].speed_mm_s);
        code = predict_at(m, &f->p.drive, f->forces[i].speed_mm_s, &f->forces[i], e);
    }
    f->force_count = count;
    for (size_t i = 0; i < f->p.measured_count; i++)
        top = fmax(top, f->p.measured[i].speed_mm_s);
    for (size_t i = 0; w->request->out != NULL && i < PREDICT_CURVE_POINTS && code == ERR_OK; i++)
        code =
            predict_at(m, &f->p.drive, 1.05 * top * (double)i / (PREDICT_CURVE_POINTS - 1), &f->curve[i], e);
    if (code == ERR_OK)
        code = predict_judge(m, &f->p.drive, f->p.measured, f->p.measured_count, &f->p.verdict, e);
    return code;
}

static enum err_code write_figure(const struct work *w, struct err *e)
{
    const char *folder = w->request->out;
    struct figure figure;
    char path[4096];
    enum err_code code = ERR_OK;
    if (mkdir(folder, 0777) != 0 && errno != EEXIST)
        return err_set_at(e, errno == ENOENT || errno == ENOTDIR ? ERR_USAGE : ERR_SYSTEM, folder, 0, 0,
                          "cannot be made: %s", strerror(errno));
    code = predict_figure_build(&w->answer, &figure, e);
    for (int i = 0; i < 2 && code == ERR_OK; i++) {
        if (snprintf(path, sizeof path, "%s/%s.%s", folder, figure.name, i == 0 ? "csv" : "gp") >=
            (int)sizeof path)
            code = err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
        else
            code = series_write_file(path, i == 0 ? figure.data : figure.script,
                                     i == 0 ? figure.data_length : figure.script_length, e);
    }
    if (code == ERR_OK && !w->request->no_figures)
        code = figure_draw(folder, &figure, e);
    figure_unmake(&figure);
    return code;
}

/* Status 1 says that they differ, or that nothing could be compared. */
static enum err_code judge(const struct work *w, struct err *e)
{
    size_t compared = 0, differing = 0;
    for (size_t i = 0; i < w->answer.feeder_count; i++) {
        compared += w->answer.feeders[i].p.verdict.compared;
        differing += w->answer.feeders[i].p.verdict.differing;
    }
    if (!w->answer.with_series)
        return ERR_OK;
    if (compared == 0)
        return err_set(e, ERR_NO_ANSWER, "the series hold no push to hold the prediction against");
    if (differing > 0)
        return err_set(e, ERR_NO_ANSWER, "measured and predicted push force differ in %zu of %zu cases",
                       differing, compared);
    return ERR_OK;
}

static enum err_code carry_out(struct work *w, FILE *out, struct err *e)
{
    const struct predict_request *r = w->request;
    enum err_code code;
    if (r->feeder != NULL && r->series_count == 0)
        return err_set(e, ERR_USAGE,
                       "--feeder: names a feeder of a series, but no series is given; see --help");
    if ((code = read_speeds(w, e)) != ERR_OK ||
        (code = motor_file_read(r->motor, &w->answer.motor, e)) != ERR_OK)
        return code;
    w->answer.simulated = w->answer.motor.simulated;
    w->answer.with_series = r->series_count > 0;
    if (r->series_count > 0) {
        const struct session_options options = {.threads = r->threads,
                                                .margin = SESSION_MARGIN,
                                                .calibrations = r->calibrations,
                                                .progress = progress_show_counters(r->show)};
        code = session_analyse_with(r->series, r->series_count, &options, &w->session, e);
        if (code != ERR_OK)
            return code;
        w->answer.simulated = w->answer.simulated || w->session->simulated;
        w->answer.session = w->session;
    }
    w->answer.feeders =
        calloc((w->session != NULL ? w->session->feeder_count : 0) + 1, sizeof *w->answer.feeders);
    if (w->answer.feeders == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    code = w->session != NULL ? add_feeders(w, e) : add_own_drive(w, e);
    for (size_t i = 0; i < w->answer.feeder_count && code == ERR_OK; i++)
        code = work_out(w, &w->answer.feeders[i], e);
    if (code == ERR_OK && r->out != NULL)
        code = write_figure(w, e);
    progress_show_end(r->show);
    if (code != ERR_OK)
        return code;
    if (r->json)
        code = predict_json_write(&w->answer, out, e);
    else
        code = predict_text_write(&w->answer, r->width, out, e);
    return code == ERR_OK ? judge(w, e) : code;
}

enum err_code predict_command(const struct predict_request *request, FILE *out, struct err *e)
{
    struct work *w = calloc(1, sizeof *w);
    enum err_code code;
    if (w == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    w->request = request;
    code = carry_out(w, out, e);
    session_free(w->session);
    free(w->answer.feeders);
    free(w);
    return code;
}
