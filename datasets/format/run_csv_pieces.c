#include "datasets/format/run_csv_pieces.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

/* A piece with its numbers stays in the second level cache of a core. */
#define PIECE_BYTES ((size_t)256 * 1024)
/* Where threads share, that counts for less than how often one waits for another. */
#define SHARED_PIECE_BYTES ((size_t)1024 * 1024)
/* A row has five fields of one byte at least, but for encoder_counts, and as many ends. */
#define SHARED_PIECE_ROWS (SHARED_PIECE_BYTES / 9 + 1)
/* So much of the text is let go at once by threads that share it: all at the end is work for one. */
#define GONE_BYTES ((size_t)4 * 1024 * 1024)
/* Below this, the start of a thread is not worth it. */
#define THREAD_BYTES ((size_t)4 * 1024 * 1024)
#define THREADS_MAX  64
/* At each end of the rows, to estimate how many there are. */
#define LOOK_BYTES ((size_t)8 * 1024)
/* Pages of so many rows at a time are made ready ahead of all that write. */
#define READY_ROWS ((size_t)1 << 18)
/* A column of at least so many bytes is worth large pages, where the system has them. */
#define LARGE_BYTES ((size_t)4 * 1024 * 1024)

struct reader {
    const struct run_csv_pieces_how *how;
    struct run_columns *columns;
    const char *text, *end;
    size_t room, piece_bytes;
    pthread_mutex_t lock; /* of all below */
    pthread_cond_t placed_one;
    const char *next; /* piece */
    const char *gone; /* up to there the text is let go */
    size_t *places;   /* of the first row of each piece that has one */
    size_t pieces, placed;
    size_t place;   /* of the first row of the next piece that gets one */
    size_t ready;   /* rows whose pages are there, or made ready by some thread */
    bool bad, full; /* full: there are more rows than room */
};

/* Rows of a file grow longer as its numbers do, so those at both ends tell how many there may be. */
static size_t estimate_rows(const char *rows, const char *end)
{
    size_t size = (size_t)(end - rows);
    size_t first, last;
    if (size <= 2 * LOOK_BYTES)
        return run_csv_scan_count(rows, size);
    first = run_csv_scan_count(rows, LOOK_BYTES);
    last = run_csv_scan_count(end - LOOK_BYTES, LOOK_BYTES);
    first = (first > last ? first : last) + 2;
    /* A little more, as rows in between may be shorter; that is not touched where it is not needed. */
    return (size_t)((double)size / LOOK_BYTES * (double)first * 1.03) + 16;
}

static void *new_column(size_t rows, size_t width)
{
    size_t bytes = (rows == 0 ? 1 : rows) * width;
    char *column = malloc(bytes);
    if (column != NULL && bytes >= LARGE_BYTES) {
        size_t page = (size_t)sysconf(_SC_PAGESIZE);
        size_t before = (page - (size_t)column % page) % page;
        /* Only advice: where it is not taken, nothing is different but speed. */
        madvise(column + before, (bytes - before) / page * page, MADV_HUGEPAGE);
    }
    return column;
}

static bool allocate(struct run_columns *c, size_t rows, bool encoder)
{
    c->time_us = new_column(rows, sizeof *c->time_us);
    c->force_counts = new_column(rows, sizeof *c->force_counts);
    c->commanded_steps = new_column(rows, sizeof *c->commanded_steps);
    c->encoder_counts = encoder ? new_column(rows, sizeof *c->encoder_counts) : NULL;
    c->flags = new_column(rows, sizeof *c->flags);
    return c->time_us != NULL && c->force_counts != NULL && c->commanded_steps != NULL && c->flags != NULL &&
           (!encoder || c->encoder_counts != NULL);
}

/* Give back what room there is behind the rows. */
static void *shrunk(void *column, size_t rows, size_t width)
{
    void *smaller = column == NULL ? NULL : realloc(column, (rows == 0 ? 1 : rows) * width);
    return smaller == NULL ? column : smaller;
}

static void shrink(struct run_columns *c)
{
    size_t rows = c->n;
    c->time_us = shrunk(c->time_us, rows, sizeof *c->time_us);
    c->force_counts = shrunk(c->force_counts, rows, sizeof *c->force_counts);
    c->commanded_steps = shrunk(c->commanded_steps, rows, sizeof *c->commanded_steps);
    c->encoder_counts = shrunk(c->encoder_counts, rows, sizeof *c->encoder_counts);
    c->flags = shrunk(c->flags, rows, sizeof *c->flags);
}

/* The end of the piece that begins at begin: behind the last line feed within reach, or behind the first one.
 */
static const char *piece_end(const char *begin, const char *end, size_t bytes)
{
    const char *behind;
    if ((size_t)(end - begin) <= bytes)
        return end;
    for (behind = begin + bytes; behind > begin && behind[-1] != '\n'; behind--) {
    }
    for (; behind == begin || behind[-1] != '\n'; behind++) {
    }
    return behind;
}

/* A piece of work. */
struct piece {
    const char *begin, *end;
    size_t number;
};

