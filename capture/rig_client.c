#include "capture/rig_client.h"

#include <inttypes.h>
#include <stdlib.h>

#define WATCHDOG_US         500000 /* rig time: a host silent for so long makes the rig cut the motor */
#define KEEP_ALIVE_US       75000  /* rig time between keep-alives: the protocol asks for 100 ms at most */
#define KEEP_ALIVE_LEAST_US 500    /* outside world: a very fast simulated rig is not to be flooded */
#define REPLY_US            WATCHDOG_US /* rig time in which a rig answers */
#define REPLY_LEAST_US                                                                                       \
    1000000 /* outside world: a busy host may be slow, however fast the rig's clock runs                     \
             */
/* Of a rig that sends many frames a second several are taken at a time, because waking for each would cost
 * more than what is in it. So they wait for up to GATHER_US, on the rig's clock, and for half of what a
 * terminal of this system holds (4,096 bytes) at the most: an adapter without flow control then never finds
 * it full. */
#define GATHER_US       5000
#define GATHER_LEAST_US 1000 /* outside world: less is not worth a sleep of its own */
#define GATHER_BYTES    2048
#define MEASURE_US      50000 /* outside world: over so long it is measured how much comes */
#define TRIES           3
#define WRITE_US        200000 /* outside world */
#define READ_BYTES      65536

struct rig_client {
    struct link *link;
    struct rig_receiver receiver;
    rig_report_handler *handle;
    void *context;
    double time_scale; /* rig seconds per outside second */
    uint16_t sequence;
    bool keep_alive;
    int64_t keep_alive_due_us;
    int64_t heard_us;
    /* What a waiting call is waiting for. */
    bool want_identity, have_identity;
    struct wire_identity identity;
    bool want_ack, have_ack;
    uint8_t ack_command;
    uint16_t ack_sequence_first, ack_sequence_last; /* of the tries */
    struct wire_ack ack;
    bool restarted;
    /* How much has come since, and how long what comes is therefore left to gather; 0: not at all. */
    int64_t measured_us, measured_bytes, measured_reports;
    int64_t gather_us;
    int64_t read_us; /* when something was read last */
    uint8_t bytes[READ_BYTES];
};

