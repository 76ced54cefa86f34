/* Layouts and benches of our own for a live comparison with another program: writes the values and our
 * answers as tables, which bench.R reads.
 *
 *     bench_cases DIR SEED
 *
 * All values are drawn: random layouts of feeders, operators, refits and repeats, nested and crossed, some
 * with values missing; and random sets of benches of unequal cells. */
#include "analyze/numerics/bench_consistency.h"
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/variance_split.h"
#include "rig/base/number.h"
#include "rig/model/model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define LAYOUTS    48
#define SETS       60
#define VALUES_MAX 700
#define FACTORS    6

static double between(struct model_random *r, double low, double high)
{
    return low + (high - low) * model_random_uniform(r);
}

static size_t whole(struct model_random *r, size_t low, size_t high)
{
    return low + (size_t)(model_random_uniform(r) * (double)(high - low + 1));
}

static bool answered(int number, enum err_code code, const struct err *e)
{
    if (code != ERR_OK)
        fprintf(stderr, "case %d: %s\n", number, e->text);
    return code == ERR_OK;
}

enum shape { NESTED, DEEPLY_NESTED, CROSSED, CROSSED_ADDITIVE, THREE_CROSSED, SHAPES };

struct layout {
    size_t n, count;
    size_t level[FACTORS][VALUES_MAX];
    struct variance_factor factors[FACTORS];
    double values[VALUES_MAX];
};

static void add_factor(struct layout *l, size_t levels)
{
    l->factors[l->count] = (struct variance_factor){"factor", l->level[l->count], levels};
    l->count++;
}

/* Levels of value number n with places a, b, c in their sizes; nested ones numbered through. */
static void place(struct layout *l, enum shape shape, size_t a, size_t b, size_t c, const size_t *size)
{
    size_t ab = a * size[1] + b;
    const size_t levels[SHAPES][FACTORS] = {
        [NESTED] = {a, ab},
        [DEEPLY_NESTED] = {a, ab, ab * size[2] + c},
        [CROSSED] = {a, b, ab},
        [CROSSED_ADDITIVE] = {a, b},
        [THREE_CROSSED] = {a, b, c, ab, a * size[2] + c, b * size[2] + c},
    };
    for (size_t f = 0; f < l->count; f++)
        l->level[f][l->n] = levels[shape][f];
}

static void make_layout(struct layout *l, enum shape shape, bool missing, struct model_random *r)
{
    const size_t size[] = {whole(r, 3, 6), whole(r, 3, 5), whole(r, 2, 4)};
    const size_t repeats = whole(r, 2, 4), pairs = size[0] * size[1];
    double effect[FACTORS][VALUES_MAX], level = between(r, 20, 150), noise = between(r, 0.3, 3);
    l->n = l->count = 0;
    add_factor(l, size[0]);
    add_factor(l, shape == NESTED || shape == DEEPLY_NESTED ? pairs : size[1]);
    if (shape == DEEPLY_NESTED)
        add_factor(l, pairs * size[2]);
    if (shape == CROSSED)
        add_factor(l, pairs);
    if (shape == THREE_CROSSED) {
        add_factor(l, size[2]);
        add_factor(l, pairs);
        add_factor(l, size[0] * size[2]);
        add_factor(l, size[1] * size[2]);
    }
    for (size_t f = 0; f < l->count; f++) {
        double sd = between(r, 0, 4);
        for (size_t j = 0; j < l->factors[f].levels; j++)
            effect[f][j] = sd * model_random_normal(r);
    }
    for (size_t i = 0; i < pairs * size[2] * repeats; i++) {
        size_t a = i / repeats / size[2] / size[1], b = i / repeats / size[2] % size[1];
        if (missing && model_random_uniform(r) < 0.25)
            continue;
        place(l, shape, a, b, i / repeats % size[2], size);
        l->values[l->n] = level + noise * model_random_normal(r);
        for (size_t f = 0; f < l->count; f++)
            l->values[l->n] += effect[f][l->level[f][l->n]];
        l->n++;
    }
}

static bool split_case(int number, struct model_random *r, FILE *values, FILE *splits)
{
    static struct layout l;
    struct variance_split s;
    struct err e = {0};
    bool missing = number > LAYOUTS / 2;
    make_layout(&l, (enum shape)(number % SHAPES), missing, r);
    if (!answered(number, variance_split(l.values, l.n, l.factors, l.count, &s, &e), &e))
        return false;
    for (size_t i = 0; i < l.n; i++) {
        fprintf(values, "%d,%d,%.17g", number, !missing, l.values[i]);
        for (size_t f = 0; f < FACTORS; f++)
            fprintf(values, ",%zu", f < l.count ? l.level[f][i] + 1 : 0);
        fprintf(values, "\n");
    }
    for (size_t f = 0; f < s.count; f++) {
        const struct variance_component *c = &s.components[f];
        fprintf(splits, "%d,%zu,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", number,
                l.count, c->degrees_of_freedom, c->square, c->mean_square, c->variance,
                c->variance_degrees_of_freedom, c->low_95, c->high_95, c->f, c->f_degrees_of_freedom,
                c->p_value, c->share);
    }
    return true;
}

static void put_check(FILE *file, int number, const char *name, const struct bench_check *c)
{
    if (c->present)
        fprintf(file, "%d,%s,%zu,%zu,%.17g,%.17g,%.17g\n", number, name, c->bench + 1, c->other + 1,
                c->statistic, c->critical_5, c->critical_1);
}

