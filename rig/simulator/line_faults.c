#include "rig/simulator/line_faults.h"

#include "rig/model/model.h"
#include "rig/simulator/seed_of.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FLIPS_MAX  3
#define PIECES_MAX 4
/* A pause between two pieces. */
#define GAP_MIN_US 1000
#define GAP_MAX_US 5000

/* A frame on its way to the host, with its number on the line. */
struct frame_out {
    uint8_t bytes[WIRE_ENCODED_MAX];
    size_t length;
    size_t samples;
    uint64_t number;
    uint16_t sequence;
};

/* What a burst did to its frames, told once it is out. */
#define NOTES_MAX 16
struct note {
    const char *word;
    uint16_t sequence;
    unsigned arrived;
    size_t noise_bytes;
};

struct line_faults {
    const struct fault_plan *plan;
    uint64_t seed;
    struct line_ends ends;
    const char *blocked;

    uint64_t frames; /* of the rig, that came this way */
    bool open;       /* bytes stand on the line that no delimiter has ended yet: they spoil what follows */
    bool holding;
    struct frame_out held;

    uint8_t burst_bytes[LINE_BURST_MAX];
    struct line_burst burst;
    struct note notes[NOTES_MAX];
    size_t note_count;

    uint64_t host_frames;
    bool host_open;
    bool host_too_long; /* the present one is no frame: it passes as it comes */
    uint8_t host_bytes[WIRE_ENCODED_MAX];
    size_t host_used;
};

struct line_faults *line_faults_new(const struct fault_plan *plan, uint64_t seed,
                                    const struct line_ends *ends)
{
    struct line_faults *line = calloc(1, sizeof *line);
    if (line == NULL)
        return NULL;
    line->plan = plan;
    line->seed = seed;
    line->ends = *ends;
    return line;
}

void line_faults_free(struct line_faults *line)
{
    free(line);
}

/* ---- chance ---- */

/* Whether a fault hits the frame of that number; *r goes on with what else this fault draws for it. */
static bool hits(const struct line_faults *line, enum fault_share fault, uint64_t number,
                 struct model_random *r)
{
    r->state = seed_of(line->seed, SEED_PART_LINE + fault, number);
    return model_random_uniform(r) < line->plan->share[fault];
}

/* A whole number from 0 to below n. */
static size_t draw(struct model_random *r, size_t n)
{
    const size_t drawn = (size_t)(model_random_uniform(r) * (double)n);
    return drawn < n ? drawn : n - 1;
}

/* ---- damage ---- */

/* Whether a receiver could still find the frame among the damaged bytes: an inserted 0x00 at one of its ends
 * does no harm. Compares contents and asks no check sum, so that a receiver's mistake there stays to be
 * found. */
static bool survives(const uint8_t *damaged, size_t damaged_length, const uint8_t *frame, size_t length)
{
    uint8_t whole[WIRE_ENCODED_MAX];
    uint8_t part[WIRE_ENCODED_MAX + 1];
    size_t whole_length;
    size_t part_length;
    if (wire_cobs_decode(frame, length - 1, whole, &whole_length) != WIRE_OK)
        return false;
    for (size_t at = 0; at < damaged_length;) {
        /* What no delimiter ends yet may find one in what follows. */
        const uint8_t *const end = memchr(damaged + at, 0, damaged_length - at);
        const size_t size = end == NULL ? damaged_length - at : (size_t)(end - (damaged + at));
        if (wire_cobs_decode(damaged + at, size, part, &part_length) == WIRE_OK &&
            part_length == whole_length && memcmp(part, whole, whole_length) == 0)
            return true;
        at += size + 1;
    }
    return false;
}

static void flip_bits(uint8_t *bytes, size_t length, struct model_random *r)
{
    size_t flipped[FLIPS_MAX];
    const size_t count = 1 + draw(r, FLIPS_MAX);
    for (size_t i = 0; i < count;) {
        bool anew = true;
        flipped[i] = draw(r, 8 * length);
        for (size_t k = 0; k < i; k++)
            anew = anew && flipped[k] != flipped[i];
        if (!anew)
            continue; /* twice the same would undo itself */
        bytes[flipped[i] / 8] ^= (uint8_t)(1u << flipped[i] % 8);
        i++;
    }
}

static size_t damage_once(uint8_t *bytes, size_t length, struct model_random *r)
{
    const double kind = model_random_uniform(r);
    if (kind < 0.5) {
        flip_bits(bytes, length - 1, r);
        return length;
    }
    if (kind < 0.7) {
        const size_t at = draw(r, length - 1);
        memmove(bytes + at, bytes + at + 1, length - at - 1);
        return length - 1;
    }
    if (kind < 0.9) {
        const size_t at = draw(r, length);
        memmove(bytes + at + 1, bytes + at, length - at);
        bytes[at] = (uint8_t)draw(r, 256);
        return length + 1;
    }
    /* Not left out: the next bytes might begin with a 0x00 and so give the frame its end back. */
    bytes[length - 1] = (uint8_t)(1u << draw(r, 8));
    return length;
}

