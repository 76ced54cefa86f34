#include "rig/simulator/terminal.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define PATH_BYTES 128

struct terminal {
    int near;
    int far; /* never read or written: it keeps the line up while no host has it open */
    char path[PATH_BYTES];
    const char *link;
    uint8_t *buffer; /* bytes begin to begin + used wait; moved to the front when room runs out */
    size_t size;
    size_t begin;
    size_t used;
    uint64_t passed; /* bytes that have left the queue: places in the stream are counted from the first */
    struct {
        uint64_t at; /* place in the stream */
        int64_t pause_us;
    } pauses[TERMINAL_PAUSES_MAX];
    size_t pause_count;
    int64_t paused_us; /* when the pause that stands first began; -1: not yet */
};

static enum err_code fail(struct err *e, const char *what)
{
    return err_set(e, ERR_SYSTEM, "cannot make a pseudo-terminal: %s: %s", what, strerror(errno));
}

enum err_code terminal_open(size_t buffer_bytes, struct terminal **terminal, struct err *e)
{
    enum err_code code = ERR_OK;
    struct termios mode;
    struct terminal *t = calloc(1, sizeof *t);
    if (t == NULL)
        return err_set(e, ERR_MEMORY, "no memory for the transmit buffer");
    t->near = -1;
    t->far = -1;
    t->size = buffer_bytes;
    t->paused_us = -1;
    t->buffer = malloc(buffer_bytes);
    if (t->buffer == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for the transmit buffer");
        goto out;
    }
    t->near = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (t->near < 0 || grantpt(t->near) != 0 || unlockpt(t->near) != 0) {
        code = fail(e, "posix_openpt");
        goto out;
    }
    if (ptsname_r(t->near, t->path, sizeof t->path) != 0) {
        code = fail(e, "ptsname");
        goto out;
    }
    t->far = open(t->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (t->far < 0) {
        code = fail(e, t->path);
        goto out;
    }
    /* Raw before any host comes: with echo on, our own frames would come back as commands. */
    if (tcgetattr(t->far, &mode) != 0) {
        code = fail(e, "tcgetattr");
        goto out;
    }
    cfmakeraw(&mode);
    if (tcsetattr(t->far, TCSANOW, &mode) != 0 ||
        fcntl(t->near, F_SETFL, fcntl(t->near, F_GETFL) | O_NONBLOCK) != 0) {
        code = fail(e, "raw mode");
        goto out;
    }
    *terminal = t;
    t = NULL;
out:
    terminal_close(t);
    return code;
}

static bool points_to(const char *link, const char *start, bool whole)
{
    char target[PATH_BYTES];
    const ssize_t length = readlink(link, target, sizeof target - 1);
    if (length < 0)
        return false;
    target[length] = '\0';
    return whole ? strcmp(target, start) == 0 : strncmp(target, start, strlen(start)) == 0;
}

void terminal_close(struct terminal *terminal)
{
    if (terminal == NULL)
        return;
    if (terminal->link != NULL && points_to(terminal->link, terminal->path, true))
        unlink(terminal->link);
    if (terminal->far >= 0)
        close(terminal->far);
    if (terminal->near >= 0)
        close(terminal->near);
    free(terminal->buffer);
    free(terminal);
}

const char *terminal_path(const struct terminal *terminal)
{
    return terminal->path;
}

enum err_code terminal_link(struct terminal *terminal, const char *link, struct err *e)
{
    if (points_to(link, "/dev/pts/", false))
        unlink(link); /* left behind by a rig that was killed */
    if (symlink(terminal->path, link) != 0) {
        if (errno == EEXIST)
            return err_set(e, ERR_USAGE, "--link: %s exists and is not a link to a pseudo-terminal", link);
        return err_set(e, ERR_SYSTEM, "--link: cannot make %s: %s", link, strerror(errno));
    }
    terminal->link = link;
    return ERR_OK;
}

int terminal_descriptor(const struct terminal *terminal)
{
    return terminal->near;
}

bool terminal_waiting(const struct terminal *terminal)
{
    return terminal->used > 0 && terminal->paused_us < 0;
}

bool terminal_queue(struct terminal *terminal, const uint8_t *bytes, size_t length, size_t keep_free)
{
    if (length + keep_free > terminal->size - terminal->used)
        return false;
    if (terminal->begin + terminal->used + length > terminal->size) {
        memmove(terminal->buffer, terminal->buffer + terminal->begin, terminal->used);
        terminal->begin = 0;
    }
    memcpy(terminal->buffer + terminal->begin + terminal->used, bytes, length);
    terminal->used += length;
    return true;
}

void terminal_pause(struct terminal *terminal, size_t from_end, int64_t pause_us)
{
    if (terminal->pause_count == TERMINAL_PAUSES_MAX || from_end > terminal->used)
        return;
    terminal->pauses[terminal->pause_count].at = terminal->passed + terminal->used - from_end;
    terminal->pauses[terminal->pause_count].pause_us = pause_us;
    terminal->pause_count++;
}

/* How many bytes may go before the next pause; 0 while it lasts. */
static size_t free_to_go(struct terminal *t, int64_t now_us)
{
    if (t->pause_count > 0 && t->pauses[0].at == t->passed) {
        if (t->paused_us < 0)
            t->paused_us = now_us;
        if (now_us - t->paused_us < t->pauses[0].pause_us)
            return 0;
        t->paused_us = -1;
        t->pause_count--;
        memmove(t->pauses, t->pauses + 1, t->pause_count * sizeof t->pauses[0]);
    }
    return t->pause_count > 0 ? (size_t)(t->pauses[0].at - t->passed) : t->used;
}

enum err_code terminal_flush(struct terminal *terminal, int64_t now_us, struct err *e)
{
    size_t length;
    while (terminal->used > 0 && (length = free_to_go(terminal, now_us)) > 0) {
        const ssize_t written = write(terminal->near, terminal->buffer + terminal->begin, length);
        if (written < 0) {
            if (errno == EINTR)
                continue;
            if (errno == EAGAIN)
                return ERR_OK;
            return err_set(e, ERR_SYSTEM, "the pseudo-terminal failed: %s", strerror(errno));
        }
        if (written == 0)
            return ERR_OK;
        terminal->begin += (size_t)written;
        terminal->used -= (size_t)written;
        terminal->passed += (size_t)written;
    }
    if (terminal->used == 0)
        terminal->begin = 0;
    return ERR_OK;
}

enum err_code terminal_read(struct terminal *terminal, uint8_t *bytes, size_t size, size_t *length,
                            struct err *e)
{
    const ssize_t got = read(terminal->near, bytes, size);
    *length = got > 0 ? (size_t)got : 0;
    if (got < 0 && errno != EAGAIN && errno != EINTR)
        return err_set(e, ERR_SYSTEM, "the pseudo-terminal failed: %s", strerror(errno));
    return ERR_OK;
}

void terminal_discard(struct terminal *terminal)
{
    terminal->begin = 0;
    terminal->used = 0;
    terminal->pause_count = 0;
    terminal->paused_us = -1;
    tcflush(terminal->far, TCIFLUSH);
}
