/* Tables of weighings and of measured feed. */
#include "datasets/format/readings.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *readings, struct err *e)
{
    return readings_read(path, readings, e);
}

/* Written down with all digits and read again it is the same. */
static void check_written(const struct readings *r)
{
    static struct readings again;
    char *text;
    size_t length;
    FILE *file = open_memstream(&text, &length);
    struct err e = {0};
    assert(file != NULL);
    fprintf(file, "%s\r\n", r->kind == READINGS_FORCE ? READINGS_FORCE_HEADER : READINGS_FEED_HEADER);
    for (size_t i = 0; i < r->n; i++) {
        if (r->kind == READINGS_FORCE)
            fprintf(file, "%.17g,%.17g,%s,%d\r\n", r->load_n[i], r->reading_counts[i],
                    r->direction[i] > 0 ? "up" : "down", r->cycle[i]);
        else
            fprintf(file, "%s,%.17g,%.17g,%s,%d\r\n", r->feeders[r->feeder[i]], r->commanded_steps[i],
                    r->measured_mm[i], r->direction[i] > 0 ? "forward" : "backward", r->cycle[i]);
    }
    fclose(file);
    assert(readings_read(fuzz_file((const uint8_t *)text, length), &again, &e) == ERR_OK);
    assert(memcmp(&again, r, sizeof again) == 0);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct readings r;
    static const struct fuzz_reader reader = {.size = sizeof r, .read = read_input};
    if (fuzz_read(&reader, bytes, length, &r) != ERR_OK)
        return 0;
    assert(r.n >= 1 && r.n <= READINGS_MAX && r.feeder_count <= READINGS_FEEDERS_MAX);
    for (size_t i = 0; i < r.n; i++) {
        assert((r.direction[i] == 1 || r.direction[i] == -1) && r.cycle[i] >= 1);
        assert(isfinite(r.load_n[i]) && isfinite(r.reading_counts[i]));
        if (r.kind == READINGS_FEED)
            assert(r.feeder[i] < r.feeder_count && r.commanded_steps[i] > 0 && r.measured_mm[i] >= 0);
    }
    check_written(&r);
    return 0;
}
