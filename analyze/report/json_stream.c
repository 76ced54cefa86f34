#include "analyze/report/json_stream.h"

#include <stdlib.h>

#define FLAGS      (JSON_INDENT(1) | JSON_REAL_PRECISION(12))
#define ROOM_FIRST 16384 /* bytes: a run takes some 10,000 */

void json_stream_begin(struct json_stream *s, FILE *out)
{
    *s = (struct json_stream){.out = out};
    fputc('{', out);
}

void json_stream_go_on(struct json_stream *s, FILE *out, bool any_member, bool any_item)
{
    s->out = out;
    s->any_member = any_member;
    s->any_item = any_item;
}

/* What jansson writes around a value within so many arrays of one item, which indent its lines as far as they
 * stand in the whole: in front of it a bracket and an indented new line for each, behind it the same. */
static size_t length_before(size_t depth)
{
    return depth * 2 + depth * (depth + 1) / 2;
}

static size_t length_behind(size_t depth)
{
    return depth * 2 + depth * (depth - 1) / 2;
}

/* The text of a value into the room of s; 0 where that cannot be. */
static size_t text_of(struct json_stream *s, const json_t *value)
{
    size_t length = json_dumpb(value, s->room, s->room_size, FLAGS);
    while (length > s->room_size) {
        size_t wanted = length > ROOM_FIRST ? length : ROOM_FIRST;
        char *grown = realloc(s->room, wanted);
        if (grown == NULL)
            return 0;
        s->room = grown;
        s->room_size = wanted;
        length = json_dumpb(value, s->room, s->room_size, FLAGS);
    }
    return length;
}

static void put_value(struct json_stream *s, json_t *value, size_t depth)
{
    size_t length;
    for (size_t i = 0; i < depth && value != NULL; i++) {
        json_t *around = json_array();
        if (json_array_append_new(around, value) != 0) {
            json_decref(around);
            around = NULL;
        }
        value = around;
    }
    length = value != NULL ? text_of(s, value) : 0;
    if (length > 0) {
        size_t before = length_before(depth), kept = length - before - length_behind(depth);
        if (fwrite(s->room + before, 1, kept, s->out) != kept)
            s->failed = true;
    } else {
        s->failed = true;
    }
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

void json_stream_end(struct json_stream *s)
{
    fputs(s->any_member ? "\n}\n" : "}\n", s->out);
    s->failed |= ferror(s->out) != 0;
    json_stream_free(s);
}

void json_stream_free(struct json_stream *s)
{
    free(s->room);
    s->room = NULL;
    s->room_size = 0;
}
