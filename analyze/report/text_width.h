/* How many columns of a terminal text takes, and how many a terminal has. Text is UTF-8 that was cleaned
 * (text_clean): wide characters take two columns, combining marks none. The locale of the caller is neither
 * needed nor touched. */
#ifndef ANALYZE_REPORT_TEXT_WIDTH_H
#define ANALYZE_REPORT_TEXT_WIDTH_H

#include <stddef.h>

/* Where nothing tells how wide a terminal is. */
#define TEXT_WIDTH_USUAL 80
/* The least that is laid out for; a narrower terminal breaks the lines by itself. */
#define TEXT_WIDTH_LEAST 40

/* Columns that text takes. */
int text_width(const char *text);
/* The same of its first length bytes. */
int text_width_of(const char *text, size_t length);

/* Bytes of the longest beginning of text (length bytes) that takes at most that many columns. A character is
 * never parted from the combining marks behind it; the first one is taken however wide it is, so that
 * whoever goes through a text comes to its end. */
size_t text_width_fit(const char *text, size_t length, int columns);

/* Columns of the terminal at fd; where fd is none, or does not say, those that the text columns gives
 * (the variable COLUMNS; NULL: not set) if that is a whole number from 1 to 10000; else TEXT_WIDTH_USUAL.
 * Never less than TEXT_WIDTH_LEAST. */
int text_width_of_terminal(int fd, const char *columns);

#endif
