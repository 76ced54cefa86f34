/* For tests only, loaded by LD_PRELOAD: a disk that fails on demand, and a log of what was made durable.
 *
 *   DISK_FAULTS_BELOW    absolute path of a folder; files elsewhere are left alone
 *   DISK_FAULTS_LOG      file to which a line is appended for everything that is done below it
 *   DISK_FAULTS_STASH    folder into which a file is linked before it is replaced or taken away
 *   DISK_FAULTS_CONTROL  file that is looked for at each call: once it is there, its words are obeyed
 *   DISK_FAULTS          the same words from the start
 *
 * Words: a fault, then when it begins ("bytes=N": with the write that would go beyond N bytes in all;
 * "at=US": on CLOCK_MONOTONIC; neither: at once), and "ms=D". enospc, edquot   write() takes what fits, then
 * fails; making files succeeds as long as nothing is written eio-write        write() fails eio-sync
 * fdatasync() and fsync() fail erofs            everything that changes something fails slow             each
 * sync takes D ms more hang             a sync does not come back for D ms hang-write       nor a write()
 *
 * A line of the log has tab-separated fields: time at which the call was over and time at which it began
 * (CLOCK_MONOTONIC, us), word, inode, size, path, second path, name in the stash. "try-X" is written before
 * the call that "X" reports. */
#undef _FILE_OFFSET_BITS /* so that each name below is the one that it is written as */
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#define PATH_BYTES 1200

enum fault { NONE, ENOSPC_FAULT, EDQUOT_FAULT, EIO_WRITE, EIO_SYNC, EROFS_FAULT, SLOW, HANG, HANG_WRITE };
static const char *const WORDS[] = {"none",  "enospc", "edquot", "eio-write", "eio-sync",
                                    "erofs", "slow",   "hang",   "hang-write"};

static bool ready;
static char below[PATH_BYTES];
static size_t below_length;
static int log_file = -1;
static const char *stash;
static const char *control;

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER; /* guards all below */
static enum fault fault;
static int64_t from_us, from_bytes, delay_ms;
static int64_t bytes_written;
static bool struck; /* the first failure has been logged */

static int64_t now_us(void)
{
    struct timespec now;
    /* The C library's own call may be a sanitizer's, which is not ready when its runtime opens its first
     * file. */
    syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void pause_ms(int64_t ms)
{
    struct timespec wait = {.tv_sec = (time_t)(ms / 1000), .tv_nsec = (long)(ms % 1000) * 1000000};
    while (nanosleep(&wait, &wait) != 0 && errno == EINTR)
        continue;
}

/* Words that mean nothing are a slip in the test: it must not pass for that. */
static void obey(const char *text)
{
    char copy[256];
    char *rest = NULL;
    snprintf(copy, sizeof copy, "%s", text);
    from_us = from_bytes = delay_ms = 0;
    for (char *word = strtok_r(copy, " \n", &rest); word != NULL; word = strtok_r(NULL, " \n", &rest)) {
        bool known = true;
        if (strncmp(word, "bytes=", 6) == 0)
            from_bytes = strtoll(word + 6, NULL, 10);
        else if (strncmp(word, "at=", 3) == 0)
            from_us = strtoll(word + 3, NULL, 10);
        else if (strncmp(word, "ms=", 3) == 0)
            delay_ms = strtoll(word + 3, NULL, 10);
        else {
            known = false;
            for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
                if (strcmp(word, WORDS[i]) == 0) {
                    fault = (enum fault)i;
                    known = true;
                }
            }
        }
        if (!known) {
            fprintf(stderr, "disk_faults: unknown word '%s'\n", word);
            abort();
        }
    }
}

/* Until then all calls go straight to the system: a sanitizer's runtime opens files before it is ready
 * itself. */
