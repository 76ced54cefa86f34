#include "capture/run_writer.h"

#include "datasets/format/run_journal.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define SYNC_EVERY_US                                                                                        \
    100000 /* half of the 200 ms promised, so that one slow sync does not break the promise */
#define LOOK_EVERY_US    20000 /* waking for each batch of a fast rig would cost more than its rows */
#define BLOCK_ROWS       4096  /* rows written at a time; so many are not left to wait */
#define QUEUE_S          2.6
#define QUEUE_ROWS_LEAST 262144      /* 6 MiB */
#define JOURNAL_BYTES    (64 * 1024) /* more than all events and gaps that a record holds */

/* A file that is only appended to. */
struct log_file {
    char path[512];
    int fd;
    off_t bytes;         /* whole lines in it */
    off_t durable_bytes; /* of those, on the disk for sure */
    bool sync_failed;
    _Atomic int64_t *asked_us; /* when the disk was asked for what it has not come back from; 0: nothing */
};

struct run_writer {
    struct log_file rows_file, journal_file;
    int folder;
    bool encoder;
    pthread_t thread;
    bool running;
    _Atomic int64_t asked_us; /* of both files */

    pthread_mutex_t lock; /* guards all below; the rows in the queue are the thread's to read without it */
    pthread_cond_t wake;
    struct raw_sample *queue; /* ring of capacity rows */
    size_t capacity, head, used;
    size_t wake_rows;  /* wake the thread at once when there are so many */
    int64_t queued_us; /* when the oldest row in the queue was pushed; 0: none */
    int64_t taken_us;  /* likewise of those taken off it that are not yet durable */
    char lines[JOURNAL_BYTES];
    size_t lines_length;
    bool closing;
    struct err failure; /* code ERR_OK while all is well */

    /* Of the thread alone, then of whoever joined it. */
    int64_t rows, durable_rows;
    int64_t durable_within_us;
    char text[BLOCK_ROWS * RUN_CSV_ROW_BYTES_MAX];
    char lines_taken[JOURNAL_BYTES];
};

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static enum err_code file_failed(const struct log_file *f, int error, struct err *e)
{
    return err_set_at(e, ERR_SYSTEM, f->path, 0, 0, "cannot write: %s", strerror(error));
}

/* Append whole lines. A full disk first writes a part of what it is given and fails only at the next call;
 * the torn line it leaves is cut off, so that the file always ends with a whole one. After a failure *lines
 * tells how many got there. */
static enum err_code append(struct log_file *f, const char *text, size_t length, int64_t *lines,
                            struct err *e)
{
    size_t written = 0;
    int error = 0;
    while (written < length && error == 0) {
        ssize_t n;
        atomic_store(f->asked_us, now_us());
        n = write(f->fd, text + written, length - written);
        atomic_store(f->asked_us, 0);
        if (n > 0)
            written += (size_t)n;
        else if (n == 0 || errno != EINTR)
            error = n == 0 ? ENOSPC : errno;
    }
    while (error != 0 && written > 0 && text[written - 1] != '\n')
        written--;
    f->bytes += (off_t)written;
    if (error == 0)
        return ERR_OK;
    *lines = 0;
    for (size_t i = 0; i < written; i++)
        *lines += text[i] == '\n';
    if (ftruncate(f->fd, f->bytes) != 0)
        return err_set_at(e, ERR_SYSTEM, f->path, 0, 0, "cannot write: %s; its last row may be torn",
                          strerror(error));
    return file_failed(f, error, e);
}

/* After a failed sync the system forgets that the pages were never written, so a second try would lie: no
 * retry. */
static enum err_code make_durable(struct log_file *f, struct err *e)
{
    int result;
    if (f->durable_bytes == f->bytes)
        return ERR_OK;
    atomic_store(f->asked_us, now_us());
    result = fdatasync(f->fd);
    atomic_store(f->asked_us, 0);
    if (result != 0) {
        f->sync_failed = true;
        return file_failed(f, errno, e);
    }
    f->durable_bytes = f->bytes;
    return ERR_OK;
}

/* Wait until there are rows enough, a line of the journal or the end, at most until deadline_us. Then take
 * the lines, and find *rows: all in the queue, or those up to its end. They stay in it until free_rows.
 * *closing tells that nothing more will come. */
static size_t take_rows(struct run_writer *w, int64_t deadline_us, const struct raw_sample **rows,
                        size_t *lines_length, bool *closing)
{
    struct timespec deadline = {.tv_sec = (time_t)(deadline_us / 1000000),
                                .tv_nsec = (long)(deadline_us % 1000000) * 1000};
    size_t count;
    pthread_mutex_lock(&w->lock);
    while (w->used < w->wake_rows && w->lines_length == 0 && !w->closing) {
        if (pthread_cond_timedwait(&w->wake, &w->lock, &deadline) == ETIMEDOUT)
            break;
    }
    count = w->used < w->capacity - w->head ? w->used : w->capacity - w->head;
    *rows = w->queue + w->head;
    if (count > 0 && w->taken_us == 0)
        w->taken_us = w->queued_us;
    if (w->used == count)
        w->queued_us = 0; /* else what is left counts as old as what was taken: a little older than it is */
    memcpy(w->lines_taken, w->lines, w->lines_length);
    *lines_length = w->lines_length;
    w->lines_length = 0;
    *closing = w->closing && w->used == count;
    pthread_mutex_unlock(&w->lock);
    return count;
}

