#include "datasets/format/run_csv_scan.h"

#include <endian.h>
#include <string.h>
#ifdef __SSE2__
#include <emmintrin.h>
#endif

/* A row is looked at through a window of so many bytes, each of them a bit of a word; one of 16 digits of
 * time and 8 of each count with their signs takes 51. */
#define WINDOW_BYTES 64

/* Line feeds of one block fit a byte, so that a compiler counts many at a time. */
#define BLOCK_BYTES 128

size_t run_csv_scan_count(const char *bytes, size_t length)
{
    size_t count = 0;
    for (; length >= BLOCK_BYTES; length -= BLOCK_BYTES, bytes += BLOCK_BYTES) {
        unsigned char in_block = 0;
        for (int i = 0; i < BLOCK_BYTES; i++)
            in_block = (unsigned char)(in_block + (bytes[i] == '\n'));
        count += in_block;
    }
    for (size_t i = 0; i < length; i++)
        count += bytes[i] == '\n';
    return count;
}

/* Patterns side by side, and by how many bits they are told apart at first sight. */
#define PATTERNS     16
#define OUTLINE_BITS 8
/* So much of a row says which pattern it may have: no more than the window. */
#define OUTLINE_BYTES 32
/* A pattern makes room for another one after so many rows that look like it and are not. */
#define MISSES_ENOUGH 4
/* So many rows one behind the other that have the same pattern are the beginning of a stretch. */
#define ALIKE_ENOUGH 8

/* A call for each row takes an eighth more instructions, and gcc makes one where there are two callers. */
#define INLINED __attribute__((always_inline))

#define EVERY_BYTE(value) (UINT64_C(0x0101010101010101) * (value))

/* Eight bytes, the first one lowest. */
static inline uint64_t load(const char *bytes)
{
    uint64_t word;
    memcpy(&word, bytes, sizeof word);
    return le64toh(word);
}

/* The number of eight digits, each a byte of 0 to 9, the first one lowest: pairs, fours and eight side by
 * side. */
static inline uint64_t eight_digits(uint64_t word)
{
    const uint64_t fours = UINT64_C(0x000000FF000000FF);
    word = word * 10 + (word >> 8);
    return ((word & fours) * (100 + (UINT64_C(1000000) << 32)) +
            ((word >> 16) & fours) * (1 + (UINT64_C(10000) << 32))) >>
           32;
}

/* Of the eight bytes that end with n digits, those digits' values. */
static const uint64_t DIGITS_OF[9] = {
    0,
    UINT64_C(0x0F00000000000000),
    UINT64_C(0x0F0F000000000000),
    UINT64_C(0x0F0F0F0000000000),
    UINT64_C(0x0F0F0F0F00000000),
    UINT64_C(0x0F0F0F0F0F000000),
    UINT64_C(0x0F0F0F0F0F0F0000),
    UINT64_C(0x0F0F0F0F0F0F0F00),
    UINT64_C(0x0F0F0F0F0F0F0F0F),
};

/* The number of n digits (0 to 8) in front of end. */
static inline uint32_t number_before(const char *end, size_t n)
{
    return (uint32_t)eight_digits(load(end - 8) & DIGITS_OF[n]);
}

/* What the digits of a time of n (1 to 16) in front of its last eight come to. */
static inline int64_t head_us(const char *row, size_t n)
{
    return n > 8 ? (int64_t)eight_digits((load(row) & EVERY_BYTE(0x0F)) << (128 - 8 * n)) * 100000000 : 0;
}

#ifdef __SSE2__

static inline __m128i sixteen(const char *bytes)
{
    return _mm_loadu_si128((const __m128i *)bytes);
}

/* The high bit of each byte that is no digit. */
static inline __m128i no_digits_of(__m128i bytes)
{
    return _mm_adds_epu8(_mm_xor_si128(bytes, _mm_set1_epi8('0')), _mm_set1_epi8(0x80 - 10));
}

/* Bits of that many bytes that are no digits. */
static inline uint64_t no_digits_among(const char *row, size_t bytes)
{
    uint64_t bits = 0;
    for (size_t i = 0; i < bytes; i += 16)
        bits |= (uint64_t)(unsigned)_mm_movemask_epi8(no_digits_of(sixteen(row + i))) << i;
    return bits;
}

