/* Cases of our own for live comparisons with another program: writes the points and our answers as tables.
 *
 *     numerics_cases linear|nonlinear|difference DIR SEED
 *
 * linear.R, nonlinear.R and difference.R read them. */
#include "analyze/numerics/calibration_fit.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/nonlinear_fit.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/number.h"
#include "rig/model/model.h"
#include "tests/reference/case_tables.h"
#include "tests/reference/nist_nonlinear.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WEIGHINGS    12
#define LOADS        9
#define READINGS_MAX 64
#define SPEEDS       44
#define SETS         50
#define GROUP_MAX    20
#define FAMILY_MAX   9
#define PI           3.14159265358979323846

/* Readings of weights hung up and taken off twice, in disorderly steps. */
struct weighing {
    size_t n;
    double load_n[READINGS_MAX], counts[READINGS_MAX], weight[READINGS_MAX], load_uncertainty_n[READINGS_MAX];
    int direction[READINGS_MAX], cycle[READINGS_MAX];
};

static void weigh(struct model_random *r, struct weighing *w)
{
    double zero = case_between(r, -40000, 40000), slope = case_between(r, 300, 4000), loads[LOADS],
           own[LOADS];
    double curve = -slope * case_between(r, 2e-5, 2e-4), sd = slope * case_between(r, 0.01, 0.06), load = 0;
    w->n = 0;
    for (size_t g = 0; g < LOADS; g++) {
        loads[g] = load;
        own[g] = g == 0 ? 0 : case_between(r, 0.1, 0.9) * sd / slope;
        load += case_between(r, 5, 30);
    }
    for (int cycle = 1; cycle <= 2; cycle++) {
        for (int k = 0; k < 2 * LOADS - 1; k++) {
            size_t i = w->n++, g = (size_t)(k < LOADS ? k : 2 * LOADS - 2 - k);
            double scatter = sd * case_between(r, 0.6, 1.4);
            w->load_n[i] = loads[g];
            w->load_uncertainty_n[i] = own[g];
            w->counts[i] = zero + loads[g] * (slope + curve * loads[g]) + scatter * model_random_normal(r);
            w->weight[i] = 1 / (scatter * scatter);
            w->direction[i] = k < LOADS ? 1 : -1;
            w->cycle[i] = cycle;
        }
    }
}

static void put_linear(FILE *file, int number, const char *by, int degree, const double *coefficients,
                       const double *errors, double sd, double degrees)
{
    fprintf(file, "%d,%s,%d,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", number, by, degree,
            coefficients[0], coefficients[1], degree == 2 ? coefficients[2] : 0, errors[0], errors[1],
            degree == 2 ? errors[2] : 0, sd, degrees);
}

static bool fit_weighing(const struct weighing *w, int number, int degree, FILE *fits)
{
    static const char *const by[] = {"plain", "weights", "known"};
    struct calibration_readings readings = {.n = w->n,
                                            .load_n = w->load_n,
                                            .reading_counts = w->counts,
                                            .direction = w->direction,
                                            .cycle = w->cycle};
    struct err e = {0};
    for (int i = 0; i < 3; i++) {
        struct linear_fit f;
        if (!case_answered(by[i],
                           linear_fit_polynomial(w->load_n, w->counts, i > 0 ? w->weight : NULL, w->n, degree,
                                                 true, i == 2, &f, &e),
                           &e))
            return false;
        put_linear(fits, number, by[i], degree, f.coefficients, f.standard_errors, f.residual_sd,
                   f.degrees_of_freedom);
    }
    for (int i = 0; i < 2; i++) {
        struct calibration_fit f;
        readings.load_standard_uncertainty_n = i == 1 ? w->load_uncertainty_n : NULL;
        if (!case_answered("calibration", calibration_fit(&readings, degree, &f, &e), &e))
            return false;
        put_linear(fits, number, i == 1 ? "calibration_weighted" : "calibration", degree, f.coefficients,
                   f.standard_errors, f.residual_sd, f.degrees_of_freedom);
    }
    return true;
}

static bool linear_cases(const char *folder, struct model_random *r)
{
    FILE *points = case_open_table(folder, "points", "case,load,reading,weight,u");
    FILE *fits = case_open_table(folder, "fits", "case,by,degree,b0,b1,b2,s0,s1,s2,sd,df");
    bool good = points != NULL && fits != NULL;
    for (int number = 1; good && number <= WEIGHINGS; number++) {
        struct weighing w;
        weigh(r, &w);
        for (size_t i = 0; i < w.n; i++)
            fprintf(points, "%d,%.17g,%.17g,%.17g,%.17g\n", number, w.load_n[i], w.counts[i], w.weight[i],
                    w.load_uncertainty_n[i]);
        good = fit_weighing(&w, number, 1, fits) && fit_weighing(&w, number, 2, fits);
    }
    good = case_close_table(points) && good;
    return case_close_table(fits) && good;
}

