#include "analyze/report/json_stream.h"

#include <string.h>

#define FLAGS (JSON_INDENT(1) | JSON_REAL_PRECISION(12) | JSON_ENCODE_ANY)

void json_stream_begin(struct json_stream *s, FILE *out)
{
    *s = (struct json_stream){.out = out};
    fputc('{', out);
}

/* Text of a value with its lines moved in. A line feed within a string is written as \n, so every one here
 * ends a line of the layout. */
static int put(const char *text, size_t length, void *context)
{
    const struct json_stream *s = context;
    while (length > 0) {
        const char *end = memchr(text, '\n', length);
        size_t part = end != NULL ? (size_t)(end - text) + 1 : length;
        if (fwrite(text, 1, part, s->out) != part)
            return -1;
        for (size_t i = 0; end != NULL && i < s->indent; i++)
            fputc(' ', s->out);
        text += part;
        length -= part;
    }
    return 0;
}

static void put_value(struct json_stream *s, json_t *value, size_t indent)
{
    s->indent = indent;
    if (value == NULL || json_dump_callback(value, put, s, FLAGS) != 0)
        s->failed = true;
    json_decref(value);
}

static void put_key(struct json_stream *s, const char *key)
{
    fputs(s->any_member ? ",\n " : "\n ", s->out);
    s->any_member = true;
    put_value(s, json_string(key), 1);
    fputs(": ", s->out);
}

void json_stream_member(struct json_stream *s, const char *key, json_t *value)
{
    put_key(s, key);
    put_value(s, value, 1);
}

void json_stream_list_begin(struct json_stream *s, const char *key)
{
    put_key(s, key);
    fputc('[', s->out);
    s->any_item = false;
}

void json_stream_item(struct json_stream *s, json_t *value)
{
    fputs(s->any_item ? ",\n  " : "\n  ", s->out);
    s->any_item = true;
    put_value(s, value, 2);
}

void json_stream_list_end(struct json_stream *s)
{
    fputs(s->any_item ? "\n ]" : "]", s->out);
}

void json_stream_members(struct json_stream *s, json_t *object)
{
    const char *key;
    json_t *value;
    if (object == NULL)
        s->failed = true;
    json_object_foreach(object, key, value) json_stream_member(s, key, json_incref(value));
    json_decref(object);
}

void json_stream_end(struct json_stream *s)
{
    fputs(s->any_member ? "\n}\n" : "}\n", s->out);
    s->failed |= ferror(s->out) != 0;
}
