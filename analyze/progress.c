#include "analyze/progress.h"

#include <stddef.h>

void progress_begin(struct progress *p, const char *doing, uint64_t item_count, uint64_t total)
{
    if (p == NULL)
        return;
    /* Odd while the rest changes, so that nobody takes the old count for one of the new step. */
    atomic_fetch_add(&p->step, 1);
    atomic_store(&p->doing, doing);
    atomic_store(&p->items, 0);
    atomic_store(&p->item_count, item_count);
    atomic_store(&p->done, 0);
    atomic_store(&p->total, total);
    atomic_fetch_add(&p->step, 1);
}

void progress_add(struct progress *p, uint64_t items, uint64_t done)
{
    if (p == NULL)
        return;
    atomic_fetch_add(&p->items, items);
    atomic_fetch_add(&p->done, done);
}