/* Take the next piece; false when there is none, or nothing more to be won. Hashing goes on in the order of
 * the file, so it is done here, one thread at a time, while the others parse. */
static bool take_piece(struct reader *r, struct piece *piece)
{
    if (r->bad || r->full || r->next == r->end)
        return false;
    *piece = (struct piece){r->next, piece_end(r->next, r->end, r->piece_bytes), r->pieces++};
    if (r->how->hasher != NULL &&
        !file_bytes_hasher_add(r->how->hasher, piece->begin, (size_t)(piece->end - piece->begin)))
        r->bad = true;
    r->next = piece->end;
    return !r->bad;
}

/* The rows of the next piece in the file go behind those of the piece before. */
static void place_rows(struct reader *r, size_t rows)
{
    r->full = r->full || rows > r->room - r->place;
    r->places[r->placed++] = r->place;
    r->place += r->full ? 0 : rows;
}

static struct run_csv_room room_at(const struct run_columns *c, size_t place)
{
    return (struct run_csv_room){
        .time_us = c->time_us + place,
        .force_counts = c->force_counts + place,
        .commanded_steps = c->commanded_steps + place,
        .encoder_counts = c->encoder_counts == NULL ? NULL : c->encoder_counts + place,
        .flags = c->flags + place,
    };
}

/* One thread knows where each piece goes when it comes to it. */
static void take_all(struct reader *r)
{
    struct piece piece;
    while (take_piece(r, &piece)) {
        const struct run_csv_room room = room_at(r->columns, r->place);
        const char *at = piece.begin;
        size_t left = r->room - r->place;
        size_t rows = run_csv_scan_rows(&at, piece.end, r->end, r->how->strict, &room, left);
        place_rows(r, rows);
        r->full = at < piece.end && rows == left;
        r->bad = at < piece.end && !r->full;
    }
}

static void copy_rows(const struct run_csv_room *from, const struct run_csv_room *to, size_t rows)
{
    memcpy(to->time_us, from->time_us, rows * sizeof *to->time_us);
    memcpy(to->force_counts, from->force_counts, rows * sizeof *to->force_counts);
    memcpy(to->commanded_steps, from->commanded_steps, rows * sizeof *to->commanded_steps);
    if (to->encoder_counts != NULL)
        memcpy(to->encoder_counts, from->encoder_counts, rows * sizeof *to->encoder_counts);
    memcpy(to->flags, from->flags, rows * sizeof *to->flags);
}

#ifdef MADV_POPULATE_WRITE
static void make_ready(void *column, size_t width, size_t from, size_t to)
{
    size_t page = (size_t)sysconf(_SC_PAGESIZE);
    char *begin = column, *end = column;
    if (column == NULL)
        return;
    begin += from * width;
    begin += (page - (size_t)begin % page) % page;
    end += to * width;
    end -= (size_t)end % page;
    /* Where the system does not know how, pages come when they are written to. */
    if (begin < end)
        madvise(begin, (size_t)(end - begin), MADV_POPULATE_WRITE);
}
#else
static void make_ready(void *column, size_t width, size_t from, size_t to)
{
    (void)column;
    (void)width;
    (void)from;
    (void)to;
}
#endif

/* Threads that come to a large page at the same time would each clear one, and all but one of them in vain:
 * two of five that were cleared. */
static void make_rows_ready(const struct run_columns *c, size_t from, size_t to)
{
    if (from >= to)
        return;
    make_ready(c->time_us, sizeof *c->time_us, from, to);
    make_ready(c->force_counts, sizeof *c->force_counts, from, to);
    make_ready(c->commanded_steps, sizeof *c->commanded_steps, from, to);
    make_ready(c->encoder_counts, sizeof *c->encoder_counts, from, to);
    make_ready(c->flags, sizeof *c->flags, from, to);
}

/* How many rows should be ready when those up to read have their places; no more than there will be if the
 * rest of the file is like what was read. */
static size_t rows_to_be_ready(const struct reader *r, const char *read)
{
    double expected = (double)r->place * (double)(r->end - r->text) / (double)(read - r->text);
    size_t most = expected < (double)r->room ? (size_t)expected : r->room;
    if (r->ready >= r->place + READY_ROWS)
        return r->ready;
    return r->place + 2 * READY_ROWS < most ? r->place + 2 * READY_ROWS : most;
}

/* Wait until all pieces before it have their places, and give the piece the next one. Their text is read, and
 * let go when there is enough of it; pages for pieces to come are made ready. False where the reading has
 * come to its end meanwhile. */
