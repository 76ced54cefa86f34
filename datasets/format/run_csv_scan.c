#include "datasets/format/run_csv_scan.h"

#include <endian.h>
#include <string.h>

/* A row is looked at through a window of so many bytes at first, and of the others where that is too short;
 * one of 10 digits of time, 8 of each count and their signs takes 42. Numbers are read 8 bytes at a time,
 * which may reach past the window. */
#define WIDE_WORDS 8
#define WIDE_BYTES (8 * WIDE_WORDS)

#define EVERY_BYTE(value) (UINT64_C(0x0101010101010101) * (value))
#define HIGH_BITS         EVERY_BYTE(0x80)

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

/* Eight bytes, the first one lowest. */
static inline uint64_t load(const char *bytes)
{
    uint64_t word;
    memcpy(&word, bytes, sizeof word);
    return le64toh(word);
}

/* The lowest eight bits are those of the eight bytes of a word whose high bit is set; the product gathers
 * them. */
static inline uint64_t gather(uint64_t word)
{
    return (word & HIGH_BITS) * UINT64_C(0x0002040810204081) >> 56;
}

/* High bits where a byte is no digit. A byte past 127 may make the next one look like none, too, but never
 * the other way round. */
static inline uint64_t no_digits(uint64_t word)
{
    word ^= EVERY_BYTE('0');
    return (word + EVERY_BYTE(0x80 - 10)) | word;
}

/* High bits where a byte is below the minus sign and the digits, as comma and line feed are: right as far as
 * all bytes are below 128, and so looked at again. */
static inline uint64_t below_signs(uint64_t word)
{
    return EVERY_BYTE('-' - 1 + 0x80) - word;
}

/* The number of eight digits, each a byte of 0 to 9, the first one lowest: pairs, fours and eight side by
 * side.
 */
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

/* The number of n digits (1 to 8) in front of end. */
static inline uint64_t digits(const char *end, size_t n)
{
    return eight_digits(load(end - 8) & DIGITS_OF[n]);
}

/* What changes slowly is worked out once: the digits of a time in front of its last eight. */
struct time_head {
    uint64_t word, value_us;
};

/* The time of n digits, 1 to 16. */
static inline int64_t take_time(const char *row, size_t n, struct time_head *head)
{
    uint64_t word;
    if (n <= 8)
        return (int64_t)digits(row + n, n);
    word = load(row) << (128 - 8 * n);
    if (word != head->word) {
        head->word = word;
        head->value_us = eight_digits(word & EVERY_BYTE(0x0F)) * 100000000;
    }
    return (int64_t)(head->value_us + digits(row + n, 8));
}

/* The flags of n digits, 1 to 3, in front of end; past 255 where they are. */
static inline unsigned take_flags(const char *end, size_t n)
{
    return n == 1 ? (unsigned)end[-1] & 0x0F : (unsigned)digits(end, n);
}

/* The first five of the bits in ends, as places. False when there are fewer. */
static inline bool find_ends(uint64_t ends, size_t *end)
{
    uint64_t second = ends & (ends - 1);
    uint64_t third = second & (second - 1);
    uint64_t fourth = third & (third - 1);
    uint64_t fifth = fourth & (fourth - 1);
    if (fifth == 0)
        return false;
    end[0] = (size_t)__builtin_ctzll(ends);
    end[1] = (size_t)__builtin_ctzll(second);
    end[2] = (size_t)__builtin_ctzll(third);
    end[3] = (size_t)__builtin_ctzll(fourth);
    end[4] = (size_t)__builtin_ctzll(fifth);
    return true;
}

static inline bool are_ends(const char *row, const size_t *end)
{
    return row[end[0]] == ',' && row[end[1]] == ',' && row[end[2]] == ',' && row[end[3]] == ',' &&
           row[end[4]] == '\n';
}

/* A row without minus signs, which most are: every byte that is no digit ends a field. */
__attribute__((always_inline)) static inline const char *take_plain_row(const char *row, struct raw_sample *s,
                                                                        struct time_head *head, bool encoder)
{
    uint64_t ends = gather(no_digits(load(row))) | gather(no_digits(load(row + 8))) << 8 |
                    gather(no_digits(load(row + 16))) << 16 | gather(no_digits(load(row + 24))) << 24 |
                    gather(no_digits(load(row + 32))) << 32;
    size_t end[5];
    size_t force, steps, counts, flags;
    if (!find_ends(ends, end) || !are_ends(row, end))
        return NULL;
    force = end[1] - end[0] - 1;
    steps = end[2] - end[1] - 1;
    counts = end[3] - end[2] - 1;
    flags = end[4] - end[3] - 1;
    /* Without encoder there is a place of 1 digit in place of none, so that one comparison does. */
    if (((force - 1) | (steps - 1) | (counts - encoder)) > 7 || end[0] - 1 > 15 || flags - 1 > 2 ||
        (!encoder && counts != 0))
        return NULL;
    s->time_us = take_time(row, end[0], head);
    s->force_counts = (int32_t)digits(row + end[1], force);
    s->commanded_steps = (int32_t)digits(row + end[2], steps);
    if (encoder)
        s->encoder_counts = (int32_t)digits(row + end[3], counts);
    flags = take_flags(row + end[4], flags);
    s->flags = (uint8_t)flags;
    return flags <= UINT8_MAX ? row + end[4] + 1 : NULL;
}

