/* A stream of frames as a rig sends them, and everything that may befall it on the line. Pure: what is
 * written follows from seed and calls alone. */
#ifndef TESTS_SIM_FRAME_STREAM_H
#define TESTS_SIM_FRAME_STREAM_H

#include "rig/model/model.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FRAME_STREAM_BOOT 0x91234567u

/* What a frame says; only the member of its type is filled. */
struct frame_sent {
    uint8_t type;
    int64_t time_us;
    struct wire_sample samples[WIRE_BATCH_MAX];
    size_t sample_count;
    struct wire_event event;
    struct wire_status status;
    struct wire_ack ack;
    struct wire_identity identity;
    uint8_t body[WIRE_BODY_MAX];
    size_t body_length;
};

/* The frames are numbered without end from 0. Type and content depend on seed and number alone; the numbers
 * on the wire and the rig's 32-bit clock turn over soon after the start. */
uint8_t frame_stream_type(uint64_t seed, int64_t number);
void frame_stream_make(uint64_t seed, int64_t number, struct frame_sent *s);

/* A stretch of the stream and the frame that it was made from. */
struct frame_origin {
    size_t from, to;              /* in the stream: the bytes made from this frame */
    size_t sent_from, sent_bytes; /* in `sent`: the frame untouched, delimiter included */
    int64_t number;               /* -1: an echo of a frame of the host */
    bool hit;                     /* damage was done to its bytes, which may have changed nothing */
    bool whole;                   /* for the reader: has arrived as it was sent */
};

struct frame_stream {
    uint8_t *bytes;
    size_t length, room;
    uint8_t *sent;
    size_t sent_length, sent_room;
    struct frame_origin *origins;
    size_t count, origin_room;
};

struct frame_sender {
    uint64_t seed;
    struct model_random draws;
    int64_t next; /* number of the next frame */
    struct frame_stream stream;
};

enum frame_fault {
    FAULT_FLIPS,       /* bits turned over */
    FAULT_SUBSTITUTED, /* bytes replaced */
    FAULT_LOST_BYTES,  /* bytes lost */
    FAULT_INSERTED,    /* bytes put in, 0x00 among them */
    FAULT_TRUNCATED,   /* cut off, with or without delimiter */
    FAULT_OVERWRITTEN, /* a stretch of noise over the frame */
    FAULT_FORGED,      /* soundly encoded, but other content than the check was made for */
    FAULT_NOISE,       /* noise in front of a frame, with or without a delimiter behind it */
    FAULT_MELTED,      /* two frames without the delimiter between them */
    FAULT_INTERLEAVED, /* two frames whose bytes come in turns */
    FAULT_MISSING,     /* frames that were never sent; seldom tens of thousands */
    FAULT_REPEATED,    /* an earlier frame once more */
    FAULT_REORDERED,   /* frames in another order */
    FAULT_ECHO,        /* a whole frame of the host */
    FAULT_DELIMITERS,  /* 0x00 between frames, which is no damage */
    FAULTS
};

const char *frame_fault_name(enum frame_fault fault);

/* Append to the stream: the next frame as it is, or one fault and the frames that it needs. */
void frame_sender_put_whole(struct frame_sender *t);
void frame_sender_put_fault(struct frame_sender *t, enum frame_fault fault);
void frame_stream_put(struct frame_stream *s, const uint8_t *bytes, size_t n);
void frame_stream_put_noise(struct frame_stream *s, struct model_random *r, size_t n);
/* Forget what has been written, to go on with the next stretch. */
void frame_stream_clear(struct frame_stream *s);
void frame_stream_free(struct frame_stream *s);

/* A whole number from 0 to n - 1; true with probability p; realloc that ends the study when there is no
 * memory. */
uint32_t frame_draw_below(struct model_random *r, uint32_t n);
bool frame_draw_chance(struct model_random *r, double p);
void *frame_grown(void *old, size_t bytes);

#endif
