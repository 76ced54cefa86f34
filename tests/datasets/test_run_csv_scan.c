/* The fast reading of rows against the strict one: random rows, hostile rows, and every byte of a row made
 * every other byte. NIPBENCH_SEED=N takes another seed for what is random. */
#include "datasets/format/run_csv_scan.h"

#include "datasets/format/run_csv.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Behind the rows that are looked at, so that the wide window fits. */
#define TAIL      "9223372036854775806,1,2,3,0\n9223372036854775806,-1,2,3,0\n9223372036854775806,1,2,3,0\n"
#define TAIL_BARE "9223372036854775806,1,2,,0\n9223372036854775806,-1,2,,0\n9223372036854775806,1,2,,0\n"
#define ROOM      64

static uint64_t state;

static uint32_t chance(uint32_t below)
{
    state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (uint32_t)((state >> 33) % below);
}

static void begin(void)
{
    const char *word = getenv("NIPBENCH_SEED");
    state = word == NULL ? 20261129 : strtoull(word, NULL, 10);
    printf("seed %llu\n", (unsigned long long)state);
}

TestSuite(run_csv_scan, .init = begin);

static bool strict_row(const char **row, struct raw_sample *sample, bool *encoder)
{
    const char *end = rawmemchr(*row, '\n');
    size_t length = (size_t)(end - *row);
    if (run_csv_parse_row(*row, length, sample, encoder, NULL) != ERR_OK)
        return false;
    *row = end + 1;
    return true;
}

static bool refuse_row(const char **row, struct raw_sample *sample, bool *encoder)
{
    (void)row;
    (void)sample;
    (void)encoder;
    return false;
}

struct columns {
    int64_t time_us[ROOM];
    int32_t force_counts[ROOM], commanded_steps[ROOM], encoder_counts[ROOM];
    uint8_t flags[ROOM];
};

static struct columns found, wanted;

/* From a copy that ends where the text ends, so that the sanitizer sees a look past it. */
static size_t scan(const char **at, const char *end, run_csv_scan_row *strict, bool encoder, size_t room_rows)
{
    size_t length = (size_t)(end - *at);
    char *copy = malloc(RUN_CSV_SCAN_BEFORE + length);
    const char *row = copy + RUN_CSV_SCAN_BEFORE;
    size_t n;
    const struct run_csv_room room = {found.time_us, found.force_counts, found.commanded_steps,
                                      encoder ? found.encoder_counts : NULL, found.flags};
    memset(copy, '9', RUN_CSV_SCAN_BEFORE);
    memcpy(copy + RUN_CSV_SCAN_BEFORE, *at, length);
    n = run_csv_scan_rows(&row, copy + RUN_CSV_SCAN_BEFORE + length, copy + RUN_CSV_SCAN_BEFORE + length,
                          strict, &room, room_rows);
    *at += row - (copy + RUN_CSV_SCAN_BEFORE);
    free(copy);
    return n;
}

/* The same, strictly. */
static size_t expect(const char **at, const char *end, bool encoder)
{
    size_t n = 0;
    for (const char *next = *at; *at < end; *at = next, n++) {
        struct raw_sample s;
        bool has_encoder;
        if (!strict_row(&next, &s, &has_encoder) || has_encoder != encoder ||
            (n > 0 && s.time_us < wanted.time_us[n - 1]))
            break;
        wanted.time_us[n] = s.time_us;
        wanted.force_counts[n] = s.force_counts;
        wanted.commanded_steps[n] = s.commanded_steps;
        wanted.encoder_counts[n] = s.encoder_counts;
        wanted.flags[n] = s.flags;
    }
    return n;
}

static void want_same(size_t n, bool encoder, const char *text)
{
    for (size_t i = 0; i < n; i++)
        cr_assert(found.time_us[i] == wanted.time_us[i] && found.force_counts[i] == wanted.force_counts[i] &&
                      found.commanded_steps[i] == wanted.commanded_steps[i] &&
                      (!encoder || found.encoder_counts[i] == wanted.encoder_counts[i]) &&
                      found.flags[i] == wanted.flags[i],
                  "row %zu of\n%s", i + 1, text);
}

/* Both readings of text, which may hold any bytes but NUL and ends with a line feed. Returns how many rows
 * the fast one took by itself. */
