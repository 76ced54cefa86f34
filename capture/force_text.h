/* Lines of a force gauge, understood: text in, readings out. Pure: no port and no clock. Whatever a line
 * holds, reading it does no harm; a line that is no reading is named for what it seems to be. */
#ifndef CAPTURE_FORCE_TEXT_H
#define CAPTURE_FORCE_TEXT_H

#include "capture/bench_file.h"

#include <stddef.h>
#include <stdint.h>

enum force_line_kind {
    FORCE_LINE_READING,
    FORCE_LINE_OVER_RANGE, /* the gauge says so, or the reading is past its capacity */
    FORCE_LINE_OTHER_UNIT, /* a number, but in another unit than stated */
    FORCE_LINE_COMMA,      /* a number, but with the other decimal sign */
    FORCE_LINE_NOT_TEXT,   /* bytes that cannot be printed: another speed, or no gauge */
    FORCE_LINE_UNREADABLE  /* text without a number where one should be */
};

struct force_line {
    enum force_line_kind kind;
    double force_n; /* of a reading; push positive */
    int32_t counts; /* the same in units of the resolution; past the capacity: at the end of the range */
    char unit[8];   /* that was written instead */
};

struct force_text; /* the form of the lines */

/* force is copied. ERR_MEMORY or ERR_CALLER (a pattern that bench_file_read would refuse). */
enum err_code force_text_new(const struct bench_force *force, struct force_text **text, struct err *e);
void force_text_free(struct force_text *text); /* NULL is fine */

/* One line without its end. */
struct force_line force_text_read(const struct force_text *text, const char *line);

/* The greatest count, that of the capacity. */
int32_t force_text_counts_max(const struct force_text *text);

/* How a line of that kind differs from a reading, in a few words; NULL for readings. */
const char *force_text_kind(enum force_line_kind kind);

#endif
