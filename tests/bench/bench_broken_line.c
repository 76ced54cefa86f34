/* Our side of the row of broken lines.
 *
 *     bench_broken_line write FOLDER POINTS   writes the points of every case to FOLDER/NAME.f64, as raw
 * doubles: all x, then all y; prints the names bench_broken_line fit FILE SECONDS      fits them again and
 * again for so long; prints seconds of processor time per fit, breakpoint, its standard error and the
 * residual sum
 */
#include "analyze/numerics/broken_line.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/number.h"
#include "rig/model/model.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Spread evenly over x from 0 to 1, with a slope of 2 and from the break on of 5. */
static const struct broken_case {
    const char *name;
    double at, noise;
    bool shuffled; /* x in no order */
    uint64_t seed;
} CASES[] = {
    {"first", 0.5471, 0.3, false, 6301}, {"second", 0.3129, 0.3, false, 6302},
    {"third", 0.7783, 0.3, false, 6303}, {"near_the_end", 0.9814, 0.1, false, 6304},
    {"noisy", 0.5471, 2, false, 6305},   {"in_no_order", 0.5471, 0.3, true, 6306},
};

static int by_value(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

static int write_points(const char *folder, const struct broken_case *c, size_t n)
{
    struct model_random random = {c->seed};
    double *points = malloc(2 * n * sizeof *points);
    char path[1024];
    FILE *file;
    int status = 5;
    snprintf(path, sizeof path, "%s/%s.f64", folder, c->name);
    file = fopen(path, "wb");
    if (points == NULL || file == NULL) {
        perror(path);
        goto out;
    }
    for (size_t i = 0; i < n; i++)
        points[i] = model_random_uniform(&random);
    if (!c->shuffled)
        qsort(points, n, sizeof *points, by_value);
    for (size_t i = 0; i < n; i++)
        points[n + i] =
            1 + 2 * points[i] + 3 * fmax(0, points[i] - c->at) + c->noise * model_random_normal(&random);
    if (fwrite(points, sizeof *points, 2 * n, file) == 2 * n)
        status = 0;
out:
    if (file != NULL && fclose(file) != 0)
        status = 5;
    free(points);
    return status;
}

static double processor_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static int fit_points(const char *path, double least_s)
{
    FILE *file = fopen(path, "rb");
    struct broken_line fit;
    struct err e = {0};
    double *points = NULL, begin, now;
    long bytes, fits = 0;
    size_t n;
    int status = 5;
    if (file == NULL || fseek(file, 0, SEEK_END) != 0 || (bytes = ftell(file)) < 16 ||
        fseek(file, 0, SEEK_SET) != 0) {
        perror(path);
        goto out;
    }
    n = (size_t)bytes / 16;
    points = malloc(2 * n * sizeof *points);
    if (points == NULL || fread(points, sizeof *points, 2 * n, file) != 2 * n) {
        perror(path);
        goto out;
    }
    status = 1;
    begin = processor_s();
    do {
        if (broken_line_fit(points, points + n, n, &fit, &e) != ERR_OK) {
            fprintf(stderr, "%s: %s\n", path, e.text);
            goto out;
        }
        fits++;
        now = processor_s();
    } while (now - begin < least_s);
    printf("%.9g %.17g %.17g %.17g\n", (now - begin) / (double)fits, fit.breakpoint,
           fit.breakpoint_standard_error, fit.residual_sum);
    status = 0;
out:
    if (file != NULL)
        fclose(file);
    free(points);
    return status;
}

int main(int argc, char **argv)
{
    int64_t n;
    double least_s;
    struct err e = {0};
    quantity_init_numerics();
    if (argc == 4 && strcmp(argv[1], "write") == 0 &&
        number_read_int64(argv[3], 5, 10000000, "POINTS", "", &n, &e) == ERR_OK) {
        for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
            if (write_points(argv[2], &CASES[i], (size_t)n) != 0)
                return 5;
            puts(CASES[i].name);
        }
        return 0;
    }
    if (argc == 4 && strcmp(argv[1], "fit") == 0 &&
        number_read_double(argv[3], 0, 60, "SECONDS", "s", &least_s, &e) == ERR_OK)
        return fit_points(argv[2], least_s);
    fprintf(stderr, "bench_broken_line: %s\n",
            e.text[0] != 0 ? e.text : "wanted: write FOLDER POINTS, or fit FILE SECONDS");
    return 2;
}
