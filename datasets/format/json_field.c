#include "datasets/format/json_field.h"

#include "datasets/format/kept.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* The text goes to where its one copy is pointed at. */
static enum err_code read_kept_text(const struct json_place *p, const struct json_field *f, const char **kept,
                                    struct err *e)
{
    char text[JSON_FIELD_TEXT_MAX + 1];
    enum err_code code = json_strict_text(p, f->key, text, (size_t)f->high + 1, e);
    if (code != ERR_OK)
        return code;
    *kept = kept_text(text);
    return *kept != NULL ? ERR_OK : err_set_at(e, ERR_MEMORY, p->file, 0, 0, "no memory to read it");
}

enum err_code json_field_read(const struct json_place *p, const struct json_field *f, void *base,
                              struct err *e)
{
    char *at = (char *)base + f->offset;
    int64_t whole = 0;
    double number = 0;
    enum err_code code = ERR_CALLER;
    if (f->optional && json_object_get(p->object, f->key) == NULL) {
        memset(at, 0, f->size);
        return ERR_OK;
    }
    switch (f->type) {
    case JSON_FIELD_DOUBLE_OR_NULL:
        if (json_is_null(json_object_get(p->object, f->key))) {
            memcpy(at, &(double){NAN}, sizeof(double));
            return ERR_OK;
        }
        /* fall through */
    case JSON_FIELD_DOUBLE:
        code = json_strict_number(p, f->key, f->low, f->high, &number, e);
        memcpy(at, &number, sizeof number);
        break;
    case JSON_FIELD_INT:
        code = json_strict_whole(p, f->key, (int64_t)f->low, (int64_t)f->high, &whole, e);
        memcpy(at, &(int){(int)whole}, sizeof(int));
        break;
    case JSON_FIELD_UINT32:
        code = json_strict_whole(p, f->key, (int64_t)f->low, (int64_t)f->high, &whole, e);
        memcpy(at, &(uint32_t){(uint32_t)whole}, sizeof(uint32_t));
        break;
    case JSON_FIELD_INT64:
        code = json_strict_whole(p, f->key, (int64_t)f->low, (int64_t)f->high, &whole, e);
        memcpy(at, &whole, sizeof whole);
        break;
    case JSON_FIELD_BOOL:
        code = json_strict_bool(p, f->key, (bool *)at, e);
        break;
    case JSON_FIELD_TEXT:
        code = json_strict_text(p, f->key, at, f->size, e);
        break;
    case JSON_FIELD_KEPT_TEXT:
        code = read_kept_text(p, f, (const char **)at, e);
        break;
    case JSON_FIELD_TIME:
        code = json_strict_time(p, f->key, at, f->size, e);
        break;
    }
    return code;
}

json_t *json_field_text(const char *text)
{
    char clean[JSON_FIELD_TEXT_MAX + 1];
    snprintf(clean, sizeof clean, "%s", text);
    return json_string(err_clean_text(clean));
}

static json_t *field_to_json(const struct json_field *f, const void *base)
{
    const char *at = (const char *)base + f->offset;
    double number;
    int64_t whole;
    int small;
    uint32_t natural;
    switch (f->type) {
    case JSON_FIELD_DOUBLE:
        memcpy(&number, at, sizeof number);
        return json_real(number);
    case JSON_FIELD_DOUBLE_OR_NULL:
        memcpy(&number, at, sizeof number);
        return isnan(number) ? json_null() : json_real(number);
    case JSON_FIELD_INT:
        memcpy(&small, at, sizeof small);
        return json_integer(small);
    case JSON_FIELD_UINT32:
        memcpy(&natural, at, sizeof natural);
        return json_integer(natural);
    case JSON_FIELD_INT64:
        memcpy(&whole, at, sizeof whole);
        return json_integer(whole);
    case JSON_FIELD_BOOL:
        return json_boolean(*(const bool *)at);
    case JSON_FIELD_TEXT:
    case JSON_FIELD_TIME:
        return json_field_text(at);
    case JSON_FIELD_KEPT_TEXT:
        return json_field_text(kept_text_or_empty(*(const char *const *)at));
    }
    return NULL;
}

/* Whether there is nothing to say in an optional field. */
static bool is_left_out(const struct json_field *f, const void *base)
{
    static const char nothing[sizeof(double)];
    const char *at = (const char *)base + f->offset;
    return f->optional && f->size <= sizeof nothing && memcmp(at, nothing, f->size) == 0;
}

bool json_field_put(json_t *root, const struct json_field *fields, size_t count, const void *base)
{
    for (size_t i = 0; i < count; i++) {
        if (!is_left_out(&fields[i], base) &&
            json_object_set_new(root, fields[i].key, field_to_json(&fields[i], base)) != 0)
            return false;
    }
    return true;
}
