#include "datasets/format/readings_note.h"

#include "datasets/format/json_strict.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define NOTE_BYTES_MAX (4 * 1024 * 1024)
#define COUNTS_MAX     1e12 /* as in a calibration */

/* A number that may be left out or null: NAN then. */
static enum err_code note_number(const struct json_place *p, const char *key, double low, double high,
                                 double *value, struct err *e)
{
    *value = NAN;
    if (json_object_get(p->object, key) == NULL || json_is_null(json_object_get(p->object, key)))
        return ERR_OK;
    return json_strict_number(p, key, low, high, value, e);
}

static enum err_code note_text(const struct json_place *p, const char *key, char *value, size_t size,
                               struct err *e)
{
    return json_object_get(p->object, key) == NULL ? ERR_OK : json_strict_text(p, key, value, size, e);
}

/* A child object that may be left out or null: *child stays NULL then. */
static enum err_code note_object(const struct json_place *p, const char *key, const json_t **child,
                                 struct err *e)
{
    *child = NULL;
    if (json_object_get(p->object, key) == NULL || json_is_null(json_object_get(p->object, key)))
        return ERR_OK;
    return json_strict_child(p, key, JSON_OBJECT, child, e);
}

static enum err_code note_rig(const struct json_place *root, struct readings_note *note, struct err *e)
{
    static const char *const known[] = {"serial",         "firmware",   "boot",
                                        "sample_rate_hz", "counts_min", "counts_max"};
    struct json_place p = {NULL, root->file, "rig."};
    enum err_code code = note_object(root, "rig", &p.object, e);
    note->counts_min = note->counts_max = NAN;
    if (code != ERR_OK || p.object == NULL)
        return code;
    code = note_text(&p, "serial", note->rig_serial, sizeof note->rig_serial, e);
    if (code == ERR_OK)
        code = note_number(&p, "counts_min", -COUNTS_MAX, COUNTS_MAX, &note->counts_min, e);
    if (code == ERR_OK)
        code = note_number(&p, "counts_max", -COUNTS_MAX, COUNTS_MAX, &note->counts_max, e);
    if (code == ERR_OK && note->counts_max <= note->counts_min)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "rig: counts_min must be below counts_max");
    return code != ERR_OK ? code : json_strict_finish(&p, known, sizeof known / sizeof known[0], e);
}

static enum err_code note_gravity(const struct json_place *root, struct readings_note *note, struct err *e)
{
    static const char *const known[] = {"value_m_s2", "standard_uncertainty_m_s2", "origin", "latitude_deg",
                                        "height_m"};
    struct json_place p = {NULL, root->file, "gravity."};
    enum err_code code = note_object(root, "gravity", &p.object, e);
    note->gravity_m_s2 = note->gravity_standard_uncertainty_m_s2 = NAN;
    if (code != ERR_OK || p.object == NULL)
        return code;
    code = json_strict_number(&p, "value_m_s2", 9, 11, &note->gravity_m_s2, e);
    if (code == ERR_OK)
        code =
            note_number(&p, "standard_uncertainty_m_s2", 0, 1, &note->gravity_standard_uncertainty_m_s2, e);
    strcpy(note->gravity_origin, "stated");
    if (code == ERR_OK)
        code = note_text(&p, "origin", note->gravity_origin, sizeof note->gravity_origin, e);
    return code != ERR_OK ? code : json_strict_finish(&p, known, sizeof known / sizeof known[0], e);
}

static enum err_code note_estimates(const struct json_place *root, struct readings_note *note, struct err *e)
{
    const json_t *list;
    enum err_code code;
    if (json_object_get(root->object, "operator_estimates") == NULL)
        return ERR_OK;
    code = json_strict_child(root, "operator_estimates", JSON_ARRAY, &list, e);
    if (code == ERR_OK && json_array_size(list) > READINGS_NOTE_ESTIMATES_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "operator_estimates: more than %d entries",
                          READINGS_NOTE_ESTIMATES_MAX);
    for (size_t i = 0; code == ERR_OK && i < json_array_size(list); i++) {
        /* Looked up as if it were an entry of an object, so that the message names it. */
        json_t *entry = json_pack("{s:O}", "entry", json_array_get(list, i));
        const struct json_place place = {entry, root->file, "operator_estimates."};
        code = entry == NULL
                   ? err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory to read it")
                   : json_strict_text(&place, "entry", note->estimates[i], READINGS_NOTE_ESTIMATE_SIZE, e);
        json_decref(entry);
        note->estimate_count = i + 1;
    }
    return code;
}

static enum err_code note_head(const struct json_place *p, const char *schema, struct readings_note *note,
                               struct err *e)
{
    char text[64] = "";
    enum err_code code = json_strict_text(p, "schema", text, sizeof text, e);
    if (code == ERR_OK && strcmp(text, schema) != 0)
        code = err_set_at(e, ERR_FILE, p->file, 0, 0,
                          "schema: '%s' is not %s, which describes the table of that name: correct it, or "
                          "move the file away",
                          text, schema);
    if (code == ERR_OK && json_object_get(p->object, "date") != NULL)
        code = json_strict_time(p, "date", note->date, sizeof note->date, e);
    if (code == ERR_OK && json_object_get(p->object, "simulated") != NULL)
        code = json_strict_bool(p, "simulated", &note->simulated, e);
    text[0] = 0;
    if (code == ERR_OK)
        code = note_text(p, "ended", text, sizeof text, e);
    note->interrupted = strcmp(text, "interrupted") == 0;
    if (code == ERR_OK)
        code = note_rig(p, note, e);
    return code != ERR_OK ? code : note_estimates(p, note, e);
}

