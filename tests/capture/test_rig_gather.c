/* How the client leaves the frames of a dense stream to gather, over a link that is made here: bytes come at
 * times that are written down beforehand, on a clock that only the calls of the client move on. So every time
 * is exact, and the machine's own plays no part. */
#include "capture/rig_client.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

#define FRAMES_MAX    20000
#define CALL_US       7    /* what a call of the link takes */
#define GATHER_US     5000 /* what is promised */
#define TERMINAL_HOLD 4096
#define FRAME_BYTES   200
#define NEVER_US      INT64_MAX

struct link {
    struct {
        int64_t time_us;
        size_t length;
        uint8_t bytes[FRAME_BYTES];
    } frames[FRAMES_MAX];
    size_t count, next;
    int64_t now_us, gone_us, signal_us;
    /* What was seen. */
    size_t reads, sleeps, most_waiting;
    int64_t slept_most_us, read_us;
    struct wire_decoder decoder;
    uint8_t decoder_bytes[WIRE_ENCODED_MAX];
    size_t keep_alives;
    int64_t keep_alive_us, keep_alive_apart_us; /* the newest one; the longest time between two */
    int64_t stop_us;
};

static struct link port;
static struct rig_client *client;
static struct err e;
static uint16_t sequence;
static size_t taken; /* events that were handled */
static int64_t waited_most_us;

int64_t link_now_us(void)
{
    return port.now_us;
}

const char *link_name(const struct link *link)
{
    (void)link;
    return "made here";
}

void link_discard_input(struct link *link)
{
    (void)link;
}

/* Move on to time_us, or only to a signal before it. */
static bool pass_to(int64_t time_us)
{
    bool disturbed = port.signal_us <= time_us && port.signal_us != NEVER_US;
    if (disturbed)
        time_us = port.signal_us;
    if (time_us > port.now_us)
        port.now_us = time_us;
    if (disturbed)
        port.signal_us = NEVER_US;
    return !disturbed;
}

bool link_sleep_until(int64_t time_us)
{
    int64_t begun_us = port.now_us;
    bool undisturbed = pass_to(time_us);
    if (port.now_us > begun_us)
        port.sleeps++;
    if (port.now_us - begun_us > port.slept_most_us)
        port.slept_most_us = port.now_us - begun_us;
    return undisturbed;
}

enum err_code link_read(struct link *link, void *bytes, size_t size, int64_t timeout_us, size_t *got,
                        struct err *error)
{
    int64_t due_us = link->next < link->count ? link->frames[link->next].time_us : NEVER_US;
    int64_t until_us = link->now_us + (timeout_us > 0 ? timeout_us : 0);
    if (due_us > link->gone_us)
        due_us = link->gone_us;
    *got = 0;
    pass_to(due_us < until_us ? due_us : until_us);
    for (; link->next < link->count && link->frames[link->next].time_us <= link->now_us; link->next++) {
        cr_assert_leq(*got + link->frames[link->next].length, size);
        memcpy((uint8_t *)bytes + *got, link->frames[link->next].bytes, link->frames[link->next].length);
        *got += link->frames[link->next].length;
    }
    if (*got > link->most_waiting)
        link->most_waiting = *got;
    link->reads += *got > 0;
    link->read_us = link->now_us;
    if (*got == 0 && link->now_us >= link->gone_us)
        return err_set_at(error, ERR_DEVICE, "made here", 0, 0, "the port is gone");
    link->now_us += CALL_US;
    return ERR_OK;
}

static void add_frame(int64_t time_us, uint8_t type, const uint8_t *body, size_t length)
{
    cr_assert_lt(port.count, FRAMES_MAX);
    port.frames[port.count].time_us = time_us;
    port.frames[port.count].length =
        wire_frame_encode(type, sequence++, body, length, port.frames[port.count].bytes);
    port.count++;
}

static void answer(const struct wire_frame *frame)
{
    const struct wire_ack ack = {.command = frame->type, .sequence = frame->sequence};
    const struct wire_identity identity = {.protocol_major = WIRE_PROTOCOL_MAJOR,
                                           .channels = WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS,
                                           .boot = 1,
                                           .time_scale_milli = 20000,
                                           .counts_min = -100,
                                           .counts_max = 100,
                                           .full_steps_per_rev = 200,
                                           .microsteps = 16,
                                           .firmware = "made here",
                                           .serial = "S-3"};
    uint8_t body[WIRE_BODY_MAX];
    if (frame->type == WIRE_IDENTIFY)
        add_frame(port.now_us + 90, WIRE_IDENTITY, body, wire_pack_identity(&identity, body));
    if (frame->type == WIRE_STOP)
        add_frame(port.now_us + 90, WIRE_ACK, body, wire_pack_ack(&ack, body));
}

