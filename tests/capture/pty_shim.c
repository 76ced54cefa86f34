/* For tests only, loaded by LD_PRELOAD: lets libserialport open a pseudo-terminal, so that the code which
 * real users run is the code that is tested.
 *
 * The library refuses a port that sysfs does not list (it asks by lstat and readlink below /sys/class/tty;
 * Debian's build calls __lxstat) and one that has no modem lines (TIOCMGET and its kin). Both questions are
 * answered here for pseudo-terminals, and nothing else is changed. */
#include <dlfcn.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

/* The library forms the sysfs name from what follows "/dev/". */
static int is_pty_in_sysfs(const char *path)
{
    return strncmp(path, "/sys/class/tty/pts/", 19) == 0;
}

static int is_pty(int fd)
{
    struct stat status;
    /* Majors 136 to 143 are the slave sides. */
    return fstat(fd, &status) == 0 && S_ISCHR(status.st_mode) && major(status.st_rdev) >= 136 &&
           major(status.st_rdev) <= 143;
}

int __lxstat(int version, const char *path, struct stat *status);

int __lxstat(int version, const char *path, struct stat *status)
{
    int (*next)(int, const char *, struct stat *);
    *(void **)&next = dlsym(RTLD_NEXT, "__lxstat");
    if (!is_pty_in_sysfs(path))
        return next(version, path, status);
    memset(status, 0, sizeof *status);
    status->st_mode = S_IFLNK | 0777;
    return 0;
}

ssize_t readlink(const char *restrict path, char *restrict target, size_t size)
{
    static const char DEVICE[] = "../../devices/virtual/tty/pts";
    ssize_t (*next)(const char *, char *, size_t);
    *(void **)&next = dlsym(RTLD_NEXT, "readlink");
    if (!is_pty_in_sysfs(path))
        return next(path, target, size);
    if (size > sizeof DEVICE - 1)
        size = sizeof DEVICE - 1;
    memcpy(target, DEVICE, size);
    return (ssize_t)size;
}

int ioctl(int fd, unsigned long request, ...)
{
    int (*next)(int, unsigned long, void *);
    va_list arguments;
    void *argument;
    va_start(arguments, request);
    argument = va_arg(arguments, void *);
    va_end(arguments);
    *(void **)&next = dlsym(RTLD_NEXT, "ioctl");
    switch (request) {
    case TIOCMGET:
        if (is_pty(fd)) {
            *(int *)argument = TIOCM_DTR | TIOCM_RTS | TIOCM_CTS | TIOCM_DSR;
            return 0;
        }
        break;
    case TIOCMSET:
    case TIOCMBIS:
    case TIOCMBIC:
        if (is_pty(fd))
            return 0;
        break;
    default:
        break;
    }
    return next(fd, request, argument);
}
