/* A rig that does nothing but stream: the other end of a capture at the wire's limit.
 *
 *     stream_rig --rate-max HZ [--scale N] [--buffer BYTES] [--record FILE]
 *     stream_rig --replay FILE
 *     stream_rig --pty-limit SECONDS
 *
 * The first speaks the rig protocol as far as a push needs it, on a pseudo-terminal whose path is the first
 * line of standard output, until SIGTERM or SIGINT. Samples are taken on the grid of the rate that the host
 * asks for, in real time (N rig seconds a second), and leave in full batches as these fill, at the latest
 * after 20 ms. What the terminal does not take waits in a buffer; what does not fit that is dropped and
 * counted, as on a rig. At the end one line of key=value pairs tells what was sent. All times in it are on
 * CLOCK_MONOTONIC, in microseconds.
 *
 * --record keeps every write that the terminal took with its time. --replay makes a terminal again, waits for
 * a line on standard input, and writes the same bytes in the same pieces at the same times.
 *
 * --pty-limit measures the terminal alone: a thread writes as fast as it can, another one reads as plainly as
 * can be, for so many seconds; prints bytes a second. */
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define FLUSH_US      20000 /* outside world: the longest that the protocol lets a sample wait for its batch */
#define WATCHDOG_US   500000 /* rig time */
#define STATUS_US     1000000
#define BUFFER_BYTES  (1024 * 1024) /* default of --buffer */
#define ANSWER_BYTES  8192          /* of the buffer are kept for answers and events */
#define BUFFER_LEAST  (ANSWER_BYTES + 2 * WIRE_ENCODED_MAX)
#define FULL_LOOK_NS  200000 /* how soon a terminal that was full is tried again */
#define NOISE         4096
#define COUNTS_ZERO   12300
#define COUNTS_MAX    8388607
#define REPLAY_END_US 100000 /* without a byte left to be read, before the terminal is closed */

struct terminal {
    int near, far; /* far is never read: it keeps the line up while no host has it open */
    char path[128];
};

struct rig {
    struct terminal terminal;
    double scale, rate_max_hz;
    FILE *record;
    int64_t epoch_us; /* outside time of rig time 0 */
    struct wire_decoder decoder;
    uint8_t decoder_bytes[256];
    uint16_t sequence;

    uint8_t *buffer; /* ring */
    size_t size, begin, used;

    uint32_t rate_millihertz; /* 0: not sampling */
    int64_t configured_us;    /* rig time */
    int64_t taken;            /* samples since then */
    struct wire_sample batch[WIRE_BATCH_MAX];
    size_t batch_count;
    int64_t flush_due_us; /* outside */
    int32_t noise[NOISE];

    bool armed, moving;
    double steps_per_sample;
    int64_t moved_from; /* sample at which the move began */
    int32_t from_steps, steps;
    uint32_t travel;

    int64_t heard_us, status_due_us; /* rig time */

    /* What is told at the end. */
    int64_t samples, frames, lost, bytes, origin_us;
    int64_t silent_most_us, late_most_us;
    size_t held_most;
    int watchdogs;
};

static volatile sig_atomic_t stop_asked;

static void on_signal(int number)
{
    (void)number;
    stop_asked = 1;
}

