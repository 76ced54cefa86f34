/* Pseudo-terminals by plain POSIX calls: the way to a simulated rig. */
#include "capture/link_backend.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

static bool pty_alive(struct link_backend *backend)
{
    int waiting = 0;
    return ioctl(backend->fd, FIONREAD, &waiting) == 0;
}

static void pty_close(struct link_backend *backend)
{
    close(backend->fd);
    backend->fd = -1;
}

enum err_code link_pty_open(const char *path, const char *name, struct link_backend *backend, struct err *e)
{
    struct termios settings;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return link_open_failed(name, errno, e);
    if (tcgetattr(fd, &settings) < 0) {
        int error = errno;
        close(fd);
        return link_open_failed(name, error, e);
    }
    cfmakeraw(&settings);
    settings.c_cflag |= CLOCAL | CREAD;
    settings.c_cflag &= ~(tcflag_t)HUPCL;
    settings.c_iflag &= ~(tcflag_t)(IXON | IXOFF | IXANY);
    /* At least one byte per read, so that a read of nothing can only mean the other end has gone. */
    settings.c_cc[VMIN] = 1;
    settings.c_cc[VTIME] = 0;
    if (tcsetattr(fd, TCSANOW, &settings) < 0) {
        int error = errno;
        close(fd);
        return link_open_failed(name, error, e);
    }
    backend->fd = fd;
    backend->handle = NULL;
    backend->alive = pty_alive;
    backend->close = pty_close;
    return ERR_OK;
}