/* The frame damaged into out (room for one byte more than it has); returns the length. */
static size_t damage(const uint8_t *frame, size_t length, uint8_t *out, struct model_random *r)
{
    size_t damaged_length;
    do {
        memcpy(out, frame, length);
        damaged_length = damage_once(out, length, r);
    } while (survives(out, damaged_length, frame, length));
    return damaged_length;
}

/* ---- to the host ---- */

static void note(struct line_faults *line, const char *word, uint16_t sequence, size_t noise_bytes)
{
    if (line->note_count < NOTES_MAX)
        line->notes[line->note_count++] = (struct note){word, sequence, 0, noise_bytes};
}

static void tell_notes(struct line_faults *line)
{
    for (size_t i = 0; i < line->note_count; i++) {
        const struct note *n = &line->notes[i];
        struct rig_happening h = {.kind = RIG_FAULT,
                                  .word = n->word,
                                  .has_sequence = true,
                                  .sequence = n->sequence,
                                  .arrived = n->arrived,
                                  .noise_bytes = n->noise_bytes,
                                  .host_frame = false};
        line->ends.hit(line->ends.context, &h);
    }
    line->note_count = 0;
}

static void tell_lost(struct line_faults *line, const char *word, uint16_t sequence)
{
    note(line, word, sequence, 0);
    tell_notes(line);
}

static void cut_in_pieces(struct line_burst *burst, size_t begin, size_t length, struct model_random *r)
{
    size_t at = 0;
    const size_t pieces = 2 + draw(r, PIECES_MAX - 1);
    for (size_t i = 1; i < pieces && burst->cut_count < LINE_CUTS_MAX; i++) {
        /* In the part that is left, so that cuts stand in order; a piece has at least one byte. */
        if (length - at < 2)
            return;
        at += 1 + draw(r, length - at - 1);
        burst->cuts[burst->cut_count].at = begin + at;
        burst->cuts[burst->cut_count].gap_us = (uint32_t)(GAP_MIN_US + draw(r, GAP_MAX_US - GAP_MIN_US + 1));
        burst->cut_count++;
    }
}

/* Add a frame to the burst with what hits it. */
static void compose(struct line_faults *line, const struct frame_out *f, bool reordered)
{
    uint8_t *const bytes = line->burst_bytes;
    struct line_burst *const burst = &line->burst;
    const size_t first_note = line->note_count;
    struct model_random r;
    size_t noise_bytes = 0;
    unsigned arrived = 0;

    if (hits(line, FAULT_NOISE, f->number, &r)) {
        noise_bytes = 1 + draw(&r, LINE_NOISE_MAX);
        for (size_t i = 0; i < noise_bytes; i++)
            bytes[burst->length++] = (uint8_t)draw(&r, 256);
        line->open = bytes[burst->length - 1] != 0;
        note(line, FAULT_SHARE_WORDS[FAULT_NOISE], f->sequence, noise_bytes);
    }
    const bool spoilt = line->open;
    const bool corrupted = hits(line, FAULT_CORRUPTED, f->number, &r);
    const size_t begin = burst->length;
    if (corrupted) {
        burst->length += damage(f->bytes, f->length, bytes + begin, &r);
        line->open = bytes[burst->length - 1] != 0;
        note(line, FAULT_SHARE_WORDS[FAULT_CORRUPTED], f->sequence, 0);
    } else {
        memcpy(bytes + begin, f->bytes, f->length);
        burst->length += f->length;
        line->open = false;
        arrived = spoilt ? 0 : 1;
        if (spoilt && noise_bytes == 0)
            note(line, "melted", f->sequence, 0);
    }
    if (hits(line, FAULT_SPLIT, f->number, &r)) {
        cut_in_pieces(burst, begin, burst->length - begin, &r);
        note(line, FAULT_SHARE_WORDS[FAULT_SPLIT], f->sequence, 0);
    }
    if (!corrupted && hits(line, FAULT_REPEATED, f->number, &r)) {
        memcpy(bytes + burst->length, f->bytes, f->length);
        burst->length += f->length;
        arrived++;
        note(line, FAULT_SHARE_WORDS[FAULT_REPEATED], f->sequence, 0);
    }
    if (reordered)
        note(line, FAULT_SHARE_WORDS[FAULT_REORDERED], f->sequence, 0);
    for (size_t i = first_note; i < line->note_count; i++)
        line->notes[i].arrived = arrived;
}

