#include "analyze/report/calibrate_command.h"

#include "analyze/calibrate.h"
#include "analyze/calibrate_feed.h"
#include "analyze/report/calibrate_json.h"
#include "analyze/report/calibrate_text.h"
#include "datasets/format/calibration_put.h"
#include "datasets/format/date_time.h"

#include <stdlib.h>
#include <string.h>

struct work {
    const struct calibrate_request *request;
    int degree;
    char out[CALIBRATION_PUT_PATH_SIZE];
    struct readings readings;
    struct readings_note note;
    bool old_present;
    struct calibration old; /* what is at out now */
    struct calibrate_force force;
    struct calibrate_feed *feeds;
    struct calibration_put_outcome put;
};

static enum err_code read_degree(struct work *w, struct err *e)
{
    const char *degree = w->request->degree;
    w->degree = CALIBRATION_FIT_DEGREE_AUTO;
    if (degree == NULL || strcmp(degree, "auto") == 0)
        return ERR_OK;
    if (strcmp(degree, "1") != 0 && strcmp(degree, "2") != 0)
        return err_set(e, ERR_USAGE, "--degree: '%.60s' is neither 1, 2 nor auto; see --help", degree);
    w->degree = degree[0] - '0';
    return ERR_OK;
}

static enum err_code find_out(struct work *w, struct err *e)
{
    const char *readings = w->request->readings, *slash = strrchr(readings, '/');
    int folder = slash == NULL ? 0 : (int)(slash - readings) + 1;
    int length = w->request->out != NULL
                     ? snprintf(w->out, sizeof w->out, "%s", w->request->out)
                     : snprintf(w->out, sizeof w->out, "%.*scalibration.json", folder, readings);
    if (length >= (int)sizeof w->out)
        return err_set(e, ERR_USAGE, "this path is too long: %.200s...", w->out);
    if (length == 0)
        return err_set(e, ERR_USAGE, "--out: a file name is missing; see --help");
    if (strcmp(w->out, readings) == 0)
        return err_set(e, ERR_USAGE, "--out: %.300s holds the readings themselves; choose another file",
                       w->out);
    return ERR_OK;
}

/* The note of calibration.csv would be the very file that the result goes to. */
static enum err_code check_note_path(const struct work *w, struct err *e)
{
    char path[READINGS_NOTE_PATH_SIZE];
    enum err_code code = readings_note_path(w->request->readings, path, e);
    if (code != ERR_OK || strcmp(path, w->out) != 0)
        return code;
    return err_set_at(
        e, ERR_USAGE, w->request->readings, 0, 0,
        "the file beside it that tells how it was measured would be %.300s, where the result goes: "
        "rename the readings, or choose another file with --out",
        w->out);
}

static enum err_code check_rig(const struct work *w, struct err *e)
{
    if (!w->old_present || w->old.rig_serial[0] == 0 || w->note.rig_serial[0] == 0 ||
        strcmp(w->old.rig_serial, w->note.rig_serial) == 0)
        return ERR_OK;
    return err_set_at(
        e, ERR_FILE, w->out, 0, 0,
        "this calibration is of rig %s, but these readings were taken on rig %s: choose another file "
        "with --out",
        w->old.rig_serial, w->note.rig_serial);
}

/* Names the table in an error of the computation, which only knows the readings by number. */
static enum err_code in_table(const struct work *w, enum err_code code, struct err *e)
{
    struct err bare;
    if (code == ERR_OK || e == NULL || e->file[0] != 0)
        return code;
    bare = *e;
    return err_set_at(e, code, w->request->readings, bare.line, 0, "%s%s", bare.text,
                      strncmp(bare.text, "reading", 7) == 0 ? " (reading 1 stands in line 2)" : "");
}

static enum err_code put(struct work *w, const struct calibration *c, struct err *e)
{
    return w->request->dry_run ? ERR_OK : calibration_put(w->out, c, &w->put, e);
}

static struct calibrate_filed filed(const struct work *w)
{
    return (struct calibrate_filed){.path = w->out,
                                    .kept_as = w->put.kept,
                                    .dry_run = w->request->dry_run,
                                    .unchanged = w->put.unchanged};
}

