#include "analyze/report/check_command.h"

#include "analyze/analysis.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"
#include "analyze/report/json_differences.h"
#include "analyze/report/published.h"
#include "analyze/report/report_json.h"
#include "analyze/report/text_format.h"
#include "datasets/format/series.h"

#include <stdlib.h>
#include <string.h>

#define LINES_MAX 200 /* of differences for people; all of them are counted */

/* Folders in the order of the published series, found by their package hashes; left as they are where those
 * are not the same, so that the difference shows. */
static enum err_code order_series(const json_t *root, const struct check_request *request,
                                  const char **ordered, const char **calibrations, struct err *e)
{
    const json_t *series = json_object_get(root, "series");
    bool *placed = calloc(request->series_count + 1, sizeof *placed);
    bool all = json_array_size(series) == request->series_count;
    enum err_code code = ERR_OK;
    if (placed == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu series", request->series_count);
    memset(ordered, 0, request->series_count * sizeof *ordered);
    memset(calibrations, 0, request->series_count * sizeof *calibrations);
    for (size_t i = 0; i < request->series_count && code == ERR_OK; i++) {
        char hash[72];
        size_t j = 0;
        code = series_package_hash(request->series[i], hash, e);
        for (; code == ERR_OK && j < request->series_count; j++) {
            const char *published =
                json_string_value(json_object_get(json_array_get(series, j), "package_hash"));
            if (!placed[j] && published != NULL && strcmp(published, hash) == 0)
                break;
        }
        all = all && code == ERR_OK && j < request->series_count;
        if (all) {
            placed[j] = true;
            ordered[j] = request->series[i];
            calibrations[j] = request->calibrations == NULL ? NULL : request->calibrations[i];
        }
    }
    for (size_t i = 0; !all && i < request->series_count; i++) {
        ordered[i] = request->series[i];
        calibrations[i] = request->calibrations == NULL ? NULL : request->calibrations[i];
    }
    free(placed);
    return code;
}

/* The calibration that the published series i names, found and held to its hash; *path is allocated where it
 * is not the one given, and NULL where the series has its own. */
static enum err_code find_calibration(const json_t *root, const struct check_request *request, size_t i,
                                      const char *given, char **path, struct err *e)
{
    const json_t *used =
        json_object_get(json_array_get(json_object_get(root, "series"), i), "calibration_used");
    const char *hash = json_string_value(json_object_get(used, "sha256"));
    const char *slash = strrchr(request->published, '/');
    char name[CALIBRATION_USED_NAME_SIZE], found[72];
    enum err_code code;
    *path = NULL;
    if (used == NULL)
        return given == NULL ? ERR_OK
                             : err_set(e, ERR_USAGE,
                                       "--calibration: %.300s names none but the one inside for series %zu",
                                       request->published, i + 1);
    if (hash == NULL || !calibration_used_name(hash, name, sizeof name))
        return err_set_at(e, ERR_FILE, request->published, 0, 0,
                          "series %zu: calibration_used has no sha256 of 64 digits", i + 1);
    if ((given != NULL ? asprintf(path, "%s", given)
                       : asprintf(path, "%.*s%s", slash == NULL ? 0 : (int)(slash - request->published) + 1,
                                  request->published, name)) < 0) {
        *path = NULL;
        return err_set(e, ERR_MEMORY, "out of memory for the calibrations");
    }
    code = series_hash_file(*path, found, e);
    if (code == ERR_FILE && given == NULL)
        return err_set_at(e, ERR_FILE, *path, 0, 0,
                          "cannot be read, and series %zu was worked out with it: put it there, or name it "
                          "with --calibration",
                          i + 1);
    if (code == ERR_OK && strcmp(found, hash) != 0)
        code = err_set_at(e, ERR_FILE, *path, 0, 0,
                          "is not the calibration that series %zu was worked out with: that has %.71s, and "
                          "this %s",
                          i + 1, hash, found);
    return code;
}

/* Its calibration for each series, in the published order. */
static enum err_code find_calibrations(const json_t *root, const struct check_request *request,
                                       const char *const *given, char **paths, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < request->series_count && code == ERR_OK; i++)
        code = find_calibration(root, request, i, given[i], &paths[i], e);
    return code;
}

static enum err_code recompute(const json_t *published, const struct check_request *request,
                               struct session_options *options, json_t **recomputed, struct err *e)
{
    const char **ordered = malloc((request->series_count + 1) * sizeof *ordered);
    const char **given = malloc((request->series_count + 1) * sizeof *given);
    char **calibrations = calloc(request->series_count + 1, sizeof *calibrations);
    struct session *session = NULL;
    char *text = NULL;
    size_t length = 0;
    FILE *memory;
    enum err_code code;
    code = ordered != NULL && given != NULL && calibrations != NULL
               ? order_series(published, request, ordered, given, e)
               : err_set(e, ERR_MEMORY, "out of memory for %zu series", request->series_count);
    if (code == ERR_OK)
        code = find_calibrations(published, request, given, calibrations, e);
    if (code == ERR_OK) {
        options->calibrations = (const char *const *)calibrations;
        code = session_analyse_with(ordered, request->series_count, options, &session, e);
        options->calibrations = NULL;
    }
    for (size_t i = 0; calibrations != NULL && i < request->series_count; i++)
        free(calibrations[i]);
    free(calibrations);
    free(given);
    free(ordered);
    if (code != ERR_OK)
        return code;
    memory = open_memstream(&text, &length);
    code = memory == NULL ? err_set(e, ERR_MEMORY, "out of memory for the results")
                          : report_json_write(session, memory, e);
    if (memory != NULL && fclose(memory) != 0 && code == ERR_OK)
        code = err_set(e, ERR_MEMORY, "out of memory for the results");
    session_free(session);
    /* By way of the text, so that both have lost the same digits. */
    *recomputed = code == ERR_OK ? json_loadb(text, length, 0, NULL) : NULL;
    free(text);
    return code == ERR_OK && *recomputed == NULL ? err_set(e, ERR_MEMORY, "out of memory for the results")
                                                 : code;
}

