#include "rig/simulator/pair_serve.h"

#include "rig/simulator/pair_bench.h"
#include "rig/simulator/terminal.h"

#include <errno.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define BUFFER_BYTES 4096
#define LOOK_NS      1000000
/* A program that was suspended goes on where it was. */
#define CATCH_UP_US 1000000

struct served {
    const struct pair_serve_order *order;
    struct terminal *force, *feed;
    struct pair_bench *bench;
    FILE *log;
    int64_t outside_us, time_us;
    char hands[128];
    size_t hands_used;
    bool hands_gone;
};

static int64_t outside_now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void queue(struct terminal *t, const char *bytes, size_t length)
{
    if (!terminal_queue(t, (const uint8_t *)bytes, length, 0))
        terminal_discard(t);
}

/* What does not go at once has nobody who listens: it is forgotten, as on a line. */
static enum err_code flush(struct terminal *t, int64_t now_us, struct err *e)
{
    const enum err_code code = terminal_flush(t, now_us, e);
    if (code == ERR_OK && terminal_waiting(t))
        terminal_discard(t);
    return code;
}

static void from_gauge(void *context, const char *bytes, size_t length)
{
    struct served *s = context;
    queue(s->force, bytes, length);
}

static void from_controller(void *context, const char *bytes, size_t length)
{
    struct served *s = context;
    queue(s->feed, bytes, length);
}

static void happened(void *context, int64_t time_us, const char *what, double value)
{
    struct served *s = context;
    if (s->log == NULL)
        return;
    fprintf(s->log, "{\"monotonic_us\": %" PRId64 ", \"event\": \"%s\", \"value\": %.6f}\n",
            s->outside_us - (s->time_us - time_us), what, value);
    fflush(s->log);
}

static enum err_code open_port(struct terminal **t, const char *link, const char *suffix, char *path,
                               size_t size, struct err *e)
{
    enum err_code code = terminal_open(BUFFER_BYTES, t, e);
    if (code != ERR_OK || link == NULL)
        return code;
    if ((size_t)snprintf(path, size, "%s.%s", link, suffix) >= size)
        return err_set(e, ERR_USAGE, "--link: this path is too long");
    return terminal_link(*t, path, e);
}

static enum err_code take(struct terminal *t, struct pair_bench *bench,
                          void (*to)(struct pair_bench *, const char *, size_t), struct err *e)
{
    uint8_t bytes[1024];
    size_t length;
    const enum err_code code = terminal_read(t, bytes, sizeof bytes, &length, e);
    if (code == ERR_OK && length > 0)
        to(bench, (const char *)bytes, length);
    return code;
}

static enum err_code take_hands(struct served *s, struct err *e)
{
    char bytes[256];
    const ssize_t length = read(STDIN_FILENO, bytes, sizeof bytes);
    if (length < 0 && (errno == EINTR || errno == EAGAIN))
        return ERR_OK;
    s->hands_gone = length <= 0;
    for (ssize_t i = 0; i < length; i++) {
        char answer[200];
        if (bytes[i] != '\n') {
            if (s->hands_used < sizeof s->hands - 1)
                s->hands[s->hands_used++] = bytes[i];
            continue;
        }
        s->hands[s->hands_used] = '\0';
        s->hands_used = 0;
        pair_bench_hands(s->bench, s->hands, answer, sizeof answer);
        if (printf("%s\n", answer) < 0 || fflush(stdout) != 0)
            return err_set(e, ERR_SYSTEM, "cannot write to standard output: %s", strerror(errno));
    }
    return ERR_OK;
}

static enum err_code serve_once(struct served *s, struct err *e)
{
    const int64_t now_us = outside_now_us();
    const int64_t passed_us = now_us - s->outside_us;
    enum err_code code;
    s->time_us += passed_us < CATCH_UP_US ? passed_us : CATCH_UP_US;
    s->outside_us = now_us;
    pair_bench_advance(s->bench, s->time_us);
    if ((code = take(s->force, s->bench, pair_bench_to_gauge, e)) != ERR_OK ||
        (code = take(s->feed, s->bench, pair_bench_to_controller, e)) != ERR_OK ||
        (code = flush(s->force, now_us, e)) != ERR_OK)
        return code;
    return flush(s->feed, now_us, e);
}

static enum err_code serve(struct served *s, struct err *e)
{
    sigset_t blocked;
    sigset_t unblocked;
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGINT);
    sigaddset(&blocked, SIGTERM);
    sigprocmask(SIG_BLOCK, &blocked, &unblocked);
    while (!*s->order->stop_asked) {
        enum err_code code = serve_once(s, e);
        if (code != ERR_OK)
            return code;
        const struct timespec wait = {.tv_nsec = LOOK_NS};
        struct pollfd wakes[] = {
            {.fd = terminal_descriptor(s->force), .events = POLLIN},
            {.fd = terminal_descriptor(s->feed), .events = POLLIN},
            {.fd = s->order->hands && !s->hands_gone ? STDIN_FILENO : -1, .events = POLLIN}};
        if (ppoll(wakes, 3, &wait, &unblocked) > 0 && wakes[2].revents != 0 &&
            (code = take_hands(s, e)) != ERR_OK)
            return code;
    }
    return ERR_OK;
}

enum err_code pair_serve(const struct pair_serve_order *order, struct err *e)
{
    struct served s = {.order = order};
    char force_link[400], feed_link[400];
    const struct pair_bench_setup setup = {.plan = order->plan,
                                           .seed = order->seed,
                                           .feeders = order->feeders,
                                           .feeder_count = order->feeder_count,
                                           .context = &s,
                                           .from_gauge = from_gauge,
                                           .from_controller = from_controller,
                                           .happened = happened};
    enum err_code code = open_port(&s.force, order->link, "force", force_link, sizeof force_link, e);
    if (code == ERR_OK)
        code = open_port(&s.feed, order->link, "feed", feed_link, sizeof feed_link, e);
    if (code == ERR_OK && order->log != NULL && (s.log = fopen(order->log, "we")) == NULL)
        code = err_set_at(e, ERR_SYSTEM, order->log, 0, 0, "cannot write: %s", strerror(errno));
    if (code == ERR_OK && (s.bench = pair_bench_new(&setup)) == NULL)
        code = err_set(e, ERR_MEMORY, "no memory for the bench");
    s.outside_us = outside_now_us();
    if (code == ERR_OK &&
        (printf("%s\n%s\n", terminal_path(s.force), terminal_path(s.feed)) < 0 || fflush(stdout) != 0))
        code = err_set(e, ERR_SYSTEM, "cannot write to standard output: %s", strerror(errno));
    if (code == ERR_OK)
        code = serve(&s, e);
    pair_bench_free(s.bench);
    if (s.log != NULL)
        fclose(s.log);
    terminal_close(s.force);
    terminal_close(s.feed);
    return code;
}
