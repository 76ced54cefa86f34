#include "tests/sim/bench_study.h"

void bench_reversal(struct study *study, int series, uint64_t seed, bool verbose)
{
    (void)study;
    (void)series;
    (void)seed;
    (void)verbose;
}
