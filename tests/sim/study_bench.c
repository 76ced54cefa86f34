/* Study of every test of the bench against the simulator's truth, in one process.
 *
 *     study_bench [--only KIND] [--runs N] [--seed S] [--out FILE] [--verbose]
 *
 * N is how many series are drawn for each kind. Writes an array of {name, value, unit, low, high, met, n,
 * seed, seconds} to FILE and exits 1 when a figure is not met. */
#include "analyze/numerics/quantity.h"
#include "tests/sim/bench_study.h"

#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    void (*run)(struct study *study, int series, uint64_t seed, bool verbose);
} KINDS[] = {
    {"speed-sweep", bench_speed_sweep}, {"free-run", bench_free_run},
    {"loaded-feed", bench_loaded_feed}, {"preload-sweep", bench_preload_sweep},
    {"reversal", bench_reversal},       {"melt-push", bench_melt_push},
    {"endurance", bench_endurance},     {"operating-chart", bench_operating_chart},
};
#define KIND_COUNT (sizeof KINDS / sizeof KINDS[0])

int main(int argc, char **argv)
{
    struct study study;
    struct study_options o = {.runs = 200, .seed = 20261125};
    const char *only = NULL;
    bool known = false;
    if (argc > 2 && strcmp(argv[1], "--only") == 0) {
        only = argv[2];
        argv[2] = argv[0];
        argv += 2;
        argc -= 2;
    }
    if (!study_options_read(argc, argv, &o))
        return 2;
    for (size_t i = 0; i < KIND_COUNT; i++)
        known = known || only == NULL || strcmp(KINDS[i].name, only) == 0;
    if (!known) {
        fprintf(stderr, "%s: '%s' is no kind of test\n", argv[0], only);
        return 2;
    }
    quantity_init_numerics();
    study_begin(&study, &o);
    for (size_t i = 0; i < KIND_COUNT; i++) {
        if (only == NULL || strcmp(KINDS[i].name, only) == 0)
            KINDS[i].run(&study, o.runs, o.seed, o.verbose);
    }
    return study_end(&study);
}
