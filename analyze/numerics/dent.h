/* Whether a number that ought not to depend on nip preload falls past some preload: feed per step, where the
 * teeth press so deep into the filament that the effective diameter shrinks. Pure arrays in, struct out. */
#ifndef ANALYZE_NUMERICS_DENT_H
#define ANALYZE_NUMERICS_DENT_H

#include <stdbool.h>
#include <stddef.h>

struct dent_level {
    double preload_n, ratio;   /* feed per step over what it is taken to be */
    double standard_error;     /* of ratio */
    double degrees_of_freedom; /* of that */
};

struct dent {
    bool found;
    double within_n;           /* the greatest preload below all those that show it */
    double from_n;             /* the least of those */
    double shrink;             /* ratio at the least preload minus that at the greatest: relative */
    double standard_error;     /* of shrink */
    double degrees_of_freedom; /* Welch's */
};

/* levels: rising preload. Each is held against the first; a preload shows a dent where the ratio there is
 * lower by more than 95 % of chance allows for all of them together (Bonferroni). The dent begins past the
 * last preload that does not show it; the greatest must. Nothing is found among fewer than two levels. */
struct dent dent_find(const struct dent_level *levels, size_t n);

#endif