static enum err_code note_force(const struct json_place *p, struct readings_note *note, struct err *e)
{
    static const char *const known[] = {"schema",        "date",
                                        "simulated",     "rig",
                                        "ended",         "operator_estimates",
                                        "steady",        "unit",
                                        "loads",         "gravity",
                                        "density_kg_m3", "air_density_kg_m3",
                                        "tolerance_mg",  "tolerance_relative",
                                        "cycles",        "readings"};
    enum err_code code = note_head(p, "nipbench-readings-1", note, e);
    if (code == ERR_OK)
        code = note_gravity(p, note, e);
    if (code == ERR_OK)
        code = note_number(p, "density_kg_m3", 100, 30000, &note->density_kg_m3, e);
    if (code == ERR_OK)
        code = note_number(p, "air_density_kg_m3", 0, 2, &note->air_density_kg_m3, e);
    if (code == ERR_OK)
        code = note_number(p, "tolerance_mg", 0, 1e9, &note->tolerance_mg, e);
    if (code == ERR_OK)
        code = note_number(p, "tolerance_relative", 0, 1, &note->tolerance_relative, e);
    if (code == ERR_OK && !isnan(note->tolerance_mg) && !isnan(note->tolerance_relative))
        code = err_set_at(e, ERR_FILE, p->file, 0, 0,
                          "tolerance_mg and tolerance_relative: state one of the two");
    return code != ERR_OK ? code : json_strict_finish(p, known, sizeof known / sizeof known[0], e);
}

static enum err_code note_feed(const struct json_place *p, struct readings_note *note, struct err *e)
{
    static const char *const known[] = {"schema",
                                        "date",
                                        "simulated",
                                        "rig",
                                        "ended",
                                        "operator_estimates",
                                        "feeder",
                                        "full_steps_per_rev",
                                        "microsteps",
                                        "reduction",
                                        "drive_diameter_mm",
                                        "nominal_mm_per_microstep",
                                        "speed_mm_s",
                                        "acceleration_mm_s2",
                                        "force_limit_counts",
                                        "resolution_mm",
                                        "lengths_mm",
                                        "repeats",
                                        "measured_beforehand"};
    enum err_code code = note_head(p, "nipbench-feed-1", note, e);
    if (code == ERR_OK)
        code = note_text(p, "feeder", note->feeder, sizeof note->feeder, e);
    if (code == ERR_OK)
        code = note_number(p, "full_steps_per_rev", 1, 1e6, &note->full_steps_per_rev, e);
    if (code == ERR_OK)
        code = note_number(p, "microsteps", 1, 1e6, &note->microsteps, e);
    if (code == ERR_OK)
        code = note_number(p, "reduction", 1e-6, 1e6, &note->reduction, e);
    if (code == ERR_OK)
        code = note_number(p, "drive_diameter_mm", 1e-3, 1e4, &note->drive_diameter_mm, e);
    if (code == ERR_OK)
        code = note_number(p, "resolution_mm", 0, 1e3, &note->resolution_mm, e);
    return code != ERR_OK ? code : json_strict_finish(p, known, sizeof known / sizeof known[0], e);
}

static void note_clear(struct readings_note *note)
{
    memset(note, 0, sizeof *note);
    note->counts_min = note->counts_max = NAN;
    note->gravity_m_s2 = note->gravity_standard_uncertainty_m_s2 = NAN;
    note->density_kg_m3 = note->air_density_kg_m3 = NAN;
    note->tolerance_mg = note->tolerance_relative = NAN;
    note->full_steps_per_rev = note->microsteps = note->reduction = NAN;
    note->drive_diameter_mm = note->resolution_mm = NAN;
}

enum err_code readings_note_path(const char *csv_path, char path[READINGS_NOTE_PATH_SIZE], struct err *e)
{
    const char *slash = strrchr(csv_path, '/');
    const char *dot = strrchr(slash == NULL ? csv_path : slash, '.');
    size_t stem = dot == NULL ? strlen(csv_path) : (size_t)(dot - csv_path);
    if (stem + sizeof ".json" > READINGS_NOTE_PATH_SIZE)
        return err_set_at(e, ERR_FILE, csv_path, 0, 0, "this path is too long");
    snprintf(path, READINGS_NOTE_PATH_SIZE, "%.*s.json", (int)stem, csv_path);
    return ERR_OK;
}

enum err_code readings_note_read(const char *csv_path, enum readings_kind kind, struct readings_note *note,
                                 struct err *e)
{
    struct stat status;
    json_t *json;
    struct json_place root;
    enum err_code code;
    note_clear(note);
    code = readings_note_path(csv_path, note->path, e);
    if (code != ERR_OK || (stat(note->path, &status) != 0 && errno == ENOENT))
        return code;
    code = json_strict_read(note->path, NOTE_BYTES_MAX, &json, e);
    if (code != ERR_OK)
        return code;
    root = (struct json_place){json, note->path, ""};
    code = kind == READINGS_FORCE ? note_force(&root, note, e) : note_feed(&root, note, e);
    json_decref(json);
    note->present = code == ERR_OK;
    return code;
}