static size_t compare(const char *text, bool encoder)
{
    const char *end = text + strlen(text);
    const char *strictly = text;
    const char *fast = text;
    const char *alone = text;
    size_t n = expect(&strictly, end, encoder);
    size_t taken = scan(&fast, end, strict_row, encoder, ROOM);
    cr_assert(taken == n && fast == strictly, "%zu rows in place of %zu of\n%s", taken, n, text);
    want_same(n, encoder, text);
    taken = scan(&alone, end, refuse_row, encoder, ROOM);
    cr_assert(taken <= n && alone <= strictly, "%zu rows of %zu are good in\n%s", taken, n, text);
    want_same(taken, encoder, text);
    return taken;
}

/* A whole number of up to most digits, mostly one that fits. */
static size_t put_number(char *text, unsigned most, bool sign)
{
    unsigned n = 1 + chance(most);
    size_t used = 0;
    if (sign && chance(3) == 0)
        text[used++] = '-';
    for (unsigned i = 0; i < n; i++)
        text[used++] = (char)('0' + chance(10));
    return used;
}

static size_t put_row(char *text, int64_t time_us, bool encoder, bool fits)
{
    size_t n = (size_t)sprintf(text, "%lld,", (long long)time_us);
    n += put_number(text + n, fits ? 8 : 11, true);
    text[n++] = ',';
    n += put_number(text + n, fits ? 8 : 11, true);
    text[n++] = ',';
    if (encoder)
        n += put_number(text + n, fits ? 8 : 11, true);
    text[n++] = ',';
    n += (size_t)sprintf(text + n, "%u\n", chance(fits ? 256 : 300));
    return n;
}

Test(run_csv_scan, random_rows_are_read_as_the_strict_reading_reads_them)
{
    static const int64_t scales[] = {1, 1000, 100000000, 1000000000, INT64_C(10000000000000), INT64_MAX / 60};
    size_t alone = 0;
    for (int round = 0; round < 20000; round++) {
        char text[ROOM * RUN_CSV_ROW_BYTES_MAX];
        bool encoder = chance(2) == 0;
        bool fits = chance(2) == 0;
        unsigned rows = 1 + chance(8);
        int64_t time_us = chance(100) * scales[chance(5)];
        size_t n = 0;
        size_t taken;
        for (unsigned i = 0; i < rows; i++) {
            n += put_row(text + n, time_us, encoder, fits);
            time_us += chance(1000) * scales[chance(4)];
        }
        strcpy(text + n, encoder ? TAIL : TAIL_BARE);
        taken = compare(text, encoder);
        alone += taken;
        /* What a rig sends takes no closer look. */
        cr_assert(!fits || taken >= rows, "%zu of %u rows of\n%s", taken, rows, text);
    }
    cr_expect_gt(alone, 40000);
}

/* As a rig sends them: most rows have the shape of the row above. */
Test(run_csv_scan, random_rows_of_slowly_changing_shape_are_read_as_the_strict_reading_reads_them)
{
    for (int round = 0; round < 20000; round++) {
        char text[ROOM * RUN_CSV_ROW_BYTES_MAX];
        bool encoder = chance(2) == 0;
        unsigned rows = 2 + chance(30);
        int64_t time_us = chance(2) == 0 ? 99999900 : chance(4) * INT64_C(3333333333);
        int32_t force = (int32_t)chance(3000) - 1500, steps = (int32_t)chance(300) - 150,
                counts = 9990 - (int32_t)chance(20000), flags = chance(8) == 0 ? 95 : 0;
        size_t n = 0;
        for (unsigned i = 0; i < rows; i++) {
            time_us += chance(40);
            force += (int32_t)chance(21) - 10;
            steps += (int32_t)chance(3) - 1;
            counts += (int32_t)chance(3);
            flags += flags > 0 ? (int32_t)chance(2) : 0;
            n += (size_t)sprintf(text + n, "%lld,%d,%d,", (long long)time_us, force, steps);
            if (encoder)
                n += (size_t)sprintf(text + n, "%d", counts);
            n += (size_t)sprintf(text + n, ",%d\n", flags);
        }
        strcpy(text + n, encoder ? TAIL : TAIL_BARE);
        cr_assert_geq(compare(text, encoder), rows, "not all rows of\n%s", text);
    }
}

