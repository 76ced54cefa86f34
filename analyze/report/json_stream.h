/* One JSON object written member by member, and a list of it item by item, so that no more than one of them
 * is held in memory. The text is what jansson would write for the whole at once, with an indent of one space
 * and real numbers to 12 digits. */
#ifndef ANALYZE_REPORT_JSON_STREAM_H
#define ANALYZE_REPORT_JSON_STREAM_H

#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>

struct json_stream {
    FILE *out;
    bool failed;               /* out of memory, or out took not all */
    bool any_member, any_item; /* written so far: of the object, of its open list */
    char *room;                /* for the text of one value */
    size_t room_size;
};

void json_stream_begin(struct json_stream *s, FILE *out);
/* Write a part of an object that another stream began, to be put behind what that one wrote: s has begun
 * nothing, or was used for another part. any_member, any_item: whether there were members, and items of the
 * list that is open. */
void json_stream_go_on(struct json_stream *s, FILE *out, bool any_member, bool any_item);
/* value: a new reference, which is let go here; NULL sets failed. */
void json_stream_member(struct json_stream *s, const char *key, json_t *value);
void json_stream_list_begin(struct json_stream *s, const char *key);
void json_stream_item(struct json_stream *s, json_t *value);
void json_stream_list_end(struct json_stream *s);
/* Ends with a new line, and frees what s holds. */
void json_stream_end(struct json_stream *s);
/* Free what a stream holds that only went on. */
void json_stream_free(struct json_stream *s);

#endif