#else

#define HIGH_BITS EVERY_BYTE(0x80)

/* The lowest eight bits are those of the eight bytes of a word whose high bit is set; the product gathers
 * them. */
static inline uint64_t gather(uint64_t word)
{
    return (word & HIGH_BITS) * UINT64_C(0x0002040810204081) >> 56;
}

/* Neither here nor below does a sum go past its byte. */
static inline uint64_t no_digits_among(const char *row, size_t bytes)
{
    uint64_t bits = 0;
    for (size_t i = 0; i < bytes; i += 8) {
        uint64_t values = load(row + i) ^ EVERY_BYTE('0');
        bits |= gather(((values & ~HIGH_BITS) + EVERY_BYTE(0x80 - 10)) | values) << i;
    }
    return bits;
}

#endif

/* Bits of the window that are no digits. */
static inline uint64_t no_digits(const char *row)
{
    return no_digits_among(row, WINDOW_BYTES);
}

/* Where in a row its five fields end, and how many digits they have. Bits of minus are those of its minus
 * signs, bits of ends of everything else that is no digit as well: the two make the shape. */
struct shape {
    uint64_t minus, ends;
    size_t end[5], digits[5];
};

static inline bool is_negative(const struct shape *s, int field)
{
    return (s->minus >> (s->end[field - 1] + 1) & 1) != 0;
}

static inline bool are_ends(const char *row, const struct shape *s)
{
    return row[s->end[0]] == ',' && row[s->end[1]] == ',' && row[s->end[2]] == ',' && row[s->end[3]] == ',' &&
           row[s->end[4]] == '\n';
}

/* Of the row at row; false where it is not good, has a count of more than 8 digits, or is too long. Signs
 * change at random where a force is near zero, so that no branch depends on one. */
static inline bool find_shape(const char *row, bool encoder, struct shape *s)
{
    uint64_t left = no_digits(row);
    size_t begin = 0;
    s->minus = 0;
    s->ends = left;
    for (int i = 0; i < 5; i++) {
        size_t minus;
        if (left == 0)
            return false;
        /* A count alone may have a sign. */
        minus = (size_t)(row[begin] == '-') & (size_t)(i % 4 != 0);
        s->minus |= (uint64_t)minus << begin;
        left &= ~((uint64_t)minus << begin);
        if (left == 0)
            return false;
        s->end[i] = (size_t)__builtin_ctzll(left);
        s->digits[i] = s->end[i] - begin - minus;
        left &= left - 1;
        begin = s->end[i] + 1;
    }
    s->ends ^= left;
    return s->digits[0] - 1 <= 15 && s->digits[1] - 1 <= 7 && s->digits[2] - 1 <= 7 &&
           (encoder ? s->digits[3] - 1 <= 7 : s->end[3] == s->end[2] + 1) && s->digits[4] - 1 <= 2 &&
           are_ends(row, s);
}

/* The flags of n digits, 1 to 3, in front of end; past 255 where they are. */
static inline uint32_t take_flags(const char *end, size_t n)
{
    return n == 1 ? (unsigned char)end[-1] & 0x0Fu : number_before(end, n);
}

static inline int32_t count_of(const char *row, const struct shape *s, int field)
{
    int32_t magnitude = (int32_t)number_before(row + s->end[field], s->digits[field]);
    return is_negative(s, field) ? -magnitude : magnitude;
}

/* The numbers of a row of that shape into place n; false where its flags are too large. */
static inline bool take_shaped(const char *row, const struct shape *s, const struct run_csv_room *to,
                               size_t n)
{
    size_t time = s->digits[0];
    uint32_t flags = take_flags(row + s->end[4], s->digits[4]);
    to->time_us[n] = head_us(row, time) + number_before(row + time, time < 8 ? time : 8);
    to->force_counts[n] = count_of(row, s, 1);
    to->commanded_steps[n] = count_of(row, s, 2);
    if (to->encoder_counts != NULL)
        to->encoder_counts[n] = count_of(row, s, 3);
    to->flags[n] = (uint8_t)flags;
    return flags <= UINT8_MAX;
}

#ifdef __SSE2__

