/* Cases of our own of comparisons of feeders for comparison.R: writes the values and our answers as tables;
 * and our answers to the published cases in the tests of SciPy.
 *
 *     comparison_cases DIR SEED SCIPY
 *
 * SCIPY is the folder scipy/stats/tests/data of the package python3-scipy. */
#include "analyze/numerics/anova.h"
#include "analyze/numerics/censored_normal.h"
#include "analyze/numerics/design_compare.h"
#include "analyze/numerics/power.h"
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/studentised_range.h"
#include "rig/base/number.h"
#include "rig/model/model.h"
#include "tests/reference/case_tables.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SETS       30 /* of each kind */
#define POWERS     40 /* of each kind */
#define VALUES_MAX 128
#define FEEDERS    6
#define NIST_SETS  11
#define NIST_MAX   20000
#define NIST_HEAD  60 /* lines of a file of NIST before its data */

/* How the values of a case come about. */
enum kind {
    PAIRED,
    TWO,
    GROUPS,
    UNEVEN_GROUPS,
    BLOCKS,
    MISSING,
    UNEVEN_BLOCKS,
    CENSORED,
    CENSORED_BLOCKS,
    KINDS
};
static const char *const KIND_NAMES[KINDS] = {"paired",        "two",      "groups",
                                              "uneven_groups", "blocks",   "missing",
                                              "uneven_blocks", "censored", "censored_blocks"};

struct tables {
    FILE *values, *designs, *pairs, *one_way, *censored;
};

struct drawn {
    enum kind kind;
    size_t n, feeders, blocks;
    struct design_value values[VALUES_MAX];
};

static bool in_blocks(enum kind kind)
{
    return kind == PAIRED || kind == BLOCKS || kind == MISSING || kind == UNEVEN_BLOCKS ||
           kind == CENSORED_BLOCKS;
}

/* The place of every value in its block is drawn too: blocks are run in random orders. */
static void draw(struct model_random *r, enum kind kind, struct drawn *d)
{
    bool uneven = kind == UNEVEN_GROUPS || kind == UNEVEN_BLOCKS || kind == TWO;
    double sd = case_between(r, 0.3, 4), own[FEEDERS], mean[FEEDERS], level = 0;
    size_t last = SIZE_MAX;
    d->kind = kind;
    d->n = 0;
    d->feeders = kind == PAIRED || kind == TWO ? 2 : (size_t)case_between(r, 3, FEEDERS + 0.999);
    d->blocks = (size_t)case_between(r, kind == UNEVEN_BLOCKS ? 12 : 5, kind == UNEVEN_BLOCKS ? 18 : 12);
    for (size_t g = 0; g < d->feeders; g++) {
        own[g] = sd * (uneven ? pow(10, case_between(r, -1, 0.5)) : 1);
        mean[g] = case_between(r, 70, 70 + 4 * sd);
    }
    for (size_t b = 0; b < d->blocks; b++) {
        for (size_t g = 0; g < d->feeders; g++) {
            struct design_value *v = &d->values[d->n];
            bool missing = kind != PAIRED && kind != BLOCKS && b >= 4 && model_random_uniform(r) < 0.15;
            if (missing)
                continue;
            if (in_blocks(kind) && b != last)
                level = 2 * sd * model_random_normal(r);
            last = b;
            *v = (struct design_value){.group = g, .block = b};
            v->value = mean[g] + level + own[g] * model_random_normal(r);
            v->order = (double)b + model_random_uniform(r);
            v->at_least = (kind == CENSORED || kind == CENSORED_BLOCKS) && model_random_uniform(r) < 0.2;
            d->n++;
        }
    }
}

static void put_test(FILE *file, const struct anova_test *t)
{
    fprintf(file, ",%.17g,%.17g,%.17g,%.17g", t->f, t->n1, t->n2, t->p_value);
}

static void put_design(const struct tables *t, int number, const struct drawn *d,
                       const struct design_result *r)
{
    /* The smallest difference that matters, somewhere about the differences that there are. */
    double least = 0.5 + 0.3 * (number % 10);
    fprintf(t->designs, "%d,%s,%d,%d,%.17g,%.17g", number, KIND_NAMES[d->kind], (int)r->method, r->by_blocks,
            r->residual_sd, r->order_slope);
    put_test(t->designs, &r->feeders);
    put_test(t->designs, &r->block);
    put_test(t->designs, &r->scatter);
    put_test(t->designs, &r->order);
    fputc('\n', t->designs);
    for (size_t i = 0; i < r->pair_count; i++) {
        const struct design_pair *p = &r->pairs[i];
        fprintf(t->pairs, "%d,%zu,%zu,%d,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n",
                number, p->a, p->b, p->present, p->difference, p->standard_error, p->degrees_of_freedom,
                p->p_alone, p->p_family, p->low_95, p->high_95, p->family_low_95, p->family_high_95, least,
                design_equivalence_p(p->difference, p->standard_error, p->degrees_of_freedom, least));
    }
}

