#include "capture/link.h"

#include "capture/link_backend.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

struct link {
    char name[256];
    int lock; /* a second descriptor of the port, held for its lock alone; -1 before */
    struct link_backend backend;
};

int64_t link_now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

enum err_code link_open_failed(const char *name, int error, struct err *e)
{
    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return err_set_at(e, ERR_DEVICE, name, 0, 0, "no such port");
    case EACCES:
    case EPERM:
        return err_set_at(
            e, ERR_DEVICE, name, 0, 0,
            "no permission to open this port; does your user belong to the group that owns it?");
    case EBUSY:
    case EWOULDBLOCK:
        return err_set_at(e, ERR_DEVICE, name, 0, 0, "the port is in use by another program");
    case ENOTTY:
    case EINVAL:
        return err_set_at(e, ERR_DEVICE, name, 0, 0, "not a serial port");
    default:
        return err_set_at(e, ERR_DEVICE, name, 0, 0, "cannot open this port: %s", strerror(error));
    }
}

/* One program per port: two readers would each get half of the frames. The lock is taken before the port is
 * set up, because setting it up would already change the speed under whoever is using it. */
static enum err_code lock_port(struct link *link, const char *path, struct err *e)
{
    link->lock = open(path, O_RDONLY | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    /* A pseudo-terminal whose other end has closed still has its name for a moment but gives EIO. */
    if (link->lock < 0)
        return link_open_failed(link->name, errno == EIO ? ENODEV : errno, e);
    if (!isatty(link->lock))
        return link_open_failed(link->name, ENOTTY, e);
    if (flock(link->lock, LOCK_EX | LOCK_NB) < 0)
        return link_open_failed(link->name, errno, e);
    return ERR_OK;
}

/* The lock binds only programs that ask for it, and exclusive use does not bind a privileged user: so both.
 */
static enum err_code claim(struct link *link, struct err *e)
{
    int fd = link->backend.fd;
    int flags = fcntl(fd, F_GETFD);
    if (flags < 0 || fcntl(fd, F_SETFD, flags | FD_CLOEXEC) < 0)
        return link_open_failed(link->name, errno, e);
    if (ioctl(fd, TIOCEXCL) < 0)
        return link_open_failed(link->name, errno, e);
    return ERR_OK;
}

enum err_code link_open(const char *path, int baud, enum link_way way, struct link **link, struct err *e)
{
    char *resolved = NULL;
    struct link *opened = NULL;
    enum err_code code = ERR_OK;
    *link = NULL;
    resolved = realpath(path, NULL);
    if (resolved == NULL)
        return link_open_failed(path, errno, e);
    opened = calloc(1, sizeof *opened);
    if (opened == NULL) {
        code = err_set(e, ERR_MEMORY, "out of memory");
        goto out;
    }
    opened->backend.fd = -1;
    opened->lock = -1;
    snprintf(opened->name, sizeof opened->name, "%s", path);
    code = lock_port(opened, resolved, e);
    if (code != ERR_OK)
        goto out;
    if (way == LINK_BY_PATH && strncmp(resolved, "/dev/pts/", 9) == 0)
        code = link_pty_open(resolved, path, &opened->backend, e);
    else
        code = link_serial_open(resolved, path, baud, &opened->backend, e);
    if (code != ERR_OK)
        goto out;
    code = claim(opened, e);
    if (code != ERR_OK)
        goto out;
    link_discard_input(opened);
    *link = opened;
    opened = NULL;
out:
    link_close(opened);
    free(resolved);
    return code;
}

static bool wrapped_alive(struct link_backend *backend)
{
    (void)backend;
    return false; /* bytes were announced and none came: a socket says so when its other end has closed */
}

static void wrapped_close(struct link_backend *backend)
{
    close(backend->fd);
    backend->fd = -1;
    backend->kind->closed(backend->handle);
}

enum err_code link_wrap(int descriptor, const char *name, const struct link_owner *kind, void *owner,
                        struct link **link, struct err *e)
{
    struct link *wrapped = calloc(1, sizeof *wrapped);
    *link = wrapped;
    if (wrapped == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    snprintf(wrapped->name, sizeof wrapped->name, "%s", name);
    wrapped->lock = -1;
    wrapped->backend = (struct link_backend){
        .fd = descriptor, .handle = owner, .alive = wrapped_alive, .close = wrapped_close, .kind = kind};
    return ERR_OK;
}

void *link_owner_of(const struct link *link, const struct link_owner *kind)
{
    return link->backend.kind == kind ? link->backend.handle : NULL;
}

void link_close(struct link *link)
{
    if (link == NULL)
        return;
    if (link->backend.fd >= 0) {
        ioctl(link->backend.fd, TIOCNXCL);
        link->backend.close(&link->backend);
    }
    if (link->lock >= 0)
        close(link->lock);
    free(link);
}

const char *link_name(const struct link *link)
{
    return link->name;
}

int link_descriptor(const struct link *link)
{
    return link->backend.fd;
}

void link_discard_input(struct link *link)
{
    char bytes[4096];
    if (link->backend.kind == NULL)
        tcflush(link->backend.fd, TCIFLUSH);
    else
        while (read(link->backend.fd, bytes, sizeof bytes) > 0)
            continue;
}

static enum err_code gone(const struct link *link, struct err *e)
{
    const char *why = link->backend.kind != NULL ? link->backend.kind->why_gone(link->backend.handle) : NULL;
    if (why != NULL)
        return err_set_at(e, ERR_DEVICE, link->name, 0, 0, "%s", why);
    return err_set_at(e, ERR_DEVICE, link->name, 0, 0, "the port is gone; was the rig unplugged?");
}

/* Wait for events on the port. Returns poll's revents, 0 after timeout_us or a signal. */
static short wait_for(const struct link *link, short events, int64_t timeout_us)
{
    struct pollfd port = {.fd = link->backend.fd, .events = events};
    struct timespec timeout;
    if (timeout_us < 0)
        timeout_us = 0;
    timeout.tv_sec = (time_t)(timeout_us / 1000000);
    timeout.tv_nsec = (long)(timeout_us % 1000000) * 1000;
    if (ppoll(&port, 1, &timeout, NULL) < 0)
        return errno == EINTR ? 0 : POLLERR;
    return port.revents;
}

enum err_code link_read(struct link *link, void *bytes, size_t size, int64_t timeout_us, size_t *got,
                        struct err *e)
{
    short revents;
    /* While bytes keep coming there is no need to ask whether there are any. */
    ssize_t length = read(link->backend.fd, bytes, size);
    *got = 0;
    if (length <= 0) {
        revents = wait_for(link, POLLIN, timeout_us);
        if (revents == 0)
            return ERR_OK;
        /* Bytes that came before a hang-up are still worth having, so read first. */
        length = read(link->backend.fd, bytes, size);
    }
    if (length > 0) {
        *got = (size_t)length;
        return ERR_OK;
    }
    if (length < 0 && errno == EINTR)
        return ERR_OK;
    if (length < 0 && errno != EAGAIN && errno != EWOULDBLOCK)
        return gone(link, e);
    /* An unplugged adapter announces bytes for ever and reads as empty. With VMIN and VTIME at 0 an empty
     * read alone is no proof, because another thread of the driver may have flushed them: ask the device. */
    if ((revents & (POLLHUP | POLLERR | POLLNVAL)) != 0 || !link->backend.alive(&link->backend))
        return gone(link, e);
    return ERR_OK;
}

bool link_sleep_until(int64_t time_us)
{
    struct timespec until = {.tv_sec = (time_t)(time_us / 1000000),
                             .tv_nsec = (long)(time_us % 1000000) * 1000};
    return clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == 0;
}

enum err_code link_write(struct link *link, const void *bytes, size_t length, int64_t timeout_us,
                         struct err *e)
{
    const unsigned char *next = bytes;
    int64_t deadline_us = link_now_us() + timeout_us;
    while (length > 0) {
        ssize_t written = write(link->backend.fd, next, length);
        if (written > 0) {
            next += written;
            length -= (size_t)written;
            continue;
        }
        if (written < 0 && errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR)
            return gone(link, e);
        if (link_now_us() >= deadline_us)
            return err_set_at(e, ERR_DEVICE, link->name, 0, 0,
                              "the port takes no bytes; is the rig still there?");
        if ((wait_for(link, POLLOUT, deadline_us - link_now_us()) & (POLLHUP | POLLERR | POLLNVAL)) != 0)
            return gone(link, e);
    }
    return ERR_OK;
}
