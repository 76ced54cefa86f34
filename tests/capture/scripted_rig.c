#include "tests/capture/scripted_rig.h"

#include <criterion/criterion.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#define SAMPLE_US  1000
#define BATCH      20
#define TIME_SCALE 20 /* told to the host: 20 samples about every millisecond */

/* Waits for a host that reads slowly, but not past the end of the test. */
static void send_bytes(struct scripted_rig *rig, const uint8_t *bytes, size_t length)
{
    while (length > 0) {
        struct pollfd fds[2] = {{.fd = rig->master, .events = POLLOUT},
                                {.fd = rig->quit[0], .events = POLLIN}};
        ssize_t n = write(rig->master, bytes, length);
        if (n > 0) {
            bytes += n;
            length -= (size_t)n;
        } else if (n == 0 || errno != EAGAIN || poll(fds, 2, -1) < 0 || (fds[1].revents & POLLIN) != 0) {
            return;
        }
    }
}

static void send_frame(struct scripted_rig *rig, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    send_bytes(rig, frame, wire_frame_encode(type, rig->sequence++, body, length, frame));
}

static void send_event(struct scripted_rig *rig, uint8_t kind, int32_t value)
{
    struct wire_event event = {.time_us = (uint32_t)rig->time_us, .kind = kind, .value = value};
    uint8_t body[WIRE_BODY_MAX];
    send_frame(rig, WIRE_EVENT, body, wire_pack_event(&event, body));
}

static void send_identity(struct scripted_rig *rig)
{
    struct wire_identity identity = {
        .protocol_major = rig->script.protocol_major != 0 ? rig->script.protocol_major : WIRE_PROTOCOL_MAJOR,
        .channels = WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER,
        .boot = rig->boot,
        .time_scale_milli = TIME_SCALE * 1000,
        .sample_rate_max_millihertz = 1000000,
        .counts_min = -8388608,
        .counts_max = 8388607,
        .encoder_nm_per_count = 5000,
        .full_steps_per_rev = 200,
        .microsteps = 16,
        .firmware = "scripted 1",
        .serial = "S-17"};
    uint8_t body[WIRE_BODY_MAX];
    send_frame(rig, WIRE_IDENTITY, body, wire_pack_identity(&identity, body));
}

static void cut(struct scripted_rig *rig)
{
    rig->armed = false;
    rig->moving = false;
}

static uint8_t obey(struct scripted_rig *rig, const struct wire_frame *frame)
{
    struct wire_configure configure;
    if (frame->type == rig->script.refuses)
        return rig->script.reason;
    switch (frame->type) {
    case WIRE_CONFIGURE:
        if (rig->armed)
            return WIRE_REFUSED_ARMED;
        if (wire_unpack_configure(frame->body, frame->length, &configure) != WIRE_OK)
            return WIRE_REFUSED_MALFORMED;
        rig->sampling = configure.sample_rate_millihertz > 0;
        if (rig->sampling)
            rig->configure = configure;
        return WIRE_ACCEPTED;
    case WIRE_ARM:
        if (wire_unpack_arm(frame->body, frame->length, &rig->arm) != WIRE_OK)
            return WIRE_REFUSED_MALFORMED;
        rig->armed = true;
        rig->position = 0;
        return WIRE_ACCEPTED;
    case WIRE_MOVE:
        if (!rig->armed)
            return WIRE_REFUSED_NOT_ARMED;
        if (wire_unpack_move(frame->body, frame->length, &rig->move) != WIRE_OK)
            return WIRE_REFUSED_MALFORMED;
        rig->moving = true;
        rig->moves++;
        rig->since_move = 0;
        rig->move_from = rig->position;
        rig->speed = rig->move.speed_millisteps_s / 1000.0 * SAMPLE_US / 1e6;
        return WIRE_ACCEPTED;
    case WIRE_STOP:
        return rig->armed ? WIRE_ACCEPTED : WIRE_REFUSED_NOT_ARMED;
    case WIRE_CUT:
        cut(rig);
        return WIRE_ACCEPTED;
    default:
        return WIRE_ACCEPTED;
    }
}

static void take_command(struct scripted_rig *rig, const struct wire_frame *frame)
{
    static const uint8_t NOISE[] = {0x37, 0xC2, 0x00, 0x91, 0x5E, 0x00};
    struct wire_ack ack = {.command = frame->type, .sequence = frame->sequence};
    uint8_t body[WIRE_BODY_MAX];
    if (rig->script.mute)
        return;
    if (rig->script.babbles) {
        send_bytes(rig, NOISE, sizeof NOISE);
        return;
    }
    if (frame->type == WIRE_KEEP_ALIVE) {
        rig->keep_alives++;
        return;
    }
    if (rig->command_count < SCRIPT_COMMANDS_MAX)
        rig->commands[rig->command_count++] = frame->type;
    if (frame->type == WIRE_CONFIGURE && rig->script.deaf_to_first-- > 0)
        return;
    if (frame->type == WIRE_ARM && rig->script.deaf_to_arms-- > 0)
        return;
    ack.reason = obey(rig, frame);
    send_frame(rig, WIRE_ACK, body, wire_pack_ack(&ack, body));
    if (frame->type == WIRE_IDENTIFY)
        send_identity(rig);
    if (frame->type == WIRE_STOP && ack.reason == WIRE_ACCEPTED) {
        rig->moving = false;
        send_event(rig, WIRE_EVENT_MOTION_DONE, (int32_t)rig->position);
    }
}

