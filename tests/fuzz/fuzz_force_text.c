/* Lines of a force gauge: the first byte picks a form of lines, the others are what comes over the wire, in
 * pieces. */
#include "capture/force_text.h"
#include "capture/text_line.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINES_MAX 64

/* unit, scale, resolution, capacity */
static const struct bench_force FORMS[] = {
    {.column = 1, .unit = BENCH_UNIT_N, .scale = 1, .resolution = 0.05, .capacity = 200, .over_range = "OL"},
    {.column = 2,
     .unit = BENCH_UNIT_KGF,
     .scale = -1,
     .resolution = 0.005,
     .capacity = 50,
     .over_range = "---"},
    {.column = 3,
     .separator = ',',
     .unit = BENCH_UNIT_LBF,
     .scale = 0.5,
     .resolution = 1e-6,
     .capacity = 8,
     .over_range = "OL"},
    {.column = 2,
     .separator = ';',
     .decimal_comma = true,
     .unit = BENCH_UNIT_GF,
     .scale = -2,
     .resolution = 1e4,
     .capacity = 1e6,
     .over_range = "9999"},
    {.pattern = "^ST,GS, *([-+]?[ 0-9.]+) *[A-Za-z]*",
     .unit = BENCH_UNIT_N,
     .scale = 1,
     .resolution = 0.1,
     .capacity = 500,
     .over_range = "OL"},
    {.pattern = "F=([-+0-9,eE]*)",
     .decimal_comma = true,
     .unit = BENCH_UNIT_KGF,
     .scale = 1e-3,
     .resolution = 0.25,
     .capacity = 1000,
     .over_range = "HI"},
    {.pattern = "(x|[0-9.]+)?N",
     .unit = BENCH_UNIT_N,
     .scale = 1,
     .resolution = 1,
     .capacity = 99,
     .over_range = "E"},
};
#define FORM_COUNT (sizeof FORMS / sizeof FORMS[0])

static struct force_text *texts[FORM_COUNT];

static void check_new(void)
{
    struct bench_force bad = {.pattern = "(", .resolution = 1, .capacity = 10};
    struct force_text *text;
    struct err e = {0};
    fuzz_check_error(force_text_new(&bad, &text, &e), &e, 1u << ERR_CALLER);
    assert(e.code == ERR_CALLER && text == NULL);
    fuzz_allocations_begin(1);
    fuzz_check_error(force_text_new(&FORMS[0], &text, &e), &e, 1u << ERR_MEMORY);
    fuzz_allocations_end();
    assert(e.code == ERR_MEMORY && text == NULL);
    force_text_free(NULL);
}

static void release(void)
{
    for (size_t i = 0; i < FORM_COUNT; i++)
        force_text_free(texts[i]);
}

static void prepare(void)
{
    struct err e = {0};
    check_new();
    for (size_t i = 0; i < FORM_COUNT; i++)
        assert(force_text_new(&FORMS[i], &texts[i], &e) == ERR_OK);
    atexit(release);
}

static bool holds_a_digit(const char *line)
{
    return strpbrk(line, "0123456789") != NULL;
}

static void check_line(size_t form, const char *line)
{
    const struct bench_force *f = &FORMS[form];
    const struct force_text *t = texts[form];
    struct force_line r = force_text_read(t, line), again;
    char damaged[2 * TEXT_LINE_MAX];
    int32_t most = force_text_counts_max(t);
    assert((unsigned)r.kind <= FORCE_LINE_UNREADABLE);
    assert((force_text_kind(r.kind) == NULL) == (r.kind == FORCE_LINE_READING));
    assert(memchr(r.unit, 0, sizeof r.unit) != NULL);
    /* Only what is refused for its size stands at the end of the range, and nothing beyond it. */
    assert(abs(r.counts) <= most && (abs(r.counts) < most || r.kind == FORCE_LINE_OVER_RANGE));
    assert(r.kind == FORCE_LINE_READING || r.kind == FORCE_LINE_OVER_RANGE ||
           (r.counts == 0 && r.force_n == 0));
    if (r.kind != FORCE_LINE_READING)
        return;
    assert(isfinite(r.force_n) &&
           fabs(r.force_n - r.counts * bench_file_count_n(f)) <= 1e-9 * fabs(r.force_n));
    assert(fabs(r.force_n) < f->capacity * fabs(f->scale) * BENCH_UNIT_N_PER[f->unit]);
    /* A reading is text, with a digit, and nothing but its own bytes makes it one: with a byte in it that no
     * gauge writes, or too long to be a line, it is none. */
    assert(text_line_is_text(line) && holds_a_digit(line));
    again = force_text_read(t, line);
    assert(again.kind == r.kind && again.counts == r.counts);
    snprintf(damaged, sizeof damaged, "%s\x01", line);
    assert(force_text_read(t, damaged).kind != FORCE_LINE_READING);
    snprintf(damaged, sizeof damaged, "%s%*s", line, TEXT_LINE_MAX, "");
    assert(force_text_read(t, damaged).kind != FORCE_LINE_READING);
}

/* Lines by taking the bytes one way or another; returns how many. */
static size_t gather(const uint8_t *bytes, size_t length, uint64_t chance, size_t piece_max,
                     char lines[][TEXT_LINE_MAX + 1], size_t *too_long)
{
    struct text_line line = {0};
    enum text_line_result result;
    size_t n = 0;
    *too_long = 0;
    for (size_t at = 0; at < length;) {
        size_t piece = 1 + (size_t)(chance >> (at % 48)) % piece_max, taken;
        piece = piece < length - at ? piece : length - at;
        taken = text_line_feed(&line, (const char *)bytes + at, piece, &result);
        assert(taken >= 1 && taken <= piece && (taken == piece || result != TEXT_LINE_MORE));
        at += taken;
        if (result == TEXT_LINE_WHOLE) {
            assert(line.used > 0 && strlen(line.text) == line.used && strpbrk(line.text, "\r\n") == NULL);
            if (n < LINES_MAX)
                strcpy(lines[n], line.text);
            n++;
        }
        *too_long += result == TEXT_LINE_TOO_LONG;
    }
    return n;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static char lines[LINES_MAX][TEXT_LINE_MAX + 1], again[LINES_MAX][TEXT_LINE_MAX + 1];
    uint64_t chance = fuzz_hash(bytes, length);
    size_t n, again_n, too_long, again_too_long;
    if (texts[0] == NULL)
        prepare();
    if (length == 0)
        return 0;
    n = gather(bytes + 1, length - 1, chance, length, lines, &too_long);
    /* Lines do not depend on the pieces in which they come. */
    again_n = gather(bytes + 1, length - 1, chance, 3, again, &again_too_long);
    assert(again_n == n && too_long == again_too_long);
    for (size_t i = 0; i < n && i < LINES_MAX; i++) {
        assert(strcmp(lines[i], again[i]) == 0);
        check_line(bytes[0] % FORM_COUNT, lines[i]);
    }
    return 0;
}
