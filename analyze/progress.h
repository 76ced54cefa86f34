/* How far long work has come: counters that whoever does the work raises, from any thread, and that somebody
 * else may look at. Nothing here prints or knows a clock, and no result depends on it. Every function takes
 * NULL for nobody who looks. */
#ifndef ANALYZE_PROGRESS_H
#define ANALYZE_PROGRESS_H

#include <stdatomic.h>
#include <stdint.h>

struct progress {
    _Atomic(const char *) doing; /* constant text: "analysing runs"; NULL: not begun */
    atomic_uint_fast64_t step;   /* two more for each step that was begun; odd while one is being begun */
    atomic_uint_fast64_t items, item_count; /* what people count: runs, files, figures */
    atomic_uint_fast64_t done, total;       /* what takes the time, in any unit: rows, bytes */
};

/* Begin the next step of the work. total 0: nobody can say how much there is. */
void progress_begin(struct progress *p, const char *doing, uint64_t item_count, uint64_t total);
/* So much more of it is done. */
void progress_add(struct progress *p, uint64_t items, uint64_t done);

#endif