struct listing {
    FILE *out;
    size_t lines;
    json_t *differences; /* NULL: for people */
    struct json_build *build;
};

static void list_one(void *context, const struct json_difference *d)
{
    struct listing *l = context;
    char path[600], published[160], recomputed[160];
    if (l->differences != NULL) {
        json_t *object = json_object();
        json_build_set(l->build, object, "path", json_build_text(d->path));
        json_build_set(l->build, object, "published", json_build_text(d->published));
        json_build_set(l->build, object, "recomputed", json_build_text(d->recomputed));
        json_build_set(l->build, object, "number", json_boolean(d->number));
        json_build_append(l->build, l->differences, object);
    } else if (l->lines++ < LINES_MAX) {
        fprintf(l->out, "%s: published %s, recomputed %s\n", text_clean(d->path, path, sizeof path),
                text_clean(d->published, published, sizeof published),
                text_clean(d->recomputed, recomputed, sizeof recomputed));
    }
}

static enum err_code put_json(const struct listing *l, const struct json_differences_count *count,
                              struct err *e)
{
    json_t *root = json_object();
    int rc;
    json_build_set(l->build, root, "values", json_build_count(count->values));
    json_build_set(l->build, root, "numbers", json_build_count(count->numbers));
    json_build_set(l->build, root, "differences", json_incref(l->differences));
    rc = l->build->failed ? -1 : json_dumpf(root, l->out, JSON_INDENT(1));
    json_decref(root);
    return rc == 0 && fputc('\n', l->out) != EOF
               ? ERR_OK
               : err_set(e, ERR_SYSTEM, "the differences could not be written");
}

static void put_summary(const struct listing *l, const json_t *published,
                        const struct json_differences_count *count)
{
    const char *program = json_string_value(json_object_get(published, "program"));
    char clean[100];
    if (l->lines > LINES_MAX)
        fprintf(l->out, "and %zu more\n", l->lines - LINES_MAX);
    if (program == NULL || strcmp(program, "nipbench-analyze " NIPBENCH_VERSION) != 0)
        fprintf(l->out, "published by %s, recomputed by nipbench-analyze " NIPBENCH_VERSION "\n",
                program != NULL ? text_clean(program, clean, sizeof clean) : "an unknown program");
    if (count->different == 0)
        fprintf(l->out, "all %zu values agree, %zu of them numbers\n", count->values, count->numbers);
}

/* What the differences are between is not what they are about. */
static const char *const NOT_COMPARED[] = {"program", NULL};

/* Where somebody keeps a series is not what it says; its package hash tells which one it is. The same holds
 * for the name of a calibration. */
static void forget_folders(json_t *root)
{
    json_t *series = json_object_get(root, "series"), *one;
    size_t i;
    json_array_foreach(series, i, one)
    {
        json_object_del(one, "folder");
        json_object_del(json_object_get(one, "calibration_used"), "file");
    }
}

enum err_code check_command(const struct check_request *request, FILE *out, struct err *e)
{
    struct session_options options = {.threads = request->threads,
                                      .margin = SESSION_MARGIN,
                                      .progress = progress_show_counters(request->show)};
    struct session_motor motors[SESSION_MOTORS_MAX] = {{.file = NULL}};
    struct json_build build = {false};
    struct listing listing = {out, 0, request->json ? json_array() : NULL, &build};
    struct json_differences_count count;
    json_t *published = NULL, *recomputed = NULL;
    enum err_code code = published_read(request->published, &published, &options, motors, e);
    if (code == ERR_OK)
        code = recompute(published, request, &options, &recomputed, e);
    progress_show_end(request->show);
    if (code == ERR_OK) {
        forget_folders(published);
        forget_folders(recomputed);
        if (!json_differences(published, recomputed, NOT_COMPARED, list_one, &listing, &count))
            code = err_set(e, ERR_MEMORY, "out of memory for the differences");
        else if (request->json)
            code = put_json(&listing, &count, e);
        else
            put_summary(&listing, published, &count);
        if (code == ERR_OK && count.different > 0)
            code =
                err_set_at(e, ERR_NO_ANSWER, request->published, 0, 0,
                           "%zu of %zu values differ from what the data give", count.different, count.values);
    }
    json_decref(listing.differences);
    json_decref(published);
    json_decref(recomputed);
    return code;
}