static void free_rows(struct run_writer *w, size_t count)
{
    pthread_mutex_lock(&w->lock);
    w->head = (w->head + count) % w->capacity;
    w->used -= count;
    if (w->used == 0)
        w->head =
            0; /* so that a ring that is mostly empty takes the memory of what it holds, not of its room */
    pthread_mutex_unlock(&w->lock);
}

static enum err_code write_block(struct run_writer *w, const struct raw_sample *block, size_t count,
                                 struct err *e)
{
    size_t length = run_csv_format_rows(block, count, w->encoder, w->text);
    int64_t lines = 0;
    enum err_code code;
    code = append(&w->rows_file, w->text, length, &lines, e);
    w->rows += code == ERR_OK ? (int64_t)count : lines;
    return code;
}

/* Write rows that were taken; each block's room in the queue is free as soon as it is written. */
static enum err_code write_taken(struct run_writer *w, const struct raw_sample *rows, size_t count,
                                 struct err *e)
{
    for (size_t at = 0, block; at < count; at += block) {
        block = count - at < BLOCK_ROWS ? count - at : BLOCK_ROWS;
        if (write_block(w, rows + at, block, e) != ERR_OK)
            return e->code;
        free_rows(w, block);
    }
    return ERR_OK;
}

/* Everything written so far is made durable, the journal first: what it tells is needed to read the rows. */
static void sync_both(struct run_writer *w, struct err *e)
{
    int64_t waited_us;
    if (make_durable(&w->journal_file, e) != ERR_OK || make_durable(&w->rows_file, e) != ERR_OK)
        return;
    w->durable_rows = w->rows;
    pthread_mutex_lock(&w->lock);
    waited_us = w->taken_us != 0 ? now_us() - w->taken_us : 0;
    w->taken_us = 0;
    pthread_mutex_unlock(&w->lock);
    if (waited_us > w->durable_within_us)
        w->durable_within_us = waited_us;
}

static void *write_rows(void *context)
{
    struct run_writer *w = context;
    int64_t sync_due_us = now_us() + SYNC_EVERY_US;
    bool closing = false;
    struct err failure = {0};
    while (!closing && failure.code == ERR_OK) {
        const struct raw_sample *rows;
        size_t lines_length;
        int64_t lines;
        int64_t look_us = now_us() + LOOK_EVERY_US;
        size_t count =
            take_rows(w, look_us < sync_due_us ? look_us : sync_due_us, &rows, &lines_length, &closing);
        if (lines_length > 0)
            append(&w->journal_file, w->lines_taken, lines_length, &lines, &failure);
        if (failure.code == ERR_OK)
            write_taken(w, rows, count, &failure);
        if (failure.code == ERR_OK && (closing || now_us() >= sync_due_us)) {
            /* From its beginning: behind a slow sync the next one follows at once. */
            sync_due_us = now_us() + SYNC_EVERY_US;
            sync_both(w, &failure);
        }
    }
    pthread_mutex_lock(&w->lock);
    w->failure = failure;
    pthread_mutex_unlock(&w->lock);
    return NULL;
}

static void close_file(struct log_file *f)
{
    if (f->fd >= 0)
        close(f->fd);
    f->fd = -1;
}

/* Free all but the thread, which must have ended. */
static void free_writer(struct run_writer *w)
{
    close_file(&w->rows_file);
    close_file(&w->journal_file);
    if (w->folder >= 0)
        close(w->folder);
    pthread_cond_destroy(&w->wake);
    pthread_mutex_destroy(&w->lock);
    free(w->queue);
    free(w);
}

/* Take both files away; the journal last, because rows without one tell nothing. */
static void remove_files(struct run_writer *w)
{
    if (w->rows_file.fd >= 0)
        unlink(w->rows_file.path);
    if (w->journal_file.fd >= 0)
        unlink(w->journal_file.path);
}

/* A new file that begins with text, on the disk. */
static enum err_code begin_file(struct log_file *f, const char *text, size_t length, struct err *e)
{
    int64_t lines;
    f->fd = open(f->path, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_NOFOLLOW | O_CLOEXEC, 0666);
    if (f->fd < 0)
        return file_failed(f, errno, e);
    if (append(f, text, length, &lines, e) != ERR_OK)
        return e->code;
    return make_durable(f, e);
}

static enum err_code begin_files(struct run_writer *w, const struct run_record *record, struct err *e)
{
    char *head = NULL;
    size_t length = 0;
    enum err_code code = run_journal_format_head(record, &head, &length, e);
    if (code == ERR_OK)
        code = begin_file(&w->journal_file, head, length, e);
    if (code == ERR_OK)
        code = begin_file(&w->rows_file, RUN_CSV_HEADER "\n", sizeof RUN_CSV_HEADER, e);
    free(head);
    if (code == ERR_OK && fsync(w->folder) != 0 && errno != EINVAL)
        code = file_failed(&w->rows_file, errno, e);
    return code;
}

