/* Two values side by side, for sums over many: half the instructions, and no addition waits for the one
 * before. Every machine that we build for has them (vector extensions of C compilers). */
#ifndef ANALYZE_NUMERICS_PAIR_H
#define ANALYZE_NUMERICS_PAIR_H

#include <string.h>

typedef double pair __attribute__((vector_size(2 * sizeof(double))));

static inline pair pair_at(const double *values)
{
    pair p;
    memcpy(&p, values, sizeof p);
    return p;
}

static inline double pair_sum(pair p)
{
    return p[0] + p[1];
}

#endif
