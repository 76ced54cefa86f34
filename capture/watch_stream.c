#include "capture/watch_stream.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <unistd.h>

void watch_stream_init(struct watch_stream *s, int fd)
{
    s->fd = fd;
    s->gone = false;
    s->kept = s->sent = 0;
}

bool watch_stream_ready(struct watch_stream *s)
{
    while (!s->gone && s->sent < s->kept) {
        ssize_t written = write(s->fd, s->bytes + s->sent, s->kept - s->sent);
        if (written > 0)
            s->sent += (size_t)written;
        else if (written < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
            return false;
        else if (written < 0 && errno != EINTR)
            s->gone = true;
    }
    return !s->gone;
}

void watch_stream_begin(struct watch_stream *s)
{
    s->kept = s->sent = 0;
}

void watch_stream_add(struct watch_stream *s, const char *format, ...)
{
    size_t left = sizeof s->bytes - s->kept;
    va_list arguments;
    int length;
    va_start(arguments, format);
    length = vsnprintf(s->bytes + s->kept, left, format, arguments);
    va_end(arguments);
    if (length > 0)
        s->kept += (size_t)length < left ? (size_t)length : left - 1;
}
