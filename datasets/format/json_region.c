#include "datasets/format/json_region.h"

#include <jansson.h>
#include <limits.h>
#include <stdlib.h>

/* A run in results.json takes some 60,000 bytes. */
#define CHUNK_BYTES 32000

static void (*without_memory)(void); /* NULL: regions are not in use */
static _Thread_local struct json_region *innermost;

static void *take_chunk(size_t bytes)
{
    void *chunk = malloc(bytes);
    if (chunk == NULL)
        without_memory();
    return chunk;
}

static void *take(size_t bytes)
{
    if (innermost == NULL)
        return malloc(bytes);
    return bytes < INT_MAX / 2 ? obstack_alloc(&innermost->pieces, (int)bytes) : NULL;
}

static void give_back(void *piece)
{
    if (innermost == NULL)
        free(piece);
}

void json_region_set_up(void (*no_memory)(void))
{
    without_memory = no_memory;
    json_set_alloc_funcs(take, give_back);
}

void json_region_open(struct json_region *region)
{
    if (without_memory == NULL)
        return;
    obstack_specify_allocation(&region->pieces, CHUNK_BYTES, 0, take_chunk, free);
    region->around = innermost;
    innermost = region;
}

void json_region_close(struct json_region *region)
{
    if (without_memory == NULL)
        return;
    innermost = region->around;
    obstack_free(&region->pieces, NULL);
}
