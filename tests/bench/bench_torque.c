/* Our side of the row of torque curves.
 *
 *     bench_torque write FOLDER SETS         writes FOLDER/MODEL.txt for the models pull_out and droop: the
 * parameters that made the points, the speeds in krad/s, and for each set a line of torques in N m
 *     bench_torque fit FOLDER MODEL SECONDS  fits all sets again and again for so long, prints seconds of
 * processor time per fit, and writes estimates and standard errors to FOLDER/MODEL.ours, a line for each set
 *
 * What is compared is the smooth problem that all three can solve: no bounds among the points, one scatter
 * for all, and T(w) = min(T0, A / z - B w / z^2), z = sqrt(1 + w^2 tau^2), which is smooth wherever the
 * corner does not lie on a speed of the points. The others begin at the parameters that made the points; ours
 * takes no start and looks for the curve over all shapes and corners.
 */
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/torque_fit.h"
#include "rig/base/number.h"
#include "rig/model/model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SPEEDS   12
#define PUSHES   5
#define POINTS   (SPEEDS * PUSHES)
#define SETS_MAX 1000

/* In krad/s. The corner of the curve lies well between two of them, so that there is one summit of the
 * likelihood only and the start does not decide who finds it. */
static const double LADDER[SPEEDS] = {0.1, 0.2, 0.3, 0.6, 0.8, 1.1, 1.5, 2, 2.8, 3.9, 5.5, 8};

static const struct torque_case {
    const char *name;
    enum torque_fit_model model;
    size_t p;
    double truth[TORQUE_FIT_PARAMETERS_MAX];
    double scatter_nm;
} CASES[] = {
    {"pull_out", TORQUE_FIT_PULL_OUT, 4, {0.46, 0.55, 0.12, 0.93}, 0.0002},
    {"droop", TORQUE_FIT_DROOP, 2, {0.42, 0.049}, 0.0053},
};

static double torque_nm(const struct torque_case *c, double w)
{
    const double *t = c->truth;
    double z2 = 1 + w * w * t[3] * t[3];
    return c->model == TORQUE_FIT_DROOP ? t[0] - t[1] * w : fmin(t[0], t[1] / sqrt(z2) - t[2] * w / z2);
}

static const struct torque_case *case_of(const char *name)
{
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        if (strcmp(CASES[i].name, name) == 0)
            return &CASES[i];
    }
    return NULL;
}

static FILE *open_file(const char *folder, const char *name, const char *suffix, const char *mode)
{
    char path[1024];
    FILE *file;
    snprintf(path, sizeof path, "%s/%s.%s", folder, name, suffix);
    file = fopen(path, mode);
    if (file == NULL)
        perror(path);
    return file;
}

static int write_case(const char *folder, const struct torque_case *c, size_t sets)
{
    struct model_random random = {7401};
    FILE *file = open_file(folder, c->name, "txt", "w");
    double w[POINTS];
    if (file == NULL)
        return 5;
    for (size_t j = 0; j < c->p; j++)
        fprintf(file, "%.17g%c", c->truth[j], j + 1 < c->p ? ' ' : '\n');
    for (size_t i = 0; i < POINTS; i++) {
        w[i] = LADDER[i / PUSHES];
        fprintf(file, "%.17g%c", w[i], i + 1 < POINTS ? ' ' : '\n');
    }
    for (size_t set = 0; set < sets; set++) {
        for (size_t i = 0; i < POINTS; i++)
            fprintf(file, "%.17g%c", torque_nm(c, w[i]) + c->scatter_nm * model_random_normal(&random),
                    i + 1 < POINTS ? ' ' : '\n');
    }
    return fclose(file) == 0 ? 0 : 5;
}

static double processor_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static bool read_numbers(FILE *file, double *numbers, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (fscanf(file, "%lf", &numbers[i]) != 1)
            return false;
    }
    return true;
}

static int fit_case(const char *folder, const struct torque_case *c, double least_s)
{
    static double torque[SETS_MAX][POINTS];
    static struct torque_fit fits[SETS_MAX];
    double truth[TORQUE_FIT_PARAMETERS_MAX], w[POINTS], begin, now;
    FILE *file = open_file(folder, c->name, "txt", "r");
    size_t sets = 0, rounds = 0;
    if (file == NULL)
        return 5;
    if (read_numbers(file, truth, c->p) && read_numbers(file, w, POINTS)) {
        while (sets < SETS_MAX && read_numbers(file, torque[sets], POINTS))
            sets++;
    }
    fclose(file);
    begin = processor_s();
    do {
        for (size_t set = 0; set < sets; set++) {
            struct err e = {0};
            if (torque_fit(c->model, w, torque[set], NULL, POINTS, &fits[set], &e) != ERR_OK) {
                fprintf(stderr, "bench_torque: set %zu: %s\n", set + 1, e.text);
                return 1;
            }
        }
        rounds++;
        now = processor_s();
    } while (now - begin < least_s);
    file = open_file(folder, c->name, "ours", "w");
    if (file == NULL)
        return 5;
    for (size_t set = 0; set < sets; set++) {
        for (size_t j = 0; j < c->p; j++)
            fprintf(file, "%.17g ", fits[set].parameters[j]);
        for (size_t j = 0; j < c->p; j++)
            fprintf(file, "%.17g%c", sqrt(fits[set].linearised[j][j]), j + 1 < c->p ? ' ' : '\n');
    }
    if (fclose(file) != 0)
        return 5;
    printf("%.9g\n", (now - begin) / (double)(rounds * sets));
    return 0;
}

int main(int argc, char **argv)
{
    int64_t sets;
    double least_s;
    struct err e = {0};
    const struct torque_case *c = argc == 5 ? case_of(argv[3]) : NULL;
    quantity_init_numerics();
    if (argc == 4 && strcmp(argv[1], "write") == 0 &&
        number_read_int64(argv[3], 1, SETS_MAX, "SETS", "", &sets, &e) == ERR_OK) {
        int status = 0;
        for (size_t i = 0; i < sizeof CASES / sizeof CASES[0] && status == 0; i++)
            status = write_case(argv[2], &CASES[i], (size_t)sets);
        return status;
    }
    if (c != NULL && strcmp(argv[1], "fit") == 0 &&
        number_read_double(argv[4], 0, 60, "SECONDS", "s", &least_s, &e) == ERR_OK)
        return fit_case(argv[2], c, least_s);
    fprintf(stderr, "bench_torque: %s\n",
            e.text[0] != 0 ? e.text : "wanted: write FOLDER SETS, or fit FOLDER MODEL SECONDS");
    return 2;
}
