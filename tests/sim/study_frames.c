/* Study of the receiving side of the link: a stream of frames as a rig sends them is damaged in every way
 * that a line knows, and what the receiver makes of it is held against what was done to the bytes.
 *
 *     study_frames [--runs N] [--seed S] [--share PERCENT] [--mix KIND=WEIGHT,...] [--out FILE] [--verbose]
 *
 * It goes on until N thousand frames have been corrupted; --share is the percentage of steps that are faults,
 * the other frames are left whole; --mix gives the weights of the kinds of fault, 0 to those not named.
 *
 * Where the truth comes from. The sent frames are numbered without end; what a frame holds follows from seed
 * and number alone. While the damaged stream is written down, each stretch of it is noted together with the
 * untouched bytes of the frame it was made from. Afterwards the stream is cut at its 0x00 bytes, and a frame
 * has arrived whole if and only if a piece between two of them equals, byte for byte, what was sent of a
 * frame that this piece was made from. So neither COBS nor CRC nor sequence number nor the receiver says what
 * the truth is, and damage that is none (a flip undone, a byte replaced by itself, one of two equal bytes
 * lost, a 0x00 between frames) is none here either. Missing, late and repeated frames and gaps follow from
 * the order in which the endless numbers arrived.
 *
 * What to expect. A corrupted frame that reaches the check passes it with a chance of 2^-32 when the damage
 * is random: 10^6 corrupted frames would give 10^6 * 2^-32 = 0.00023 accepted ones on average, that is none
 * in 99.98 % of all seeds. Most never reach it, because their encoding is broken, and the check finds for
 * certain any damage within 32 bits in a row of an otherwise intact frame (Koopman, 32-bit cyclic redundancy
 * codes for internet applications, DSN 2002; this sentence and the figure from memory). */
#include "capture/rig_receiver.h"
#include "rig/base/number.h"
#include "tests/sim/frame_stream.h"
#include "tests/sim/study.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CORRUPTED_PER_RUN 1000
#define STEPS_PER_BLOCK   1500
#define NOISE_PER_RUN     10000 /* bytes */
#define NOISE_LEAST       1000000
#define LOOK_AHEAD        64 /* expected reports searched for one that does not come next */

/* ---- the truth ---- */

struct expected {
    int64_t number;     /* of a frame that must be reported; -1: a gap */
    int64_t is_missing; /* of a gap */
};

struct truth {
    bool *arrived; /* by number */
    size_t room;
    int64_t newest; /* -1: none yet */
    int64_t whole, corrupted, missing, gaps, late, repeated, broken;
    int64_t unharmed, longer; /* whole after damage that changed nothing; with an empty block at the end */
    struct expected *expected;
    size_t count, expected_room;
};

static void expect(struct truth *t, int64_t number, int64_t missing)
{
    if (t->count == t->expected_room)
        t->expected = frame_grown(t->expected, (t->expected_room = 2 * t->count + 64) * sizeof *t->expected);
    t->expected[t->count++] = (struct expected){number, missing};
}

static void arrive(struct truth *t, uint64_t seed, int64_t number)
{
    uint8_t type = frame_stream_type(seed, number);
    bool late = number < t->newest;
    t->whole++;
    if ((size_t)number >= t->room) {
        size_t room = 2 * (size_t)number + 1024;
        t->arrived = frame_grown(t->arrived, room * sizeof *t->arrived);
        memset(t->arrived + t->room, 0, (room - t->room) * sizeof *t->arrived);
        t->room = room;
    }
    if (t->arrived[number]) {
        t->repeated++;
        return;
    }
    t->arrived[number] = true;
    if (late) {
        t->late++;
    } else {
        if (number > t->newest + 1) {
            t->missing += number - t->newest - 1;
            t->gaps++;
            expect(t, -1, number - t->newest - 1);
        }
        t->newest = number;
    }
    if (type <= WIRE_STATUS && !(late && type == WIRE_SAMPLES))
        expect(t, number, 0);
}

/* Whether the last COBS block of an encoded frame is full: then an empty block (0x01) may stand behind it,
 * and the frame is still the same one by the protocol. */
static bool ends_with_full_block(const uint8_t *bytes, size_t n)
{
    size_t at = 0;
    while (at + bytes[at] < n)
        at += bytes[at];
    return bytes[at] == 0xFF && at + 0xFF == n;
}

static bool is_same_frame(const uint8_t *piece, size_t n, const uint8_t *sent, size_t sent_n)
{
    if (n == sent_n)
        return memcmp(piece, sent, n) == 0;
    return n == sent_n + 1 && memcmp(piece, sent, sent_n) == 0 && piece[sent_n] == 1 &&
           ends_with_full_block(sent, sent_n);
}