/* Most rows have the shape of the row above, and with it the first digits of a long time. So that is made a
 * pattern which a row is held against as a whole, and which says where its numbers are. Its flags have one
 * digit. */
struct pattern {
    /* A byte is good where it differs from expected by no more than bits that slack leaves room for; behind
     * the row any ASCII is good. */
    __m128i expected[4], slack[4];
    __m128i digits[2];  /* of the values of 16 bytes, those that are of the number */
    __m128i pairing;    /* makes a pair of digits its number: not a constant, which gcc turns into shifts */
    __m128i weights;    /* of the two halves of each of the four numbers, with its sign */
    ptrdiff_t eight[4]; /* where eight bytes begin that end as the field does */
    int64_t head_us;
    size_t length;
    int misses;
};

/* One that no row has. */
static struct pattern no_pattern(void)
{
    return (struct pattern){.slack = {_mm_set1_epi8(-1)}, .misses = MISSES_ENOUGH};
}

static inline __m128i two_words(uint64_t first, uint64_t second)
{
    return _mm_set_epi64x((long long)second, (long long)first);
}

/* The pattern of a row of that shape. */
static void make_pattern(const char *row, const struct shape *s, struct pattern *p)
{
    size_t head = s->digits[0] > 8 ? s->digits[0] - 8 : 0;
    short sign[3];
    for (int i = 0; i < 3; i++)
        sign[i] = is_negative(s, i + 1) ? -1 : 1;
    p->length = s->end[4] + 1;
    p->misses = 0;
    for (int i = 0; i < 4; i++) {
        const __m128i place =
            _mm_add_epi8(_mm_set1_epi8((char)(16 * i)),
                         _mm_setr_epi8(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15));
        __m128i bytes = sixteen(row + 16 * i);
        __m128i within = _mm_cmplt_epi8(place, _mm_set1_epi8((char)p->length));
        /* Signs, ends and the first digits of the time are as they are; elsewhere are digits. */
        __m128i fixed = _mm_or_si128(_mm_cmplt_epi8(no_digits_of(bytes), _mm_setzero_si128()),
                                     _mm_cmplt_epi8(place, _mm_set1_epi8((char)head)));
        p->expected[i] = _mm_and_si128(
            within, _mm_or_si128(_mm_and_si128(fixed, bytes), _mm_andnot_si128(fixed, _mm_set1_epi8('0'))));
        p->slack[i] = _mm_and_si128(
            within, _mm_or_si128(_mm_set1_epi8(0x80 - 10), _mm_and_si128(fixed, _mm_set1_epi8(0x7F))));
    }
    p->head_us = head_us(row, s->digits[0]);
    p->digits[0] = two_words(DIGITS_OF[s->digits[0] < 8 ? s->digits[0] : 8], DIGITS_OF[s->digits[1]]);
    p->digits[1] = two_words(DIGITS_OF[s->digits[2]], DIGITS_OF[s->digits[3]]);
    p->pairing = _mm_set1_epi16(10 * 256 + 1);
    p->weights = _mm_setr_epi16(10000, 1, (short)(sign[0] * 10000), sign[0], (short)(sign[1] * 10000),
                                sign[1], (short)(sign[2] * 10000), sign[2]);
    for (int i = 0; i < 4; i++)
        p->eight[i] = (ptrdiff_t)s->end[i] - 8;
}

/* The high bits of those of 16 bytes that are not as the pattern has them. */
static inline __m128i unlike(const char *row, const struct pattern *p, int i)
{
    return _mm_adds_epu8(_mm_xor_si128(sixteen(row + 16 * i), p->expected[i]), p->slack[i]);
}

static inline bool is_alike(const char *row, const struct pattern *p)
{
    __m128i bad = _mm_or_si128(unlike(row, p, 0), _mm_or_si128(unlike(row, p, 1), unlike(row, p, 2)));
    if (p->length > 48)
        bad = _mm_or_si128(bad, unlike(row, p, 3));
    return _mm_movemask_epi8(bad) == 0;
}

/* Two numbers of up to eight digits each as four of up to four. The product has ten times the first digit of
 * a pair and the second one in its upper byte, and what goes past that is lost. */