/* One-way tests of the values as groups, whatever they are, and the likelihood where some are censored. */
static bool put_groups(const struct tables *t, int number, const struct drawn *d, struct err *e)
{
    double values[VALUES_MAX];
    size_t group[VALUES_MAX], block[VALUES_MAX];
    bool at_least[VALUES_MAX];
    struct anova_one_way one;
    struct censored_normal c;
    struct anova_test scatter;
    enum err_code code;
    for (size_t i = 0; i < d->n; i++) {
        values[i] = d->values[i].value;
        group[i] = d->values[i].group;
        block[i] = d->values[i].block;
        at_least[i] = d->values[i].at_least;
    }
    if (d->kind != CENSORED && d->kind != CENSORED_BLOCKS) {
        if (anova_one_way(values, group, d->n, d->feeders, &one, e) != ERR_OK)
            return false;
        scatter = anova_equal_scatter(values, group, d->n, d->feeders);
        fprintf(t->one_way, "%d,%.17g", number, one.residual_sd);
        put_test(t->one_way, &one.test);
        put_test(t->one_way, &one.welch);
        put_test(t->one_way, &scatter);
        fputc('\n', t->one_way);
        return true;
    }
    code = censored_normal(values, at_least, group, d->kind == CENSORED_BLOCKS ? block : NULL, d->n,
                           d->feeders, d->kind == CENSORED_BLOCKS ? d->blocks : 1, &c, e);
    for (size_t g = 0; code == ERR_OK && g < d->feeders; g++)
        fprintf(t->censored, "%d,%zu,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", number, g, c.mean[g],
                c.covariance[g][g], c.log_likelihood, c.sigma, c.sigma_corrected, c.degrees_of_freedom);
    return code == ERR_OK;
}

static bool compare_case(struct model_random *r, const struct tables *t, int number, enum kind kind)
{
    struct drawn d;
    struct design_result result;
    struct err e = {0};
    bool good;
    /* Bounds may be too many, or all there is of a block, or a block be left with one feeder: others are
     * drawn. */
    for (int again = 0; again < 100; again++) {
        enum err_code code;
        draw(r, kind, &d);
        code = design_compare(d.values, d.n, d.feeders, in_blocks(kind), NULL, &result, &e);
        if (code == ERR_OK && (kind < CENSORED || result.method == DESIGN_CENSORED) &&
            result.by_blocks == in_blocks(kind) && result.values == d.n)
            break;
        design_result_free(&result);
        if (again == 99)
            return case_answered(KIND_NAMES[kind], ERR_NO_ANSWER, &e);
    }
    for (size_t i = 0; i < d.n; i++)
        fprintf(t->values, "%d,%zu,%zu,%.17g,%.17g,%d\n", number, d.values[i].group, d.values[i].block,
                d.values[i].order, d.values[i].value, d.values[i].at_least);
    put_design(t, number, &d, &result);
    good = put_groups(t, number, &d, &e);
    design_result_free(&result);
    return case_answered(KIND_NAMES[kind], good ? ERR_OK : ERR_NO_ANSWER, &e);
}

static bool compare_cases(const char *folder, struct model_random *r)
{
    struct tables t = {
        .values = case_open_table(folder, "values", "case,group,block,order,value,at_least"),
        .designs =
            case_open_table(folder, "designs",
                            "case,kind,method,by_blocks,sd,slope,f,n1,n2,p,block_f,block_n1,block_n2,block_p,"
                            "scatter_f,scatter_n1,scatter_n2,scatter_p,order_f,order_n1,order_n2,order_p"),
        .pairs = case_open_table(
            folder, "pairs",
            "case,a,b,present,difference,se,df,p_alone,p_family,low,high,family_low,family_high,"
            "least,p_alike"),
        .one_way = case_open_table(folder, "one_way",
                                   "case,sd,f,n1,n2,p,welch_f,welch_n1,welch_n2,welch_p,scatter_f,scatter_n1,"
                                   "scatter_n2,scatter_p"),
        .censored = case_open_table(folder, "censored", "case,group,mean,variance,loglik,sigma,corrected,df"),
    };
    bool good =
        t.values != NULL && t.designs != NULL && t.pairs != NULL && t.one_way != NULL && t.censored != NULL;
    for (int i = 0; good && i < SETS * KINDS; i++)
        good = compare_case(r, &t, i + 1, (enum kind)(i % KINDS));
    good = case_close_table(t.values) && good;
    good = case_close_table(t.designs) && good;
    good = case_close_table(t.pairs) && good;
    good = case_close_table(t.one_way) && good;
    return case_close_table(t.censored) && good;
}

