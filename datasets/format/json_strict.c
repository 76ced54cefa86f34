#include "datasets/format/json_strict.h"

#include "datasets/format/date_time.h"
#include "datasets/format/file_bytes.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum err_code json_strict_parse(const char *bytes, size_t length, const char *file, int64_t line,
                                json_t **value, struct err *e)
{
    json_error_t error = {0};
    *value = json_loadb(bytes, length, JSON_REJECT_DUPLICATES, &error);
    if (*value != NULL)
        return ERR_OK;
    /* Want of memory leaves jansson mostly without words, and then without a code of its own. */
    if (error.text[0] == 0 || json_error_code(&error) == json_error_out_of_memory)
        return err_set_at(e, ERR_MEMORY, file, line, 0, "no memory to read it");
    return err_set_at(e, ERR_FILE, file, line > 0 ? line : error.line, error.column, "not valid JSON: %s",
                      error.text);
}

enum err_code json_strict_read(const char *path, size_t limit, json_t **root, struct err *e)
{
    int64_t length;
    return json_strict_read_hashed(path, limit, root, NULL, &length, e);
}

enum err_code json_strict_read_hashed(const char *path, size_t limit, json_t **root, char *hash,
                                      int64_t *bytes, struct err *e)
{
    char *text;
    size_t length;
    enum err_code code = file_bytes_read(path, limit, &text, &length, e);
    *root = NULL;
    if (code != ERR_OK)
        return code;
    *bytes = (int64_t)length;
    if (hash != NULL)
        code = file_bytes_hash_memory(text, length, path, hash, e);
    if (code == ERR_OK)
        code = json_strict_parse(text, length, path, 0, root, e);
    free(text);
    if (code == ERR_OK && !json_is_object(*root)) {
        json_decref(*root);
        *root = NULL;
        return err_set_at(e, ERR_FILE, path, 0, 0, "must hold a JSON object");
    }
    return code;
}

/* jansson prints every number with the same count of digits: 17 always give a double back, and mostly 15 do,
 * which is 0.1 in place of 0.10000000000000001. */
static char *dump_shortest(const json_t *root)
{
    for (int digits = 15; digits <= 17; digits++) {
        char *text = json_dumps(root, JSON_INDENT(2) | JSON_SORT_KEYS | JSON_REAL_PRECISION(digits));
        json_t *again = text == NULL ? NULL : json_loads(text, 0, NULL);
        bool same = again != NULL && json_equal((json_t *)root, again);
        json_decref(again);
        if (same)
            return text;
        free(text);
    }
    return NULL;
}

enum err_code json_strict_write(const char *path, const json_t *root, struct err *e)
{
    char *text = root == NULL ? NULL : dump_shortest(root);
    size_t length;
    enum err_code code;
    if (text == NULL)
        return err_set_at(
            e, ERR_CALLER, path, 0, 0,
            "cannot be written: no memory, or a value that JSON cannot hold (not finite, bad UTF-8)");
    length = strlen(text);
    /* The line feed takes the place of the final zero byte, which the file does not need. */
    text[length] = '\n';
    code = file_bytes_write(path, text, length + 1, e);
    free(text);
    return code;
}

static enum err_code complain(const struct json_place *p, const char *key, struct err *e, const char *format,
                              ...) __attribute__((format(printf, 4, 5)));

static enum err_code complain(const struct json_place *p, const char *key, struct err *e, const char *format,
                              ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    return err_set_at(e, ERR_FILE, p->file, 0, 0, "%s%.80s: %s", p->where, key, text);
}

static enum err_code get(const struct json_place *p, const char *key, const json_t **value, struct err *e)
{
    *value = json_object_get(p->object, key);
    return *value != NULL ? ERR_OK : complain(p, key, e, "is missing");
}

static enum err_code in_range(const struct json_place *p, const char *key, const json_t *json, double low,
                              double high, double *value, struct err *e)
{
    double number;
    if (!json_is_number(json))
        return complain(p, key, e, "must be a number");
    number = json_number_value(json);
    if (!isfinite(number) || number < low || number > high)
        return complain(p, key, e, "%.17g is outside %g to %g", number, low, high);
    *value = number;
    return ERR_OK;
}

