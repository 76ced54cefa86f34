#include "rig/wire/frame.h"

/* CRC-32C by half bytes: the table of 16 entries costs 64 bytes of a controller's flash in place of 1 KiB.
 * Entry i is i run four times through the reflected polynomial 0x82F63B78. */
static const uint32_t crc_of_nibble[16] = {
    0x00000000u, 0x105EC76Fu, 0x20BD8EDEu, 0x30E349B1u, 0x417B1DBCu, 0x5125DAD3u, 0x61C69362u, 0x7198540Du,
    0x82F63B78u, 0x92A8FC17u, 0xA24BB5A6u, 0xB21572C9u, 0xC38D26C4u, 0xD3D3E1ABu, 0xE330A81Au, 0xF36E6F75u};

static uint32_t crc_add(uint32_t crc, const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        crc = (crc >> 4) ^ crc_of_nibble[crc & 15u];
        crc = (crc >> 4) ^ crc_of_nibble[crc & 15u];
    }
    return crc;
}

uint32_t wire_crc32c(const uint8_t *bytes, size_t length)
{
    return crc_add(0xFFFFFFFFu, bytes, length) ^ 0xFFFFFFFFu;
}

/* COBS: each block starts with a code byte, one more than the number of non-zero bytes that follow it. A code
 * below 0xFF also stands for the zero after the block, except after the last one. */
struct cobs_writer {
    uint8_t *out;
    size_t code_at;
    size_t used;
    uint8_t code;
};

static struct cobs_writer cobs_begin(uint8_t *out)
{
    return (struct cobs_writer){.out = out, .code_at = 0, .used = 1, .code = 1};
}

static void cobs_close_block(struct cobs_writer *w)
{
    w->out[w->code_at] = w->code;
    w->code_at = w->used++;
    w->code = 1;
}

static void cobs_add(struct cobs_writer *w, const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        /* A full block is closed only when another byte follows, so that an input that ends with it needs no
         * empty block behind it. It stands for no zero, so a zero that follows takes a block of its own. */
        if (w->code == 0xFFu)
            cobs_close_block(w);
        if (bytes[i] == 0) {
            cobs_close_block(w);
            continue;
        }
        w->out[w->used++] = bytes[i];
        w->code++;
    }
}

static size_t cobs_end(struct cobs_writer *w)
{
    w->out[w->code_at] = w->code;
    return w->used;
}

size_t wire_cobs_encode(const uint8_t *bytes, size_t length, uint8_t *out)
{
    struct cobs_writer w = cobs_begin(out);
    cobs_add(&w, bytes, length);
    return cobs_end(&w);
}

enum wire_error wire_cobs_decode(const uint8_t *encoded, size_t length, uint8_t *out, size_t *out_length)
{
    size_t taken = 0;
    size_t used = 0;
    if (length == 0)
        return WIRE_BAD_COBS;
    while (taken < length) {
        const uint8_t code = encoded[taken++];
        if (code == 0 || (size_t)(code - 1) > length - taken)
            return WIRE_BAD_COBS;
        /* Decoding never writes past what was read, so out may be the same array. */
        for (uint8_t i = 1; i < code; i++) {
            const uint8_t byte = encoded[taken++];
            if (byte == 0)
                return WIRE_BAD_COBS;
            out[used++] = byte;
        }
        if (code != 0xFFu && taken < length)
            out[used++] = 0;
    }
    *out_length = used;
    return WIRE_OK;
}

size_t wire_frame_encode(uint8_t type, uint16_t sequence, const uint8_t *body, size_t length, uint8_t *out)
{
    if (length > WIRE_BODY_MAX)
        return 0;
    /* In three pieces straight into out: a small controller has no stack for a second copy of the body. */
    const uint8_t head[3] = {type, (uint8_t)(sequence & 0xFFu), (uint8_t)(sequence >> 8)};
    uint32_t crc = crc_add(0xFFFFFFFFu, head, sizeof head);
    crc = crc_add(crc, body, length) ^ 0xFFFFFFFFu;
    uint8_t check[4];
    for (unsigned i = 0; i < sizeof check; i++)
        check[i] = (uint8_t)((crc >> (8 * i)) & 0xFFu);
    struct cobs_writer w = cobs_begin(out);
    cobs_add(&w, head, sizeof head);
    cobs_add(&w, body, length);
    cobs_add(&w, check, sizeof check);
    const size_t encoded = cobs_end(&w);
    out[encoded] = 0;
    return encoded + 1;
}

void wire_decoder_init(struct wire_decoder *d, uint8_t *buffer, size_t size)
{
    d->buffer = buffer;
    d->size = size;
    d->used = 0;
    d->overflow = 0;
}

static enum wire_error finish_frame(struct wire_decoder *d, struct wire_frame *frame)
{
    const size_t encoded = d->used;
    const int overflow = d->overflow;
    size_t length = 0;
    d->used = 0;
    d->overflow = 0;
    if (overflow)
        return WIRE_TOO_LONG;
    if (encoded == 0)
        return WIRE_MORE; /* two delimiters in a row: a sender may begin with one to end what noise began */
    if (wire_cobs_decode(d->buffer, encoded, d->buffer, &length) != WIRE_OK)
        return WIRE_BAD_COBS;
    if (length < WIRE_OVERHEAD)
        return WIRE_TOO_SHORT;
    if (length > WIRE_BODY_MAX + WIRE_OVERHEAD)
        return WIRE_TOO_LONG;
    const size_t checked = length - 4;
    uint32_t crc = 0;
    for (unsigned i = 0; i < 4; i++)
        crc |= (uint32_t)d->buffer[checked + i] << (8 * i);
    if (crc != wire_crc32c(d->buffer, checked))
        return WIRE_BAD_CRC;
    frame->type = d->buffer[0];
    frame->sequence = (uint16_t)(d->buffer[1] | (uint16_t)((uint16_t)d->buffer[2] << 8));
    frame->body = d->buffer + 3;
    frame->length = checked - 3;
    return WIRE_OK;
}

size_t wire_decoder_feed(struct wire_decoder *d, const uint8_t *bytes, size_t length, enum wire_error *result,
                         struct wire_frame *frame)
{
    *result = WIRE_MORE;
    for (size_t taken = 0; taken < length; taken++) {
        if (bytes[taken] == 0) {
            *result = finish_frame(d, frame);
            return taken + 1;
        }
        if (d->used < d->size)
            d->buffer[d->used++] = bytes[taken];
        else
            d->overflow = 1;
    }
    return length;
}
