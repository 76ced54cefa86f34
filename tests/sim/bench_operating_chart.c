#include "tests/sim/bench_study.h"

void bench_operating_chart(struct study *study, int series, uint64_t seed, bool verbose)
{
    (void)study;
    (void)series;
    (void)seed;
    (void)verbose;
}