/* Cut the stream at its delimiters and see which pieces are frames as they were sent. It ends with one. */
static void find_truth(struct truth *t, struct frame_stream *s, uint64_t seed)
{
    size_t first = 0;
    t->count = 0;
    for (size_t from = 0, to = 0; to < s->length; to++) {
        if (s->bytes[to] != 0)
            continue;
        bool found = to == from;
        while (first < s->count && s->origins[first].to <= from)
            first++;
        for (size_t i = first; i < s->count && s->origins[i].from < to && !found; i++) {
            struct frame_origin *o = &s->origins[i];
            found = !o->whole &&
                    is_same_frame(s->bytes + from, to - from, s->sent + o->sent_from, o->sent_bytes - 1);
            o->whole = o->whole || found;
            t->unharmed += found && o->hit;
            t->longer += found && to - from == o->sent_bytes;
            if (found && o->number >= 0)
                arrive(t, seed, o->number);
        }
        t->broken += !found;
        from = to + 1;
    }
    for (size_t i = 0; i < s->count; i++)
        t->corrupted += !s->origins[i].whole && s->origins[i].to > s->origins[i].from;
}

/* ---- what the receiver says, against the truth ---- */

struct audit {
    uint64_t seed;
    const struct truth *truth;
    size_t at; /* the expected report that comes next */
    int64_t strange, not_accepted, differ, samples, misplaced, told_missing;
};

static bool is_report_of(const struct rig_report *p, const struct frame_sent *s)
{
    switch (p->kind) {
    case RIG_REPORT_SAMPLES:
        return s->type == WIRE_SAMPLES && p->sample_count > 0 && p->samples[0].time_us == s->time_us;
    case RIG_REPORT_EVENT:
        return s->type == WIRE_EVENT && p->time_us == s->time_us && p->event.kind == s->event.kind &&
               p->event.value == s->event.value;
    case RIG_REPORT_STATUS:
        return s->type == WIRE_STATUS && p->time_us == s->time_us && p->status.state == s->status.state &&
               p->status.samples_dropped == s->status.samples_dropped;
    case RIG_REPORT_ACK:
        return s->type == WIRE_ACK && p->ack.command == s->ack.command &&
               p->ack.sequence == s->ack.sequence && p->ack.reason == s->ack.reason;
    case RIG_REPORT_IDENTITY:
        return s->type == WIRE_IDENTITY && p->identity.boot == FRAME_STREAM_BOOT &&
               p->identity.sample_rate_max_millihertz == s->identity.sample_rate_max_millihertz &&
               strcmp(p->identity.serial, s->identity.serial) == 0;
    default:
        return false;
    }
}

static void compare_samples(struct audit *a, const struct rig_report *p, const struct frame_sent *s)
{
    a->samples += (int64_t)s->sample_count;
    for (size_t i = 0; i < s->sample_count || i < p->sample_count; i++) {
        const struct wire_sample *w = &s->samples[i];
        const struct raw_sample *x = &p->samples[i];
        if (i >= s->sample_count || i >= p->sample_count ||
            x->time_us != s->time_us + (uint32_t)(w->time_us - s->samples[0].time_us) ||
            x->force_counts != w->force_counts || x->commanded_steps != w->commanded_steps ||
            x->encoder_counts != w->encoder_counts || x->flags != w->flags)
            a->differ++;
    }
}

/* Expected reports that did not come. */
static void pass_over(struct audit *a, size_t to)
{
    for (; a->at < to; a->at++) {
        if (a->truth->expected[a->at].number < 0)
            a->misplaced++;
        else
            a->not_accepted++;
    }
}

static void take_report(void *context, const struct rig_report *p)
{
    static struct frame_sent s;
    struct audit *a = context;
    const struct truth *t = a->truth;
    if (p->kind == RIG_REPORT_GAP) {
        a->told_missing += p->frames_missing;
        if (a->at < t->count && t->expected[a->at].number < 0 &&
            t->expected[a->at].is_missing == p->frames_missing)
            a->at++;
        else
            a->misplaced++;
        return;
    }
    for (size_t i = a->at; i < t->count && i < a->at + LOOK_AHEAD; i++) {
        if (t->expected[i].number < 0)
            continue;
        frame_stream_make(a->seed, t->expected[i].number, &s);
        if (!is_report_of(p, &s))
            continue;
        pass_over(a, i);
        a->at = i + 1;
        if (p->kind == RIG_REPORT_SAMPLES)
            compare_samples(a, p, &s);
        return;
    }
    a->strange++;
}

