#include "datasets/format/kept.h"

#include <search.h>
#include <stdlib.h>
#include <string.h>

const void *kept_copy(struct kept_store *store, const void *thing, size_t size,
                      int (*compare)(const void *, const void *))
{
    const void *kept = NULL;
    pthread_mutex_lock(&store->lock);
    /* A node of the tree begins with a pointer to what was put there. */
    const void *const *node = tfind(thing, &store->tree, compare);
    if (node != NULL) {
        kept = *node;
    } else {
        void *copy = malloc(size);
        if (copy != NULL)
            memcpy(copy, thing, size);
        if (copy != NULL && tsearch(copy, &store->tree, compare) != NULL)
            kept = copy;
        else
            free(copy);
    }
    pthread_mutex_unlock(&store->lock);
    return kept;
}

static int compare_texts(const void *a, const void *b)
{
    return strcmp(a, b);
}

const char *kept_text(const char *text)
{
    static struct kept_store texts = KEPT_STORE;
    return kept_copy(&texts, text, strlen(text) + 1, compare_texts);
}
