#include "rig/wire/message.h"

/* A place in a body being written or read. Reading past the end sets bad and yields zeros, so that a caller
 * checks once, at the end. */
struct writer {
    uint8_t *body;
    size_t used;
};

struct reader {
    const uint8_t *body;
    size_t length;
    size_t taken;
    bool bad;
};

static void put(struct writer *w, uint32_t value, unsigned bytes)
{
    for (unsigned i = 0; i < bytes; i++)
        w->body[w->used++] = (uint8_t)((value >> (8 * i)) & 0xFFu);
}

static void put_text(struct writer *w, const char *text)
{
    size_t length = 0;
    while (length < WIRE_TEXT_MAX && text[length] != '\0')
        length++;
    put(w, (uint32_t)length, 1);
    for (size_t i = 0; i < length; i++)
        w->body[w->used++] = (uint8_t)text[i];
}

static inline uint32_t number_of(const uint8_t *at, unsigned bytes)
{
    uint32_t value = 0;
    for (unsigned i = 0; i < bytes; i++)
        value |= (uint32_t)at[i] << (8 * i);
    return value;
}

static uint32_t take(struct reader *r, unsigned bytes)
{
    if (r->bad || r->length - r->taken < bytes) {
        r->bad = true;
        return 0;
    }
    const uint32_t value = number_of(r->body + r->taken, bytes);
    r->taken += bytes;
    return value;
}

/* Two's complement without leaning on how the compiler converts an unsigned number that does not fit. */
static inline int32_t as_signed(uint32_t value, unsigned bits)
{
    const uint32_t sign = (uint32_t)1 << (bits - 1);
    if ((value & sign) == 0)
        return (int32_t)value;
    return (int32_t)(value & (sign - 1u)) - (int32_t)(sign - 1u) - 1;
}

static int32_t take_signed(struct reader *r, unsigned bytes)
{
    return as_signed(take(r, bytes), bytes * 8);
}

/* Texts reach terminals and files of the host, so control characters and broken UTF-8 stop here. Returns the
 * bytes of the character at text, or 0 when it is not an allowed one. */
static size_t character_bytes(const uint8_t *text, size_t length)
{
    const uint8_t first = text[0];
    if (first >= 0x20 && first < 0x7F)
        return 1;
    size_t more;
    uint32_t code;
    uint32_t least;
    if (first >= 0xC2 && first <= 0xDF) {
        more = 1;
        code = first & 0x1Fu;
        least = 0xA0; /* U+0080 to U+009F are control characters too */
    } else if ((first & 0xF0u) == 0xE0u) {
        more = 2;
        code = first & 0x0Fu;
        least = 0x800;
    } else if ((first & 0xF8u) == 0xF0u) {
        more = 3;
        code = first & 0x07u;
        least = 0x10000;
    } else {
        return 0;
    }
    if (length < more + 1)
        return 0;
    for (size_t i = 1; i <= more; i++) {
        if ((text[i] & 0xC0u) != 0x80u)
            return 0;
        code = code << 6 | (text[i] & 0x3Fu);
    }
    if (code < least || code > 0x10FFFF || (code >= 0xD800 && code <= 0xDFFF))
        return 0;
    return more + 1;
}

static void take_text(struct reader *r, char *text)
{
    const size_t length = take(r, 1);
    text[0] = '\0';
    if (r->bad || length > WIRE_TEXT_MAX || length > r->length - r->taken) {
        r->bad = true;
        return;
    }
    const uint8_t *from = r->body + r->taken;
    for (size_t i = 0; i < length;) {
        const size_t bytes = character_bytes(from + i, length - i);
        if (bytes == 0) {
            r->bad = true;
            return;
        }
        i += bytes;
    }
    for (size_t i = 0; i < length; i++)
        text[i] = (char)from[i];
    text[length] = '\0';
    r->taken += length;
}

static struct reader read_body(const uint8_t *body, size_t length)
{
    return (struct reader){.body = body, .length = length, .taken = 0, .bad = length > WIRE_BODY_MAX};
}

static enum wire_error outcome(const struct reader *r)
{
    return r->bad ? WIRE_MALFORMED : WIRE_OK;
}

size_t wire_pack_configure(const struct wire_configure *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, m->sample_rate_millihertz, 4);
    put(&w, m->nip_preload_mn, 4);
    put_text(&w, m->feeder);
    return w.used;
}

enum wire_error wire_unpack_configure(const uint8_t *body, size_t length, struct wire_configure *m)
{
    struct reader r = read_body(body, length);
    m->sample_rate_millihertz = take(&r, 4);
    m->nip_preload_mn = take(&r, 4);
    take_text(&r, m->feeder);
    return outcome(&r);
}

size_t wire_pack_arm(const struct wire_arm *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, (uint32_t)m->force_limit_low_counts, 4);
    put(&w, (uint32_t)m->force_limit_high_counts, 4);
    put(&w, m->travel_limit_microsteps, 4);
    put(&w, m->time_limit_ms, 4);
    return w.used;
}

