/* bench_bootstrap FOLDER LOOPS: the bootstrap of a comparison of feeders, beside R's boot. Makes
 * FOLDER/values.csv where there is none; with FOLDER/indices.csv of R it prints "interval LOW HIGH" of every
 * pair by the same draws. Then "seconds S": the mean over LOOPS of drawing, computing and taking the
 * intervals of all pairs. */
#include "analyze/numerics/bootstrap.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { FEEDERS = 6, RUNS = 8, PAIRS = FEEDERS * (FEEDERS - 1) / 2, VALUES = FEEDERS * RUNS };

struct room {
    uint32_t index[BOOTSTRAP_DRAWS * RUNS];
    double means[FEEDERS][BOOTSTRAP_DRAWS], room[BOOTSTRAP_DRAWS];
    struct bootstrap_interval intervals[PAIRS];
};

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int stop(const char *what)
{
    fprintf(stderr, "bench_bootstrap: %s\n", what);
    return 5;
}

static FILE *open_in(const char *folder, const char *name, const char *mode)
{
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return fopen(path, mode);
}

/* Values of six feeders that scatter and differ as feeders do; written with all digits. */
static int make_values(const char *folder, double *values)
{
    FILE *out = open_in(folder, "values.csv", "w");
    if (out == NULL)
        return stop("values.csv cannot be written");
    fputs("feeder,value\n", out);
    for (int i = 0; i < VALUES; i++) {
        values[i] = 83.7 + 2.3 * (i / RUNS) + 1.37 * sin(12.9898 * i * i + 4.1414 * i);
        fprintf(out, "%d,%.17g\n", i / RUNS + 1, values[i]);
    }
    return fclose(out) == 0 ? 0 : stop("values.csv cannot be written");
}

static void intervals(struct room *r)
{
    int pair = 0;
    for (int a = 0; a < FEEDERS; a++) {
        for (int b = a + 1; b < FEEDERS; b++)
            r->intervals[pair++] = bootstrap_percentile(r->means[a], r->means[b], BOOTSTRAP_DRAWS, r->room);
    }
}

/* What the product does for one comparison without blocks. */
static int once(const double *values, struct room *r)
{
    for (int a = 0; a < FEEDERS; a++) {
        if (bootstrap_draw(RUNS, BOOTSTRAP_DRAWS, BOOTSTRAP_SEED + (unsigned long)a, r->index, NULL) !=
            ERR_OK)
            return stop("out of memory");
        bootstrap_means(&values[a * RUNS], RUNS, r->index, BOOTSTRAP_DRAWS, r->means[a]);
    }
    intervals(r);
    return 0;
}

/* One row of R's indices is a draw of all values; those of a feeder stay among its own. */
static int by_the_draws_of_r(FILE *in, const double *values, struct room *r)
{
    static uint32_t all[BOOTSTRAP_DRAWS][VALUES];
    for (int d = 0; d < BOOTSTRAP_DRAWS; d++) {
        for (int i = 0; i < VALUES; i++) {
            unsigned one;
            if (fscanf(in, "%u%*[,\n]", &one) != 1 || one >= VALUES || (int)one / RUNS != i / RUNS)
                return stop("indices.csv is not what boot.array writes");
            all[d][i] = one % RUNS;
        }
    }
    for (int a = 0; a < FEEDERS; a++) {
        for (int i = 0; i < BOOTSTRAP_DRAWS * RUNS; i++)
            r->index[i] = all[i / RUNS][a * RUNS + i % RUNS];
        bootstrap_means(&values[a * RUNS], RUNS, r->index, BOOTSTRAP_DRAWS, r->means[a]);
    }
    intervals(r);
    for (int pair = 0; pair < PAIRS; pair++)
        printf("interval %.17g %.17g\n", r->intervals[pair].low_95, r->intervals[pair].high_95);
    return 0;
}

int main(int argc, char **argv)
{
    double values[VALUES], began_s;
    int loops = argc == 3 ? atoi(argv[2]) : 0, status;
    struct room *r = calloc(1, sizeof *r);
    FILE *in;
    if (r == NULL || loops < 1)
        return stop("bench_bootstrap FOLDER LOOPS");
    status = make_values(argv[1], values);
    in = status == 0 ? open_in(argv[1], "indices.csv", "r") : NULL;
    if (in != NULL) {
        status = by_the_draws_of_r(in, values, r);
        fclose(in);
    }
    began_s = now_s();
    for (int i = 0; status == 0 && i < loops; i++)
        status = once(values, r);
    printf("seconds %.9g\n", (now_s() - began_s) / loops);
    free(r);
    return status;
}