/* The points of one case, in the context of its model. */
struct curve {
    const char *name;
    size_t n;
    double x[SPEEDS], y[SPEEDS], weight[SPEEDS];
};

static bool rise(const double *b, size_t i, double *value, double *slopes, void *context)
{
    double x = ((const struct curve *)context)->x[i], decay = exp(-b[1] * x);
    *value = b[0] * (1 - decay);
    slopes[0] = 1 - decay;
    slopes[1] = b[0] * x * decay;
    return true;
}

static bool ratio(const double *b, size_t i, double *value, double *slopes, void *context)
{
    double x = ((const struct curve *)context)->x[i], top = b[0] + x * (b[1] + x * (b[2] + x * b[3]));
    double bottom = 1 + x * (b[4] + x * (b[5] + x * b[6]));
    *value = top / bottom;
    for (int j = 0; j < 7; j++)
        slopes[j] = j < 4 ? pow(x, j) / bottom : -*value * pow(x, j - 3) / bottom;
    return true;
}

/* Pull-out torque as torque_fit.h writes it: A / z - B w / z^2 with z = sqrt(1 + w^2 tau^2). */
static bool pull_out(const double *b, size_t i, double *value, double *slopes, void *context)
{
    double w = ((const struct curve *)context)->x[i], z = sqrt(1 + w * w * b[2] * b[2]);
    *value = b[0] / z - b[1] * w / (z * z);
    slopes[0] = 1 / z;
    slopes[1] = -w / (z * z);
    slopes[2] = (2 * b[1] * w / z - b[0]) / (z * z) * w * w * b[2] / z;
    return true;
}

static bool fit_curve(struct curve *c, nonlinear_fit_model *model, size_t p, const double *start,
                      bool weighted, FILE *points, FILE *fits)
{
    struct nonlinear_fit f;
    struct err e = {0};
    if (!case_answered(
            c->name,
            nonlinear_fit(model, c, c->y, weighted ? c->weight : NULL, c->n, p, start, false, &f, &e), &e))
        return false;
    for (size_t i = 0; i < c->n; i++)
        fprintf(points, "%s,%.17g,%.17g,%.17g\n", c->name, c->x[i], c->y[i], weighted ? c->weight[i] : 1);
    for (size_t j = 0; j < p; j++)
        fprintf(fits, "%s,b%zu,%.17g,%.17g,%.17g,%.17g,%.17g\n", c->name, j + 1, start[j], f.parameters[j],
                f.standard_errors[j], f.residual_sd, f.degrees_of_freedom);
    return true;
}

static bool nonlinear_cases(const char *folder, struct model_random *r)
{
    /* A two-phase motor: 50 teeth, 8 mWb, 1.5 ohm, 2.8 mH, 24 V. */
    static const double truth[] = {8.149, 2.133e-3, 1.867e-3}, start[] = {7, 1.5e-3, 1.5e-3};
    FILE *points = case_open_table(folder, "points", "case,x,y,weight");
    FILE *fits = case_open_table(folder, "fits", "case,parameter,start,value,se,sd,df");
    struct curve c = {0};
    bool good = points != NULL && fits != NULL;
    for (size_t set = 0; good && set < sizeof NIST_NONLINEAR / sizeof NIST_NONLINEAR[0]; set++) {
        const struct nist_nonlinear *d = &NIST_NONLINEAR[set];
        if (strcmp(d->name, "Misra1a") != 0 && strcmp(d->name, "Thurber") != 0)
            continue;
        c.name = d->name;
        c.n = d->n;
        for (size_t i = 0; i < d->n; i++) {
            c.x[i] = d->points[i][0];
            c.y[i] = d->points[i][1];
        }
        good = fit_curve(&c, d->p == 2 ? rise : ratio, d->p, d->start[1], false, points, fits);
    }
    for (int weighted = 0; good && weighted < 2; weighted++) {
        c.name = weighted ? "torque_weighted" : "torque";
        c.n = SPEEDS;
        for (size_t i = 0; i < SPEEDS; i++) {
            double unused[3], sd;
            c.x[i] = 2 * PI * 50 * case_between(r, 0.4, 12);
            pull_out(truth, i, &c.y[i], unused, &c);
            /* With more scatter B and tau are hardly told apart: the sum of squares may have two hollows, and
             * Gauss-Newton steps, ours and R's, may swing to and fro in one. Then there is nothing to hold
             * against each other. */
            sd = c.y[i] * case_between(r, 0.0003, 0.001);
            c.y[i] += sd * model_random_normal(r);
            c.weight[i] = 1 / (sd * sd);
        }
        good = fit_curve(&c, pull_out, 3, start, weighted, points, fits);
    }
    good = case_close_table(points) && good;
    return case_close_table(fits) && good;
}