enum err_code link_write(struct link *link, const void *bytes, size_t length, int64_t timeout_us,
                         struct err *error)
{
    (void)timeout_us;
    (void)error;
    for (size_t at = 0; at < length;) {
        struct wire_frame frame;
        enum wire_error result;
        at += wire_decoder_feed(&link->decoder, (const uint8_t *)bytes + at, length - at, &result, &frame);
        if (result != WIRE_OK)
            continue;
        if (frame.type == WIRE_KEEP_ALIVE) {
            if (link->keep_alives > 0 && link->now_us - link->keep_alive_us > link->keep_alive_apart_us)
                link->keep_alive_apart_us = link->now_us - link->keep_alive_us;
            link->keep_alive_us = link->now_us;
            link->keep_alives++;
        }
        if (frame.type == WIRE_STOP)
            link->stop_us = link->now_us;
        answer(&frame);
    }
    return ERR_OK;
}

/* Events are numbered, and tell the time at which they come. */
static void take_report(void *context, const struct rig_report *report)
{
    (void)context;
    cr_assert(report->kind != RIG_REPORT_GAP && report->kind != RIG_REPORT_RESTART);
    if (report->kind != RIG_REPORT_EVENT)
        return;
    cr_assert_eq((size_t)report->event.value, taken, "event %d in the place of %zu", report->event.value,
                 taken);
    if (port.read_us - (int64_t)report->event.time_us > waited_most_us)
        waited_most_us = port.read_us - (int64_t)report->event.time_us;
    taken++;
}

static size_t events;

/* count events, every_us apart, of filler more bytes each; returns when the last one comes. */
static int64_t add_events(int64_t from_us, size_t count, int64_t every_us, size_t filler)
{
    static const uint8_t nothing[FRAME_BYTES] = {0};
    uint8_t body[WIRE_BODY_MAX];
    for (size_t i = 0; i < count; i++) {
        const struct wire_event event = {
            .time_us = (uint32_t)from_us, .kind = WIRE_EVENT_MOTION_DONE, .value = (int32_t)events++};
        add_frame(from_us, WIRE_EVENT, body, wire_pack_event(&event, body));
        if (filler > 0) /* of a type that is passed over */
            add_frame(from_us, 0xFE, nothing, filler);
        from_us += every_us;
    }
    return from_us - every_us;
}

static void begin(void)
{
    memset(&port, 0, sizeof port);
    port.now_us = 1000;
    port.gone_us = port.signal_us = port.stop_us = NEVER_US;
    wire_decoder_init(&port.decoder, port.decoder_bytes, sizeof port.decoder_bytes);
    taken = events = 0;
    sequence = 0;
    waited_most_us = 0;
    cr_assert_eq(rig_client_new(&port, &client, &e), ERR_OK);
    rig_client_set_handler(client, take_report, NULL);
}

static void end(void)
{
    rig_client_free(client);
}

TestSuite(rig_gather, .init = begin, .fini = end);

static void pump_until(int64_t time_us)
{
    while (port.now_us < time_us)
        cr_assert_eq(rig_client_pump(client, time_us - port.now_us, &e), ERR_OK, "%s", e.text);
}

/* Filler, time from frame to frame, and how many come in one read at the least: as many as in 5 ms or in 2
 * KiB, whichever is less. */
Test(rig_gather, frames_of_a_dense_stream_come_together_in_order_and_none_is_lost)
{
    static const struct {
        size_t filler;
        int64_t every_us;
        size_t together;
    } streams[] = {{0, 250, 18}, {0, 1000, 4}, {0, 50, 80}, {150, 400, 9}, {150, 120, 8}};
    for (size_t i = 0; i < sizeof streams / sizeof streams[0]; i++) {
        int64_t last_us;
        size_t reads;
        end();
        begin();
        last_us = add_events(port.now_us, 4000, streams[i].every_us, streams[i].filler);
        pump_until(port.now_us + 100000); /* measured by then */
        reads = port.reads;
        port.most_waiting = 0;
        waited_most_us = 0;
        pump_until(last_us + GATHER_US);
        cr_expect_eq(taken, 4000, "stream %zu: %zu", i, taken);
        cr_expect_eq(rig_client_counts(client).frames_missing, 0);
        cr_expect_leq((port.reads - reads) * streams[i].together, (size_t)4000, "stream %zu: %zu reads", i,
                      port.reads - reads);
        cr_expect_leq(port.most_waiting, TERMINAL_HOLD * 5 / 8, "stream %zu: %zu bytes waited", i,
                      port.most_waiting);
        cr_expect_leq(waited_most_us, GATHER_US + CALL_US, "stream %zu: %lld us", i,
                      (long long)waited_most_us);
        cr_expect_leq(port.slept_most_us, GATHER_US);
    }
}

Test(rig_gather, a_sparse_stream_is_never_left_to_gather)
{
    static const int64_t EVERY_US[] = {4000, 20000, 150000};
    for (size_t i = 0; i < sizeof EVERY_US / sizeof EVERY_US[0]; i++) {
        end();
        begin();
        pump_until(add_events(port.now_us, 300, EVERY_US[i], 0) + 1);
        cr_expect_eq(taken, 300);
        cr_expect_eq(port.reads, 300);
        cr_expect_eq(port.sleeps, 0, "%lld us apart: %zu sleeps", (long long)EVERY_US[i], port.sleeps);
        cr_expect_leq(waited_most_us, CALL_US);
    }
}