/* As a port hands them out: now single bytes, now thousands at once. */
static void feed_in_pieces(struct rig_receiver *receiver, struct model_random *r, const uint8_t *bytes,
                           size_t length, rig_report_handler *handle, void *context)
{
    while (length > 0) {
        size_t n = 1 + frame_draw_below(r, frame_draw_chance(r, 0.3)   ? 4
                                           : frame_draw_chance(r, 0.7) ? 300
                                                                       : 8000);
        n = n < length ? n : length;
        rig_receiver_feed(receiver, bytes, n, handle, context);
        bytes += n;
        length -= n;
    }
}

static void count_report(void *context, const struct rig_report *p)
{
    (void)p;
    ++*(int64_t *)context;
}

/* Bytes that nobody sent: any; with a delimiter every few bytes; random content soundly encoded, so that only
 * the check stands between it and the run. */
static int64_t accepted_from_noise(struct model_random *r, int64_t bytes, int64_t *fed)
{
    struct frame_stream s = {0};
    struct rig_receiver receiver;
    int64_t reports = 0;
    rig_receiver_init(&receiver);
    for (*fed = 0; *fed < bytes; *fed += (int64_t)s.length) {
        s.length = 0;
        uint32_t n = 1 + frame_draw_below(r, 4000);
        double u = model_random_uniform(r);
        if (u < 0.5) {
            frame_stream_put_noise(&s, r, n);
        } else if (u < 0.75) {
            while (n-- > 0)
                frame_stream_put(
                    &s, &(uint8_t){(uint8_t)(frame_draw_chance(r, 0.08) ? 0 : frame_draw_below(r, 256))}, 1);
        } else {
            uint8_t plain[1100], out[1200];
            n = 7 + frame_draw_below(r, sizeof plain - 7);
            for (uint32_t i = 0; i < n; i++)
                plain[i] = (uint8_t)frame_draw_below(r, 256);
            plain[0] |= 0x80;
            frame_stream_put(&s, &(uint8_t){0}, 1);
            frame_stream_put(&s, out, wire_cobs_encode(plain, n, out));
            frame_stream_put(&s, &(uint8_t){0}, 1);
        }
        feed_in_pieces(&receiver, r, s.bytes, s.length, count_report, &reports);
    }
    frame_stream_free(&s);
    return receiver.counts.frames > reports ? receiver.counts.frames : reports;
}

/* ---- options ---- */

struct mix {
    int64_t share_percent;
    int64_t weights[FAULTS];
    int64_t total;
};

static bool read_mix(char *list, struct mix *m, struct err *e)
{
    memset(m->weights, 0, sizeof m->weights);
    for (char *word = strtok(list, ","); word != NULL; word = strtok(NULL, ",")) {
        char *value = strchr(word, '=');
        int which = 0;
        if (value != NULL)
            *value++ = '\0';
        while (which < FAULTS && strcmp(frame_fault_name((enum frame_fault)which), word) != 0)
            which++;
        if (which == FAULTS || value == NULL) {
            fprintf(stderr, "study_frames: --mix: '%s' is no KIND=WEIGHT of a kind that the study lists\n",
                    word);
            return false;
        }
        if (number_read_int64(value, 0, 1000, word, "", &m->weights[which], e) != ERR_OK)
            return false;
    }
    return true;
}

/* Takes --share and --mix out of the arguments and leaves the rest. */
static bool read_options(int *argc, char **argv, struct mix *m)
{
    int kept = 1;
    for (int i = 1; i < *argc; i++) {
        struct err e = {0};
        bool is_mix = strcmp(argv[i], "--mix") == 0, is_share = strcmp(argv[i], "--share") == 0;
        if ((!is_mix && !is_share) || i + 1 == *argc) {
            argv[kept++] = argv[i];
            continue;
        }
        i++;
        if (is_mix ? !read_mix(argv[i], m, &e)
                   : number_read_int64(argv[i], 1, 100, "--share", "%", &m->share_percent, &e) != ERR_OK) {
            if (e.text[0] != 0)
                fprintf(stderr, "study_frames: %s\n", e.text);
            return false;
        }
    }
    *argc = kept;
    m->total = 0;
    for (int i = 0; i < FAULTS; i++)
        m->total += m->weights[i];
    if (m->total == 0)
        fprintf(stderr, "study_frames: --mix has no weight above 0\n");
    return m->total > 0;
}

static enum frame_fault draw_fault(struct model_random *r, const struct mix *m)
{
    int64_t left = frame_draw_below(r, (uint32_t)m->total);
    int which = 0;
    while (left >= m->weights[which])
        left -= m->weights[which++];
    return (enum frame_fault)which;
}

