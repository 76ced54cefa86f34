#include "analyze/report/published.h"

#include "analyze/report/report_json.h"
#include "datasets/format/json_strict.h"

#include <stdio.h>
#include <string.h>

#define BYTES_MAX  ((size_t)512 << 20)
#define MARGIN_MAX 5

/* The options that the numbers were worked out with. */
static enum err_code read_options(const json_t *root, const char *file, struct session_options *options,
                                  struct err *e)
{
    struct json_place place = {root, file, ""}, inside;
    const json_t *accept, *matters;
    const char *key;
    json_t *value;
    size_t i;
    enum err_code code = json_strict_number(&place, "margin", 0, MARGIN_MAX, &options->margin, e);
    if (code == ERR_OK)
        code = json_strict_child(&place, "accept", JSON_ARRAY, &accept, e);
    if (code == ERR_OK)
        code = json_strict_child(&place, "matters", JSON_OBJECT, &matters, e);
    if (code != ERR_OK)
        return code;
    json_array_foreach(accept, i, value)
    {
        size_t id = json_is_string(value) ? conditions_find(json_string_value(value)) : CONDITION_COUNT;
        if (id == CONDITION_COUNT)
            return err_set_at(e, ERR_FILE, file, 0, 0, "accept: entry %zu is no condition", i + 1);
        options->accept[id] = true;
    }
    inside = (struct json_place){matters, file, "matters."};
    json_object_foreach((json_t *)matters, key, value)
    {
        struct plan_matter *m = &options->matters[options->matter_count];
        if (options->matter_count == PLAN_MATTERS_MAX || strlen(key) >= sizeof m->quantity)
            return err_set_at(e, ERR_FILE, file, 0, 0, "matters: too many, or a name that is too long");
        snprintf(m->quantity, sizeof m->quantity, "%s", key);
        code = json_strict_number(&inside, key, 1e-12, 1e12, &m->difference, e);
        if (code != ERR_OK)
            return code;
        options->matter_count++;
    }
    return ERR_OK;
}

/* The motor files, as they stand in the published file, which must stay as long as the options do. */
static enum err_code read_motors(const json_t *root, const char *file, struct session_options *options,
                                 struct session_motor *motors, struct err *e)
{
    struct json_place place = {root, file, ""}, inside;
    const json_t *list;
    json_t *value;
    size_t i;
    enum err_code code;
    if (json_object_get(root, "motors") == NULL)
        return ERR_OK;
    code = json_strict_child(&place, "motors", JSON_ARRAY, &list, e);
    if (code == ERR_OK && json_array_size(list) > SESSION_MOTORS_MAX)
        code = err_set_at(e, ERR_FILE, file, 0, 0, "motors: more than %d", SESSION_MOTORS_MAX);
    if (code != ERR_OK)
        return code;
    json_array_foreach(list, i, value)
    {
        struct session_motor *m = &motors[i];
        inside = (struct json_place){value, file, "motors."};
        m->file = json_string_value(json_object_get(value, "file"));
        m->text = json_string_value(json_object_get(value, "text"));
        if (m->file == NULL || m->text == NULL)
            return err_set_at(e, ERR_FILE, file, 0, 0, "motors: entry %zu has no file or no text", i + 1);
        if (!json_is_null(json_object_get(value, "feeder")))
            code = json_strict_text(&inside, "feeder", m->feeder, sizeof m->feeder, e);
        if (code != ERR_OK)
            return code;
        options->motor_count++;
    }
    options->motors = motors;
    return ERR_OK;
}

enum err_code published_read(const char *path, json_t **root, struct session_options *options,
                             struct session_motor *motors, struct err *e)
{
    char schema[64];
    struct json_place place = {NULL, path, ""};
    enum err_code code = json_strict_read(path, BYTES_MAX, root, e);
    if (code != ERR_OK)
        return code;
    place.object = *root;
    code = json_strict_text(&place, "schema", schema, sizeof schema, e);
    if (code == ERR_OK && strcmp(schema, REPORT_JSON_SCHEMA) != 0)
        code = err_set_at(e, ERR_FILE, path, 0, 0, "its schema is '%s', not " REPORT_JSON_SCHEMA, schema);
    if (code == ERR_OK && json_is_true(json_object_get(place.object, "unfinished")))
        code = err_set_at(e, ERR_FILE, path, 0, 0, "is of a report that was not finished; make that again");
    if (code == ERR_OK)
        code = read_options(*root, path, options, e);
    if (code == ERR_OK)
        code = read_motors(*root, path, options, motors, e);
    if (code != ERR_OK) {
        json_decref(*root);
        *root = NULL;
    }
    return code;
}