static void put_difference(FILE *file, int number, const char *by, const struct difference *d)
{
    fprintf(file, "%d,%s,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", number, by, d->mean, d->standard_error,
            d->degrees_of_freedom, d->t, d->p_value, d->low_95, d->high_95);
}

static bool difference_case(int number, struct model_random *r, FILE *points, FILE *answers)
{
    double a[GROUP_MAX], b[GROUP_MAX], level = case_between(r, 40, 120), sd_a = case_between(r, 0.2, 6);
    double sd_b = case_between(r, 0.2, 6), shift = case_between(r, -8, 8);
    size_t na = (size_t)case_between(r, 2, GROUP_MAX + 0.999),
           nb = (size_t)case_between(r, 2, GROUP_MAX + 0.999);
    size_t pairs = na < nb ? na : nb;
    struct difference d;
    struct err e = {0};
    for (size_t i = 0; i < na; i++)
        fprintf(points, "%d,a,%.17g\n", number, a[i] = level + sd_a * model_random_normal(r));
    for (size_t i = 0; i < nb; i++)
        fprintf(points, "%d,b,%.17g\n", number, b[i] = level + shift + sd_b * model_random_normal(r));
    if (!case_answered("Welch", difference_welch(a, na, b, nb, &d, &e), &e))
        return false;
    put_difference(answers, number, "welch", &d);
    if (!case_answered("paired", difference_paired(a, b, pairs, &d, &e), &e))
        return false;
    put_difference(answers, number, "paired", &d);
    return true;
}

static void holm_case(int number, struct model_random *r, FILE *file)
{
    double p[FAMILY_MAX], adjusted[FAMILY_MAX];
    size_t n = (size_t)case_between(r, 1, FAMILY_MAX + 0.999);
    for (size_t i = 0; i < n; i++) {
        p[i] = pow(model_random_uniform(r), case_between(r, 1, 4));
        if (i > 0 && model_random_uniform(r) < 0.2)
            p[i] = p[i - 1]; /* a tie */
    }
    difference_holm(p, n, adjusted);
    for (size_t i = 0; i < n; i++)
        fprintf(file, "%d,%.17g,%.17g\n", number, p[i], adjusted[i]);
}

static bool difference_cases(const char *folder, struct model_random *r)
{
    FILE *points = case_open_table(folder, "points", "case,group,value");
    FILE *answers = case_open_table(folder, "answers", "case,by,mean,se,df,t,p,low,high");
    FILE *holm = case_open_table(folder, "holm", "case,p,adjusted");
    FILE *t = case_open_table(folder, "t", "df,t");
    bool good = points != NULL && answers != NULL && holm != NULL && t != NULL;
    for (int number = 1; good && number <= SETS; number++) {
        good = difference_case(number, r, points, answers);
        holm_case(number, r, holm);
    }
    for (int i = 0; good && i < SETS; i++) {
        double df = i < 10 ? i + 1 : pow(10, case_between(r, 0, 6));
        fprintf(t, "%.17g,%.17g\n", df, quantity_t_975(df));
    }
    if (good)
        fprintf(t, "Inf,%.17g\n", quantity_t_975(INFINITY));
    good = case_close_table(points) && good;
    good = case_close_table(answers) && good;
    good = case_close_table(holm) && good;
    return case_close_table(t) && good;
}

int main(int argc, char **argv)
{
    struct err e = {0};
    int64_t seed = 0;
    struct model_random r = {0};
    bool good;
    if (argc != 4 || number_read_int64(argv[3], 0, INT32_MAX, "SEED", "", &seed, &e) != ERR_OK) {
        fprintf(stderr, "usage: %s linear|nonlinear|difference DIR SEED %s\n", argv[0], e.text);
        return 2;
    }
    quantity_init_numerics();
    r.state = (uint64_t)seed;
    printf("seed %lld\n", (long long)seed);
    if (strcmp(argv[1], "linear") == 0)
        good = linear_cases(argv[2], &r);
    else if (strcmp(argv[1], "nonlinear") == 0)
        good = nonlinear_cases(argv[2], &r);
    else if (strcmp(argv[1], "difference") == 0)
        good = difference_cases(argv[2], &r);
    else {
        fprintf(stderr, "%s: unknown word '%s'\n", argv[0], argv[1]);
        return 2;
    }
    return good ? 0 : 1;
}