enum err_code rig_client_new(struct link *link, struct rig_client **client, struct err *e)
{
    struct rig_client *c = calloc(1, sizeof *c);
    *client = c;
    if (c == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    c->link = link;
    c->time_scale = 1;
    c->heard_us = link_now_us();
    rig_receiver_init(&c->receiver);
    return ERR_OK;
}

void rig_client_free(struct rig_client *client)
{
    free(client);
}

void rig_client_set_handler(struct rig_client *client, rig_report_handler *handle, void *context)
{
    client->handle = handle;
    client->context = context;
}

const char *rig_client_name(const struct rig_client *client)
{
    return link_name(client->link);
}

int64_t rig_client_outside_us(const struct rig_client *client, int64_t rig_us)
{
    return (int64_t)((double)rig_us / client->time_scale);
}

double rig_client_time_scale(const struct rig_client *client)
{
    return client->time_scale;
}

int64_t rig_client_silence_us(const struct rig_client *client)
{
    return link_now_us() - client->heard_us;
}

struct rig_counts rig_client_counts(const struct rig_client *client)
{
    return client->receiver.counts;
}

void rig_client_reset_counts(struct rig_client *client)
{
    rig_receiver_reset_counts(&client->receiver);
}

static int64_t at_least(int64_t value, int64_t least)
{
    return value > least ? value : least;
}

static void take_report(void *context, const struct rig_report *report)
{
    struct rig_client *c = context;
    c->heard_us = link_now_us();
    c->measured_reports++;
    if (report->kind == RIG_REPORT_IDENTITY && c->want_identity) {
        c->identity = report->identity;
        c->have_identity = true;
    } else if (report->kind == RIG_REPORT_ACK && c->want_ack && report->ack.command == c->ack_command &&
               (uint16_t)(report->ack.sequence - c->ack_sequence_first) <=
                   (uint16_t)(c->ack_sequence_last - c->ack_sequence_first)) {
        c->ack = report->ack;
        c->have_ack = true;
    } else if (report->kind == RIG_REPORT_RESTART) {
        c->restarted = true;
    }
    if (c->handle != NULL)
        c->handle(c->context, report);
}

static enum err_code send_frame(struct rig_client *c, uint8_t type, const uint8_t *body, size_t length,
                                struct err *e)
{
    /* A delimiter in front ends whatever a host before us may have left half sent. */
    uint8_t frame[WIRE_ENCODED_MAX + 1] = {0};
    size_t bytes = wire_frame_encode(type, c->sequence++, body, length, frame + 1);
    if (bytes == 0)
        return err_set(e, ERR_CALLER, "a command of %zu bytes does not fit a frame", length);
    return link_write(c->link, frame, bytes + 1, WRITE_US, e);
}

void rig_client_keep_alive(struct rig_client *client, bool on)
{
    if (on && !client->keep_alive)
        client->keep_alive_due_us = link_now_us();
    client->keep_alive = on;
}

static enum err_code send_keep_alive_if_due(struct rig_client *c, struct err *e)
{
    int64_t now_us = link_now_us();
    if (!c->keep_alive || now_us < c->keep_alive_due_us)
        return ERR_OK;
    c->keep_alive_due_us = now_us + at_least(rig_client_outside_us(c, KEEP_ALIVE_US), KEEP_ALIVE_LEAST_US);
    return send_frame(c, WIRE_KEEP_ALIVE, NULL, 0, e);
}

/* Something was read: work out now and then how long it is left to gather from here on. */
static void measure(struct rig_client *c, size_t got)
{
    int64_t span_us, gather_us;
    c->read_us = link_now_us();
    c->measured_bytes += (int64_t)got;
    span_us = c->read_us - c->measured_us;
    if (span_us < MEASURE_US)
        return;
    gather_us = GATHER_BYTES * span_us / c->measured_bytes;
    if (gather_us > rig_client_outside_us(c, GATHER_US))
        gather_us = rig_client_outside_us(c, GATHER_US);
    /* Worth it when more than one comes meanwhile. */
    c->gather_us =
        gather_us >= GATHER_LEAST_US && 2 * c->measured_reports * gather_us >= 3 * span_us ? gather_us : 0;
    c->measured_us = c->read_us;
    c->measured_bytes = c->measured_reports = 0;
}

enum err_code rig_client_pump(struct rig_client *client, int64_t timeout_us, struct err *e)
{
    struct rig_client *c = client;
    size_t got;
    enum err_code code = send_keep_alive_if_due(c, e);
    if (code != ERR_OK)
        return code;
    if (c->keep_alive) {
        int64_t until_due_us = c->keep_alive_due_us - link_now_us();
        if (until_due_us < timeout_us)
            timeout_us = until_due_us;
    }
    if (c->gather_us > 0 && timeout_us >= c->gather_us) {
        int64_t until_us = link_now_us() + timeout_us;
        bool undisturbed = link_sleep_until(c->read_us + c->gather_us);
        timeout_us = undisturbed ? until_us - link_now_us() : 0;
    }
    code = link_read(c->link, c->bytes, sizeof c->bytes, timeout_us, &got, e);
    if (code != ERR_OK || got == 0)
        return code;
    measure(c, got);
    /* Before the reports are handled: writing rows down may take longer than the watchdog of a fast rig. */
    code = send_keep_alive_if_due(c, e);
    rig_receiver_feed(&c->receiver, c->bytes, got, take_report, c);
    return code;
}

static enum err_code wait_until(struct rig_client *c, const bool *condition, int64_t wait_us, struct err *e)
{
    int64_t deadline_us = link_now_us() + wait_us;
    while (!*condition && !c->restarted) {
        int64_t left_us = deadline_us - link_now_us();
        enum err_code code;
        if (left_us <= 0)
            return ERR_OK;
        code = rig_client_pump(c, left_us, e);
        if (code != ERR_OK)
            return code;
    }
    return ERR_OK;
}

static enum err_code check_version(struct rig_client *c, struct err *e)
{
    const struct wire_identity *i = &c->identity;
    if (i->protocol_major > WIRE_PROTOCOL_MAJOR)
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0,
                          "rig speaks protocol %d.%d; this program knows %d.x: update nipbench",
                          i->protocol_major, i->protocol_minor, WIRE_PROTOCOL_MAJOR);
    if (i->protocol_major < WIRE_PROTOCOL_MAJOR)
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0,
                          "rig speaks protocol %d.%d; this program knows %d.x: update the rig's firmware",
                          i->protocol_major, i->protocol_minor, WIRE_PROTOCOL_MAJOR);
    return ERR_OK;
}