static enum err_code start_thread(struct run_writer *w, struct err *e)
{
    sigset_t all;
    sigset_t before;
    int error;
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

size_t run_writer_queue_rows(double sample_rate_hz)
{
    double rows = QUEUE_S * sample_rate_hz;
    return rows > QUEUE_ROWS_LEAST ? (size_t)rows : QUEUE_ROWS_LEAST;
}

enum err_code run_writer_open(const char *folder, const struct run_record *record, bool encoder,
                              size_t queue_rows, struct run_writer **writer, struct err *e)
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
    w->rows_file.fd = w->journal_file.fd = -1;
    w->rows_file.asked_us = w->journal_file.asked_us = &w->asked_us;
    w->encoder = encoder;
    w->capacity = queue_rows;
    w->wake_rows = queue_rows / 2 < BLOCK_ROWS ? queue_rows / 2 + 1 : BLOCK_ROWS;
    /* Not zeroed: it is written before it is read, and only what is used of it takes memory. */
    w->queue = reallocarray(NULL, queue_rows, sizeof *w->queue);
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
    else if (snprintf(w->rows_file.path, sizeof w->rows_file.path, "%s/%04d.csv.part", folder,
                      record->number) >= (int)sizeof w->rows_file.path ||
             snprintf(w->journal_file.path, sizeof w->journal_file.path, "%s/%04d.json.part", folder,
                      record->number) >= (int)sizeof w->journal_file.path)
        code = err_set_at(e, ERR_USAGE, folder, 0, 0, "the name of this folder is too long");
    else
        code = begin_files(w, record, e);
    if (code == ERR_OK)
        code = start_thread(w, e);
    if (code != ERR_OK) {
        remove_files(w);
        free_writer(w);
        return code;
    }
    *writer = w;
    return ERR_OK;
}

size_t run_writer_push(struct run_writer *w, const struct raw_sample *samples, size_t count)
{
    size_t room, at, first;
    size_t lost = 0;
    int64_t pushed_us = now_us();
    pthread_mutex_lock(&w->lock);
    room = w->capacity - w->used;
    if (count > room) {
        lost = count - room;
        count = room;
    }
    at = (w->head + w->used) % w->capacity;
    first = count < w->capacity - at ? count : w->capacity - at;
    memcpy(w->queue + at, samples, first * sizeof *samples);
    memcpy(w->queue, samples + first, (count - first) * sizeof *samples);
    w->used += count;
    if (count > 0 && w->queued_us == 0)
        w->queued_us = pushed_us;
    if (w->used >= w->wake_rows && w->used - count < w->wake_rows)
        pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
    return lost;
}

void run_writer_journal(struct run_writer *w, const char *line, size_t length)
{
    pthread_mutex_lock(&w->lock);
    if (length <= sizeof w->lines - w->lines_length) {
        memcpy(w->lines + w->lines_length, line, length);
        w->lines_length += length;
    }
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
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

/* 0 where nothing waits, and so 1 at least where something has only just begun to. */
static int64_t waiting_since(int64_t since_us)
{
    int64_t waiting_us = now_us() - since_us;
    return since_us == 0 ? 0 : waiting_us > 0 ? waiting_us : 1;
}

int64_t run_writer_waiting_us(struct run_writer *w)
{
    int64_t since_us;
    pthread_mutex_lock(&w->lock);
    since_us = w->taken_us != 0 ? w->taken_us : w->queued_us;
    pthread_mutex_unlock(&w->lock);
    return waiting_since(since_us);
}

int64_t run_writer_silent_us(struct run_writer *w)
{
    return waiting_since(atomic_load(&w->asked_us));
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

/* After a failure of whatever kind: what is written is made durable, where no sync has failed yet; else only
 * what was durable before is kept. */
static void keep_durable_rows(struct run_writer *w)
{
    struct log_file *f = &w->rows_file;
    if (!f->sync_failed && make_durable(f, NULL) == ERR_OK) {
        w->durable_rows = w->rows;
    } else if (ftruncate(f->fd, f->durable_bytes) == 0) {
        f->bytes = f->durable_bytes;
        w->rows = w->durable_rows;
    }
}

enum err_code run_writer_close(struct run_writer *w, struct run_written *written, struct err *e)
{
    enum err_code code;
    join(w);
    code = w->failure.code;
    if (code != ERR_OK) {
        if (e != NULL)
            *e = w->failure;
        keep_durable_rows(w);
    }
    *written = (struct run_written){.rows = w->rows, .durable_within_us = w->durable_within_us};
    if (w->rows == 0)
        remove_files(w);
    free_writer(w);
    return code;
}

void run_writer_abandon(struct run_writer *w)
{
    if (w == NULL)
        return;
    join(w);
    remove_files(w);
    free_writer(w);
}
