/* Structs and JSON objects that hold the same simple fields, in tables, so that reading and writing cannot
 * disagree. */
#ifndef DATASETS_FORMAT_JSON_FIELD_H
#define DATASETS_FORMAT_JSON_FIELD_H

#include "datasets/format/json_strict.h"
#include "rig/base/err.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum json_field_type {
    JSON_FIELD_DOUBLE,
    JSON_FIELD_DOUBLE_OR_NULL, /* null for NAN */
    JSON_FIELD_INT,
    JSON_FIELD_UINT32,
    JSON_FIELD_INT64,
    JSON_FIELD_BOOL,
    JSON_FIELD_TEXT,      /* char[] */
    JSON_FIELD_KEPT_TEXT, /* const char *: kept_text of what is read; NULL is written as "" */
    JSON_FIELD_TIME       /* char[] */
};

/* No text of a field is longer. */
#define JSON_FIELD_TEXT_MAX 159

struct json_field {
    const char *key;
    enum json_field_type type;
    size_t offset, size;
    double low, high; /* of numbers; whole ones within 2^53, so that a double holds the bound exactly. high of
                         a kept text: its bytes at most */
    bool optional;    /* left out where it is 0 or false, and 0 or false where it is left out */
};
/* The field of struct `of` that is called as its key. */
#define JSON_FIELD(of, name, type, low, high, optional)                                                      \
    {                                                                                                        \
#name, type, offsetof(of, name), sizeof(((of *)NULL)->name), low, high, optional                     \
    }

/* Read a field of the struct that begins at base. ERR_FILE names the key; ERR_MEMORY. */
enum err_code json_field_read(const struct json_place *p, const struct json_field *f, void *base,
                              struct err *e);

/* Put the fields of a table into root, from the struct that begins at base; false when there is no memory or
 * a value that JSON cannot hold. */
bool json_field_put(json_t *root, const struct json_field *fields, size_t count, const void *base);

/* Text that may have come from a device, with '?' for control characters and bad UTF-8; a new reference. */
json_t *json_field_text(const char *text);

#endif