/* Misbehave as scripted. Returns whether the frame of this batch is to be sent. */
static bool act_script(struct scripted_rig *rig)
{
    struct script *s = &rig->script;
    int before = rig->since_move - BATCH;
    if (rig->moves < s->acts_in_move)
        return true;
    if (s->tells_late && rig->moves > 1 && before < 30 && rig->since_move >= 30)
        send_event(rig, WIRE_EVENT_MOTION_DONE, (int32_t)rig->move_from);
    if (s->restarts_after > before && s->restarts_after <= rig->since_move && s->restarts_after > 0) {
        rig->boot++;
        rig->sequence = 0;
        rig->time_us = 0;
        rig->sampling = false;
        cut(rig);
        send_event(rig, WIRE_EVENT_BOOT, (int32_t)(rig->boot & 0x7FFFFFFF));
        return false;
    }
    if (s->falls_silent_after > 0 && rig->since_move >= s->falls_silent_after)
        return false;
    if (s->loses_frame_after > before && s->loses_frame_after <= rig->since_move &&
        s->loses_frame_after > 0) {
        rig->sequence++;
        return false;
    }
    if (s->stop_request_after > before && s->stop_request_after <= rig->since_move &&
        s->stop_request_after > 0)
        s->stop_requests += s->stop_request_count;
    return true;
}

static void sample(struct scripted_rig *rig)
{
    const struct script *s = &rig->script;
    struct wire_sample samples[BATCH];
    uint8_t body[WIRE_BODY_MAX];
    uint8_t event = 0;
    int32_t value = 0;
    size_t n = 0;
    size_t length;
    while (n < BATCH && event == 0) {
        double force_n =
            rig->armed ? rig->position * (s->newton_per_step != 0 ? s->newton_per_step : 0.01) : 0;
        double counts = s->zero_counts + force_n * (s->counts_per_n != 0 ? s->counts_per_n : 1000);
        rig->time_us += SAMPLE_US;
        samples[n] = (struct wire_sample){.time_us = (uint32_t)rig->time_us,
                                          .force_counts = (int32_t)lround(counts),
                                          .commanded_steps = (int32_t)rig->position,
                                          .encoder_counts = (int32_t)(rig->position * 0.7)};
        if (s->emergency_after > 0 && rig->moving && rig->since_move >= s->emergency_after)
            samples[n].flags = WIRE_FLAG_EMERGENCY_STOP;
        if (rig->moving) {
            rig->since_move++;
            rig->position += rig->speed;
            double travel = rig->move.travel_microsteps - (rig->moves > 1 ? s->stops_short : 0);
            if (fabs(rig->position - rig->move_from) >= travel) {
                rig->position = rig->move_from + copysign(travel, rig->speed);
                rig->moving = false;
                event = WIRE_EVENT_MOTION_DONE;
                value = (int32_t)rig->position;
            }
        }
        if (rig->armed && !s->keeps_no_limits &&
            (samples[n].force_counts <= rig->arm.force_limit_low_counts ||
             samples[n].force_counts >= rig->arm.force_limit_high_counts)) {
            event = WIRE_EVENT_FORCE_LIMIT;
            value = samples[n].force_counts;
            cut(rig);
        }
        n++;
    }
    if (!act_script(rig))
        return;
    length =
        wire_pack_batch(samples, n, WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER, body);
    send_frame(rig, WIRE_SAMPLES, body, length);
    if (event != 0 && !(event == WIRE_EVENT_MOTION_DONE && s->forgets_motion_done))
        send_event(rig, event, value);
}

static void *serve(void *context)
{
    struct scripted_rig *rig = context;
    struct wire_decoder decoder;
    uint8_t buffer[WIRE_ENCODED_MAX];
    wire_decoder_init(&decoder, buffer, sizeof buffer);
    for (;;) {
        struct pollfd fds[2] = {{.fd = rig->master, .events = POLLIN},
                                {.fd = rig->quit[0], .events = POLLIN}};
        uint8_t bytes[512];
        ssize_t n;
        poll(fds, 2, rig->sampling ? 1 : 20);
        if ((fds[1].revents & POLLIN) != 0)
            return NULL;
        if (rig->sampling)
            sample(rig);
        if ((fds[0].revents & POLLIN) == 0)
            continue;
        n = read(rig->master, bytes, sizeof bytes);
        for (size_t at = 0; n > 0 && at < (size_t)n;) {
            struct wire_frame frame;
            enum wire_error result;
            at += wire_decoder_feed(&decoder, bytes + at, (size_t)n - at, &result, &frame);
            if (result == WIRE_OK)
                take_command(rig, &frame);
        }
    }
}

void scripted_rig_begin(struct scripted_rig *rig, const struct script *script)
{
    struct termios settings;
    memset(rig, 0, sizeof *rig);
    rig->script = *script;
    rig->boot = 4097;
    rig->sequence = 65530;
    rig->time_us = INT64_C(4294967296) - 150000; /* the 32-bit clock turns over in every run */
    rig->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    cr_assert_geq(rig->master, 0);
    cr_assert_eq(grantpt(rig->master), 0);
    cr_assert_eq(unlockpt(rig->master), 0);
    cr_assert_eq(ptsname_r(rig->master, rig->path, sizeof rig->path), 0);
    cr_assert_eq(tcgetattr(rig->master, &settings), 0);
    cfmakeraw(&settings);
    cr_assert_eq(tcsetattr(rig->master, TCSANOW, &settings), 0);
    cr_assert_eq(pipe(rig->quit), 0);
    cr_assert_eq(pthread_create(&rig->thread, NULL, serve, rig), 0);
}

void scripted_rig_end(struct scripted_rig *rig)
{
    cr_assert_eq(write(rig->quit[1], "q", 1), 1);
    pthread_join(rig->thread, NULL);
    close(rig->quit[0]);
    close(rig->quit[1]);
    close(rig->master);
}
