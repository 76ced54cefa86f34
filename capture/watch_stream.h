/* Text to somebody who may be slow, a terminal or a program behind a pipe: never waits. What is not taken at
 * once is kept and goes out before anything new is accepted, so that nothing arrives in part. */
#ifndef CAPTURE_WATCH_STREAM_H
#define CAPTURE_WATCH_STREAM_H

#include <stdbool.h>
#include <stddef.h>

#define WATCH_STREAM_BYTES 65536

struct watch_stream {
    int fd;    /* does not block; the caller's */
    bool gone; /* nobody is at the other end any more */
    size_t kept, sent;
    char bytes[WATCH_STREAM_BYTES];
};

void watch_stream_init(struct watch_stream *s, int fd);

/* Send on what is kept. Whether all of it has gone out, so that something new may be put. */
bool watch_stream_ready(struct watch_stream *s);

/* Begin something new; only when ready. Add to it; what does not fit is cut off. Then send it. */
void watch_stream_begin(struct watch_stream *s);
void watch_stream_add(struct watch_stream *s, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
