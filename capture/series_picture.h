/* A picture of a series in plain text: a row for each block, in it a mark for each run, with a space where a
 * feeder is mounted. Pure: runs in, lines out. */
#ifndef CAPTURE_SERIES_PICTURE_H
#define CAPTURE_SERIES_PICTURE_H

#include <stdbool.h>
#include <stddef.h>

enum series_picture_state {
    SERIES_PICTURE_TO_COME,
    SERIES_PICTURE_DONE,
    SERIES_PICTURE_WRONG, /* done and kept, but it looked wrong */
    SERIES_PICTURE_AGAIN, /* to be repeated */
    SERIES_PICTURE_NEXT,
    SERIES_PICTURE_STATES
};

struct series_picture_run {
    int block;   /* from 1, never falling */
    bool mounts; /* a feeder is mounted before it */
    enum series_picture_state state;
};

#define SERIES_PICTURE_LINE_BYTES 1024
#define SERIES_PICTURE_LINES_MAX  24
#define SERIES_PICTURE_BLOCKS     10 /* rows for blocks; the others are summed up before and behind */

/* Draw count runs, at most columns characters wide (at least 20), as lines without line breaks. Marks are
 * plain letters unless utf8. A block of more runs than fit has marks that stand for several, and the last
 * line says for how many: such a mark shows what is most pressing (next, to be repeated, to come, looked
 * wrong, done). The rows shown are those about the next run. Returns the number of lines, 0 without runs. */
size_t series_picture_draw(const struct series_picture_run *runs, size_t count, int columns, bool utf8,
                           char lines[][SERIES_PICTURE_LINE_BYTES]);

#endif
