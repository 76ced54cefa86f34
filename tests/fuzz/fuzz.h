/* What the fuzz targets share. A target is one source with LLVMFuzzerTestOneInput; it is linked with
 * libFuzzer, or with driver.c, which runs the corpus and mutations of it. A property that does not hold ends
 * the program by assert. */
#ifndef TESTS_FUZZ_FUZZ_H
#define TESTS_FUZZ_FUZZ_H

#include "rig/base/err.h"

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

/* The path of a file in memory that holds these bytes, until the next call. */
const char *fuzz_file(const uint8_t *bytes, size_t length);

/* The path of a name in a folder in memory of this process, removed at its end. One of four buffers, used in
 * turn. */
const char *fuzz_scratch(const char *name);

/* The bytes of a file with a zero byte after them; the caller frees them. */
char *fuzz_file_bytes(const char *path, size_t *length);

/* A number that depends on all bytes of an input: what a target decides by chance, it decides by this, so
 * that the same input always takes the same way. */
uint64_t fuzz_hash(const void *bytes, size_t length);
/* The same over several pieces: begin with 0. */
uint64_t fuzz_hash_on(uint64_t hash, const void *bytes, size_t length);

/* Allocations of the program, and of jansson but while it parses, are counted from here on, and the one of
 * that number (from 1; 0: none) gets NULL. fuzz_allocations_end returns how many there were. To parse JSON
 * counts as one, since jansson 2.14 in want of memory writes past the end of its buffer. */
void fuzz_allocations_begin(size_t failing);
size_t fuzz_allocations_end(void);

/* That code is one of those in the set of bits 1 << code, that e says the same, and that what a user would
 * read of it is one line (and the source line with its caret) of clean text. */
void fuzz_check_error(enum err_code code, const struct err *e, unsigned codes);

/* A reader of files and what it fills. */
struct fuzz_reader {
    size_t size; /* of the result */
    enum err_code (*read)(const char *path, void *result, struct err *e);
    void (*release)(void *result); /* NULL: nothing to free */
};

/* Read the bytes into result and check the error, which must be ERR_FILE. Some inputs are read once more with
 * an allocation that fails, which must be said to be that, and without a place for the error. The caller
 * releases a good result. */
enum err_code fuzz_read(const struct fuzz_reader *reader, const uint8_t *bytes, size_t length, void *result);

#endif
