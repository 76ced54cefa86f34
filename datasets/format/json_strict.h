/* JSON files read strictly: bounded, no duplicate keys, each value of the right type and in range, no key
 * that is not known. Keys that begin with "x_" are free for everybody's own notes and are passed over.
 * jansson does the parsing. */
#ifndef DATASETS_FORMAT_JSON_STRICT_H
#define DATASETS_FORMAT_JSON_STRICT_H

#include "rig/base/err.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* An object and where it stands, for messages: where is "" for the root or ends in a point ("force."). */
struct json_place {
    const json_t *object;
    const char *file;
    const char *where;
};

/* Read at most limit bytes; the root must be an object. New reference in *root. */
enum err_code json_strict_read(const char *path, size_t limit, json_t **root, struct err *e);
/* The same, and the SHA-256 of its bytes into hash (FILE_BYTES_HASH_SIZE bytes; NULL: not asked for), so that
 * the file is read once; *bytes receives how many there were. They are given too where the file is no JSON.
 */
enum err_code json_strict_read_hashed(const char *path, size_t limit, json_t **root, char *hash,
                                      int64_t *bytes, struct err *e);
/* Any JSON value from memory, new reference in *value. line is where it stands in a file of many (0: it is
 * the whole file). ERR_FILE when it is no JSON, ERR_MEMORY as far as jansson tells want of memory from that.
 */
enum err_code json_strict_parse(const char *bytes, size_t length, const char *file, int64_t line,
                                json_t **value, struct err *e);

/* Write root (a borrowed reference) with sorted keys, indented, each number with as few digits as give it
 * back exactly, by way of file_bytes_write. The same value gives the same bytes. A NULL root is taken for "no
 * memory or a value that JSON cannot hold". */
enum err_code json_strict_write(const char *path, const json_t *root, struct err *e);

/* Getters. The key must be there. ERR_FILE names file, place and key. Bounds are inclusive. */
enum err_code json_strict_number(const struct json_place *p, const char *key, double low, double high,
                                 double *value, struct err *e);
/* The same, with null for INFINITY, which JSON cannot hold. */
enum err_code json_strict_number_or_infinity(const struct json_place *p, const char *key, double low,
                                             double high, double *value, struct err *e);
enum err_code json_strict_whole(const struct json_place *p, const char *key, int64_t low, int64_t high,
                                int64_t *value, struct err *e);
enum err_code json_strict_bool(const struct json_place *p, const char *key, bool *value, struct err *e);
/* Text of at most size - 1 bytes without control characters; may be empty. */
enum err_code json_strict_text(const struct json_place *p, const char *key, char *value, size_t size,
                               struct err *e);
/* A date or date and time as RFC 3339 writes them. */
enum err_code json_strict_time(const struct json_place *p, const char *key, char *value, size_t size,
                               struct err *e);
/* Child object or array of the given jansson type; borrowed. */
enum err_code json_strict_child(const struct json_place *p, const char *key, json_type type,
                                const json_t **value, struct err *e);
/* Array of exactly count numbers. */
enum err_code json_strict_numbers(const struct json_place *p, const char *key, size_t count, double *values,
                                  struct err *e);
/* ERR_FILE at a key that is none of the count known ones and does not begin with "x_". */
enum err_code json_strict_finish(const struct json_place *p, const char *const *known, size_t count,
                                 struct err *e);

/* null for INFINITY, else a number; NULL for NAN. New reference. */
json_t *json_strict_real_or_null(double value);

#endif
