#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

/* The linker sends the program's calls of these here (--wrap), and __real_ ones to the C library. `used`,
 * because an optimiser of the whole program does not see the linker's calls. */
void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
char *__real_strdup(const char *text);
void *__wrap_malloc(size_t size) __attribute__((used));
void *__wrap_calloc(size_t count, size_t size) __attribute__((used));
void *__wrap_realloc(void *old, size_t size) __attribute__((used));
char *__wrap_strdup(const char *text) __attribute__((used));
json_t *__real_json_loadb(const char *bytes, size_t length, size_t flags, json_error_t *error);
json_t *__wrap_json_loadb(const char *bytes, size_t length, size_t flags, json_error_t *error)
    __attribute__((used));
json_t *__wrap_json_loads(const char *text, size_t flags, json_error_t *error) __attribute__((used));

static bool counting;
static size_t allocations, failing_allocation;

static bool fails(void)
{
    return counting && ++allocations == failing_allocation;
}

void *__wrap_malloc(size_t size)
{
    return fails() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return fails() ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    return fails() ? NULL : __real_realloc(old, size);
}

char *__wrap_strdup(const char *text)
{
    return fails() ? NULL : __real_strdup(text);
}

/* As jansson does at its first allocation: no value, and no words. */
json_t *__wrap_json_loadb(const char *bytes, size_t length, size_t flags, json_error_t *error)
{
    bool before = counting, failed = fails();
    json_t *value;
    counting = false;
    value = failed ? NULL : __real_json_loadb(bytes, length, flags, error);
    if (failed && error != NULL)
        error->text[0] = 0;
    counting = before;
    return value;
}

json_t *__wrap_json_loads(const char *text, size_t flags, json_error_t *error)
{
    return __wrap_json_loadb(text, strlen(text), flags, error);
}

void fuzz_allocations_begin(size_t failing)
{
    counting = true;
    allocations = 0;
    failing_allocation = failing;
}

size_t fuzz_allocations_end(void)
{
    counting = false;
    return allocations;
}

static void *allocate_for_jansson(size_t size)
{
    return malloc(size); /* the wrapped one */
}

/* Before main, and so before the first object that jansson makes. */
__attribute__((constructor)) static void prepare_jansson(void)
{
    json_set_alloc_funcs(allocate_for_jansson, free);
    /* Else its tables of keys hash by the time of day, and the same input takes different ways. */
    json_object_seed(1);
}

const char *fuzz_file(const uint8_t *bytes, size_t length)
{
    static int fd = -1;
    static char path[64];
    if (fd < 0) {
        fd = memfd_create("fuzz", MFD_CLOEXEC);
        assert(fd >= 0);
        snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    }
    if (ftruncate(fd, 0) != 0 || pwrite(fd, bytes, length, 0) != (ssize_t)length)
        abort();
    return path;
}

static char folder[64];

static void remove_folder(void)
{
    rmdir(folder);
}

const char *fuzz_scratch(const char *name)
{
    static char paths[4][128];
    static unsigned turn;
    char *path = paths[turn++ % 4];
    if (folder[0] == 0) {
        struct stat status;
        snprintf(folder, sizeof folder, "%s/nipbench-fuzz.XXXXXX",
                 stat("/dev/shm", &status) == 0 ? "/dev/shm" : "/tmp");
        if (mkdtemp(folder) == NULL)
            abort();
        atexit(remove_folder);
    }
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

char *fuzz_file_bytes(const char *path, size_t *length)
{
    FILE *file = fopen(path, "rb");
    char *bytes = NULL;
    size_t room = 0;
    ssize_t n;
    assert(file != NULL);
    n = getdelim(&bytes, &room, EOF, file);
    fclose(file);
    *length = n < 0 ? 0 : (size_t)n;
    return bytes;
}

/* FNV-1a with 64 bits (Fowler, Noll and Vo), and a last mixing, since its low bits are poor. */
uint64_t fuzz_hash_on(uint64_t hash, const void *bytes, size_t length)
{
    const uint8_t *p = bytes;
    hash ^= UINT64_C(0xCBF29CE484222325);
    for (size_t i = 0; i < length; i++)
        hash = (hash ^ p[i]) * UINT64_C(0x100000001B3);
    return hash ^ hash >> 29;
}

uint64_t fuzz_hash(const void *bytes, size_t length)
{
    return fuzz_hash_on(0, bytes, length);
}

static void check_line(const char *line, size_t length)
{
    char clean[2048];
    assert(length < sizeof clean);
    memcpy(clean, line, length);
    clean[length] = 0;
    err_clean_text(clean);
    assert(strlen(clean) == length && memcmp(clean, line, length) == 0);
}

void fuzz_check_error(enum err_code code, const struct err *e, unsigned codes)
{
    char text[4096];
    const char *line = text;
    int lines = 0;
    if (code == ERR_OK)
        return;
    assert((codes >> code & 1u) != 0);
    assert(e->code == code);
    assert(e->text[0] != 0 && memchr(e->text, 0, sizeof e->text) != NULL);
    assert(e->line >= 0 && e->column >= 0);
    /* Punctuation where a word should follow: a sentence that lost its end. */
    assert(e->text[strlen(e->text) - 1] != ' ');
    err_format(e, text, sizeof text);
    while (line != NULL) {
        size_t length = strcspn(line, "\n");
        check_line(line, length);
        line = line[length] == 0 ? NULL : line + length + 1;
        lines++;
    }
    assert(lines == 1 || (lines == 3 && e->source[0] != 0 && e->column > 0));
}

/* One input in so many is read once more in want of memory, and one without a place for the error. */
#define STARVED_OF 3
#define SILENT_OF  4

enum err_code fuzz_read(const struct fuzz_reader *reader, const uint8_t *bytes, size_t length, void *result)
{
    const char *path = fuzz_file(bytes, length);
    uint64_t chance = fuzz_hash(bytes, length);
    struct err e = {0};
    enum err_code code, again;
    size_t count;
    void *other;
    fuzz_allocations_begin(0);
    code = reader->read(path, result, &e);
    count = fuzz_allocations_end();
    fuzz_check_error(code, &e, 1u << ERR_FILE);
    other = malloc(reader->size);
    assert(other != NULL);
    if (chance % STARVED_OF == 0 && count > 0) {
        struct err starved = {0};
        /* Counted again, since what is kept for as long as the program runs is there by now. */
        fuzz_allocations_begin(0);
        again = reader->read(path, other, NULL);
        count = fuzz_allocations_end();
        if (again == ERR_OK && reader->release != NULL)
            reader->release(other);
        fuzz_allocations_begin(1 + (size_t)(chance / STARVED_OF % count));
        again = reader->read(path, other, &starved);
        fuzz_allocations_end();
        fuzz_check_error(again, &starved, 1u << ERR_MEMORY);
        /* Nobody does without an allocation of his own, but for one that only a message needs. */
        assert(again != ERR_OK);
    }
    if (chance % SILENT_OF == 0) {
        again = reader->read(path, other, NULL);
        assert(again == code);
        if (again == ERR_OK && reader->release != NULL)
            reader->release(other);
    }
    free(other);
    return code;
}
