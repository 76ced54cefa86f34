/* How what is watched looks as text: rows of a table, one JSON object, the picture on a terminal. Readings
 * in, text out; nothing is written anywhere. Whatever the rig or the command line said is free of control
 * characters in it. */
#ifndef CAPTURE_WATCH_TEXT_H
#define CAPTURE_WATCH_TEXT_H

#include "capture/watch.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#define WATCH_TEXT_ROW_BYTES   512
#define WATCH_TEXT_LINE_BYTES  1024
#define WATCH_TEXT_LINES_MAX   16
#define WATCH_TEXT_COLUMNS_MAX 320    /* a picture is no wider */
#define WATCH_TEXT_FORCE_US    200000 /* what the force in a picture is the mean of */

/* The header line of the table and one row, without line break. */
void watch_text_header(const struct watch_reading *r, char *line, size_t size);
void watch_text_row(const struct watch_reading *r, char *line, size_t size);

/* One reading as an object; what is not known is null. NULL when there is no memory for it. The caller
 * releases it. */
json_t *watch_text_json(const struct watch_reading *r);

/* The picture, at most columns wide and at most rows high: lines, each zero-terminated. blocks: the terminal
 * shows UTF-8. keys: there is a keyboard. history holds the last minute in
 * watch_text_history_columns(columns) steps. What is least needed is left out when there are few rows.
 * Returns how many lines. */
size_t watch_text_picture(const struct watch_reading *r, const double *history, size_t history_count,
                          int columns, int rows, bool blocks, bool keys,
                          char lines[WATCH_TEXT_LINES_MAX][WATCH_TEXT_LINE_BYTES]);
size_t watch_text_history_columns(int columns);

/* value within low..high as a bar of cells characters: it grows from the zero, or from the end of the range
 * that is nearer to it. A value beyond an end is marked there. */
void watch_text_bar(double value, double low, double high, int cells, bool blocks, char *text, size_t size);

/* values as a line of characters of eight heights, blank where NAN. They span low..high, which are the least
 * and the greatest value, moved apart to least_span if they are nearer. */
void watch_text_spark(const double *values, size_t count, double least_span, bool blocks, char *text,
                      size_t size, double *low, double *high);

#endif
