/* The studies of the tests of a kind: each draws its feeders, simulates a small series per seed, and asks how
 * often the 95 % intervals hold what is true by the parameters. One function for each kind; study_bench runs
 * them in one process. */
#ifndef TESTS_SIM_BENCH_STUDY_H
#define TESTS_SIM_BENCH_STUDY_H

#include "tests/sim/study.h"

#include <stdbool.h>
#include <stdint.h>

/* series: how many seeds, from seed on. Figures are added with study_share, named "KIND: what". */
void bench_speed_sweep(struct study *study, int series, uint64_t seed, bool verbose);
void bench_free_run(struct study *study, int series, uint64_t seed, bool verbose);
void bench_loaded_feed(struct study *study, int series, uint64_t seed, bool verbose);
void bench_preload_sweep(struct study *study, int series, uint64_t seed, bool verbose);
void bench_reversal(struct study *study, int series, uint64_t seed, bool verbose);
void bench_melt_push(struct study *study, int series, uint64_t seed, bool verbose);
void bench_endurance(struct study *study, int series, uint64_t seed, bool verbose);
void bench_operating_chart(struct study *study, int series, uint64_t seed, bool verbose);

#endif