static bool bench_case(int number, struct model_random *r, FILE *values, FILE *sets, FILE *cells,
                       FILE *checks)
{
    static struct bench_consistency s;
    double value[VALUES_MAX], level = between(r, 30, 200), between_sd = between(r, 0, 3);
    size_t bench[VALUES_MAX], n = 0, benches = whole(r, 2, 25), common = whole(r, 2, 6);
    struct err e = {0};
    for (size_t b = 0; b < benches; b++) {
        /* A third of the sets has cells of other sizes, down to a single value. */
        size_t own = number % 3 == 0 && b > 0 ? whole(r, 1, common + 2) : common;
        double offset = between_sd * model_random_normal(r), sd = between(r, 0.5, 2);
        for (size_t i = 0; i < own; i++) {
            bench[n] = b;
            value[n] = level + offset + sd * model_random_normal(r);
            fprintf(values, "%d,%zu,%.17g\n", number, b + 1, value[n]);
            n++;
        }
    }
    if (!answered(number, bench_consistency(value, bench, n, benches, &s, &e), &e))
        return false;
    fprintf(sets, "%d,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", number, s.mean, s.sd_of_means,
            s.repeatability_sd, s.between_sd, s.reproducibility_sd, s.effective_n);
    for (size_t b = 0; b < benches; b++)
        fprintf(cells, "%d,%zu,%zu,%.17g,%.17g,%.17g,%.17g\n", number, b + 1, s.cells[b].n, s.cells[b].mean,
                s.cells[b].sd, s.cells[b].h, s.cells[b].k);
    put_check(checks, number, "cochran", &s.cochran);
    put_check(checks, number, "low", &s.grubbs_low);
    put_check(checks, number, "high", &s.grubbs_high);
    put_check(checks, number, "two_low", &s.grubbs_two_low);
    put_check(checks, number, "two_high", &s.grubbs_two_high);
    return true;
}

static void put_criticals(FILE *file)
{
    static const size_t benches[] = {2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 30, 50, 100};
    static const double levels[] = {0.05, 0.01};
    for (size_t i = 0; i < sizeof benches / sizeof *benches; i++) {
        size_t p = benches[i];
        for (size_t j = 0; j < 2; j++) {
            for (size_t n = 2; n <= 12; n += n < 6 ? 1 : 6) {
                fprintf(file, "cochran,%zu,%zu,%g,%.17g\n", p, n, levels[j],
                        bench_cochran_critical(p, (double)n, levels[j]));
                fprintf(file, "k,%zu,%zu,%g,%.17g\n", p, n, levels[j],
                        bench_mandel_k_critical(p, (double)n, levels[j]));
            }
            if (p > 2) {
                fprintf(file, "h,%zu,0,%g,%.17g\n", p, levels[j], bench_mandel_h_critical(p, levels[j]));
                fprintf(file, "one,%zu,0,%g,%.17g\n", p, levels[j], bench_grubbs_critical(p, levels[j]));
            }
            if (p > 3)
                fprintf(file, "two,%zu,0,%g,%.17g\n", p, levels[j],
                        bench_grubbs_double_critical(p, levels[j]));
        }
    }
}

enum table { VALUES, SPLITS, BENCH_VALUES, BENCH_SETS, BENCH_CELLS, BENCH_CHECKS, CRITICALS, TABLES };

int main(int argc, char **argv)
{
    static const char *const names[TABLES][2] = {
        [VALUES] = {"values", "case,balanced,value,f1,f2,f3,f4,f5,f6"},
        [SPLITS] = {"splits", "case,factors,df,ss,ms,variance,vdf,low,high,f,fdf,p,share"},
        [BENCH_VALUES] = {"bench_values", "case,bench,value"},
        [BENCH_SETS] = {"bench_sets", "case,mean,sx,sr,sl,sR,n"},
        [BENCH_CELLS] = {"bench_cells", "case,bench,n,mean,sd,h,k"},
        [BENCH_CHECKS] = {"bench_checks", "case,name,bench,other,statistic,critical_5,critical_1"},
        [CRITICALS] = {"criticals", "name,p,n,level,value"},
    };
    FILE *files[TABLES] = {NULL};
    struct err e = {0};
    int64_t seed = 0;
    struct model_random r = {0};
    bool good = true;
    if (argc != 3 || number_read_int64(argv[2], 0, INT32_MAX, "SEED", "", &seed, &e) != ERR_OK) {
        fprintf(stderr, "usage: %s DIR SEED %s\n", argv[0], e.text);
        return 2;
    }
    quantity_init_numerics();
    r.state = (uint64_t)seed;
    printf("seed %lld\n", (long long)seed);
    for (int i = 0; good && i < TABLES; i++) {
        char path[1024];
        snprintf(path, sizeof path, "%s/%s.csv", argv[1], names[i][0]);
        files[i] = fopen(path, "w");
        good = files[i] != NULL && fprintf(files[i], "%s\n", names[i][1]) > 0;
        if (!good)
            perror(path);
    }
    for (int number = 1; good && number <= LAYOUTS; number++)
        good = split_case(number, &r, files[VALUES], files[SPLITS]);
    for (int number = 1; good && number <= SETS; number++)
        good = bench_case(number, &r, files[BENCH_VALUES], files[BENCH_SETS], files[BENCH_CELLS],
                          files[BENCH_CHECKS]);
    if (good)
        put_criticals(files[CRITICALS]);
    for (int i = 0; i < TABLES; i++)
        good = (files[i] == NULL || fclose(files[i]) == 0) && good;
    return good ? 0 : 1;
}