Test(run_csv_scan, rows_with_anything_changed_are_taken_only_where_they_are_good)
{
    static const char alphabet[] = "0123456789,,,,--\n\n\r .+/:x\t\xff\x80\xc3";
    for (int round = 0; round < 100000; round++) {
        char text[ROOM * RUN_CSV_ROW_BYTES_MAX];
        bool encoder = chance(2) == 0;
        int64_t time_us = chance(100000);
        size_t length = put_row(text, time_us, encoder, true), n = length;
        bool two_shapes = chance(2) == 0;
        /* The same shape again and again, before and after two rows of another one or not. */
        for (unsigned more = 1 + chance(3); more > 0; more--, n += length)
            memcpy(text + n, text, length);
        if (two_shapes) {
            size_t other = put_row(text + n, time_us, encoder, true);
            memcpy(text + n + other, text + n, other);
            n += 2 * other;
            memcpy(text + n, text, length);
            n += length;
        }
        for (unsigned changes = 1 + chance(3); changes > 0; changes--) {
            size_t at = chance((uint32_t)n);
            char c = alphabet[chance(sizeof alphabet - 1)];
            switch (chance(3)) {
            case 0:
                text[at] = c;
                break;
            case 1:
                memmove(text + at + 1, text + at, n - at);
                text[at] = c;
                n++;
                break;
            default:
                memmove(text + at, text + at + 1, n - at - 1);
                n--;
            }
        }
        text[n++] = '\n';
        strcpy(text + n, encoder ? TAIL : TAIL_BARE);
        compare(text, encoder);
    }
}

/* Alone; behind rows of the same shape, which are looked at otherwise, and before one; and behind rows of its
 * shape and then of another one. */
static void try_byte(const char *row, bool encoder, size_t at, char c)
{
    const char *tail = encoder ? TAIL : TAIL_BARE;
    int time_digits = (int)strcspn(row, ",");
    char text[1024];
    snprintf(text, sizeof text, "%s%s", row, tail);
    text[at] = c;
    compare(text, encoder);
    snprintf(text, sizeof text, "%s%s%s%s%s", row, row, row, row, tail);
    text[2 * strlen(row) + at] = c;
    compare(text, encoder);
    size_t before = (size_t)snprintf(text, sizeof text, "%s%s", row, row);
    for (int i = 0; i < 2; i++)
        before += (size_t)snprintf(text + before, sizeof text - before, "%.*s,-5,-6,%s,8\n", time_digits, row,
                                   encoder ? "-7" : "");
    snprintf(text + before, sizeof text - before, "%s%s%s%s", row, row, row, tail);
    text[before + at] = c;
    compare(text, encoder);
}

Test(run_csv_scan, every_byte_of_a_row_is_tried_as_every_other_byte)
{
    static const char *const rows[] = {
        "17,1,2,3,0\n",
        "17,1,2,,0\n",
        "1234567,-8131,20917,-33,13\n",
        "123456789,12345678,-12345678,12345678,255\n",
        "1234567890123456,12345678,87654321,,7\n",
        "12345678,-12345678,-87654321,-12345678,255\n",
        "1234567890123456,-12345678,-87654321,-12345678,255\n",
        "0000000000000017,00000001,-0000002,00000003,007\n",
        "99999999999,2147483647,-2147483648,2147483647,255\n",
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        bool encoder = strstr(rows[i], ",,") == NULL;
        for (size_t at = 0; rows[i][at] != 0; at++) {
            for (int c = 1; c < 256; c++)
                try_byte(rows[i], encoder, at, (char)c);
        }
    }
}