enum wire_error wire_unpack_arm(const uint8_t *body, size_t length, struct wire_arm *m)
{
    struct reader r = read_body(body, length);
    m->force_limit_low_counts = take_signed(&r, 4);
    m->force_limit_high_counts = take_signed(&r, 4);
    m->travel_limit_microsteps = take(&r, 4);
    m->time_limit_ms = take(&r, 4);
    return outcome(&r);
}

size_t wire_pack_move(const struct wire_move *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, (uint32_t)m->speed_millisteps_s, 4);
    put(&w, m->acceleration_steps_s2, 4);
    put(&w, m->travel_microsteps, 4);
    return w.used;
}

enum wire_error wire_unpack_move(const uint8_t *body, size_t length, struct wire_move *m)
{
    struct reader r = read_body(body, length);
    m->speed_millisteps_s = take_signed(&r, 4);
    m->acceleration_steps_s2 = take(&r, 4);
    m->travel_microsteps = take(&r, 4);
    return outcome(&r);
}

size_t wire_pack_identity(const struct wire_identity *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, m->protocol_major, 1);
    put(&w, m->protocol_minor, 1);
    put(&w, m->channels, 1);
    put(&w, m->boot, 4);
    put(&w, m->time_scale_milli, 4);
    put(&w, m->sample_rate_max_millihertz, 4);
    put(&w, (uint32_t)m->counts_min, 4);
    put(&w, (uint32_t)m->counts_max, 4);
    put(&w, m->encoder_nm_per_count, 4);
    put(&w, m->full_steps_per_rev, 2);
    put(&w, m->microsteps, 2);
    put_text(&w, m->firmware);
    put_text(&w, m->serial);
    return w.used;
}

enum wire_error wire_unpack_identity(const uint8_t *body, size_t length, struct wire_identity *m)
{
    struct reader r = read_body(body, length);
    m->protocol_major = (uint8_t)take(&r, 1);
    m->protocol_minor = (uint8_t)take(&r, 1);
    m->channels = (uint8_t)take(&r, 1);
    m->boot = take(&r, 4);
    m->time_scale_milli = take(&r, 4);
    m->sample_rate_max_millihertz = take(&r, 4);
    m->counts_min = take_signed(&r, 4);
    m->counts_max = take_signed(&r, 4);
    m->encoder_nm_per_count = take(&r, 4);
    m->full_steps_per_rev = (uint16_t)take(&r, 2);
    m->microsteps = (uint16_t)take(&r, 2);
    take_text(&r, m->firmware);
    take_text(&r, m->serial);
    /* A rig whose clock stands still or whose converter has no range could not be used; nobody divides by
     * them. A newer major version may mean other things by these bytes: its version must still be readable,
     * so that the host can say what is wrong. */
    if (!r.bad && m->protocol_major <= WIRE_PROTOCOL_MAJOR &&
        (m->time_scale_milli == 0 || m->counts_min >= m->counts_max))
        r.bad = true;
    return outcome(&r);
}

size_t wire_pack_ack(const struct wire_ack *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, m->command, 1);
    put(&w, m->sequence, 2);
    put(&w, m->reason, 1);
    return w.used;
}

enum wire_error wire_unpack_ack(const uint8_t *body, size_t length, struct wire_ack *m)
{
    struct reader r = read_body(body, length);
    m->command = (uint8_t)take(&r, 1);
    m->sequence = (uint16_t)take(&r, 2);
    m->reason = (uint8_t)take(&r, 1);
    return outcome(&r);
}

size_t wire_pack_event(const struct wire_event *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, m->time_us, 4);
    put(&w, m->kind, 1);
    put(&w, (uint32_t)m->value, 4);
    return w.used;
}

enum wire_error wire_unpack_event(const uint8_t *body, size_t length, struct wire_event *m)
{
    struct reader r = read_body(body, length);
    m->time_us = take(&r, 4);
    m->kind = (uint8_t)take(&r, 1);
    m->value = take_signed(&r, 4);
    return outcome(&r);
}

size_t wire_pack_status(const struct wire_status *m, uint8_t *body)
{
    struct writer w = {body, 0};
    put(&w, m->boot, 4);
    put(&w, m->time_us, 4);
    put(&w, m->state, 1);
    put(&w, m->samples_dropped, 4);
    return w.used;
}

enum wire_error wire_unpack_status(const uint8_t *body, size_t length, struct wire_status *m)
{
    struct reader r = read_body(body, length);
    m->boot = take(&r, 4);
    m->time_us = take(&r, 4);
    m->state = (uint8_t)take(&r, 1);
    m->samples_dropped = take(&r, 4);
    return outcome(&r);
}

#define COUNTS_24_MIN (-8388608)
#define COUNTS_24_MAX 8388607