enum err_code json_strict_number(const struct json_place *p, const char *key, double low, double high,
                                 double *value, struct err *e)
{
    const json_t *json;
    enum err_code code = get(p, key, &json, e);
    return code != ERR_OK ? code : in_range(p, key, json, low, high, value, e);
}

enum err_code json_strict_number_or_infinity(const struct json_place *p, const char *key, double low,
                                             double high, double *value, struct err *e)
{
    const json_t *json;
    enum err_code code = get(p, key, &json, e);
    if (code == ERR_OK && json_is_null(json)) {
        *value = INFINITY;
        return ERR_OK;
    }
    return code != ERR_OK ? code : in_range(p, key, json, low, high, value, e);
}

enum err_code json_strict_whole(const struct json_place *p, const char *key, int64_t low, int64_t high,
                                int64_t *value, struct err *e)
{
    const json_t *json;
    json_int_t number;
    enum err_code code = get(p, key, &json, e);
    if (code != ERR_OK)
        return code;
    if (!json_is_integer(json))
        return complain(p, key, e, "must be a whole number");
    number = json_integer_value(json);
    if (number < low || number > high)
        return complain(p, key, e, "%lld is outside %lld to %lld", (long long)number, (long long)low,
                        (long long)high);
    *value = number;
    return ERR_OK;
}

enum err_code json_strict_bool(const struct json_place *p, const char *key, bool *value, struct err *e)
{
    const json_t *json;
    enum err_code code = get(p, key, &json, e);
    if (code != ERR_OK)
        return code;
    if (!json_is_boolean(json))
        return complain(p, key, e, "must be true or false");
    *value = json_is_true(json);
    return ERR_OK;
}

enum err_code json_strict_text(const struct json_place *p, const char *key, char *value, size_t size,
                               struct err *e)
{
    const json_t *json;
    const char *text;
    enum err_code code = get(p, key, &json, e);
    if (code != ERR_OK)
        return code;
    if (!json_is_string(json))
        return complain(p, key, e, "must be a text");
    text = json_string_value(json);
    if (strlen(text) >= size)
        return complain(p, key, e, "is %zu bytes long; at most %zu are allowed", strlen(text), size - 1);
    for (const unsigned char *c = (const unsigned char *)text; *c != 0; c++) {
        if (*c < 0x20 || *c == 0x7F || (*c == 0xC2 && c[1] < 0xA0))
            return complain(p, key, e, "holds a control character");
    }
    strcpy(value, text);
    return ERR_OK;
}

enum err_code json_strict_time(const struct json_place *p, const char *key, char *value, size_t size,
                               struct err *e)
{
    int64_t unix_s;
    enum err_code code = json_strict_text(p, key, value, size, e);
    if (code == ERR_OK && !date_time_read(value, &unix_s))
        return complain(p, key, e, "'%s' is no date and time as in 2031-04-05T16:07:08Z (RFC 3339)", value);
    return code;
}

enum err_code json_strict_child(const struct json_place *p, const char *key, json_type type,
                                const json_t **value, struct err *e)
{
    enum err_code code = get(p, key, value, e);
    if (code == ERR_OK && json_typeof(*value) != type)
        return complain(p, key, e, type == JSON_OBJECT ? "must be an object" : "must be an array");
    return code;
}

enum err_code json_strict_numbers(const struct json_place *p, const char *key, size_t count, double *values,
                                  struct err *e)
{
    const json_t *array;
    enum err_code code = json_strict_child(p, key, JSON_ARRAY, &array, e);
    if (code == ERR_OK && json_array_size(array) != count)
        return complain(p, key, e, "must hold %zu numbers, not %zu", count, json_array_size(array));
    for (size_t i = 0; code == ERR_OK && i < count; i++)
        code = in_range(p, key, json_array_get(array, i), -HUGE_VAL, HUGE_VAL, &values[i], e);
    return code;
}

enum err_code json_strict_finish(const struct json_place *p, const char *const *known, size_t count,
                                 struct err *e)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)p->object, key, value)
    {
        bool found = strncmp(key, "x_", 2) == 0;
        for (size_t i = 0; i < count && !found; i++)
            found = strcmp(key, known[i]) == 0;
        if (!found)
            return complain(p, key, e, "is no known key; keys of your own begin with x_");
    }
    return ERR_OK;
}

json_t *json_strict_real_or_null(double value)
{
    return isinf(value) && value > 0 ? json_null() : json_real(value);
}
