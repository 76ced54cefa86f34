/* One JSON object written by several threads: the items of its lists are made side by side and written in
 * their order. The text is that of json_stream.h, whoever makes what. No more of it is held than a few
 * pieces.
 */
#ifndef ANALYZE_REPORT_JSON_PIECES_H
#define ANALYZE_REPORT_JSON_PIECES_H

#include "analyze/report/json_build.h"

#include <stdio.h>

/* One item of a list: it depends on context alone, which several threads read. */
typedef json_t *json_pieces_item(struct json_build *b, const void *context, size_t index);

/* context and out last until the end. NULL without memory. */
struct json_pieces;
struct json_pieces *json_pieces_begin(const void *context, FILE *out);

/* What the object is to hold, in its order, before any work: a value (a new reference), and a list. */
#define JSON_PIECES_MEMBERS 16
void json_pieces_member(struct json_pieces *p, const char *key, json_t *value);
void json_pieces_list(struct json_pieces *p, const char *key, json_pieces_item *item, size_t count);

/* Make pieces and write them until none is left to be made: in as many threads as like, at any time before
 * the end. */
void json_pieces_work(struct json_pieces *p);

/* When all that work are back; what nobody made is made here. Frees p. False where memory did not do; whether
 * out took all, it tells itself. */
bool json_pieces_end(struct json_pieces *p);

#endif