/* Force and position are in every sample; only the encoder is optional. */
static bool channels_known(uint8_t channels)
{
    return (channels | WIRE_CHANNEL_ENCODER) ==
           (WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER);
}

size_t wire_pack_batch(const struct wire_sample *samples, size_t count, uint8_t channels, uint8_t *body)
{
    struct writer w = {body, 0};
    if (count == 0 || count > WIRE_BATCH_MAX || !channels_known(channels))
        return 0;
    put(&w, channels, 1);
    put(&w, (uint32_t)count, 1);
    put(&w, samples[0].time_us, 4);
    uint32_t before_us = samples[0].time_us;
    for (size_t i = 0; i < count; i++) {
        const struct wire_sample *s = &samples[i];
        const uint32_t offset_us = s->time_us - before_us; /* right across the wrap of the 32-bit clock */
        if (offset_us > 0xFFFFu || s->force_counts < COUNTS_24_MIN || s->force_counts > COUNTS_24_MAX)
            return 0;
        before_us = s->time_us;
        put(&w, offset_us, 2);
        put(&w, (uint32_t)s->force_counts, 3);
        put(&w, (uint32_t)s->commanded_steps, 4);
        if (channels & WIRE_CHANNEL_ENCODER)
            put(&w, (uint32_t)s->encoder_counts, 4);
        put(&w, s->flags, 1);
    }
    return w.used;
}

enum wire_error wire_unpack_batch(const uint8_t *body, size_t length, struct wire_sample *samples,
                                  size_t *count)
{
    struct reader r = read_body(body, length);
    const uint8_t channels = (uint8_t)take(&r, 1);
    const size_t held = take(&r, 1);
    uint32_t time_us = take(&r, 4);
    *count = 0;
    /* The length must fit exactly: a batch of another layout must never be read as this one. */
    if (r.bad || held == 0 || held > WIRE_BATCH_MAX || !channels_known(channels) ||
        length != WIRE_BATCH_HEADER_BYTES + held * WIRE_SAMPLE_BYTES(channels))
        return WIRE_MALFORMED;
    const bool encoder = (channels & WIRE_CHANNEL_ENCODER) != 0;
    const size_t step = WIRE_SAMPLE_BYTES(channels);
    const uint8_t *at = body + r.taken;
    if (number_of(at, 2) != 0)
        return WIRE_MALFORMED;
    for (size_t i = 0; i < held; i++, at += step) {
        time_us += number_of(at, 2);
        samples[i].time_us = time_us;
        samples[i].force_counts = as_signed(number_of(at + 2, 3), 24);
        samples[i].commanded_steps = as_signed(number_of(at + 5, 4), 32);
        samples[i].encoder_counts = encoder ? as_signed(number_of(at + 9, 4), 32) : 0;
        samples[i].flags = at[step - 1];
    }
    *count = held;
    return WIRE_OK;
}

const char *wire_reason_text(uint8_t reason)
{
    switch (reason) {
    case WIRE_ACCEPTED:
        return "accepted";
    case WIRE_REFUSED_NOT_ARMED:
        return "not armed";
    case WIRE_REFUSED_ARMED:
        return "already armed";
    case WIRE_REFUSED_NOT_CONFIGURED:
        return "not configured, or not sampling";
    case WIRE_REFUSED_OUT_OF_RANGE:
        return "a number the rig cannot carry out";
    case WIRE_REFUSED_EMERGENCY_STOP:
        return "the emergency stop is pressed";
    case WIRE_REFUSED_DRIVER_FAULT:
        return "the motor driver reports a fault";
    case WIRE_REFUSED_LIMIT_SWITCH:
        return "a limit switch is closed";
    case WIRE_REFUSED_UNKNOWN_COMMAND:
        return "unknown command";
    case WIRE_REFUSED_MALFORMED:
        return "malformed command";
    case WIRE_REFUSED_NO_SUCH_FEEDER:
        return "no feeder of that name";
    default:
        return "a reason this version does not know";
    }
}

const char *wire_event_text(uint8_t kind)
{
    switch (kind) {
    case WIRE_EVENT_BOOT:
        return "rig started";
    case WIRE_EVENT_MOTION_DONE:
        return "motion done";
    case WIRE_EVENT_FORCE_LIMIT:
        return "force limit";
    case WIRE_EVENT_TRAVEL_LIMIT:
        return "travel limit";
    case WIRE_EVENT_TIME_LIMIT:
        return "time limit";
    case WIRE_EVENT_WATCHDOG:
        return "watchdog: the host was silent";
    case WIRE_EVENT_LIMIT_SWITCH:
        return "limit switch";
    case WIRE_EVENT_EMERGENCY_STOP:
        return "emergency stop";
    case WIRE_EVENT_DRIVER_FAULT:
        return "motor driver fault";
    default:
        return "an event this version does not know";
    }
}
