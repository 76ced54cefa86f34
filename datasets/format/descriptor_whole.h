/* A descriptor read as one tree of JSON values, which says what is wrong with one that is not good; and what
 * a good one is, for whoever reads it otherwise. For descriptor.c and descriptor_pieces.c. */
#ifndef DATASETS_FORMAT_DESCRIPTOR_WHOLE_H
#define DATASETS_FORMAT_DESCRIPTOR_WHOLE_H

#include "datasets/format/descriptor.h"
#include "datasets/format/json_strict.h"

/* 5,000 resources at some 2 kB each, three times over. */
#define DESCRIPTOR_BYTES_MAX (32 * 1024 * 1024)

/* Entry i (from 0) of "resources" into r; path is for messages. What r then holds is freed by the caller,
 * whatever the result. */
enum err_code descriptor_whole_resource(const json_t *json, size_t i, const char *path,
                                        struct descriptor_resource *r, struct err *e);

/* What the descriptor says beside its resources; count: how many of those there are. */
enum err_code descriptor_whole_head(const struct json_place *root, size_t count, struct descriptor *d,
                                    struct err *e);

/* All but by_path into d, which is zero; hash as of descriptor_read_hashed. The caller frees d, whatever the
 * result. */
enum err_code descriptor_whole_read(const char *path, struct descriptor *d, char *hash, struct err *e);

#endif
