/* A bench of separate instruments, as its owner describes it. */
#include "capture/bench_file.h"
#include "capture/force_text.h"
#include "capture/link.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *bench, struct err *e)
{
    return bench_file_read(path, bench, e);
}

static void put_quoted(FILE *file, const char *text)
{
    fputc('"', file);
    for (; *text != 0; text++) {
        if (*text == '"' || *text == '\\')
            fputc('\\', file);
        fputc(*text, file);
    }
    fputc('"', file);
}

static void put_text(FILE *file, const char *key, const char *text)
{
    if (text[0] == 0)
        return;
    fprintf(file, "  %s: ", key);
    put_quoted(file, text);
    fputc('\n', file);
}

static void put_list(FILE *file, const char *key, const char words[][BENCH_FILE_WORD_MAX + 1], size_t n)
{
    fprintf(file, "  %s:\n", key);
    for (size_t i = 0; i < n; i++) {
        fputs("    - ", file);
        put_quoted(file, words[i]);
        fputc('\n', file);
    }
}

static void put_force(FILE *file, const struct bench_force *f)
{
    char separator[] = {f->separator, 0};
    fputs("force:\n", file);
    put_text(file, "port", f->port);
    fprintf(file, "  baud: %d\n", f->baud);
    if (f->column > 0)
        fprintf(file, "  column: %d\n", f->column);
    put_text(file, "pattern", f->pattern);
    put_text(file, "separator", separator);
    put_text(file, "decimal", f->decimal_comma ? "comma" : "point");
    put_text(file, "over_range", f->over_range);
    put_text(file, "unit", BENCH_UNIT_NAMES[f->unit]);
    put_text(file, "sign", f->scale < 0 ? "push-negative" : "push-positive");
    fprintf(file, "  scale: %.17g\n  resolution: %.17g\n  capacity: %.17g\n  rate_hz: %.17g\n",
            fabs(f->scale), f->resolution, f->capacity, f->rate_hz);
    put_text(file, "poll", f->poll);
    fprintf(file, "  silence_s: %.17g\n  latency_s: %.17g\n  latency_standard_uncertainty_s: %.17g\n",
            f->silence_s, f->latency_s, f->latency_standard_uncertainty_s);
}

static void put_feed(FILE *file, const struct bench_feed *f)
{
    char axis[] = {f->axis, 0};
    fputs("feed:\n", file);
    put_text(file, "port", f->port);
    fprintf(file, "  baud: %d\n", f->baud);
    put_text(file, "axis", axis);
    fprintf(file, "  microsteps_per_mm: %.17g\n  lines_in_flight: %d\n", f->microsteps_per_mm,
            f->lines_in_flight);
    put_list(file, "start_up", f->start_up, f->start_up_count);
    put_text(file, "motion", f->motion);
    put_text(file, "probe", f->probe);
    put_text(file, "accepted", f->accepted);
    put_list(file, "refused", f->refused, f->refused_count);
    put_text(file, "stop", f->stop);
    put_text(file, "release", f->release);
}

static char *write_down(const struct bench_file *b, size_t *length)
{
    char *text;
    FILE *file = open_memstream(&text, length);
    assert(file != NULL);
    fputs("nipbench_bench: 1\nname: ", file);
    put_quoted(file, b->name);
    fprintf(file, "\nsimulated: %s\n", b->simulated ? "true" : "false");
    put_force(file, &b->force);
    put_feed(file, &b->feed);
    fputs("end: true\n", file);
    fclose(file);
    return text;
}

/* Every key written down, with all digits, and read again is the same. */
static void check_written(const struct bench_file *b)
{
    static struct bench_file again;
    size_t length, second_length;
    char *text = write_down(b, &length), *second;
    struct err e = {0};
    assert(bench_file_parse(text, length, "a bench", &again, &e) == ERR_OK);
    second = write_down(&again, &second_length);
    assert(length == second_length && memcmp(text, second, length) == 0);
    free(second);
    free(text);
}

