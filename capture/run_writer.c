#include "capture/run_writer.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define SYNC_EVERY_US                                                                                        \
    100000 /* half of the 200 ms promised, so that one slow sync does not break the promise */
#define BLOCK_ROWS                                                                                           \
    4096 /* rows taken from the queue at a time: the lock is held for a copy of 100 KiB at most */

struct run_writer {
    char part[512];
    char done[512];
    int folder;
    int file;
    bool encoder;
    pthread_t thread;
    bool running;

    pthread_mutex_t lock; /* guards all below */
    pthread_cond_t wake;
    struct raw_sample *queue; /* ring of capacity rows */
    size_t capacity, head, used;
    bool closing;
    struct err failure; /* code ERR_OK while all is well */

    /* Of the thread alone, then of whoever joined it. */
    int64_t rows;
    off_t bytes; /* whole rows in the file */
    struct raw_sample block[BLOCK_ROWS];
    char text[BLOCK_ROWS * RUN_CSV_ROW_BYTES_MAX];
};

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static enum err_code file_failed(const struct run_writer *w, int error, struct err *e)
{
    return err_set_at(e, ERR_SYSTEM, w->part, 0, 0, "cannot write: %s", strerror(error));
}

/* Append whole rows. A full disk first writes a part of what it is given and fails only at the next call; the
 * torn row it leaves is cut off, so that the file always ends with a whole one. */
static enum err_code append(struct run_writer *w, const char *text, size_t length, struct err *e)
{
    size_t written = 0;
    while (written < length) {
        ssize_t n = write(w->file, text + written, length - written);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0) {
            int error = n == 0 ? ENOSPC : errno;
            while (written > 0 && text[written - 1] != '\n')
                written--;
            w->bytes += (off_t)written;
            for (size_t i = 0; i < written; i++)
                w->rows += text[i] == '\n';
            if (ftruncate(w->file, w->bytes) != 0)
                return err_set_at(e, ERR_SYSTEM, w->part, 0, 0, "cannot write: %s; its last row may be torn",
                                  strerror(error));
            return file_failed(w, error, e);
        }
        written += (size_t)n;
    }
    w->bytes += (off_t)length;
    return ERR_OK;
}

/* After a failed sync the system forgets that the pages were never written, so a second try would lie: no
 * retry. */
static enum err_code make_durable(struct run_writer *w, struct err *e)
{
    if (fdatasync(w->file) != 0)
        return file_failed(w, errno, e);
    return ERR_OK;
}

static enum err_code write_block(struct run_writer *w, size_t count, struct err *e)
{
    size_t length = 0;
    enum err_code code;
    for (size_t i = 0; i < count; i++)
        length += run_csv_format_row(&w->block[i], w->encoder, w->text + length);
    code = append(w, w->text, length, e);
    if (code == ERR_OK)
        w->rows += (int64_t)count;
    return code;
}

/* Take up to BLOCK_ROWS rows off the queue; waits until there are some, the writer closes or until
 * deadline_us. *closing tells that nothing more will come. */
static size_t take_block(struct run_writer *w, int64_t deadline_us, bool *closing)
{
    struct timespec deadline = {.tv_sec = (time_t)(deadline_us / 1000000),
                                .tv_nsec = (long)(deadline_us % 1000000) * 1000};
    size_t count;
    pthread_mutex_lock(&w->lock);
    while (w->used == 0 && !w->closing) {
        if (pthread_cond_timedwait(&w->wake, &w->lock, &deadline) == ETIMEDOUT)
            break;
    }
    count = w->used < BLOCK_ROWS ? w->used : BLOCK_ROWS;
    for (size_t i = 0; i < count; i++)
        w->block[i] = w->queue[(w->head + i) % w->capacity];
    w->head = (w->head + count) % w->capacity;
    w->used -= count;
    *closing = w->closing && w->used == 0;
    pthread_mutex_unlock(&w->lock);
    return count;
}

static void *write_rows(void *context)
{
    struct run_writer *w = context;
    int64_t sync_due_us = now_us() + SYNC_EVERY_US;
    bool unsynced = false;
    bool closing = false;
    struct err failure = {0};
    while (!closing && failure.code == ERR_OK) {
        size_t count = take_block(w, sync_due_us, &closing);
        if (count > 0) {
            write_block(w, count, &failure);
            unsynced = true;
        }
        if (failure.code == ERR_OK && now_us() >= sync_due_us) {
            if (unsynced)
                make_durable(w, &failure);
            unsynced = false;
            sync_due_us = now_us() + SYNC_EVERY_US;
        }
    }
    pthread_mutex_lock(&w->lock);
    w->failure = failure;
    pthread_mutex_unlock(&w->lock);
    return NULL;
}

/* Free all but the thread, which must have ended. */
static void free_writer(struct run_writer *w)
{
    if (w->file >= 0)
        close(w->file);
    if (w->folder >= 0)
        close(w->folder);
    pthread_cond_destroy(&w->wake);
    pthread_mutex_destroy(&w->lock);
    free(w->queue);
    free(w);
}