/* Less than a millisecond is not worth a sleep. */
Test(rig_gather, a_stream_that_fills_the_terminal_at_once_is_taken_as_it_comes)
{
    pump_until(add_events(port.now_us, 6000, 50, 150) + 1);
    cr_expect_eq(taken, 6000);
    cr_expect_eq(port.sleeps, 0);
    cr_expect_leq(port.most_waiting, 2 * FRAME_BYTES);
}

Test(rig_gather, gathering_ends_when_a_stream_grows_thin)
{
    int64_t last_us = add_events(port.now_us, 4000, 250, 0);
    pump_until(last_us + 1);
    cr_expect_gt(port.sleeps, 100);
    add_events(port.now_us, 40, 30000, 0);
    pump_until(port.now_us + 60001);
    port.sleeps = 0;
    pump_until(port.now_us + 1200000);
    cr_expect_eq(taken, 4040);
    cr_expect_eq(port.sleeps, 0);
}

/* A simulated rig of 20 rig seconds a second: 5 ms of its time are a quarter of one here. */
Test(rig_gather, the_time_is_that_of_the_rigs_clock)
{
    struct wire_identity identity;
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    pump_until(add_events(port.now_us, 4000, 250, 0) + 1);
    cr_expect_eq(taken, 4000);
    cr_expect_eq(port.sleeps, 0);
}

/* Whether the stream goes on or has just ended, the host is never silent for longer than the protocol asks:
 * 100 ms. */
Test(rig_gather, keep_alives_go_out_in_time)
{
    int64_t last_us = add_events(port.now_us, 4000, 250, 0);
    rig_client_keep_alive(client, true);
    pump_until(last_us + 1000000);
    cr_expect_eq(taken, 4000);
    cr_expect_gt(port.sleeps, 100);
    cr_expect_geq(port.keep_alives, 26, "%zu in 2 s", port.keep_alives);
    cr_expect_leq(port.keep_alive_apart_us, 75000 + 10 * CALL_US, "%lld us",
                  (long long)port.keep_alive_apart_us);
}

Test(rig_gather, a_pump_is_back_when_its_time_is_over)
{
    int64_t last_us = add_events(port.now_us, 800, 250, 0);
    int64_t begun_us;
    pump_until(last_us - 2000);
    cr_assert_gt(port.sleeps, 10);
    while (taken < 800) {
        begun_us = port.now_us;
        cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    }
    begun_us = port.now_us;
    cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    cr_expect_leq(port.now_us - begun_us, 20000 + 2 * CALL_US);
    /* One that has less time than gathering takes does not sleep at all. */
    add_events(port.now_us, 1, 1, 0);
    cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    port.sleeps = 0;
    begun_us = port.now_us;
    cr_assert_eq(rig_client_pump(client, 900, &e), ERR_OK);
    cr_expect_eq(port.sleeps, 0);
    cr_expect_leq(port.now_us - begun_us, 900 + CALL_US);
}

Test(rig_gather, a_stop_goes_out_at_once_and_its_answer_is_taken)
{
    int64_t asked_us;
    pump_until(add_events(port.now_us, 4000, 250, 0) - 2000);
    cr_assert_gt(port.sleeps, 100);
    while (port.next < port.count) /* the answer comes behind what has been on its way */
        cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    asked_us = port.now_us;
    cr_assert_eq(rig_client_stop(client, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(port.stop_us, asked_us);
    cr_expect_leq(port.now_us - asked_us, GATHER_US + 90 + 10 * CALL_US);
    cr_expect_eq(taken, 4000);
}

Test(rig_gather, a_port_that_goes_away_is_told_behind_what_came_before)
{
    enum err_code code = ERR_OK;
    port.gone_us = add_events(port.now_us, 3000, 250, 0) + 100;
    while (code == ERR_OK)
        code = rig_client_pump(client, 1000000, &e);
    cr_expect_eq(code, ERR_DEVICE);
    cr_expect_eq(taken, 3000);
    cr_expect_leq(port.now_us - port.gone_us, 2 * GATHER_US);
}

Test(rig_gather, a_signal_ends_the_sleep_and_the_call)
{
    int64_t last_us = add_events(port.now_us, 800, 250, 0);
    int64_t begun_us;
    pump_until(last_us - 20000);
    while (port.next < port.count)
        cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    port.sleeps = 0;
    begun_us = port.now_us;
    port.signal_us = begun_us + 1700;
    cr_assert_eq(rig_client_pump(client, 20000, &e), ERR_OK);
    cr_expect_eq(port.sleeps, 1);
    cr_expect_eq(port.signal_us, NEVER_US);
    cr_expect_geq(port.now_us - begun_us, 1700);
    cr_expect_leq(port.now_us - begun_us, 1700 + 2 * CALL_US, "%lld us", (long long)(port.now_us - begun_us));
    cr_expect_eq(taken, 800);
}