static void die(const char *what)
{
    fprintf(stderr, "stream_rig: %s: %s\n", what, strerror(errno));
    exit(5);
}

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void open_terminal(struct terminal *t)
{
    struct termios mode;
    t->near = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (t->near < 0 || grantpt(t->near) != 0 || unlockpt(t->near) != 0 ||
        ptsname_r(t->near, t->path, sizeof t->path) != 0)
        die("pseudo-terminal");
    t->far = open(t->path, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (t->far < 0 || tcgetattr(t->far, &mode) != 0)
        die(t->path);
    cfmakeraw(&mode);
    if (tcsetattr(t->far, TCSANOW, &mode) != 0 || fcntl(t->near, F_SETFL, O_RDWR | O_NONBLOCK) != 0)
        die("raw mode");
}

static void announce(const struct terminal *t)
{
    printf("%s\n", t->path);
    fflush(stdout);
}

static int64_t rig_us(const struct rig *r, int64_t outside_us)
{
    return (int64_t)((double)(outside_us - r->epoch_us) * r->scale);
}

static int64_t outside_us(const struct rig *r, int64_t rig_time_us)
{
    return r->epoch_us + (int64_t)((double)rig_time_us / r->scale);
}

/* One write that the terminal took, as --replay reads it. */
struct chunk {
    int64_t time_us;
    int64_t length;
};

static void keep_chunk(const struct rig *r, const uint8_t *bytes, size_t length)
{
    struct chunk c = {now_us(), (int64_t)length};
    if (fwrite(&c, sizeof c, 1, r->record) != 1 || fwrite(bytes, 1, length, r->record) != length)
        die("--record");
}

static void flush_buffer(struct rig *r)
{
    while (r->used > 0) {
        size_t piece = r->used < r->size - r->begin ? r->used : r->size - r->begin;
        ssize_t n = write(r->terminal.near, r->buffer + r->begin, piece);
        if (n <= 0)
            return;
        if (r->record != NULL)
            keep_chunk(r, r->buffer + r->begin, (size_t)n);
        r->begin = (r->begin + (size_t)n) % r->size;
        r->used -= (size_t)n;
        r->bytes += n;
    }
    r->begin = 0;
}

static bool send_frame(struct rig *r, uint8_t type, const uint8_t *body, size_t length, size_t keep)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t encoded = wire_frame_encode(type, r->sequence++, body, length, frame);
    size_t at = (r->begin + r->used) % r->size;
    size_t first = encoded < r->size - at ? encoded : r->size - at;
    if (encoded + keep > r->size - r->used)
        return false;
    memcpy(r->buffer + at, frame, first);
    memcpy(r->buffer, frame + first, encoded - first);
    r->used += encoded;
    r->frames++;
    if (r->used > r->held_most)
        r->held_most = r->used;
    return true;
}

static void flush_batch(struct rig *r)
{
    uint8_t body[WIRE_BODY_MAX];
    size_t length;
    if (r->batch_count == 0)
        return;
    length = wire_pack_batch(r->batch, r->batch_count,
                             WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER, body);
    if (length == 0) {
        fputs("stream_rig: a batch that cannot be packed\n", stderr);
        exit(5);
    }
    if (send_frame(r, WIRE_SAMPLES, body, length, ANSWER_BYTES))
        r->samples += (int64_t)r->batch_count;
    else
        r->lost += (int64_t)r->batch_count;
    r->batch_count = 0;
}

static void answer(struct rig *r, uint8_t type, const uint8_t *body, size_t length)
{
    flush_batch(r);
    if (!send_frame(r, type, body, length, 0)) {
        fputs("stream_rig: no room for an answer\n", stderr);
        exit(5);
    }
}

static void send_event(struct rig *r, int64_t time_us, enum wire_event_kind kind, int32_t value)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_event event = {(uint32_t)time_us, (uint8_t)kind, value};
    answer(r, WIRE_EVENT, body, wire_pack_event(&event, body));
}

static void send_identity(struct rig *r)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_identity m = {.protocol_major = WIRE_PROTOCOL_MAJOR,
                              .protocol_minor = WIRE_PROTOCOL_MINOR,
                              .channels = WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER,
                              .boot = 1,
                              .time_scale_milli = (uint32_t)(r->scale * 1000),
                              .sample_rate_max_millihertz = (uint32_t)(r->rate_max_hz * 1000),
                              .counts_min = -COUNTS_MAX,
                              .counts_max = COUNTS_MAX,
                              .encoder_nm_per_count = 5000,
                              .full_steps_per_rev = 200,
                              .microsteps = 16,
                              .firmware = "stream",
                              .serial = "STREAM"};
    answer(r, WIRE_IDENTITY, body, wire_pack_identity(&m, body));
}

static void send_status(struct rig *r, int64_t time_us)
{
    uint8_t body[WIRE_BODY_MAX];
    const enum wire_state state = r->moving  ? WIRE_STATE_MOVING
                                  : r->armed ? WIRE_STATE_ARMED
                                             : WIRE_STATE_IDLE;
    const struct wire_status status = {1, (uint32_t)time_us, (uint8_t)state, (uint32_t)r->lost};
    answer(r, WIRE_STATUS, body, wire_pack_status(&status, body));
}