enum err_code rig_client_identify(struct rig_client *client, struct wire_identity *identity, struct err *e)
{
    struct rig_client *c = client;
    int64_t wait_us = at_least(REPLY_US, REPLY_LEAST_US); /* time scale 1 is all that is known yet */
    enum err_code code = ERR_OK;
    link_discard_input(c->link);
    rig_receiver_init(&c->receiver);
    c->have_identity = false;
    c->restarted = false;
    c->want_identity = true;
    for (int i = 0; i < TRIES && code == ERR_OK && !c->have_identity; i++) {
        code = send_frame(c, WIRE_IDENTIFY, NULL, 0, e);
        /* Opening a port resets some boards, which then start anew while the first question is out: that is
         * no reason to give up, only to ask again. */
        c->restarted = false;
        if (code == ERR_OK)
            code = wait_until(c, &c->have_identity, wait_us, e);
    }
    c->want_identity = false;
    if (code != ERR_OK)
        return code;
    if (!c->have_identity) {
        int64_t waited_ms = TRIES * wait_us / 1000;
        if (c->receiver.counts.frames == 0 && c->receiver.counts.bytes > 0)
            return err_set_at(e, ERR_BYTES, rig_client_name(c), 0, 0,
                              "%" PRId64 " bytes came in %" PRId64
                              " ms but no message among them; is this a rig, and is the baud rate right?",
                              c->receiver.counts.bytes, waited_ms);
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0,
                          "no reply in %" PRId64 " ms; is the rig powered, and is this its port?", waited_ms);
    }
    c->restarted = false;
    code = check_version(c, e);
    if (code != ERR_OK)
        return code;
    c->time_scale = (double)c->identity.time_scale_milli / 1000;
    *identity = c->identity;
    return ERR_OK;
}

/* A command on its way. */
struct order {
    uint8_t type;
    const char *what; /* for messages */
    const uint8_t *body;
    size_t length;
    bool (*begun)(void *context); /* whether the rig can be seen to have obeyed; NULL: it cannot */
    void *context;
};

/* Send a command up to TRIES times until its acknowledgement comes, or can be done without. */
static enum err_code command(struct rig_client *c, const struct order *o, struct err *e)
{
    int64_t wait_us = at_least(rig_client_outside_us(c, REPLY_US), REPLY_LEAST_US);
    enum err_code code = ERR_OK;
    bool begun = false;
    c->want_ack = true;
    c->have_ack = false;
    c->restarted = false;
    c->ack_command = o->type;
    c->ack_sequence_first = c->sequence;
    for (int i = 0; i < TRIES && code == ERR_OK && !c->have_ack && !c->restarted && !begun; i++) {
        c->ack_sequence_last = c->sequence;
        code = send_frame(c, o->type, o->body, o->length, e);
        if (code == ERR_OK)
            code = wait_until(c, &c->have_ack, wait_us / TRIES, e);
        begun = o->begun != NULL && o->begun(o->context);
    }
    c->want_ack = false;
    if (code != ERR_OK)
        return code;
    if (c->restarted)
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0, "the rig restarted");
    if (!c->have_ack && begun)
        return ERR_OK;
    if (!c->have_ack)
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0,
                          "the rig did not acknowledge '%s' in %" PRId64 " ms", o->what, wait_us / 1000);
    if (c->ack.reason == WIRE_REFUSED_ARMED && o->type == WIRE_ARM &&
        c->ack.sequence != c->ack_sequence_first)
        return ERR_OK;
    if (c->ack.reason != WIRE_ACCEPTED)
        return err_set_at(e, ERR_DEVICE, rig_client_name(c), 0, 0, "the rig refused '%s': %s%s", o->what,
                          wire_reason_text(c->ack.reason),
                          c->ack.reason == WIRE_REFUSED_NO_SUCH_FEEDER
                              ? "; --feeder, or the plan, must name one that it knows"
                              : "");
    return ERR_OK;
}

enum err_code rig_client_configure(struct rig_client *client, const struct wire_configure *m, struct err *e)
{
    uint8_t body[WIRE_BODY_MAX];
    struct order o = {WIRE_CONFIGURE, "configure", body, wire_pack_configure(m, body), NULL, NULL};
    return command(client, &o, e);
}

enum err_code rig_client_arm(struct rig_client *client, const struct wire_arm *m, struct err *e)
{
    uint8_t body[WIRE_BODY_MAX];
    struct order o = {WIRE_ARM, "arm", body, wire_pack_arm(m, body), NULL, NULL};
    return command(client, &o, e);
}

enum err_code rig_client_move(struct rig_client *client, const struct wire_move *m,
                              bool (*begun)(void *context), void *context, struct err *e)
{
    uint8_t body[WIRE_BODY_MAX];
    struct order o = {WIRE_MOVE, "move", body, wire_pack_move(m, body), begun, context};
    return command(client, &o, e);
}

enum err_code rig_client_stop(struct rig_client *client, struct err *e)
{
    return command(client, &(struct order){.type = WIRE_STOP, .what = "stop"}, e);
}

enum err_code rig_client_cut(struct rig_client *client, struct err *e)
{
    return command(client, &(struct order){.type = WIRE_CUT, .what = "cut"}, e);
}
