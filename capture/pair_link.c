#include "capture/pair_link.h"

#include "capture/pair_rig.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define WRITE_US     50000
#define SOCKET_BYTES (1 << 20) /* what the host has not taken yet: hours of a gauge's readings */
#define LINE_BYTES   256

struct pair_link {
    struct bench_file bench;
    struct run_separate separate;
    struct link *force, *feed;
    struct pair_rig *rig;
    int near; /* our end of the socket pair; the link has the other */
    pthread_t thread;
    bool started;
    _Atomic bool failed;
    char failure[512]; /* written by the thread before failed is set, never afterwards */
};

/* ---- ends of the translator; all are called in the thread ---- */

static void to_host(void *context, const uint8_t *bytes, size_t length)
{
    const struct pair_link *p = context;
    /* A frame that does not fit is lost as on any line; its number shows it. Frames are sent whole: the
     * socket keeps no message borders, but takes at once what it has room for, and there is room for hours.
     */
    ssize_t sent = send(p->near, bytes, length, MSG_DONTWAIT | MSG_NOSIGNAL);
    (void)sent;
}

static void send_line(struct pair_link *p, struct link *link, const char *words)
{
    char line[LINE_BYTES];
    struct err e;
    int length = snprintf(line, sizeof line, "%s\n", words);
    if (link_write(link, line, (size_t)length, WRITE_US, &e) != ERR_OK)
        pair_rig_fail(p->rig, link_now_us(), "%s: %s", link_name(link), e.text);
}

static void to_force(void *context, const char *words)
{
    struct pair_link *p = context;
    send_line(p, p->force, words);
}

static void to_feed(void *context, const char *words)
{
    struct pair_link *p = context;
    send_line(p, p->feed, words);
}

/* ---- the thread ---- */

static void take_port(struct pair_link *p, struct link *link,
                      void (*take)(struct pair_rig *, int64_t, const char *, size_t))
{
    char bytes[4096];
    struct err e;
    size_t got;
    int64_t before_us = link_now_us();
    if (link_read(link, bytes, sizeof bytes, 0, &got, &e) != ERR_OK)
        pair_rig_fail(p->rig, link_now_us(), "%s: %s", link_name(link), e.text);
    else
        take(p->rig, got > 0 ? link_now_us() : before_us, bytes, got);
}

/* false when the host has closed its end. */
static bool take_host(struct pair_link *p)
{
    uint8_t bytes[4096];
    ssize_t got = recv(p->near, bytes, sizeof bytes, MSG_DONTWAIT);
    if (got > 0)
        pair_rig_from_host(p->rig, link_now_us(), bytes, (size_t)got);
    return got > 0 || (got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR));
}

static void tell_failure(struct pair_link *p)
{
    snprintf(p->failure, sizeof p->failure, "%s", pair_rig_failure(p->rig));
    atomic_store(&p->failed, true);
    /* The host reads to the end of what was sent and then that the link has ended. Its own words still find a
     * socket, so that writing to it raises no signal. */
    shutdown(p->near, SHUT_WR);
}

static void *translate(void *context)
{
    struct pair_link *p = context;
    for (;;) {
        struct pollfd ports[] = {{.fd = p->near, .events = POLLIN},
                                 {.fd = link_descriptor(p->force), .events = POLLIN},
                                 {.fd = link_descriptor(p->feed), .events = POLLIN}};
        int64_t wait_us = pair_rig_due_us(p->rig) - link_now_us();
        struct timespec wait = {0};
        if (wait_us > 0)
            wait = (struct timespec){(time_t)(wait_us / 1000000), (long)(wait_us % 1000000) * 1000};
        ppoll(ports, sizeof ports / sizeof ports[0], &wait, NULL);
        take_port(p, p->force, pair_rig_from_force);
        take_port(p, p->feed, pair_rig_from_feed);
        if (ports[0].revents != 0 && !take_host(p))
            break;
        pair_rig_advance(p->rig, link_now_us());
        if (pair_rig_failure(p->rig) != NULL) {
            tell_failure(p);
            return NULL;
        }
    }
    pair_rig_host_gone(p->rig, link_now_us());
    return NULL;
}

/* ---- the link ---- */

static void pair_free(struct pair_link *p)
{
    if (p->near >= 0)
        close(p->near);
    pair_rig_free(p->rig);
    link_close(p->force);
    link_close(p->feed);
    free(p);
}

/* The link has closed its end, which ends the thread. */
static void closed(void *owner)
{
    struct pair_link *p = owner;
    if (p->started)
        pthread_join(p->thread, NULL);
    pair_free(p);
}

static const char *why_gone(void *owner)
{
    struct pair_link *p = owner;
    return atomic_load(&p->failed) ? p->failure : NULL;
}

static const struct link_owner OWNER = {closed, why_gone};

/* Signals are for the thread that asks the operator. */
static int start_thread(struct pair_link *p)
{
    sigset_t all, before;
    int result;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    result = pthread_create(&p->thread, NULL, translate, p);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    p->started = result == 0;
    return result;
}

enum err_code pair_link_open(const char *path, const struct bench_file *bench,
                             const struct run_separate *separate, struct link *force, struct link *feed,
                             struct link **link, struct err *e)
{
    struct pair_setup setup = {.separate = *separate};
    struct pair_link *p = calloc(1, sizeof *p);
    struct timespec started;
    int ends[2] = {-1, -1};
    int room = SOCKET_BYTES;
    enum err_code code;
    int error;
    *link = NULL;
    if (p == NULL) {
        link_close(force);
        link_close(feed);
        return err_set(e, ERR_MEMORY, "out of memory");
    }
    p->bench = *bench;
    p->separate = *separate;
    p->force = force;
    p->feed = feed;
    p->near = -1;
    clock_gettime(CLOCK_REALTIME, &started);
    setup.bench = &p->bench;
    setup.rate_millihertz = (uint32_t)llround(1000 / separate->force_interval_s);
    setup.boot = (uint32_t)(started.tv_sec * 1000 + started.tv_nsec / 1000000);
    setup.ends = (struct pair_ends){p, to_host, to_force, to_feed};
    code = pair_rig_new(&setup, link_now_us(), &p->rig, e);
    if (code != ERR_OK)
        goto failed;
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0, ends) != 0) {
        code = err_set(e, ERR_SYSTEM, "no socket pair: %s", strerror(errno));
        goto failed;
    }
    p->near = ends[0];
    setsockopt(p->near, SOL_SOCKET, SO_SNDBUF, &room, sizeof room);
    error = start_thread(p);
    if (error != 0) {
        close(ends[1]);
        code = err_set(e, ERR_SYSTEM, "no thread for the instruments: %s", strerror(error));
        goto failed;
    }
    code = link_wrap(ends[1], path, &OWNER, p, link, e);
    if (code != ERR_OK) {
        close(ends[1]);
        closed(p);
    }
    return code;
failed:
    pair_free(p);
    return code;
}

const struct pair_link *pair_link_of(const struct link *link)
{
    return link_owner_of(link, &OWNER);
}

const struct bench_file *pair_link_bench(const struct pair_link *pair)
{
    return &pair->bench;
}

const struct run_separate *pair_link_separate(const struct pair_link *pair)
{
    return &pair->separate;
}