/* The count between begin and end, of 1 to 8 digits behind a minus sign or none; false where it is none. */
static inline bool take_count(const char *begin, const char *end, int32_t *count)
{
    int negative = *begin == '-';
    size_t n = (size_t)(end - begin) - (size_t)negative;
    uint64_t word;
    int32_t magnitude;
    if (n - 1 > 7)
        return false;
    word = load(begin + negative) << (64 - 8 * n);
    magnitude = (int32_t)eight_digits(word & EVERY_BYTE(0x0F));
    *count = (magnitude ^ -negative) + negative;
    /* Zero bytes in front of the digits are above nothing, and so are let pass. */
    word ^= EVERY_BYTE('0') << (64 - 8 * n);
    return (((word + EVERY_BYTE(0x80 - 10)) | word) & HIGH_BITS) == 0;
}

/* Any row that the wide window holds, with counts of up to 8 digits. */
static const char *take_any_row(const char *row, struct raw_sample *s, struct time_head *head, bool encoder)
{
    uint64_t ends = 0;
    size_t end[5];
    int32_t time_digits;
    size_t flags;
    for (int word = 0; word < WIDE_WORDS; word++)
        ends |= gather(below_signs(load(row + 8 * word))) << (8 * word);
    if (!find_ends(ends, end) || !are_ends(row, end))
        return NULL;
    flags = end[4] - end[3] - 1;
    /* The digits of time and flags are looked at as counts are. */
    if (end[0] - 1 > 15 || flags - 1 > 2 || *row == '-' || row[end[3] + 1] == '-' ||
        !take_count(row, row + (end[0] > 8 ? end[0] - 8 : end[0]), &time_digits) ||
        (end[0] > 8 && (row[end[0] - 8] == '-' || !take_count(row + end[0] - 8, row + end[0], &time_digits))))
        return NULL;
    if (!take_count(row + end[0] + 1, row + end[1], &s->force_counts) ||
        !take_count(row + end[1] + 1, row + end[2], &s->commanded_steps) ||
        (encoder ? !take_count(row + end[2] + 1, row + end[3], &s->encoder_counts) : end[3] != end[2] + 1) ||
        !take_count(row + end[3] + 1, row + end[4], &time_digits))
        return NULL;
    s->time_us = take_time(row, end[0], head);
    s->flags = (uint8_t)time_digits;
    return time_digits <= UINT8_MAX ? row + end[4] + 1 : NULL;
}

/* Inlined for each of the two values of encoder. */
__attribute__((always_inline)) static inline size_t scan(const char **bytes, const char *end,
                                                         const char *readable_end, run_csv_scan_row *strict,
                                                         const struct run_csv_room *room, size_t room_rows,
                                                         bool encoder)
{
    const struct run_csv_room to = *room;
    /* Where the wide window and a number that reaches past it still fit. */
    size_t readable = (size_t)(readable_end - *bytes);
    const char *wide_end = *bytes + (readable < WIDE_BYTES + 8 ? 0 : readable - WIDE_BYTES - 7);
    const char *row = *bytes;
    struct time_head head = {0, 0};
    int64_t time_before = 0;
    size_t n = 0;
    for (; row < end && n < room_rows; n++) {
        struct raw_sample s;
        const char *next = NULL;
        if (row < wide_end && (next = take_plain_row(row, &s, &head, encoder)) == NULL)
            next = take_any_row(row, &s, &head, encoder);
        if (next == NULL) {
            bool has_encoder;
            next = row;
            if (!strict(&next, &s, &has_encoder) || has_encoder != encoder)
                break;
        }
        if (s.time_us < time_before)
            break;
        time_before = s.time_us;
        to.time_us[n] = s.time_us;
        to.force_counts[n] = s.force_counts;
        to.commanded_steps[n] = s.commanded_steps;
        if (encoder)
            to.encoder_counts[n] = s.encoder_counts;
        to.flags[n] = s.flags;
        row = next;
    }
    *bytes = row;
    return n;
}

size_t run_csv_scan_rows(const char **bytes, const char *end, const char *readable_end,
                         run_csv_scan_row *strict, const struct run_csv_room *room, size_t room_rows)
{
    if (room->encoder_counts != NULL)
        return scan(bytes, end, readable_end, strict, room, room_rows, true);
    return scan(bytes, end, readable_end, strict, room, room_rows, false);
}