int main(int argc, char **argv)
{
    static struct rig_receiver receiver;
    struct study_options o = {.runs = 1000, .seed = 20261128};
    struct mix mix = {50, {10, 10, 10, 10, 8, 8, 10, 8, 4, 4, 5, 4, 3, 3, 3}, 0};
    struct study study;
    struct truth truth = {.newest = -1};
    int64_t tried[FAULTS] = {0}, steps = 0;
    if (!read_options(&argc, argv, &mix) || !study_options_read(argc, argv, &o))
        return 2;
    struct frame_sender sender = {.seed = o.seed, .draws = {o.seed}};
    struct model_random pieces = {o.seed + 1};
    struct audit audit = {.seed = o.seed, .truth = &truth};
    study_begin(&study, &o);
    rig_receiver_init(&receiver);
    frame_sender_put_whole(&sender);
    /* A mix that corrupts nothing ends as well. */
    while (truth.corrupted < (int64_t)o.runs * CORRUPTED_PER_RUN && steps < o.runs * INT64_C(100000)) {
        for (int i = 0; i < STEPS_PER_BLOCK; i++, steps++) {
            if (frame_draw_below(&sender.draws, 100) >= mix.share_percent) {
                frame_sender_put_whole(&sender);
                continue;
            }
            enum frame_fault fault = draw_fault(&sender.draws, &mix);
            frame_sender_put_fault(&sender, fault);
            tried[fault]++;
        }
        frame_stream_put(&sender.stream, &(uint8_t){0}, 1);
        find_truth(&truth, &sender.stream, o.seed);
        audit.at = 0;
        feed_in_pieces(&receiver, &pieces, sender.stream.bytes, sender.stream.length, take_report, &audit);
        pass_over(&audit, truth.count);
        frame_stream_clear(&sender.stream);
    }
    const struct rig_counts *c = &receiver.counts;
    for (int i = 0; i < FAULTS; i++)
        printf("%-12s %9" PRId64 "\n", frame_fault_name((enum frame_fault)i), tried[i]);
    printf("%" PRId64 " bytes, %" PRId64 " frames whole, %" PRId64 " corrupted, %" PRId64
           " missing in %" PRId64 " gaps, %" PRId64 " late, %" PRId64 " repeated, %" PRId64 " numbers\n",
           c->bytes, truth.whole, truth.corrupted, truth.missing, truth.gaps, truth.late, truth.repeated,
           sender.next);
    printf("%" PRId64 " frames came whole through damage that changed nothing, %" PRId64
           " of them with an empty block at the end\n",
           truth.unharmed, truth.longer);
    int corrupted = (int)truth.corrupted, whole = (int)truth.whole, gaps = (int)truth.gaps;
    study_value(&study, "thousands of frames corrupted", (double)truth.corrupted / 1e3, "1", o.runs, 1e9,
                corrupted);
    study_value(&study, "corrupted frames accepted", (double)audit.strange, "1", 0, 0, corrupted);
    study_value(&study, "intact frames not accepted", (double)audit.not_accepted, "1", 0, 0, whole);
    study_value(&study, "frames understood minus intact frames", (double)(c->frames - truth.whole), "1", 0, 0,
                whole);
    study_value(&study, "samples that differ from what was sent", (double)audit.differ, "1", 0, 0,
                (int)audit.samples);
    study_value(&study, "frames found missing minus truth", (double)(c->frames_missing - truth.missing), "1",
                0, 0, gaps);
    study_value(&study, "gaps found minus true gaps", (double)(c->gaps - truth.gaps), "1", 0, 0, gaps);
    study_value(&study, "gaps told at another place or of another length", (double)audit.misplaced, "1", 0, 0,
                gaps);
    study_value(&study, "missing frames told in gaps minus counted",
                (double)(audit.told_missing - c->frames_missing), "1", 0, 0, gaps);
    study_value(&study, "repeated frames counted minus truth", (double)(c->frames_duplicate - truth.repeated),
                "1", 0, 0, (int)truth.repeated);
    study_value(&study, "late frames counted minus truth", (double)(c->frames_late - truth.late), "1", 0, 0,
                (int)truth.late);
    study_value(&study, "broken frames counted minus truth", (double)(c->frames_corrupt - truth.broken), "1",
                0, 0, (int)truth.broken);
    int64_t wanted = (int64_t)o.runs * NOISE_PER_RUN, fed;
    int64_t heard = accepted_from_noise(&pieces, wanted < NOISE_LEAST ? NOISE_LEAST : wanted, &fed);
    study_value(&study, "frames accepted from pure noise", (double)heard, "1", 0, 0, (int)fed);
    frame_stream_free(&sender.stream);
    free(truth.arrived);
    free(truth.expected);
    return study_end(&study);
}