/* What an encoded frame is; false when it is none. */
static bool read_frame(const uint8_t *bytes, size_t length, struct wire_frame *frame)
{
    uint8_t buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    enum wire_error result;
    wire_decoder_init(&d, buffer, sizeof buffer);
    const bool good = wire_decoder_feed(&d, bytes, length, &result, frame) == length && result == WIRE_OK;
    frame->body = NULL; /* it went with the buffer */
    return good;
}

void line_faults_block(struct line_faults *line, const char *word, bool fresh)
{
    if (line->holding && word != NULL)
        tell_lost(line, word, line->held.sequence);
    if (word != NULL)
        line->holding = false;
    if (fresh)
        line->open = false;
    line->blocked = word;
}

bool line_faults_to_host(struct line_faults *line, const uint8_t *frame, size_t length, size_t samples)
{
    struct frame_out f = {.length = length, .samples = samples, .number = line->frames++};
    struct model_random r;
    struct wire_frame read = {0};
    memcpy(f.bytes, frame, length);
    read_frame(frame, length, &read);
    f.sequence = read.sequence;
    if (line->blocked != NULL) {
        tell_lost(line, line->blocked, f.sequence);
        return true;
    }
    if (hits(line, FAULT_MISSING, f.number, &r)) {
        tell_lost(line, FAULT_SHARE_WORDS[FAULT_MISSING], f.sequence);
        return true;
    }
    if (!line->holding && hits(line, FAULT_REORDERED, f.number, &r)) {
        line->held = f;
        line->holding = true;
        return true;
    }
    const bool open = line->open;
    line->burst = (struct line_burst){.bytes = line->burst_bytes, .samples = samples};
    compose(line, &f, false);
    if (line->holding) {
        compose(line, &line->held, true);
        line->burst.samples = samples > 0 && line->held.samples > 0 ? samples + line->held.samples : 0;
    }
    const bool sent = line->ends.send(line->ends.context, &line->burst);
    if (!sent) {
        line->note_count = 0;
        line->open = open;
        tell_lost(line, "no-room", f.sequence);
        if (line->holding)
            tell_lost(line, "no-room", line->held.sequence);
    }
    tell_notes(line);
    line->holding = false;
    return sent;
}

/* ---- to the rig ---- */

static void tell_host_frame(const struct line_faults *line, const char *word, const struct wire_frame *frame)
{
    struct rig_happening h = {.kind = RIG_FAULT,
                              .word = word,
                              .has_sequence = true,
                              .sequence = frame->sequence,
                              .host_frame = true,
                              .type = frame->type};
    line->ends.hit(line->ends.context, &h);
}

/* What has been gathered, its delimiter last. What is no frame passes: a fault that hit it could not be told.
 */
static void pass_host_frame(struct line_faults *line)
{
    uint8_t damaged[WIRE_ENCODED_MAX + 1];
    struct model_random r;
    struct wire_frame read = {0};
    if (!read_frame(line->host_bytes, line->host_used, &read)) {
        line->ends.deliver(line->ends.context, line->host_bytes, line->host_used);
        line->host_open = false;
        return;
    }
    const uint64_t number = line->host_frames++;
    if (hits(line, FAULT_HOST_MISSING, number, &r)) {
        tell_host_frame(line, FAULT_SHARE_WORDS[FAULT_HOST_MISSING], &read);
        return;
    }
    if (hits(line, FAULT_HOST_CORRUPTED, number, &r)) {
        const size_t length = damage(line->host_bytes, line->host_used, damaged, &r);
        tell_host_frame(line, FAULT_SHARE_WORDS[FAULT_HOST_CORRUPTED], &read);
        line->ends.deliver(line->ends.context, damaged, length);
        line->host_open = damaged[length - 1] != 0;
        return;
    }
    if (line->host_open)
        tell_host_frame(line, "host-melted", &read);
    line->host_open = false;
    line->ends.deliver(line->ends.context, line->host_bytes, line->host_used);
}

void line_faults_to_rig(struct line_faults *line, const uint8_t *bytes, size_t length)
{
    if (!(line->plan->share[FAULT_HOST_MISSING] > 0) && !(line->plan->share[FAULT_HOST_CORRUPTED] > 0)) {
        line->ends.deliver(line->ends.context, bytes, length);
        return;
    }
    for (size_t i = 0; i < length; i++) {
        if (line->host_used == 0 && bytes[i] == 0 && !line->host_too_long) {
            line->ends.deliver(line->ends.context, bytes + i, 1);
            line->host_open = false;
            continue;
        }
        line->host_bytes[line->host_used++] = bytes[i];
        if (bytes[i] == 0 && !line->host_too_long) {
            pass_host_frame(line);
            line->host_used = 0;
        } else if (bytes[i] == 0 || line->host_used == sizeof line->host_bytes) {
            line->ends.deliver(line->ends.context, line->host_bytes, line->host_used);
            line->host_used = 0;
            line->host_too_long = bytes[i] != 0;
            line->host_open = false;
        }
    }
}
