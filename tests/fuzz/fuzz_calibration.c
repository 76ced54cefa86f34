/* calibration.json: what is read is written and read back as the same, and turns counts into newtons and
 * back. */
#include "datasets/format/calibration.h"
#include "datasets/format/date_time.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum err_code read_input(const char *path, void *calibration, struct err *e)
{
    return calibration_read(path, calibration, e);
}

static void check_written(const struct calibration *c, uint64_t chance)
{
    static struct calibration again;
    struct err e = {0};
    const char *path = fuzz_scratch("calibration.json"), *second = fuzz_scratch("second.json");
    char *bytes, *other;
    size_t length, other_length, count;
    enum err_code code;
    fuzz_allocations_begin(0);
    code = calibration_write(path, c, &e);
    count = fuzz_allocations_end();
    assert(code == ERR_OK);
    code = calibration_read(path, &again, &e);
    assert(code == ERR_OK && memcmp(&again, c, sizeof again) == 0);
    /* The same value gives the same bytes; in want of memory nothing is written. */
    assert(calibration_write(second, &again, &e) == ERR_OK);
    bytes = fuzz_file_bytes(path, &length);
    other = fuzz_file_bytes(second, &other_length);
    assert(length == other_length && memcmp(bytes, other, length) == 0);
    free(other);
    free(bytes);
    fuzz_allocations_begin(1 + (size_t)(chance % count));
    code = calibration_write(second, c, &e);
    fuzz_allocations_end();
    fuzz_check_error(code, &e, 1u << ERR_MEMORY | 1u << ERR_CALLER);
    assert(calibration_read(second, &again, &e) == ERR_OK && memcmp(&again, c, sizeof again) == 0);
    unlink(path);
    unlink(second);
}

static void check_force(const struct calibration *c)
{
    for (int i = 0; i <= 8; i++) {
        double load_n = c->load_low_n + (c->load_high_n - c->load_low_n) * i / 8;
        double slope = c->coefficients[1] + (c->degree == 2 ? 2 * c->coefficients[2] * load_n : 0);
        double zero = c->coefficients[0];
        double counts = calibration_counts(c, load_n, zero), force_n = calibration_force_n(c, counts, zero);
        /* Readings beside which a load is lost in rounding are no load cell's. */
        double rounding_n =
            1e-14 * (fabs(zero) + fabs(counts) + fabs(load_n * c->coefficients[1])) / fabs(slope);
        assert(isfinite(counts) && isfinite(force_n));
        if (rounding_n < 1e-9 * fabs(load_n))
            assert(fabs(force_n - load_n) <= 1e-5 * fabs(load_n));
        assert(calibration_uncertainty_n(c, load_n) >= 0);
    }
}

/* A date that is accepted is one moment, which written down is the same one; only years past 9999 in UTC
 * cannot be. */
static void check_date(const char *date)
{
    char text[DATE_TIME_SIZE];
    int64_t unix_s, again = 0;
    assert(date_time_read(date, &unix_s));
    assert(date_time_read(date_time_write(unix_s, text), &again));
    assert(again == unix_s || strncmp(date, "9999-12-31", 10) == 0 || strncmp(date, "0000-01-01", 10) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct calibration c;
    static const struct fuzz_reader reader = {.size = sizeof c, .read = read_input};
    if (fuzz_read(&reader, bytes, length, &c) != ERR_OK)
        return 0;
    assert(c.degree >= 1 && c.degree <= CALIBRATION_DEGREE_MAX && c.load_low_n < c.load_high_n);
    assert(c.feed_count <= CALIBRATION_FEEDS_MAX && c.estimate_count <= CALIBRATION_ESTIMATES_MAX);
    assert(strcmp(c.origin, "stated") == 0 || strcmp(c.origin, "fitted") == 0);
    check_written(&c, fuzz_hash(bytes, length));
    check_force(&c);
    check_date(c.date);
    return 0;
}
