#include "rig/wire/frame.h"

#include <stdbool.h>

/* CRC-32C by half bytes. Row 0 alone is 64 bytes of a small controller's memory in place of 1 KiB: entry i is
 * i run four times through the reflected polynomial 0x82F63B78. Entry i of row j is the same with j more half
 * bytes of zero behind it, so that a machine with room takes eight bytes at a time by lookups that do not
 * wait for each other (Kounavis and Berry, A systematic approach to building high performance software-based
 * CRC generators, ISCC 2005). */
#ifndef WIRE_CRC_ROWS
#if SIZE_MAX > 0xFFFFu
#define WIRE_CRC_ROWS 16
#else
#define WIRE_CRC_ROWS 1
#endif
#endif
static const uint32_t crc_of_nibble[WIRE_CRC_ROWS][16] = {
    {0x00000000u, 0x105EC76Fu, 0x20BD8EDEu, 0x30E349B1u, 0x417B1DBCu, 0x5125DAD3u, 0x61C69362u, 0x7198540Du,
     0x82F63B78u, 0x92A8FC17u, 0xA24BB5A6u, 0xB21572C9u, 0xC38D26C4u, 0xD3D3E1ABu, 0xE330A81Au, 0xF36E6F75u},
#if WIRE_CRC_ROWS > 1
    {0x00000000u, 0xF26B8303u, 0xE13B70F7u, 0x1350F3F4u, 0xC79A971Fu, 0x35F1141Cu, 0x26A1E7E8u, 0xD4CA64EBu,
     0x8AD958CFu, 0x78B2DBCCu, 0x6BE22838u, 0x9989AB3Bu, 0x4D43CFD0u, 0xBF284CD3u, 0xAC78BF27u, 0x5E133C24u},
    {0x00000000u, 0x3FC5F181u, 0x7F8BE302u, 0x404E1283u, 0xFF17C604u, 0xC0D23785u, 0x809C2506u, 0xBF59D487u,
     0xFBC3FAF9u, 0xC4060B78u, 0x844819FBu, 0xBB8DE87Au, 0x04D43CFDu, 0x3B11CD7Cu, 0x7B5FDFFFu, 0x449A2E7Eu},
    {0x00000000u, 0x13A29877u, 0x274530EEu, 0x34E7A899u, 0x4E8A61DCu, 0x5D28F9ABu, 0x69CF5132u, 0x7A6DC945u,
     0x9D14C3B8u, 0x8EB65BCFu, 0xBA51F356u, 0xA9F36B21u, 0xD39EA264u, 0xC03C3A13u, 0xF4DB928Au, 0xE7790AFDu},
    {0x00000000u, 0x70A27D8Au, 0xE144FB14u, 0x91E6869Eu, 0xC76580D9u, 0xB7C7FD53u, 0x26217BCDu, 0x56830647u,
     0x8B277743u, 0xFB850AC9u, 0x6A638C57u, 0x1AC1F1DDu, 0x4C42F79Au, 0x3CE08A10u, 0xAD060C8Eu, 0xDDA47104u},
    {0x00000000u, 0xA541927Eu, 0x4F6F520Du, 0xEA2EC073u, 0x9EDEA41Au, 0x3B9F3664u, 0xD1B1F617u, 0x74F06469u,
     0x38513EC5u, 0x9D10ACBBu, 0x773E6CC8u, 0xD27FFEB6u, 0xA68F9ADFu, 0x03CE08A1u, 0xE9E0C8D2u, 0x4CA15AACu},
    {0x00000000u, 0xE964B13Du, 0xD725148Bu, 0x3E41A5B6u, 0xABA65FE7u, 0x42C2EEDAu, 0x7C834B6Cu, 0x95E7FA51u,
     0x52A0C93Fu, 0xBBC47802u, 0x8585DDB4u, 0x6CE16C89u, 0xF90696D8u, 0x106227E5u, 0x2E238253u, 0xC747336Eu},
    {0x00000000u, 0xDD45AAB8u, 0xBF672381u, 0x62228939u, 0x7B2231F3u, 0xA6679B4Bu, 0xC4451272u, 0x1900B8CAu,
     0xF64463E6u, 0x2B01C95Eu, 0x49234067u, 0x9466EADFu, 0x8D665215u, 0x5023F8ADu, 0x32017194u, 0xEF44DB2Cu},
    {0x00000000u, 0x8F2261D3u, 0x1BA8B557u, 0x948AD484u, 0x37516AAEu, 0xB8730B7Du, 0x2CF9DFF9u, 0xA3DBBE2Au,
     0x6EA2D55Cu, 0xE180B48Fu, 0x750A600Bu, 0xFA2801D8u, 0x59F3BFF2u, 0xD6D1DE21u, 0x425B0AA5u, 0xCD796B76u},
    {0x00000000u, 0x38116FACu, 0x7022DF58u, 0x4833B0F4u, 0xE045BEB0u, 0xD854D11Cu, 0x906761E8u, 0xA8760E44u,
     0xC5670B91u, 0xFD76643Du, 0xB545D4C9u, 0x8D54BB65u, 0x2522B521u, 0x1D33DA8Du, 0x55006A79u, 0x6D1105D5u},
    {0x00000000u, 0xC00C303Eu, 0x85F4168Du, 0x45F826B3u, 0x0E045BEBu, 0xCE086BD5u, 0x8BF04D66u, 0x4BFC7D58u,
     0x1C08B7D6u, 0xDC0487E8u, 0x99FCA15Bu, 0x59F09165u, 0x120CEC3Du, 0xD200DC03u, 0x97F8FAB0u, 0x57F4CA8Eu},
    {0x00000000u, 0xEF306B19u, 0xDB8CA0C3u, 0x34BCCBDAu, 0xB2F53777u, 0x5DC55C6Eu, 0x697997B4u, 0x8649FCADu,
     0x6006181Fu, 0x8F367306u, 0xBB8AB8DCu, 0x54BAD3C5u, 0xD2F32F68u, 0x3DC34471u, 0x097F8FABu, 0xE64FE4B2u},
    {0x00000000u, 0x9C5BFAA6u, 0x3D5B83BDu, 0xA100791Bu, 0x7AB7077Au, 0xE6ECFDDCu, 0x47EC84C7u, 0xDBB77E61u,
     0xF56E0EF4u, 0x6935F452u, 0xC8358D49u, 0x546E77EFu, 0x8FD9098Eu, 0x1382F328u, 0xB2828A33u, 0x2ED97095u},
    {0x00000000u, 0x68032CC8u, 0xD0065990u, 0xB8057558u, 0xA5E0C5D1u, 0xCDE3E919u, 0x75E69C41u, 0x1DE5B089u,
     0x4E2DFD53u, 0x262ED19Bu, 0x9E2BA4C3u, 0xF628880Bu, 0xEBCD3882u, 0x83CE144Au, 0x3BCB6112u, 0x53C84DDAu},
    {0x00000000u, 0x847609B4u, 0x0D006599u, 0x89766C2Du, 0x1A00CB32u, 0x9E76C286u, 0x1700AEABu, 0x9376A71Fu,
     0x34019664u, 0xB0779FD0u, 0x3901F3FDu, 0xBD77FA49u, 0x2E015D56u, 0xAA7754E2u, 0x230138CFu, 0xA777317Bu},
    {0x00000000u, 0x493C7D27u, 0x9278FA4Eu, 0xDB448769u, 0x211D826Du, 0x6821FF4Au, 0xB3657823u, 0xFA590504u,
     0x423B04DAu, 0x0B0779FDu, 0xD043FE94u, 0x997F83B3u, 0x632686B7u, 0x2A1AFB90u, 0xF15E7CF9u, 0xB86201DEu}
#endif
};