static enum wire_reason configure(struct rig *r, const struct wire_frame *frame, int64_t time_us)
{
    struct wire_configure m;
    if (wire_unpack_configure(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    flush_batch(r);
    r->rate_millihertz = m.sample_rate_millihertz;
    r->configured_us = time_us;
    r->taken = 0;
    r->steps = 0;
    return WIRE_ACCEPTED;
}

static enum wire_reason move(struct rig *r, const struct wire_frame *frame)
{
    struct wire_move m;
    if (!r->armed)
        return WIRE_REFUSED_NOT_ARMED;
    if (wire_unpack_move(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    r->steps_per_sample = (double)m.speed_millisteps_s / r->rate_millihertz;
    r->travel = m.travel_microsteps;
    r->moved_from = r->taken;
    r->from_steps = r->steps;
    r->moving = true;
    return WIRE_ACCEPTED;
}

static void obey(struct rig *r, const struct wire_frame *frame, int64_t time_us)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_ack ack = {frame->type, frame->sequence, WIRE_ACCEPTED};
    switch (frame->type) {
    case WIRE_KEEP_ALIVE:
        return;
    case WIRE_CONFIGURE:
        ack.reason = (uint8_t)configure(r, frame, time_us);
        break;
    case WIRE_ARM:
        r->armed = true;
        r->steps = 0;
        break;
    case WIRE_MOVE:
        ack.reason = (uint8_t)move(r, frame);
        break;
    case WIRE_STOP:
    case WIRE_CUT:
        r->moving = false;
        r->armed = r->armed && frame->type == WIRE_STOP;
        break;
    default:
        break;
    }
    answer(r, WIRE_ACK, body, wire_pack_ack(&ack, body));
    if (frame->type == WIRE_IDENTIFY)
        send_identity(r);
    if (frame->type == WIRE_STOP)
        send_event(r, time_us, WIRE_EVENT_MOTION_DONE, r->steps);
}

static void take_bytes(struct rig *r, int64_t time_us)
{
    uint8_t bytes[4096];
    ssize_t length = read(r->terminal.near, bytes, sizeof bytes);
    for (ssize_t at = 0; at < length;) {
        struct wire_frame frame;
        enum wire_error result;
        at += (ssize_t)wire_decoder_feed(&r->decoder, bytes + at, (size_t)(length - at), &result, &frame);
        if (result != WIRE_OK || frame.type >= 0x80)
            continue;
        r->heard_us = time_us;
        obey(r, &frame, time_us);
    }
}

/* Rig time of a sample since sampling began: a grid of thousandths of hertz without rounding that adds up. */
static int64_t sample_us(const struct rig *r, int64_t index)
{
    return r->configured_us + (int64_t)((index + 1) * INT64_C(1000000000) / r->rate_millihertz);
}

static void take_sample(struct rig *r, int64_t time_us, int64_t now)
{
    struct wire_sample *s = &r->batch[r->batch_count];
    bool arrived = false;
    if (r->taken == 0)
        r->origin_us = outside_us(r, time_us);
    if (r->moving) {
        double gone = (double)(r->taken + 1 - r->moved_from) * r->steps_per_sample;
        arrived = (gone < 0 ? -gone : gone) >= r->travel;
        if (arrived)
            gone = gone < 0 ? -(double)r->travel : r->travel;
        r->steps = r->from_steps + (int32_t)gone;
    }
    *s = (struct wire_sample){.time_us = (uint32_t)time_us,
                              .force_counts = COUNTS_ZERO + r->noise[r->taken % NOISE] + r->steps * 2,
                              .commanded_steps = r->steps,
                              .encoder_counts = r->steps / 2};
    if (r->batch_count == 0)
        r->flush_due_us = outside_us(r, time_us) + FLUSH_US;
    r->taken++;
    r->batch_count++;
    if (r->batch_count == WIRE_BATCH_MAX) {
        int64_t late_us = now - outside_us(r, time_us);
        flush_batch(r);
        if (late_us > r->late_most_us)
            r->late_most_us = late_us;
    }
    if (arrived) {
        r->moving = false;
        send_event(r, time_us, WIRE_EVENT_MOTION_DONE, r->steps);
    }
}

static void advance(struct rig *r, int64_t now)
{
    int64_t time_us = rig_us(r, now);
    int64_t silent_us = time_us - r->heard_us;
    if (r->rate_millihertz == 0)
        return;
    if (silent_us > r->silent_most_us)
        r->silent_most_us = silent_us;
    if (silent_us > WATCHDOG_US) {
        r->rate_millihertz = 0;
        r->armed = r->moving = false;
        r->watchdogs++;
        send_event(r, time_us, WIRE_EVENT_WATCHDOG, (int32_t)(silent_us / 1000));
        return;
    }
    for (int64_t due_us = sample_us(r, r->taken); due_us <= time_us; due_us = sample_us(r, r->taken))
        take_sample(r, due_us, now);
    if (r->batch_count > 0 && now >= r->flush_due_us)
        flush_batch(r);
    if (time_us >= r->status_due_us) {
        r->status_due_us = time_us + STATUS_US;
        send_status(r, time_us);
    }
}

/* How long there is nothing to do: until the batch is full or must go, or the full terminal may take more. */
static struct timespec wait_of(const struct rig *r)
{
    int64_t now = now_us();
    int64_t until_us = now + 20000;
    struct timespec wait = {0};
    if (r->rate_millihertz != 0) {
        int64_t full_us =
            outside_us(r, sample_us(r, r->taken + WIRE_BATCH_MAX - 1 - (int64_t)r->batch_count)) + 1;
        if (full_us < until_us)
            until_us = full_us;
        if (r->batch_count > 0 && r->flush_due_us < until_us)
            until_us = r->flush_due_us;
    }
    if (until_us > now)
        wait.tv_nsec = (until_us - now) * 1000;
    if (r->used > 0 && wait.tv_nsec > FULL_LOOK_NS)
        wait.tv_nsec = FULL_LOOK_NS;
    return wait;
}

static void serve(struct rig *r)
{
    sigset_t blocked, unblocked;
    struct sigaction action = {.sa_handler = on_signal};
    uint32_t noise = 1;
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGINT);
    sigaddset(&blocked, SIGTERM);
    sigprocmask(SIG_BLOCK, &blocked, &unblocked);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    for (int i = 0; i < NOISE; i++) {
        noise = noise * 1664525u + 1013904223u;
        r->noise[i] = (int32_t)(noise >> 22) - 512;
    }
    r->buffer = malloc(r->size);
    if (r->buffer == NULL)
        die("buffer");
    wire_decoder_init(&r->decoder, r->decoder_bytes, sizeof r->decoder_bytes);
    open_terminal(&r->terminal);
    announce(&r->terminal);
    r->epoch_us = now_us();
    while (!stop_asked) {
        struct pollfd near = {.fd = r->terminal.near, .events = POLLIN};
        struct timespec wait = wait_of(r);
        int64_t now;
        if (ppoll(&near, 1, &wait, &unblocked) < 0 && errno != EINTR)
            die("poll");
        now = now_us();
        if ((near.revents & POLLIN) != 0)
            take_bytes(r, rig_us(r, now));
        advance(r, now);
        flush_buffer(r);
    }
    printf("samples=%" PRId64 " frames=%" PRId64 " lost=%" PRId64 " bytes=%" PRId64 " origin_us=%" PRId64
           " held_most_bytes=%zu late_most_us=%" PRId64 " silent_most_us=%" PRId64 " watchdogs=%d\n",
           r->samples, r->frames, r->lost, r->bytes, r->origin_us, r->held_most, r->late_most_us,
           r->silent_most_us, r->watchdogs);
    free(r->buffer);
}

static uint8_t *read_all(const char *path, size_t *length)
{
    struct stat status;
    uint8_t *bytes;
    FILE *file = fopen(path, "rb");
    if (file == NULL || fstat(fileno(file), &status) != 0)
        die(path);
    *length = (size_t)status.st_size;
    bytes = malloc(*length + 1);
    if (bytes == NULL || fread(bytes, 1, *length, file) != *length)
        die(path);
    fclose(file);
    return bytes;
}

static void wait_until(int64_t time_us)
{
    struct timespec until = {.tv_sec = (time_t)(time_us / 1000000),
                             .tv_nsec = (long)(time_us % 1000000) * 1000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR)
        continue;
}

static void write_chunk(int fd, const uint8_t *bytes, size_t length)
{
    while (length > 0) {
        ssize_t n = write(fd, bytes, length);
        if (n <= 0) {
            wait_until(now_us() + FULL_LOOK_NS / 1000);
            continue;
        }
        bytes += n;
        length -= (size_t)n;
    }
}

static void replay(const char *path)
{
    struct terminal terminal;
    size_t length;
    uint8_t *stream = read_all(path, &length);
    int64_t shift_us = 0, late_most_us = 0, bytes = 0;
    int waiting = 0;
    open_terminal(&terminal);
    announce(&terminal);
    getchar();
    for (size_t at = 0; at + sizeof(struct chunk) <= length;) {
        struct chunk c;
        memcpy(&c, stream + at, sizeof c);
        at += sizeof c;
        if (shift_us == 0)
            shift_us = now_us() - c.time_us;
        wait_until(c.time_us + shift_us);
        write_chunk(terminal.near, stream + at, (size_t)c.length);
        if (now_us() - c.time_us - shift_us > late_most_us)
            late_most_us = now_us() - c.time_us - shift_us;
        at += (size_t)c.length;
        bytes += c.length;
    }
    do
        wait_until(now_us() + REPLAY_END_US);
    while (ioctl(terminal.far, FIONREAD, &waiting) == 0 && waiting > 0);
    printf("bytes=%" PRId64 " late_most_us=%" PRId64 "\n", bytes, late_most_us);
    close(terminal.near);
    free(stream);
}

struct flood {
    struct terminal terminal;
    atomic_bool over;
};

static void *write_flood(void *context)
{
    static uint8_t bytes[65536];
    struct flood *f = context;
    struct pollfd near = {.fd = f->terminal.near, .events = POLLOUT};
    memset(bytes, 0x55, sizeof bytes);
    while (!f->over) {
        if (write(near.fd, bytes, sizeof bytes) <= 0)
            poll(&near, 1, 1);
    }
    return NULL;
}

static void measure_limit(double seconds)
{
    static uint8_t bytes[65536];
    struct flood f = {.over = false};
    pthread_t writer;
    int64_t begun_us, total = 0;
    open_terminal(&f.terminal);
    if (fcntl(f.terminal.far, F_SETFL, O_RDWR) != 0 || pthread_create(&writer, NULL, write_flood, &f) != 0)
        die("--pty-limit");
    begun_us = now_us();
    while ((double)(now_us() - begun_us) < seconds * 1e6) {
        ssize_t n = read(f.terminal.far, bytes, sizeof bytes);
        total += n > 0 ? n : 0;
    }
    printf("bytes_per_s=%.0f\n", (double)total / (double)(now_us() - begun_us) * 1e6);
    fflush(stdout);
    f.over = true;
    pthread_join(writer, NULL);
}

static double number(const char *text, double low, double high)
{
    char *end;
    double value = text != NULL ? strtod(text, &end) : 0;
    if (text == NULL || end == text || *end != '\0' || !(value >= low && value <= high)) {
        fprintf(stderr, "stream_rig: '%s' is no number from %g to %g\n", text != NULL ? text : "", low, high);
        exit(2);
    }
    return value;
}

int main(int argc, char **argv)
{
    static struct rig r = {.scale = 1, .rate_max_hz = 1000000, .size = BUFFER_BYTES};
    prctl(PR_SET_TIMERSLACK, 1); /* a converter does not wait for a timer that is due with others */
    for (int i = 1; i + 1 < argc; i += 2) {
        const char *value = argv[i + 1];
        if (strcmp(argv[i], "--replay") == 0) {
            replay(value);
            return 0;
        }
        if (strcmp(argv[i], "--pty-limit") == 0) {
            measure_limit(number(value, 0.1, 1000));
            return 0;
        }
        if (strcmp(argv[i], "--rate-max") == 0)
            r.rate_max_hz = number(value, 1, 1000000);
        else if (strcmp(argv[i], "--scale") == 0)
            r.scale = number(value, 1, 1000);
        else if (strcmp(argv[i], "--buffer") == 0)
            r.size = (size_t)number(value, BUFFER_LEAST, 1e9);
        else if (strcmp(argv[i], "--record") == 0 && (r.record = fopen(value, "wb")) == NULL)
            die(value);
    }
    serve(&r);
    if (r.record != NULL && fclose(r.record) != 0)
        die("--record");
    return 0;
}