static bool power_cases(const char *folder, struct model_random *r)
{
    FILE *file =
        case_open_table(folder, "power", "feeders,blocks,sd,repeats,difference,pair,variance,f_test");
    if (file == NULL)
        return false;
    for (int i = 0; i < 2 * POWERS; i++) {
        struct power_design d = {.feeders = i < POWERS ? 2 : (int)case_between(r, 3, 8.999),
                                 .blocks = i % 2 == 1,
                                 .sd = case_between(r, 0.2, 5),
                                 .level = 0.05};
        int repeats = (int)case_between(r, 3, 25);
        double difference = d.sd * case_between(r, 0.1, 3), variance = d.sd * d.sd * case_between(r, 0.05, 1);
        fprintf(file, "%d,%d,%.17g,%d,%.17g,%.17g,%.17g,%.17g\n", d.feeders, d.blocks, d.sd, repeats,
                difference, power_of_pair(&d, repeats, difference), variance,
                power_of_f_test(&d, repeats, variance));
    }
    return case_close_table(file);
}

/* SciPy's values of the studentised range, worked out with mpmath. */
static bool range_cases(const char *folder, const char *scipy)
{
    char path[1024];
    json_error_t why;
    json_t *root, *one;
    size_t i;
    FILE *file = case_open_table(folder, "range", "q,k,df,below,published");
    snprintf(path, sizeof path, "%s/studentized_range_mpmath_ref.json", scipy);
    root = json_load_file(path, 0, &why);
    if (root == NULL)
        fprintf(stderr, "%s:%d: %s\n", path, why.line, why.text);
    json_array_foreach(json_object_get(root, "cdf_data"), i, one)
    {
        json_t *at = json_object_get(one, "src_case");
        double q = json_number_value(json_object_get(at, "q")),
               df = json_number_value(json_object_get(at, "v"));
        int k = (int)json_number_value(json_object_get(at, "k"));
        if (file != NULL)
            fprintf(file, "%.17g,%d,%.17g,%.17g,%.17g\n", q, k, df, 1 - studentised_range_upper(q, k, df),
                    json_number_value(json_object_get(one, "mp_result")));
    }
    json_decref(root);
    return case_close_table(file) && root != NULL;
}

/* One set of NIST's: the certified F and residual standard deviation stand in its head. */
static bool nist_case(FILE *out, const char *scipy, const char *name)
{
    static double values[NIST_MAX];
    static size_t group[NIST_MAX];
    char path[1024], line[256];
    struct anova_one_way r;
    struct err e = {0};
    double f = NAN, sd = NAN;
    size_t n = 0, groups = 0;
    FILE *file;
    snprintf(path, sizeof path, "%s/nist_anova/%s.dat", scipy, name);
    file = fopen(path, "r");
    if (file == NULL) {
        perror(path);
        return false;
    }
    for (int number = 1; fgets(line, sizeof line, file) != NULL; number++) {
        const char *last = strrchr(line, ' ');
        if (number <= NIST_HEAD && strncmp(line, "Between", 7) == 0 && last != NULL)
            f = strtod(last, NULL);
        else if (number <= NIST_HEAD && strstr(line, "Standard Deviation ") != NULL)
            sd = strtod(last, NULL);
        else if (number > NIST_HEAD && n < NIST_MAX && sscanf(line, "%zu %lf", &group[n], &values[n]) == 2 &&
                 group[n] > 0) {
            groups = group[n] > groups ? group[n] : groups;
            group[n++]--;
        }
    }
    fclose(file);
    if (!case_answered(name, anova_one_way(values, group, n, groups, &r, &e), &e))
        return false;
    fprintf(out, "%s,%zu,%.17g,%.17g,%.17g,%.17g\n", name, n, r.test.f, f, r.residual_sd, sd);
    return true;
}

static bool nist_cases(const char *folder, const char *scipy)
{
    static const char *const names[NIST_SETS] = {"SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04",
                                                 "SmLs05", "SmLs06",  "SmLs07", "SmLs08", "SmLs09"};
    FILE *file = case_open_table(folder, "nist", "name,n,f,certified_f,sd,certified_sd");
    bool good = file != NULL;
    for (size_t i = 0; good && i < NIST_SETS; i++)
        good = nist_case(file, scipy, names[i]);
    return case_close_table(file) && good;
}

int main(int argc, char **argv)
{
    struct err e = {0};
    int64_t seed = 0;
    struct model_random r = {0};
    if (argc != 4 || number_read_int64(argv[2], 0, INT32_MAX, "SEED", "", &seed, &e) != ERR_OK) {
        fprintf(stderr, "usage: %s DIR SEED SCIPY %s\n", argv[0], e.text);
        return 2;
    }
    quantity_init_numerics();
    r.state = (uint64_t)seed;
    printf("seed %lld\n", (long long)seed);
    return compare_cases(argv[1], &r) && power_cases(argv[1], &r) && range_cases(argv[1], argv[3]) &&
                   nist_cases(argv[1], argv[3])
               ? 0
               : 1;
}