static inline __m128i fours_of(const char *first, const char *second, const struct pattern *p, int which)
{
    __m128i values = _mm_and_si128(
        _mm_unpacklo_epi64(_mm_loadl_epi64((const __m128i *)first), _mm_loadl_epi64((const __m128i *)second)),
        p->digits[which]);
    __m128i pairs = _mm_srli_epi16(_mm_mullo_epi16(values, p->pairing), 8);
    return _mm_madd_epi16(pairs, _mm_set1_epi32(100 + (1 << 16)));
}

/* The numbers of a row like the pattern into place n; false where it is not like it. */
INLINED static inline bool take_alike(const char *row, const struct pattern *p, bool encoder,
                                      const struct run_csv_room *to, size_t n)
{
    __m128i fours, numbers;
    if (!is_alike(row, p))
        return false;
    fours = _mm_packs_epi32(fours_of(row + p->eight[0], row + p->eight[1], p, 0),
                            fours_of(row + p->eight[2], row + p->eight[3], p, 1));
    numbers = _mm_madd_epi16(fours, p->weights);
    to->time_us[n] = p->head_us + _mm_cvtsi128_si32(numbers);
    to->force_counts[n] = _mm_cvtsi128_si32(_mm_shuffle_epi32(numbers, 1));
    to->commanded_steps[n] = _mm_cvtsi128_si32(_mm_shuffle_epi32(numbers, 2));
    if (encoder)
        to->encoder_counts[n] = _mm_cvtsi128_si32(_mm_shuffle_epi32(numbers, 3));
    to->flags[n] = (uint8_t)(row[p->length - 2] & 0x0F);
    return true;
}

#else

/* The same in plain C. */
struct pattern {
    uint64_t others, within; /* bits of the window that are no digits, and that are of the row */
    struct shape shape;
    size_t length;
    int misses;
};

static struct pattern no_pattern(void)
{
    return (struct pattern){
        .within = UINT64_MAX, .others = UINT64_MAX, .length = WINDOW_BYTES, .misses = MISSES_ENOUGH};
}

INLINED static inline bool take_alike(const char *row, const struct pattern *p, bool encoder,
                                      const struct run_csv_room *to, size_t n)
{
    const struct shape *s = &p->shape;
    (void)encoder;
    if (((no_digits_among(row, p->length) ^ p->others) & p->within) != 0 || !are_ends(row, s))
        return false;
    for (int i = 1; i < 4; i++) {
        if (is_negative(s, i) && row[s->end[i - 1] + 1] != '-')
            return false;
    }
    return take_shaped(row, s, to, n);
}

static void make_pattern(const char *row, const struct shape *s, struct pattern *p)
{
    *p = (struct pattern){.others = no_digits(row),
                          .within = (UINT64_C(2) << s->end[4]) - 1,
                          .shape = *s,
                          .length = s->end[4] + 1};
}

#endif

/* Near zero force the signs and lengths of rows change at random, and no branch is to depend on them: the
 * outline of a row is the number of its pattern's place. */
struct patterns {
    unsigned char places[1 << OUTLINE_BITS];
    struct pattern at[PATTERNS]; /* the first one stays one that no row has */
    unsigned made;
};

static inline size_t outline_of(const char *row)
{
    return (size_t)(no_digits_among(row, OUTLINE_BYTES) * UINT64_C(0x9E3779B97F4A7C15) >>
                    (64 - OUTLINE_BITS));
}

static void no_patterns(struct patterns *p)
{
    memset(p->places, 0, sizeof p->places);
    for (int i = 0; i < PATTERNS; i++)
        p->at[i] = no_pattern();
    p->made = 0;
}

/* A row that the window holds and that is not like the pattern of its outline; where it ends, NULL where it
 * is not good. */
__attribute__((noinline)) static const char *take_unlike(const char *row, struct patterns *p,
                                                         const struct run_csv_room *to, size_t n)
{
    unsigned char *place = &p->places[outline_of(row)];
    struct shape shape;
    if (!find_shape(row, to->encoder_counts != NULL, &shape))
        return NULL;
    if (shape.digits[4] == 1 && p->at[*place].misses++ >= MISSES_ENOUGH) {
        if (*place == 0)
            *place = (unsigned char)(1 + p->made++ % (PATTERNS - 1));
        make_pattern(row, &shape, &p->at[*place]);
    }
    return take_shaped(row, &shape, to, n) ? row + shape.end[4] + 1 : NULL;
}