#if WIRE_CRC_ROWS > 1
static uint32_t word_at(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

/* Four bytes with row more half bytes behind them. */
static uint32_t crc_of_word(uint32_t word, unsigned row)
{
    return crc_of_nibble[row + 7][word & 15u] ^ crc_of_nibble[row + 6][word >> 4 & 15u] ^
           crc_of_nibble[row + 5][word >> 8 & 15u] ^ crc_of_nibble[row + 4][word >> 12 & 15u] ^
           crc_of_nibble[row + 3][word >> 16 & 15u] ^ crc_of_nibble[row + 2][word >> 20 & 15u] ^
           crc_of_nibble[row + 1][word >> 24 & 15u] ^ crc_of_nibble[row][word >> 28];
}
#endif

static uint32_t crc_add(uint32_t crc, const uint8_t *bytes, size_t length)
{
    size_t i = 0;
#if WIRE_CRC_ROWS > 1
    for (; length - i >= 8; i += 8)
        crc = crc_of_word(crc ^ word_at(bytes + i), 8) ^ crc_of_word(word_at(bytes + i + 4), 0);
#endif
    for (; i < length; i++) {
        crc ^= bytes[i];
        crc = (crc >> 4) ^ crc_of_nibble[0][crc & 15u];
        crc = (crc >> 4) ^ crc_of_nibble[0][crc & 15u];
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

/* Decode in place what holds no zero: the first code, and the *length bytes behind it. Each code that is met
 * on the way becomes the zero that it stands for, but one behind a full block stands for none and is taken
 * out. */
static enum wire_error cobs_decode(uint8_t first, uint8_t *bytes, size_t *length)
{
    size_t used = *length;
    size_t at = first - 1u; /* of the next code */
    bool full = first == 0xFFu;
    while (at < used) {
        const uint8_t code = bytes[at];
        if (full) {
            used--;
            for (size_t i = at; i < used; i++)
                bytes[i] = bytes[i + 1];
            at += code - 1u;
        } else {
            bytes[at] = 0;
            at += code;
        }
        full = code == 0xFFu;
    }
    *length = used;
    return at == used ? WIRE_OK : WIRE_BAD_COBS;
}

enum wire_error wire_cobs_decode(const uint8_t *encoded, size_t length, uint8_t *out, size_t *out_length)
{
    if (length == 0)
        return WIRE_BAD_COBS;
    for (size_t i = 0; i < length; i++)
        if (encoded[i] == 0)
            return WIRE_BAD_COBS;
    const uint8_t first = encoded[0];
    *out_length = length - 1;
    for (size_t i = 0; i < length - 1; i++)
        out[i] = encoded[i + 1];
    return cobs_decode(first, out, out_length);
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
    uint8_t *const whole = d->buffer + 1; /* behind the first code, which stands for nothing */
    d->used = 0;
    d->overflow = 0;
    if (overflow)
        return WIRE_TOO_LONG;
    if (encoded == 0)
        return WIRE_MORE; /* two delimiters in a row: a sender may begin with one to end what noise began */
    size_t length = encoded - 1;
    if (cobs_decode(d->buffer[0], whole, &length) != WIRE_OK)
        return WIRE_BAD_COBS;
    if (length < WIRE_OVERHEAD)
        return WIRE_TOO_SHORT;
    if (length > WIRE_BODY_MAX + WIRE_OVERHEAD)
        return WIRE_TOO_LONG;
    const size_t checked = length - 4;
    uint32_t crc = 0;
    for (unsigned i = 0; i < 4; i++)
        crc |= (uint32_t)whole[checked + i] << (8 * i);
    if (crc != wire_crc32c(whole, checked))
        return WIRE_BAD_CRC;
    frame->type = whole[0];
    frame->sequence = (uint16_t)(whole[1] | (uint16_t)((uint16_t)whole[2] << 8));
    frame->body = whole + 3;
    frame->length = checked - 3;
    return WIRE_OK;
}

size_t wire_decoder_feed(struct wire_decoder *d, const uint8_t *bytes, size_t length, enum wire_error *result,
                         struct wire_frame *frame)
{
    uint8_t *const to = d->buffer + d->used;
    const size_t room = d->size - d->used;
    const size_t most = length < room ? length : room;
    size_t taken = 0;
    *result = WIRE_MORE;
    for (; taken < most && bytes[taken] != 0; taken++)
        to[taken] = bytes[taken];
    d->used += taken;
    for (; taken < length && bytes[taken] != 0; taken++)
        d->overflow = 1;
    if (taken == length)
        return length;
    *result = finish_frame(d, frame);
    return taken + 1;
}