static bool place_piece(struct reader *r, const struct piece *piece, size_t rows, bool good, size_t *place)
{
    bool well;
    const char *gone, *to;
    size_t ready, ready_to;
    pthread_mutex_lock(&r->lock);
    r->bad = r->bad || !good;
    while (r->placed < piece->number && !r->bad && !r->full)
        pthread_cond_wait(&r->placed_one, &r->lock);
    *place = r->place;
    if (!r->bad && !r->full)
        place_rows(r, rows);
    well = !r->bad && !r->full;
    gone = to = r->gone;
    if (well && (size_t)(piece->end - gone) >= GONE_BYTES)
        r->gone = to = piece->end;
    ready = ready_to = r->ready;
    if (well)
        ready_to = rows_to_be_ready(r, piece->end);
    if (ready_to > ready)
        r->ready = ready_to;
    pthread_cond_broadcast(&r->placed_one);
    pthread_mutex_unlock(&r->lock);
    file_bytes_let_go(r->text, (size_t)(gone - r->text), (size_t)(to - r->text));
    make_rows_ready(r->columns, ready, ready_to);
    return well;
}

/* Parse a piece into rows of the thread's own, which stay in its cache, and put them where they belong as
 * soon as all pieces before it are parsed: so rows need not be counted first. */
static bool parse_and_place(struct reader *r, const struct piece *piece, const struct run_columns *own)
{
    const struct run_csv_room mine = room_at(own, 0);
    const char *at = piece->begin;
    size_t place, rows = run_csv_scan_rows(&at, piece->end, r->end, r->how->strict, &mine, own->n);
    if (!place_piece(r, piece, rows, at == piece->end, &place))
        return false;
    const struct run_csv_room room = room_at(r->columns, place);
    copy_rows(&mine, &room, rows);
    return true;
}

static bool take_piece_locked(struct reader *r, struct piece *piece)
{
    bool taken;
    pthread_mutex_lock(&r->lock);
    taken = take_piece(r, piece);
    pthread_mutex_unlock(&r->lock);
    return taken;
}

/* Without memory it takes none, and leaves them to the others. */
static void *take_pieces(void *context)
{
    struct reader *r = context;
    struct run_columns own = {.n = SHARED_PIECE_ROWS};
    struct piece piece;
    bool goes_on = allocate(&own, SHARED_PIECE_ROWS, r->columns->encoder_counts != NULL);
    while (goes_on && take_piece_locked(r, &piece))
        goes_on = parse_and_place(r, &piece, &own);
    run_columns_free(&own);
    return NULL;
}

/* Have all pieces taken, by this thread and as many others as there may be. */
static void share_out(struct reader *r, int threads)
{
    pthread_t others[THREADS_MAX];
    int started = 0;
    if (threads < 2) {
        take_all(r);
        return;
    }
    while (started + 1 < threads && pthread_create(&others[started], NULL, take_pieces, r) == 0)
        started++;
    take_pieces(r);
    while (started > 0)
        pthread_join(others[--started], NULL);
}

/* Within a piece time was looked at already. */
static bool time_goes_on(const struct reader *r)
{
    for (size_t i = 1; i < r->placed; i++) {
        size_t first = r->places[i];
        if (first < r->place && r->columns->time_us[first] < r->columns->time_us[first - 1])
            return false;
    }
    return true;
}

static int threads_for(size_t size, int allowed)
{
    size_t worth = size / THREAD_BYTES;
    if (allowed > THREADS_MAX)
        allowed = THREADS_MAX;
    return worth < (size_t)(allowed < 1 ? 1 : allowed) ? (int)worth : allowed;
}

enum run_csv_pieces_end run_csv_pieces_read(const char *text, const char *rows, const char *end,
                                            const struct run_csv_pieces_how *how, struct run_columns *columns)
{
    size_t size = (size_t)(end - rows);
    int threads = threads_for(size, how->threads);
    struct reader r = {.how = how,
                       .columns = columns,
                       .piece_bytes = threads < 2 ? PIECE_BYTES : SHARED_PIECE_BYTES,
                       .text = text,
                       .gone = text,
                       .next = rows,
                       .end = end,
                       .lock = PTHREAD_MUTEX_INITIALIZER,
                       .placed_one = PTHREAD_COND_INITIALIZER};
    enum run_csv_pieces_end ended = RUN_CSV_PIECES_NO_MEMORY;
    bool encoder = false;
    if (rows < end) {
        struct raw_sample sample;
        const char *row = rows;
        if (!how->strict(&row, &sample, &encoder))
            return RUN_CSV_PIECES_BAD;
    }
    if (how->hasher != NULL && !file_bytes_hasher_add(how->hasher, text, (size_t)(rows - text)))
        return RUN_CSV_PIECES_BAD;
    r.places = malloc((2 * (size / PIECE_BYTES) + 3) * sizeof *r.places);
    r.room = estimate_rows(rows, end);
    if (r.places != NULL && allocate(columns, r.room, encoder)) {
        share_out(&r, threads);
        if (r.full || r.bad || !time_goes_on(&r))
            ended = RUN_CSV_PIECES_BAD;
        else if (r.next == end)
            ended = RUN_CSV_PIECES_GOOD;
    }
    columns->n = r.place;
    if (ended == RUN_CSV_PIECES_GOOD && r.place < r.room)
        shrink(columns);
    pthread_mutex_destroy(&r.lock);
    free(r.places);
    return ended;
}
