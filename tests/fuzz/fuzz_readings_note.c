/* The note beside a table of readings: every input as that of weights and as that of a feed. */
#include "datasets/format/readings_note.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *table;

static enum err_code read_force(const char *path, void *note, struct err *e)
{
    (void)path;
    return readings_note_read(table, READINGS_FORCE, note, e);
}

static enum err_code read_feed(const char *path, void *note, struct err *e)
{
    (void)path;
    return readings_note_read(table, READINGS_FEED, note, e);
}

static void remove_link(void)
{
    unlink(fuzz_scratch("table.json"));
}

/* A note is found by its name: a link of that name to the file in memory. */
static void prepare(void)
{
    static char name[128];
    struct readings_note note;
    struct err e = {0};
    char *long_path;
    strcpy(name, fuzz_scratch("table.csv"));
    table = name;
    assert(readings_note_read(table, READINGS_FORCE, &note, &e) == ERR_OK && !note.present);
    long_path = calloc(1, READINGS_NOTE_PATH_SIZE + 1);
    assert(long_path != NULL);
    memset(long_path, 'a', READINGS_NOTE_PATH_SIZE);
    fuzz_check_error(readings_note_read(long_path, READINGS_FEED, &note, &e), &e, 1u << ERR_FILE);
    assert(e.code == ERR_FILE);
    free(long_path);
    if (symlink(fuzz_file(NULL, 0), fuzz_scratch("table.json")) != 0)
        abort();
    atexit(remove_link);
}

static void check_number(double value, double low, double high)
{
    assert(isnan(value) || (value >= low && value <= high));
}

static void check_note(const struct readings_note *n)
{
    assert(n->present && n->estimate_count <= READINGS_NOTE_ESTIMATES_MAX);
    assert(isnan(n->counts_min) || isnan(n->counts_max) || n->counts_min < n->counts_max);
    check_number(n->gravity_m_s2, 9, 11);
    check_number(n->density_kg_m3, 1e-3, 1e6);
    check_number(n->tolerance_relative, 0, 1);
    check_number(n->tolerance_mg, 0, 1e12);
    check_number(n->reduction, 1e-6, 1e6);
    check_number(n->microsteps, 1, 1e6);
    check_number(n->resolution_mm, 0, 1e3);
    for (size_t i = 0; i < n->estimate_count; i++)
        assert(memchr(n->estimates[i], 0, READINGS_NOTE_ESTIMATE_SIZE) != NULL);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct readings_note note;
    static const struct fuzz_reader readers[] = {{.size = sizeof note, .read = read_force},
                                                 {.size = sizeof note, .read = read_feed}};
    if (table == NULL)
        prepare();
    for (int i = 0; i < 2; i++) {
        if (fuzz_read(&readers[i], bytes, length, &note) == ERR_OK)
            check_note(&note);
        else
            assert(!note.present);
    }
    return 0;
}