static void check_force(const struct bench_force *f)
{
    struct force_text *text;
    struct err e = {0};
    assert(f->port[0] != 0 && f->baud >= LINK_BAUD_MIN && f->baud <= LINK_BAUD_MAX);
    assert((f->column > 0) == (f->pattern[0] == 0) && f->column <= 64);
    assert(f->separator == 0 || (f->column > 0 && strchr("+-.0123456789", f->separator) == NULL));
    assert(f->separator != ',' || !f->decimal_comma);
    assert((unsigned)f->unit < BENCH_UNITS && f->over_range[0] != 0);
    assert(fabs(f->scale) >= 1e-6 && fabs(f->scale) <= 1e6);
    assert(f->capacity / f->resolution >= 10 && f->capacity / f->resolution <= 8388607);
    assert(isfinite(bench_file_count_n(f)) && bench_file_count_n(f) > 0);
    assert(f->rate_hz >= 1 && f->rate_hz <= 1000 && f->polled == (f->poll[0] != 0));
    /* A rate that passes for a gauge never lets the host take it for gone between two readings. */
    assert(f->silence_s >= 1.5 / f->rate_hz && f->silence_s <= fmax(0.32, 2.8 / f->rate_hz));
    assert(f->latency_s >= 0 && f->latency_s <= 0.5 && f->latency_standard_uncertainty_s >= 0);
    /* What the file may hold can be carried out. */
    assert(force_text_new(f, &text, &e) == ERR_OK);
    assert(force_text_counts_max(text) >= 10 && force_text_counts_max(text) <= 8388607);
    force_text_free(text);
}

static void check_words(const char words[][BENCH_FILE_WORD_MAX + 1], size_t n)
{
    assert(n >= 1 && n <= BENCH_FILE_WORDS_MAX);
    for (size_t i = 0; i < n; i++) {
        assert(words[i][0] != 0 && memchr(words[i], 0, BENCH_FILE_WORD_MAX + 1) != NULL);
        assert(strpbrk(words[i], "\r\n") == NULL);
    }
}

/* What goes to a controller stays one line, and what it answers can be told apart. */
static void check_feed(const struct bench_feed *f)
{
    assert(f->port[0] != 0 && f->baud >= LINK_BAUD_MIN && f->baud <= LINK_BAUD_MAX);
    assert(f->axis >= 'A' && f->axis <= 'Z' && strchr("FGMNOPST", f->axis) == NULL);
    assert(f->microsteps_per_mm >= 0.1 && f->microsteps_per_mm <= 20000);
    assert(f->lines_in_flight >= 1 && f->lines_in_flight <= 64);
    assert(f->motion[0] != 0 && f->probe[0] != 0 && f->accepted[0] != 0);
    assert(strpbrk(f->motion, "\r\n") == NULL && strpbrk(f->probe, "\r\n") == NULL);
    assert(strpbrk(f->stop, "\r\n") == NULL && strpbrk(f->release, "\r\n") == NULL);
    check_words(f->start_up, f->start_up_count);
    check_words(f->refused, f->refused_count);
    for (size_t i = 0; i < f->refused_count; i++)
        assert(strncmp(f->refused[i], f->accepted, strlen(f->accepted)) != 0);
}

static void check_cut_at(const struct bench_file *whole, const uint8_t *bytes, size_t left)
{
    static struct bench_file cut;
    struct err e;
    if (bench_file_parse((const char *)bytes, left, "a bench", &cut, &e) == ERR_OK) {
        size_t n, m;
        char *a = write_down(whole, &n), *b = write_down(&cut, &m);
        assert(n == m && memcmp(a, b, n) == 0);
        free(a);
        free(b);
    }
}

/* A file cut short is refused, unless only what comes behind the end is gone: at any byte near its end, and
 * at the ends of its last lines, where what is left is still good YAML. */
static void check_cut(const struct bench_file *whole, const uint8_t *bytes, size_t length)
{
    size_t left = length - 1;
    check_cut_at(whole, bytes, left - (size_t)(fuzz_hash(bytes, length) % (length < 80 ? left : 80)));
    for (int lines = 0; left > 0 && lines<4; lines++, left -= left> 0) {
        while (left > 0 && bytes[left - 1] != '\n')
            left--;
        check_cut_at(whole, bytes, left);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct bench_file bench;
    static const struct fuzz_reader reader = {.size = sizeof bench, .read = read_input};
    if (fuzz_read(&reader, bytes, length, &bench) != ERR_OK)
        return 0;
    assert(bench.name[0] != 0 && strcmp(bench.force.port, bench.feed.port) != 0);
    check_force(&bench.force);
    check_feed(&bench.feed);
    check_written(&bench);
    check_cut(&bench, bytes, length);
    return 0;
}
