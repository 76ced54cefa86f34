/* Framing of the rig protocol: type, sequence, body and CRC-32C, COBS-encoded, ended by one 0x00 byte.
 * Freestanding C11: no malloc, no stdio; the firmware compiles this file unchanged. */
#ifndef RIG_WIRE_FRAME_H
#define RIG_WIRE_FRAME_H

#include <stddef.h>
#include <stdint.h>

enum wire_error {
    WIRE_OK = 0,
    WIRE_MORE,      /* decoder: no complete frame yet */
    WIRE_BAD_CRC,   /* a frame whose check does not match */
    WIRE_BAD_COBS,  /* a frame whose encoding is broken */
    WIRE_TOO_LONG,  /* a frame longer than the decoder's buffer */
    WIRE_TOO_SHORT, /* a frame without room for type, sequence and check */
    WIRE_MALFORMED  /* a body that its type does not allow */
};

#define WIRE_BODY_MAX 1152u
#define WIRE_OVERHEAD 7u /* type 1, sequence 2, CRC 4 */
/* Encoded size: COBS adds one byte and one more per 254, then the delimiter. */
#define WIRE_ENCODED_MAX (WIRE_BODY_MAX + WIRE_OVERHEAD + (WIRE_BODY_MAX + WIRE_OVERHEAD) / 254u + 2u)

/* CRC-32C (Castagnoli, reflected, init and final xor all ones). wire_crc32c("123456789", 9) is 0xE3069283. */
uint32_t wire_crc32c(const uint8_t *bytes, size_t length);

/* COBS. Encode needs room for length + length / 254 + 1 bytes; returns bytes written, no delimiter.
 * Decode works from encoded (without delimiter) into out (may be the same array); WIRE_OK or WIRE_BAD_COBS.
 */
size_t wire_cobs_encode(const uint8_t *bytes, size_t length, uint8_t *out);
enum wire_error wire_cobs_decode(const uint8_t *encoded, size_t length, uint8_t *out, size_t *out_length);

/* Encode one frame with its closing 0x00 into out (WIRE_ENCODED_MAX bytes). Returns its length on the wire,
 * or 0 when length exceeds WIRE_BODY_MAX. */
size_t wire_frame_encode(uint8_t type, uint16_t sequence, const uint8_t *body, size_t length, uint8_t *out);

struct wire_frame {
    uint8_t type;
    uint16_t sequence;
    const uint8_t *body; /* points into the decoder's buffer: valid until the next byte is fed */
    size_t length;
};

/* A decoder over a caller-owned buffer, so that a small controller can use a small one. Open struct; treat as
 * hidden. */
struct wire_decoder {
    uint8_t *buffer;
    size_t size;
    size_t used;
    int overflow; /* the frame being read no longer fits: skip to its delimiter */
};

void wire_decoder_init(struct wire_decoder *d, uint8_t *buffer, size_t size);

/* Feed bytes; stop after the first delimiter. Returns how many bytes were taken (always > 0 for length > 0)
 * and sets *result: WIRE_MORE, WIRE_OK with *frame filled, or the error of the broken frame (skipped; the
 * decoder is ready for the next one). Empty frames (two delimiters in a row) are skipped silently as
 * WIRE_MORE. */
size_t wire_decoder_feed(struct wire_decoder *d, const uint8_t *bytes, size_t length, enum wire_error *result,
                         struct wire_frame *frame);

#endif