static enum err_code start(struct run_writer *w, struct err *e)
{
    sigset_t all;
    sigset_t before;
    int error;
    w->file = open(w->part, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_CLOEXEC, 0666);
    if (w->file < 0)
        return file_failed(w, errno, e);
    if (append(w, RUN_CSV_HEADER "\n", sizeof RUN_CSV_HEADER, e) != ERR_OK || make_durable(w, e) != ERR_OK)
        return e->code;
    if (fsync(w->folder) != 0)
        return file_failed(w, errno, e);
    /* Signals belong to the thread that reads the rig: it is the one that waits and must wake. */
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    error = pthread_create(&w->thread, NULL, write_rows, w);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (error != 0)
        return err_set(e, ERR_SYSTEM, "cannot start a thread: %s", strerror(error));
    w->running = true;
    return ERR_OK;
}

enum err_code run_writer_open(const char *folder, int number, bool encoder, size_t queue_rows,
                              struct run_writer **writer, struct err *e)
{
    pthread_condattr_t clock;
    enum err_code code;
    struct err local;
    struct run_writer *w = calloc(1, sizeof *w);
    *writer = NULL;
    if (e == NULL)
        e = &local;
    if (w == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    w->file = -1;
    w->encoder = encoder;
    w->capacity = queue_rows;
    w->queue = calloc(queue_rows, sizeof *w->queue);
    pthread_mutex_init(&w->lock, NULL);
    pthread_condattr_init(&clock);
    pthread_condattr_setclock(&clock, CLOCK_MONOTONIC);
    pthread_cond_init(&w->wake, &clock);
    pthread_condattr_destroy(&clock);
    w->folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (w->folder < 0)
        code = err_set_at(e, ERR_SYSTEM, folder, 0, 0, "cannot open this folder: %s", strerror(errno));
    else if (w->queue == NULL)
        code = err_set(e, ERR_MEMORY, "out of memory");
    else if (snprintf(w->part, sizeof w->part, "%s/%04d.csv.part", folder, number) >= (int)sizeof w->part ||
             snprintf(w->done, sizeof w->done, "%s/%04d.csv", folder, number) >= (int)sizeof w->done)
        code = err_set_at(e, ERR_USAGE, folder, 0, 0, "the name of this folder is too long");
    else
        code = start(w, e);
    if (code != ERR_OK) {
        free_writer(w);
        return code;
    }
    *writer = w;
    return ERR_OK;
}

size_t run_writer_push(struct run_writer *w, const struct raw_sample *samples, size_t count)
{
    size_t room;
    size_t lost = 0;
    pthread_mutex_lock(&w->lock);
    room = w->capacity - w->used;
    if (count > room) {
        lost = count - room;
        count = room;
    }
    for (size_t i = 0; i < count; i++)
        w->queue[(w->head + w->used + i) % w->capacity] = samples[i];
    w->used += count;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
    return lost;
}

enum err_code run_writer_state(struct run_writer *w, struct err *e)
{
    enum err_code code;
    pthread_mutex_lock(&w->lock);
    code = w->failure.code;
    if (code != ERR_OK && e != NULL)
        *e = w->failure;
    pthread_mutex_unlock(&w->lock);
    return code;
}

/* Rename without ever replacing a file. Some file systems do not know the flag; there the check comes first.
 */
static int rename_new(const char *from, const char *to)
{
    if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0)
        return 0;
    if (errno != EINVAL && errno != ENOSYS)
        return -1;
    if (faccessat(AT_FDCWD, to, F_OK, AT_SYMLINK_NOFOLLOW) == 0) {
        errno = EEXIST;
        return -1;
    }
    return rename(from, to);
}

static void join(struct run_writer *w)
{
    pthread_mutex_lock(&w->lock);
    w->closing = true;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
    pthread_join(w->thread, NULL);
    w->running = false;
}

enum err_code run_writer_finish(struct run_writer *w, int64_t *rows, struct err *e)
{
    enum err_code code;
    join(w);
    *rows = w->rows;
    code = w->failure.code;
    if (code != ERR_OK) {
        if (e != NULL)
            *e = w->failure;
    } else if (fsync(w->file) != 0) {
        code = file_failed(w, errno, e);
    } else if (rename_new(w->part, w->done) != 0) {
        code = err_set_at(e, ERR_SYSTEM, w->done, 0, 0, "cannot give the run its name: %s", strerror(errno));
    } else if (fsync(w->folder) != 0) {
        code = file_failed(w, errno, e);
    }
    free_writer(w);
    return code;
}

void run_writer_abandon(struct run_writer *w)
{
    if (w == NULL)
        return;
    join(w);
    if (w->rows == 0)
        unlink(w->part);
    else if (w->failure.code == ERR_OK)
        fsync(w->file);
    free_writer(w);
}
