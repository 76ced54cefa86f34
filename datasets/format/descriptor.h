/* datapackage.json as it is read: which files a series says it has, with their sizes and hashes. Keys that
 * this project does not use are passed over, since the file follows an open standard (Data Package) and
 * others may add to it. */
#ifndef DATASETS_FORMAT_DESCRIPTOR_H
#define DATASETS_FORMAT_DESCRIPTOR_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define DESCRIPTOR_NAME          "datapackage.json"
#define DESCRIPTOR_VERSION       1
#define DESCRIPTOR_RESOURCES_MAX 5000

struct descriptor_resource {
    char *path;    /* as written: not yet checked */
    int64_t bytes; /* -1 when not given */
    char *hash;    /* as written; "" when not given */
};

struct descriptor {
    bool simulated;
    struct descriptor_resource *resources;
    size_t count;
    const struct descriptor_resource **by_path; /* count of them, in the order of their paths */
};

/* ERR_FILE for what is no descriptor of ours: not JSON, a newer version of the format, more than
 * DESCRIPTOR_RESOURCES_MAX resources, a resource without a single path. */
enum err_code descriptor_read(const char *path, struct descriptor *d, struct err *e);
/* The same, with the SHA-256 of the file into hash (FILE_BYTES_HASH_SIZE bytes). */
enum err_code descriptor_read_hashed(const char *path, struct descriptor *d, char *hash, struct err *e);
void descriptor_free(struct descriptor *d); /* zeroes it */

/* The first resource with that path, or NULL. */
const struct descriptor_resource *descriptor_find(const struct descriptor *d, const char *path);

#endif
