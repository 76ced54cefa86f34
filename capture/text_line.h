/* Bytes of an instrument that writes text, gathered into lines. Pure: no port, no clock, no memory of its
 * own. */
#ifndef CAPTURE_TEXT_LINE_H
#define CAPTURE_TEXT_LINE_H

#include <stdbool.h>
#include <stddef.h>

#define TEXT_LINE_MAX 200 /* bytes; a longer line is no line of an instrument, and is passed over whole */

struct text_line {
    char
        text[TEXT_LINE_MAX + 1]; /* a whole line, once one has come: without its end, closed by a zero byte */
    size_t used;
    bool ended;    /* the line in text is complete: the next byte begins another */
    bool overflow; /* the line in hand is too long */
};

enum text_line_result { TEXT_LINE_MORE, TEXT_LINE_WHOLE, TEXT_LINE_TOO_LONG };

/* Take bytes up to the end of the first line among them; returns how many (above 0 for length above 0).
 * Carriage return and line feed each end a line, and empty lines are passed over. A zero byte becomes 0x01,
 * so that text holds the whole line. *line = {0} begins. */
size_t text_line_feed(struct text_line *line, const char *bytes, size_t length,
                      enum text_line_result *result);

/* Whether all of it can be printed: ASCII from space to tilde, tabs, or bytes from 0xA0 on (a unit may be
 * written in another character set). Bytes of a line at another speed hardly ever can. */
bool text_line_is_text(const char *text);

#endif