/* Whatever is too much for the above; NULL where the row is not good. */
__attribute__((noinline)) static const char *take_strictly(const char *row, run_csv_scan_row *strict,
                                                           const struct run_csv_room *to, size_t n)
{
    struct raw_sample s;
    bool encoder;
    if (!strict(&row, &s, &encoder) || encoder != (to->encoder_counts != NULL))
        return NULL;
    to->time_us[n] = s.time_us;
    to->force_counts[n] = s.force_counts;
    to->commanded_steps[n] = s.commanded_steps;
    if (encoder)
        to->encoder_counts[n] = s.encoder_counts;
    to->flags[n] = s.flags;
    return row;
}

/* How far a scan has come: behind n rows, the last of them at time_us. */
struct progress {
    const char *row;
    size_t n;
    int64_t time_us;
};

/* Rows that begin before stop, as long as they are like a pattern, room is left and time goes on. All
 * of them are as long, and what they are held against stays in registers. False where time runs backward. */
INLINED static inline bool take_rows_alike(struct progress *at, const char *stop, const struct pattern *like,
                                           bool encoder, const struct run_csv_room *to, size_t room_rows)
{
    const struct pattern p = *like;
    const struct run_csv_room room = *to;
    const char *row = at->row;
    size_t n = at->n;
    int64_t time_us = at->time_us, time_before = time_us;
    while (row < stop && n < room_rows && take_alike(row, &p, encoder, &room, n)) {
        time_us = room.time_us[n];
        if (time_us < time_before)
            break;
        time_before = time_us;
        row += p.length;
        n++;
    }
    *at = (struct progress){row, n, time_before};
    return time_us >= time_before;
}

/* Rows of whatever pattern, until some of them begin a stretch: *like is its pattern then. False where one is
 * not good or time runs backward. */
INLINED static inline bool take_rows(struct progress *at, const char *end, const char *window_end,
                                     struct patterns *patterns, const struct pattern **like,
                                     run_csv_scan_row *strict, bool encoder, const struct run_csv_room *to,
                                     size_t room_rows)
{
    int alike = 0;
    while (alike < ALIKE_ENOUGH && at->row < end && at->n < room_rows) {
        const char *row = at->row, *next = NULL;
        if (row < window_end) {
            const struct pattern *p = &patterns->at[patterns->places[outline_of(row)]];
            next = take_alike(row, p, encoder, to, at->n) ? row + p->length
                                                          : take_unlike(row, patterns, to, at->n);
            alike = p == *like ? alike + 1 : 0;
            *like = p;
        }
        if (next == NULL)
            next = take_strictly(row, strict, to, at->n);
        if (next == NULL || to->time_us[at->n] < at->time_us)
            return false;
        *at = (struct progress){next, at->n + 1, to->time_us[at->n]};
    }
    return true;
}

/* Inlined for each of the two values of encoder. */
INLINED static inline size_t scan(const char **bytes, const char *end, const char *readable_end,
                                  run_csv_scan_row *strict, const struct run_csv_room *to, size_t room_rows,
                                  bool encoder)
{
    /* Where the window still fits. */
    size_t readable = (size_t)(readable_end - *bytes);
    const char *window_end = *bytes + (readable < WINDOW_BYTES ? 0 : readable - WINDOW_BYTES + 1);
    const char *stop = end < window_end ? end : window_end;
    struct patterns patterns;
    const struct pattern *like = patterns.at;
    struct progress at = {.row = *bytes};
    no_patterns(&patterns);
    while (at.row < end && at.n < room_rows) {
        if (!take_rows(&at, end, window_end, &patterns, &like, strict, encoder, to, room_rows) ||
            !take_rows_alike(&at, stop, like, encoder, to, room_rows))
            break;
    }
    *bytes = at.row;
    return at.n;
}

size_t run_csv_scan_rows(const char **bytes, const char *end, const char *readable_end,
                         run_csv_scan_row *strict, const struct run_csv_room *room, size_t room_rows)
{
    if (room->encoder_counts != NULL)
        return scan(bytes, end, readable_end, strict, room, room_rows, true);
    return scan(bytes, end, readable_end, strict, room, room_rows, false);
}
