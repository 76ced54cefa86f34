/* A small strict subset of YAML, read through libyaml's events into a tree that remembers where each value
 * stood. Refused with file:line:column: alias, anchor, tag, directive, a second document, duplicate keys,
 * keys that are not plain scalars, depth over 8, over 256 keys in a mapping, files over 64 KiB, an empty
 * file, bad UTF-8, control characters. Numbers and true/false must be written without quotes. The caller
 * checks meaning through the getters below; a key that no getter asked for is an unknown key
 * (yaml_strict_finish). */
#ifndef DATASETS_FORMAT_YAML_STRICT_H
#define DATASETS_FORMAT_YAML_STRICT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct yaml_document; /* owns the tree, the text and the file name */
struct yaml_node;     /* a scalar, list or mapping inside a document; never freed by itself */

enum err_code yaml_strict_read(const char *path, struct yaml_document **document, struct err *e);
/* The same from memory; name stands for the file in messages. */
enum err_code yaml_strict_parse(const char *text, size_t length, const char *name,
                                struct yaml_document **document, struct err *e);
void yaml_strict_free(struct yaml_document *document);

const struct yaml_node *yaml_root(const struct yaml_document *document);
bool yaml_is_mapping(const struct yaml_node *node);
bool yaml_is_list(const struct yaml_node *node);
bool yaml_is_scalar(const struct yaml_node *node);
size_t yaml_length(const struct yaml_node *node);                          /* entries of a list or mapping */
const struct yaml_node *yaml_item(const struct yaml_node *list, size_t i); /* NULL past the end */
const char *yaml_key(const struct yaml_node *mapping, size_t i);           /* name of the i-th entry */
const struct yaml_node *yaml_value(const struct yaml_node *mapping, size_t i); /* its value */
const char *yaml_text(const struct yaml_node *scalar);                         /* "" for other nodes */

/* Fill e with ERR_FILE, the file, line and column of node, the source line, and a sentence. */
enum err_code yaml_complain(const struct yaml_node *node, struct err *e, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Getters on a mapping. Each marks the key as known. A missing key leaves *value as it was (the default the
 * caller put there) when required is false, and is ERR_FILE naming key and place when true. Numbers take the
 * whole scalar, must be finite and between low and high inclusive; unit appears in the message. */
enum err_code yaml_get_double(const struct yaml_node *mapping, const char *key, bool required, double low,
                              double high, const char *unit, double *value, struct err *e);
/* The same for a scalar that is no entry of a mapping (an item of a list); what names it in the message. */
enum err_code yaml_read_double(const struct yaml_node *scalar, const char *what, double low, double high,
                               const char *unit, double *value, struct err *e);
enum err_code yaml_get_int64(const struct yaml_node *mapping, const char *key, bool required, int64_t low,
                             int64_t high, const char *unit, int64_t *value, struct err *e);
enum err_code yaml_get_int(const struct yaml_node *mapping, const char *key, bool required, int low, int high,
                           int *value, struct err *e);
enum err_code yaml_get_bool(const struct yaml_node *mapping, const char *key, bool required, bool *value,
                            struct err *e);
/* Text of at most size - 1 bytes, copied; longer, empty or with control characters is refused. */
enum err_code yaml_get_text(const struct yaml_node *mapping, const char *key, bool required, char *value,
                            size_t size, struct err *e);
/* Child node or NULL (only when not required). */
enum err_code yaml_get_node(const struct yaml_node *mapping, const char *key, bool required,
                            const struct yaml_node **value, struct err *e);
/* A list of 1 to max entries, or NULL (only when not required). */
enum err_code yaml_get_list(const struct yaml_node *mapping, const char *key, bool required, size_t max,
                            const struct yaml_node **list, struct err *e);

/* ERR_FILE at the first key of mapping that no getter asked for, with the nearest known key if one is close.
 * Call once per mapping after the last getter. Also ERR_FILE when the node is not a mapping. */
enum err_code yaml_strict_finish(const struct yaml_node *mapping, struct err *e);

#endif