__attribute__((constructor)) static void set_up(void)
{
    const char *text = getenv("DISK_FAULTS_BELOW");
    const char *path = getenv("DISK_FAULTS_LOG");
    snprintf(below, sizeof below, "%s", text != NULL ? text : "");
    below_length = strlen(below);
    stash = getenv("DISK_FAULTS_STASH");
    control = getenv("DISK_FAULTS_CONTROL");
    if (path != NULL)
        log_file = (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    text = getenv("DISK_FAULTS");
    if (text != NULL)
        obey(text);
    ready = true;
}

static bool is_below(const char *path)
{
    return below_length > 0 && strncmp(path, below, below_length) == 0 &&
           (path[below_length] == 0 || path[below_length] == '/');
}

/* The path as the kernel would find it, without looking at links; false for one that is not below the folder.
 */
static bool path_below(int folder, const char *path, char *full)
{
    char base[PATH_BYTES] = "";
    if (!ready || path == NULL)
        return false;
    if (path[0] != '/') {
        char name[32];
        ssize_t n;
        snprintf(name, sizeof name, "/proc/self/fd/%d", folder);
        if (folder == AT_FDCWD)
            n = syscall(SYS_getcwd, base, sizeof base) < 0 ? -1 : (ssize_t)strlen(base);
        else
            n = syscall(SYS_readlinkat, AT_FDCWD, name, base, sizeof base - 1);
        if (n < 0)
            return false;
        base[n] = 0;
    }
    snprintf(full, PATH_BYTES, "%.*s%s%.*s", PATH_BYTES / 2 - 2, base, base[0] != 0 ? "/" : "",
             PATH_BYTES / 2 - 2, path);
    return is_below(full);
}

static bool fd_below(int fd, char *full)
{
    char name[32];
    ssize_t n;
    if (!ready || below_length == 0)
        return false;
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    n = syscall(SYS_readlinkat, AT_FDCWD, name, full, PATH_BYTES - 1);
    if (n < 0)
        return false;
    full[n] = 0;
    return is_below(full);
}

static void tell(int64_t began_us, const char *word, ino_t inode, int64_t size, const char *path,
                 const char *other, const char *kept)
{
    char line[3 * PATH_BYTES];
    int saved = errno;
    int length;
    if (log_file < 0)
        return;
    length = snprintf(line, sizeof line, "%lld\t%lld\t%s\t%llu\t%lld\t%s\t%s\t%s\n", (long long)now_us(),
                      (long long)began_us, word, (unsigned long long)inode, (long long)size, path,
                      other != NULL ? other : "", kept != NULL ? kept : "");
    if (length > 0)
        syscall(SYS_write, log_file, line, (size_t)length);
    errno = saved;
}

static void look_for_control(void)
{
    char text[256];
    ssize_t n;
    int fd;
    if (control == NULL || fault != NONE)
        return;
    fd = (int)syscall(SYS_openat, AT_FDCWD, control, O_RDONLY | O_CLOEXEC, 0);
    if (fd < 0)
        return;
    n = syscall(SYS_read, fd, text, sizeof text - 1);
    syscall(SYS_close, fd);
    if (n <= 0)
        return;
    text[n] = 0;
    obey(text);
}

/* The fault that is on now; *delay receives its ms. Nothing is held against a byte count here. */
static enum fault present(int64_t *delay)
{
    enum fault now;
    int saved = errno;
    pthread_mutex_lock(&lock);
    look_for_control();
    *delay = delay_ms;
    now = fault != NONE && now_us() >= from_us && bytes_written >= from_bytes ? fault : NONE;
    pthread_mutex_unlock(&lock);
    errno = saved;
    return now;
}

/* Log the first failure; whether it is the first. */
static bool strike(enum fault what, int error, const char *path)
{
    bool first;
    pthread_mutex_lock(&lock);
    first = !struck;
    struck = true;
    pthread_mutex_unlock(&lock);
    if (first)
        tell(now_us(), "fault", 0, 0, path, WORDS[what], NULL);
    errno = error;
    return first;
}

static bool is_read_only(const char *path)
{
    int64_t delay;
    if (present(&delay) != EROFS_FAULT)
        return false;
    strike(EROFS_FAULT, EROFS, path);
    return true;
}

static void inode_of(const char *path, ino_t *inode, int64_t *size)
{
    struct stat status;
    int saved = errno;
    *inode = 0;
    *size = 0;
    if (lstat(path, &status) == 0) {
        *inode = status.st_ino;
        *size = status.st_size;
    }
    errno = saved;
}

static int open_file(int folder, const char *path, int flags, mode_t mode)
{
    char full[PATH_BYTES];
    ino_t inode;
    int64_t size;
    int64_t began_us = now_us();
    int fd;
    bool making = false;
    if ((flags & O_ACCMODE) != O_RDONLY && path_below(folder, path, full)) {
        inode_of(full, &inode, &size);
        making = inode == 0 && (flags & O_CREAT) != 0;
        if (is_read_only(full))
            return -1;
        if (making)
            tell(began_us, "try-create", 0, 0, full, NULL, NULL);
    }
    fd = (int)syscall(SYS_openat, folder, path, flags, mode);
    if (making) {
        inode_of(full, &inode, &size);
        tell(began_us, fd >= 0 ? "create" : "not-create", inode, size, full, NULL, NULL);
    }
    return fd;
}

#define OPEN_MODE(mode, flags)                                                                               \
    do {                                                                                                     \
        if (((flags)&O_CREAT) != 0 || ((flags)&O_TMPFILE) == O_TMPFILE) {                                    \
            va_list arguments;                                                                               \
            va_start(arguments, flags);                                                                      \
            (mode) = va_arg(arguments, mode_t);                                                              \
            va_end(arguments);                                                                               \
        }                                                                                                    \
    } while (0)

int open(const char *path, int flags, ...)
{
    mode_t mode = 0;
    OPEN_MODE(mode, flags);
    return open_file(AT_FDCWD, path, flags, mode);
}

int open64(const char *path, int flags, ...)
{
    mode_t mode = 0;
    OPEN_MODE(mode, flags);
    return open_file(AT_FDCWD, path, flags | O_LARGEFILE, mode);
}

int openat(int folder, const char *path, int flags, ...)
{
    mode_t mode = 0;
    OPEN_MODE(mode, flags);
    return open_file(folder, path, flags, mode);
}

int openat64(int folder, const char *path, int flags, ...)
{
    mode_t mode = 0;
    OPEN_MODE(mode, flags);
    return open_file(folder, path, flags | O_LARGEFILE, mode);
}

/* As the C library's: six X before the suffix are replaced until no file has the name. */
static int make_temporary(char *name, int suffix_length, int flags)
{
    static const char LETTERS[] = "abcdefghijklmnopqrstuvwxyz0123456789";
    static _Atomic uint64_t state;
    char *letters = name + strlen(name) - (size_t)suffix_length - 6;
    for (int tries = 0; tries < 1000; tries++) {
        uint64_t value =
            (uint64_t)now_us() * 2654435761u + (uint64_t)getpid() + atomic_fetch_add(&state, 977);
        int fd;
        for (int i = 0; i < 6; i++, value /= 36)
            letters[i] = LETTERS[value % 36];
        fd = open_file(AT_FDCWD, name, (flags & ~O_ACCMODE) | O_RDWR | O_CREAT | O_EXCL, 0600);
        if (fd >= 0 || errno != EEXIST)
            return fd;
    }
    return -1;
}

int mkostemps(char *name, int suffix_length, int flags)
{
    return make_temporary(name, suffix_length, flags);
}

int mkostemps64(char *name, int suffix_length, int flags)
{
    return make_temporary(name, suffix_length, flags);
}

/* How much of count a disk takes that is full after from_bytes; -1: all of it. */
static int64_t room(size_t count, enum fault *what)
{
    int64_t fits = -1;
    pthread_mutex_lock(&lock);
    look_for_control();
    *what = fault;
    if ((fault == ENOSPC_FAULT || fault == EDQUOT_FAULT) && now_us() >= from_us &&
        bytes_written + (int64_t)count > from_bytes)
        fits = bytes_written < from_bytes ? from_bytes - bytes_written : 0;
    pthread_mutex_unlock(&lock);
    return fits;
}

ssize_t write(int fd, const void *bytes, size_t count)
{
    char full[PATH_BYTES];
    enum fault what;
    int64_t fits, delay;
    ssize_t written;
    if (!fd_below(fd, full))
        return syscall(SYS_write, fd, bytes, count);
    fits = room(count, &what);
    if (fits == 0) {
        strike(what, what == EDQUOT_FAULT ? EDQUOT : ENOSPC, full);
        return -1;
    }
    if (present(&delay) == HANG_WRITE && strike(HANG_WRITE, 0, full))
        pause_ms(delay);
    if (present(&delay) == EIO_WRITE) {
        strike(EIO_WRITE, EIO, full);
        return -1;
    }
    if (is_read_only(full))
        return -1;
    written = syscall(SYS_write, fd, bytes, fits > 0 ? (size_t)fits : count);
    if (written > 0) {
        pthread_mutex_lock(&lock);
        bytes_written += written;
        pthread_mutex_unlock(&lock);
    }
    return written;
}

static int sync_file(int fd, long call)
{
    char full[PATH_BYTES];
    struct stat status;
    int64_t began_us = now_us();
    int64_t delay;
    enum fault now;
    int result;
    if (!fd_below(fd, full))
        return (int)syscall(call, fd);
    now = present(&delay);
    if (now == EIO_SYNC || now == EROFS_FAULT) {
        strike(now, now == EIO_SYNC ? EIO : EROFS, full);
        return -1;
    }
    if ((now == SLOW || now == HANG) && (strike(now, 0, full) || now == SLOW))
        pause_ms(delay);
    /* What is written while the call runs may or may not be durable after it: only what was there before
     * counts. */
    if (fstat(fd, &status) != 0)
        return (int)syscall(call, fd);
    result = (int)syscall(call, fd);
    if (result == 0)
        tell(began_us, S_ISDIR(status.st_mode) ? "sync-folder" : "sync", status.st_ino, status.st_size, full,
             NULL, NULL);
    return result;
}

int fdatasync(int fd)
{
    return sync_file(fd, SYS_fdatasync);
}

int fsync(int fd)
{
    return sync_file(fd, SYS_fsync);
}

/* A second name outside of the folder for a file that is about to lose its own. */
static void keep(const char *path, char *name, size_t size)
{
    ino_t inode;
    int64_t bytes;
    int saved = errno;
    name[0] = 0;
    inode_of(path, &inode, &bytes);
    if (stash != NULL && inode != 0) {
        snprintf(name, size, "%lld-%llu", (long long)now_us(), (unsigned long long)inode);
        char full[PATH_BYTES];
        snprintf(full, sizeof full, "%s/%s", stash, name);
        if (syscall(SYS_linkat, AT_FDCWD, path, AT_FDCWD, full, 0) != 0)
            name[0] = 0;
    }
    errno = saved;
}

static int rename_file(int from_folder, const char *from, int to_folder, const char *to, unsigned flags)
{
    char a[PATH_BYTES], b[PATH_BYTES], kept[64];
    ino_t inode;
    int64_t size;
    int64_t began_us = now_us();
    int result;
    if (!path_below(from_folder, from, a) || !path_below(to_folder, to, b))
        return (int)syscall(SYS_renameat2, from_folder, from, to_folder, to, flags);
    if (is_read_only(a))
        return -1;
    inode_of(a, &inode, &size);
    keep(b, kept, sizeof kept);
    tell(began_us, "try-rename", inode, size, a, b, kept);
    result = (int)syscall(SYS_renameat2, from_folder, from, to_folder, to, flags);
    tell(began_us, result == 0 ? "rename" : "not-rename", inode, size, a, b, kept);
    return result;
}

int rename(const char *from, const char *to)
{
    return rename_file(AT_FDCWD, from, AT_FDCWD, to, 0);
}

int renameat(int from_folder, const char *from, int to_folder, const char *to)
{
    return rename_file(from_folder, from, to_folder, to, 0);
}

int renameat2(int from_folder, const char *from, int to_folder, const char *to, unsigned flags)
{
    return rename_file(from_folder, from, to_folder, to, flags);
}

int unlinkat(int folder, const char *path, int flags)
{
    char full[PATH_BYTES], kept[64];
    ino_t inode;
    int64_t size;
    int64_t began_us = now_us();
    int result;
    if (!path_below(folder, path, full))
        return (int)syscall(SYS_unlinkat, folder, path, flags);
    if (is_read_only(full))
        return -1;
    inode_of(full, &inode, &size);
    if (inode == 0)
        return (int)syscall(SYS_unlinkat, folder, path, flags);
    keep(full, kept, sizeof kept);
    tell(began_us, "try-unlink", inode, size, full, NULL, kept);
    result = (int)syscall(SYS_unlinkat, folder, path, flags);
    tell(began_us, result == 0 ? "unlink" : "not-unlink", inode, size, full, NULL, kept);
    return result;
}

int unlink(const char *path)
{
    return unlinkat(AT_FDCWD, path, 0);
}

int mkdir(const char *path, mode_t mode)
{
    char full[PATH_BYTES];
    int64_t began_us = now_us();
    int result;
    if (path_below(AT_FDCWD, path, full) && is_read_only(full))
        return -1;
    result = (int)syscall(SYS_mkdirat, AT_FDCWD, path, mode);
    if (result == 0 && path_below(AT_FDCWD, path, full))
        tell(began_us, "mkdir", 0, 0, full, NULL, NULL);
    return result;
}

static int cut_file(int fd, int64_t length)
{
    char full[PATH_BYTES];
    struct stat status;
    int64_t began_us = now_us();
    int result;
    if (!fd_below(fd, full))
        return (int)syscall(SYS_ftruncate, fd, length);
    if (is_read_only(full))
        return -1;
    result = (int)syscall(SYS_ftruncate, fd, length);
    if (result == 0 && fstat(fd, &status) == 0)
        tell(began_us, "cut", status.st_ino, length, full, NULL, NULL);
    return result;
}

int ftruncate(int fd, off_t length)
{
    return cut_file(fd, length);
}

int ftruncate64(int fd, off64_t length)
{
    return cut_file(fd, length);
}
