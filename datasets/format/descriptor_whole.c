#include "datasets/format/descriptor_whole.h"

#include <stdlib.h>
#include <string.h>

enum err_code descriptor_whole_resource(const json_t *json, size_t i, const char *path,
                                        struct descriptor_resource *r, struct err *e)
{
    const json_t *location = json_object_get(json, "path");
    const json_t *bytes = json_object_get(json, "bytes");
    const json_t *hash = json_object_get(json, "hash");
    if (!json_is_string(location))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu has no single path", i + 1);
    if (bytes != NULL && (!json_is_integer(bytes) || json_integer_value(bytes) < 0))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu: bytes must be a whole number", i + 1);
    if (hash != NULL && !json_is_string(hash))
        return err_set_at(e, ERR_FILE, path, 0, 0, "resource %zu: hash must be a text", i + 1);
    r->path = strdup(json_string_value(location));
    r->bytes = bytes == NULL ? -1 : json_integer_value(bytes);
    r->hash = strdup(hash == NULL ? "" : json_string_value(hash));
    if (r->path == NULL || r->hash == NULL)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it");
    return ERR_OK;
}

enum err_code descriptor_whole_head(const struct json_place *root, size_t count, struct descriptor *d,
                                    struct err *e)
{
    const json_t *resources;
    int64_t version = 0;
    enum err_code code = ERR_OK;
    if (json_object_get(root->object, "nipbench_series") == NULL)
        return err_set_at(e, ERR_FILE, root->file, 0, 0,
                          "is not the descriptor of a series: the key nipbench_series is missing");
    code = json_strict_whole(root, "nipbench_series", 0, INT64_MAX, &version, e);
    if (code == ERR_OK && version != DESCRIPTOR_VERSION)
        code = err_set_at(
            e, ERR_FILE, root->file, 0, 0,
            "nipbench_series: version %lld of the format is not known; this program reads version %d",
            (long long)version, DESCRIPTOR_VERSION);
    if (code == ERR_OK)
        code = json_strict_bool(root, "simulated", &d->simulated, e);
    if (code == ERR_OK)
        code = json_strict_child(root, "resources", JSON_ARRAY, &resources, e);
    if (code == ERR_OK && count > DESCRIPTOR_RESOURCES_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "%zu resources are too many; at most %d are allowed",
                          count, DESCRIPTOR_RESOURCES_MAX);
    return code;
}

static enum err_code read_root(const struct json_place *root, struct descriptor *d, struct err *e)
{
    const json_t *resources = json_object_get(root->object, "resources");
    size_t count = json_array_size(resources);
    enum err_code code = descriptor_whole_head(root, count, d, e);
    if (code == ERR_OK && (d->resources = calloc(count + 1, sizeof *d->resources)) == NULL)
        code = err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory to read it");
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        d->count = i + 1;
        code = descriptor_whole_resource(json_array_get(resources, i), i, root->file, &d->resources[i], e);
    }
    return code;
}

enum err_code descriptor_whole_read(const char *path, struct descriptor *d, char *hash, struct err *e)
{
    json_t *json;
    int64_t bytes;
    enum err_code code = json_strict_read_hashed(path, DESCRIPTOR_BYTES_MAX, &json, hash, &bytes, e);
    if (code == ERR_OK)
        code = read_root(&(struct json_place){json, path, ""}, d, e);
    json_decref(json);
    return code;
}
