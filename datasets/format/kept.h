/* What many runs state alike, kept once: why they ended, under which conditions they were made. A bench knows
 * a few dozen of each, so they stay for as long as the program runs, and thousands of records share them
 * without an owner to be told. */
#ifndef DATASETS_FORMAT_KEPT_H
#define DATASETS_FORMAT_KEPT_H

#include <pthread.h>
#include <stddef.h>

/* The one copy of a text, which nobody frees or changes: equal texts give equal pointers. NULL without
 * memory. Several threads may ask at a time. */
const char *kept_text(const char *text);

/* What a place for a kept text says: "" where it is NULL, for nothing was put there. */
static inline const char *kept_text_or_empty(const char *kept)
{
    return kept == NULL ? "" : kept;
}

/* The same for things of any other kind: a store of them, which begins as KEPT_STORE, and a function that
 * orders two of them, 0 where they are equal. */
struct kept_store {
    pthread_mutex_t lock;
    void *tree;
};
#define KEPT_STORE                                                                                           \
    {                                                                                                        \
        PTHREAD_MUTEX_INITIALIZER, NULL                                                                      \
    }
const void *kept_copy(struct kept_store *store, const void *thing, size_t size,
                      int (*compare)(const void *, const void *));

#endif