static enum err_code calibrate_load_cell(struct work *w, FILE *out, struct err *e)
{
    char today[DATE_TIME_SIZE];
    struct calibration *c = &w->force.calibration;
    struct calibrate_filed outcome;
    enum err_code code;
    date_time_write(w->request->now_unix_s, today);
    today[10] = 0; /* the date alone: nobody knows at what hour these readings were taken */
    code = in_table(w, calibrate_force(&w->readings, &w->note, w->degree, today, &w->force, e), e);
    if (code != ERR_OK)
        return code;
    if (w->old_present) {
        c->encoder_mm_per_count = w->old.encoder_mm_per_count;
        c->encoder_standard_uncertainty_mm_per_count = w->old.encoder_standard_uncertainty_mm_per_count;
        memcpy(c->feeds, w->old.feeds, sizeof c->feeds);
        c->feed_count = w->old.feed_count;
    }
    code = put(w, c, e);
    if (code != ERR_OK)
        return code;
    outcome = filed(w);
    if (w->request->json)
        return calibrate_json_force(&w->readings, &w->note, &w->force, &outcome, out, e);
    return calibrate_text_force(&w->readings, &w->note, &w->force, &outcome, w->request->width, out, e);
}

static enum err_code calibrate_feeders(struct work *w, FILE *out, struct err *e)
{
    struct calibration c = w->old;
    struct calibrate_filed outcome;
    enum err_code code = ERR_OK;
    if (w->request->degree != NULL)
        return err_set(e, ERR_USAGE, "--degree: is about hung weights, but %.300s holds measured feed",
                       w->request->readings);
    if (!w->old_present && !w->request->dry_run)
        return err_set_at(
            e, ERR_FILE, w->out, 0, 0,
            "no such file: a measured feed is added to the calibration of a load cell, so calibrate "
            "that first, or name it with --out; --dry-run shows the feed without it");
    w->feeds = calloc(w->readings.feeder_count, sizeof *w->feeds);
    if (w->feeds == NULL)
        return err_set(e, ERR_MEMORY, "no memory for %zu feeders", w->readings.feeder_count);
    for (size_t k = 0; k < w->readings.feeder_count && code == ERR_OK; k++) {
        code = in_table(w, calibrate_feed(&w->readings, &w->note, k, &w->feeds[k], e), e);
        if (code == ERR_OK)
            code = calibrate_feed_put(&c, &w->feeds[k].calibration, e);
    }
    if (code == ERR_OK)
        code = put(w, &c, e);
    if (code != ERR_OK)
        return code;
    outcome = filed(w);
    if (w->request->json)
        return calibrate_json_feed(&w->readings, &w->note, w->feeds, &outcome, out, e);
    return calibrate_text_feed(&w->readings, &w->note, w->feeds, &outcome, w->request->width, out, e);
}

static enum err_code carry_out(struct work *w, FILE *out, struct err *e)
{
    enum err_code code;
    if ((code = read_degree(w, e)) != ERR_OK || (code = find_out(w, e)) != ERR_OK ||
        (code = readings_read(w->request->readings, &w->readings, e)) != ERR_OK ||
        (code = check_note_path(w, e)) != ERR_OK ||
        (code = readings_note_read(w->request->readings, w->readings.kind, &w->note, e)) != ERR_OK)
        return code;
    /* What is at hand is read even in a dry run, so that a dry run finds what would be in the way. */
    if ((code = calibration_put_read_old(w->out, &w->old_present, &w->old, e)) != ERR_OK ||
        (code = check_rig(w, e)) != ERR_OK)
        return code;
    return w->readings.kind == READINGS_FORCE ? calibrate_load_cell(w, out, e) : calibrate_feeders(w, out, e);
}

enum err_code calibrate_command(const struct calibrate_request *request, FILE *out, struct err *e)
{
    struct work *w = calloc(1, sizeof *w);
    enum err_code code;
    if (w == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    w->request = request;
    code = carry_out(w, out, e);
    free(w->feeds);
    free(w);
    return code;
}
