/* A descriptor read piece by piece against the same read as a whole: both take the same texts, and find the
 * same in them. What is the same in many entries, to the byte, is read once. */
#include "datasets/format/descriptor.h"
#include "datasets/format/descriptor_pieces.h"
#include "datasets/format/descriptor_whole.h"
#include "datasets/format/file_bytes.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(descriptor, .init = scratch_begin, .fini = scratch_end);

#define HEAD   "{\"nipbench_series\": 1, \"simulated\": true, \"resources\": ["
#define SCHEMA "{\"fields\": [{\"name\": \"time_us\", \"type\": \"integer\"}, {\"name\": \"x\"}]}"

/* Entries, and whether they are good. */
static const struct {
    const char *entries;
    bool good;
} ROWS[] = {
    {"", true},
    {"{\"path\": \"a\"}", true},
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": " SCHEMA "}", true},
    {"{\"schema\": " SCHEMA ", \"path\": \"a\"},{\"schema\": " SCHEMA
     ",\"path\":\"b\",\"bytes\": 5,\"hash\": \"h\"}",
     true},
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": {\"fields\": []}}, "
     "{\"path\": \"c\", \"schema\": " SCHEMA "}, {\"path\": \"d\", \"schema\": {\"fields\": []} }",
     true},
    {"{\"path\": \"a\", \"a\": {}, \"b\": {\"x\": 1}, \"c\": {}, \"d\": {}, \"e\": {}, "
     "\"a name of more than sixteen bytes\": {}}, {\"path\": \"b\", \"a name of more than sixteen bytes\": "
     "{}, "
     "\"a\": {}, \"b\": {\"x\": 1}, \"e\": {}}",
     true},
    /* A key twice, in an entry and in what is the same as before. */
    {"{\"path\": \"a\", \"path\": \"b\"}", false},
    {"{\"path\": \"a\", \"schema\": " SCHEMA ", \"schema\": " SCHEMA "}", false},
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": " SCHEMA ", \"schema\": 1}",
     false},
    {"{\"path\": \"a\", \"schema\": {\"x\": 1, \"x\": 1}}, {\"path\": \"b\", \"schema\": {\"x\": 1, \"x\": "
     "1}}",
     false},
    /* What is the same as before is followed by what must not be there. */
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": " SCHEMA " 1}", false},
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": " SCHEMA "}}", false},
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": \"b\", \"schema\": " SCHEMA ",}", false},
    /* It stands where something else is wanted. */
    {"{\"path\": \"a\", \"schema\": " SCHEMA "}, {\"path\": " SCHEMA "}", false},
    {"{\"path\": \"a\", \"bytes\": {}}, {\"path\": \"b\", \"bytes\": {}}", false},
    /* The same but for its end. */
    {"{\"path\": \"a\", \"schema\": {\"x\": 1}}, {\"path\": \"b\", \"schema\": {\"x\": 12}}", true},
    {"{\"path\": \"a\", \"schema\": {\"x\": 1}}, {\"path\": \"b\", \"schema\": {\"x\": 1]}", false},
    {"{\"path\": \"a\", \"schema\": {\"x\": 1}}, {\"path\": \"b\", \"schema\": {\"x\": 1", false},
    /* No entries. */
    {"1", false},
    {"[]", false},
    {"{\"path\": \"a\"}, ", false},
    {"{\"path\" \"a\"}", false},
    {"{1: \"a\"}", false},
    {"{\"path\": }", false},
};

static void expect_same(const struct descriptor *a, const struct descriptor *b, const char *entries)
{
    cr_assert_eq(a->count, b->count, "%s", entries);
    cr_expect_eq(a->simulated, b->simulated);
    for (size_t i = 0; i < a->count; i++) {
        cr_expect_str_eq(a->resources[i].path, b->resources[i].path, "%s", entries);
        cr_expect_str_eq(a->resources[i].hash, b->resources[i].hash, "%s", entries);
        cr_expect_eq(a->resources[i].bytes, b->resources[i].bytes, "%s", entries);
    }
}

Test(descriptor, pieces_and_whole_take_the_same_texts)
{
    static const char *const ends[] = {"]}", "], \"more\": {}}\n"};
    for (size_t i = 0; i < 2 * sizeof ROWS / sizeof ROWS[0]; i++) {
        const char *entries = ROWS[i / 2].entries;
        struct descriptor pieces = {.count = 0}, whole = {.count = 0};
        char pieces_hash[FILE_BYTES_HASH_SIZE] = "", whole_hash[FILE_BYTES_HASH_SIZE] = "";
        char text[2000];
        const char *path = scratch_path("d.json");
        struct err e;
        bool no_memory;
        snprintf(text, sizeof text, HEAD "%s%s", entries, ends[i % 2]);
        scratch_write("d.json", text);
        cr_expect_eq(descriptor_pieces_read(path, &pieces, pieces_hash, &no_memory), ROWS[i / 2].good, "%s",
                     entries);
        cr_expect_not(no_memory);
        cr_expect_eq(descriptor_whole_read(path, &whole, whole_hash, &e),
                     ROWS[i / 2].good ? ERR_OK : ERR_FILE, "%s", entries);
        if (ROWS[i / 2].good) {
            expect_same(&pieces, &whole, entries);
            cr_expect_str_eq(pieces_hash, whole_hash, "%s", entries);
        }
        descriptor_free(&pieces);
        descriptor_free(&whole);
    }
}
