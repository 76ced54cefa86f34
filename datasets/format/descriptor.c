#include "datasets/format/descriptor.h"

#include "datasets/format/descriptor_pieces.h"
#include "datasets/format/descriptor_whole.h"

#include <stdlib.h>
#include <string.h>

/* In the order of their paths, and those of one path in that of the file. */
static int compare_paths(const void *a, const void *b)
{
    const struct descriptor_resource *x = *(const struct descriptor_resource *const *)a;
    const struct descriptor_resource *y = *(const struct descriptor_resource *const *)b;
    int order = strcmp(x->path, y->path);
    return order != 0 ? order : (x > y) - (x < y);
}

enum err_code descriptor_read_hashed(const char *path, struct descriptor *d, char *hash, struct err *e)
{
    bool no_memory;
    enum err_code code = ERR_OK;
    memset(d, 0, sizeof *d);
    if (!descriptor_pieces_read(path, d, hash, &no_memory)) {
        descriptor_free(d);
        code = no_memory ? err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it")
                         : descriptor_whole_read(path, d, hash, e);
    }
    if (code == ERR_OK && (d->by_path = malloc((d->count + 1) * sizeof *d->by_path)) == NULL)
        code = err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it");
    if (code != ERR_OK) {
        descriptor_free(d);
        return code;
    }
    for (size_t i = 0; i < d->count; i++)
        d->by_path[i] = &d->resources[i];
    qsort(d->by_path, d->count, sizeof *d->by_path, compare_paths);
    return ERR_OK;
}

enum err_code descriptor_read(const char *path, struct descriptor *d, struct err *e)
{
    return descriptor_read_hashed(path, d, NULL, e);
}

void descriptor_free(struct descriptor *d)
{
    for (size_t i = 0; i < d->count; i++) {
        free(d->resources[i].path);
        free(d->resources[i].hash);
    }
    free(d->resources);
    free(d->by_path);
    memset(d, 0, sizeof *d);
}

const struct descriptor_resource *descriptor_find(const struct descriptor *d, const char *path)
{
    size_t low = 0;
    size_t high = d->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (strcmp(d->by_path[middle]->path, path) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return low < d->count && strcmp(d->by_path[low]->path, path) == 0 ? d->by_path[low] : NULL;
}