Test(run_csv_scan, hostile_rows_are_left)
{
    static const struct {
        const char *legend, *row;
    } rows[] = {
        {"a minus sign alone", "17,-,2,3,0\n"},
        {"two minus signs", "17,--1,2,3,0\n"},
        {"a minus sign behind", "17,1-,2,3,0\n"},
        {"a minus sign within", "17,1-2,2,3,0\n"},
        {"a time below 0", "-17,1,2,3,0\n"},
        {"a time of nothing", ",1,2,3,0\n"},
        {"flags below 0", "17,1,2,3,-1\n"},
        {"flags of 256", "17,1,2,3,256\n"},
        {"flags of 999", "17,1,2,3,999\n"},
        {"flags of nothing", "17,1,2,3,\n"},
        {"a slash, just below the digits", "17,1/,2,3,0\n"},
        {"a colon, just past the digits", "17,1:,2,3,0\n"},
        {"a plus sign, just below the comma", "17+1,2,3,0\n"},
        {"a byte past 127 in front", "\xB0"
                                     "17,1,2,3,0\n"},
        {"bytes past 127 that borrow", "17,\xFF\xAC,2,3,0\n"},
        {"four fields in a row and one more", "17,1,2\n3,0\n"},
        {"a line feed for a comma", "17\n1,2,3,0\n"},
        {"a comma for the line feed", "17,1,2,3,0,18,1,2,3,0\n"},
        {"a count of 9 digits past 32 bits after 8", "17,21474836480,2,3,0\n"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[512];
        const char *at = text;
        const char *strictly = text;
        snprintf(text, sizeof text, "%s%s", rows[i].row, TAIL);
        cr_assert_eq(expect(&strictly, text + strlen(text), true), 0, "%s", rows[i].legend);
        cr_expect(scan(&at, text + strlen(text), strict_row, true, ROOM) == 0 && at == text, "%s",
                  rows[i].legend);
    }
}

Test(run_csv_scan, room_ends_and_time_and_encoder_are_kept_to)
{
    const char text[] = "17,1,2,3,0\n18,1,2,3,0\n18,1,2,3,0\n17,1,2,3,0\n" TAIL;
    const char *at = text;
    cr_expect(scan(&at, text + strlen(text), strict_row, true, 2) == 2 && at == text + 22, "room for two");
    cr_expect(scan(&at, text + strlen(text), strict_row, true, ROOM) == 1 && at == text + 33,
              "time runs backward");
    at = text;
    cr_expect(scan(&at, text + strlen(text), strict_row, false, ROOM) == 0 && at == text, "encoder");
    cr_expect(scan(&at, text, strict_row, true, ROOM) == 0 && at == text, "nothing to read");
}

Test(run_csv_scan, line_feeds_are_counted)
{
    static char bytes[3000];
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (char)(chance(3) == 0 ? '\n' : chance(256));
    for (size_t first = 0; first < 9; first++) {
        size_t wanted_feeds = 0;
        for (size_t length = 0; first + length < sizeof bytes; length++) {
            cr_assert_eq(run_csv_scan_count(bytes + first, length), wanted_feeds);
            wanted_feeds += bytes[first + length] == '\n';
        }
    }
    memset(bytes, '\n', sizeof bytes);
    cr_expect_eq(run_csv_scan_count(bytes, sizeof bytes), sizeof bytes, "more than a byte can count");
}

/* Rows of one shape, long enough that they are taken as a stretch. */
#define STRETCH_ROWS 40

static size_t put_stretch(char *text)
{
    size_t n = 0;
    for (int i = 0; i < STRETCH_ROWS; i++)
        n += (size_t)sprintf(text + n, "%d,-23%02d,6%02d,%d,0\n", 1017 + 3 * i, i, 99 - i, 7000 + 11 * i);
    strcpy(text + n, TAIL);
    return n / STRETCH_ROWS;
}

Test(run_csv_scan, within_a_stretch_room_ends_and_time_is_kept_to)
{
    char text[STRETCH_ROWS * RUN_CSV_ROW_BYTES_MAX];
    size_t length = put_stretch(text);
    for (size_t room = 1; room < STRETCH_ROWS; room++) {
        const char *at = text;
        found.time_us[room] = -1;
        cr_expect(scan(&at, text + strlen(text), strict_row, true, room) == room &&
                      at == text + room * length && found.time_us[room] == -1,
                  "room for %zu", room);
    }
    for (size_t row = 1; row < STRETCH_ROWS; row++) {
        put_stretch(text);
        memcpy(text + row * length, "1016", 4);
        cr_expect_eq(compare(text, true), row, "time runs backward in row %zu", row + 1);
        strcpy(text + row * length, "99,1,2,3,0\n" TAIL);
        cr_expect_eq(compare(text, true), row, "time runs backward in row %zu, of another shape", row + 1);
    }
}

Test(run_csv_scan, every_byte_of_a_row_in_a_stretch_is_tried_as_every_other_byte)
{
    char text[STRETCH_ROWS * RUN_CSV_ROW_BYTES_MAX];
    size_t length = put_stretch(text);
    for (size_t at = 30 * length; at < 31 * length; at++) {
        for (int c = 1; c < 256; c++) {
            put_stretch(text);
            text[at] = (char)c;
            compare(text, true);
        }
    }
}
