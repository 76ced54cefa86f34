#include "analyze/numerics/monte_carlo.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define INPUTS BUDGET_COMPONENTS_MAX

static const double COVERAGE = 0.95;
/* Trials of one block of the adaptive procedure (clause 7.9.4: at least 10^4 for 95 %). */
#define BLOCK      MONTE_CARLO_TRIALS_LEAST
#define BLOCKS_MAX (MONTE_CARLO_TRIALS_MOST / BLOCK)
/* One trial in so many may fail. */
static const size_t FAILURES_ONE_IN = 100;

/* Mean, standard deviation and interval ends: of one block, or sums over blocks. */
enum { MEAN, SD, LOW, HIGH, STATISTICS };

struct run {
    propagation_model *model;
    void *context;
    size_t m, output, n;
    const struct monte_carlo_input *inputs;
    bool correlated;
    double factor[INPUTS][INPUTS]; /* lower Cholesky factor of the correlation matrix */
    gsl_rng *rng;
    double *values;
    size_t trials, failed;
};

double monte_carlo_standard_uncertainty(const struct monte_carlo_input *input)
{
    double nu = input->degrees_of_freedom;
    switch (input->distribution) {
    case MONTE_CARLO_NORMAL:
        return input->scale;
    case MONTE_CARLO_RECTANGULAR:
        return budget_rectangular(input->scale);
    case MONTE_CARLO_TRIANGULAR:
        return budget_triangular(input->scale);
    case MONTE_CARLO_ARCSINE:
        return budget_arcsine(input->scale);
    case MONTE_CARLO_T:
        return nu > 2 ? input->scale * sqrt(nu / (nu - 2)) : INFINITY;
    }
    return NAN;
}

double monte_carlo_tolerance(double u, int digits)
{
    char text[32];
    int exponent;
    if (!(u > 0) || !isfinite(u) || digits < 1 || digits > 9)
        return 0;
    /* u = c * 10^exponent with c of so many digits once rounded; printing rounds as a reader would. */
    snprintf(text, sizeof text, "%.*e", digits - 1, u);
    exponent = (int)strtol(strchr(text, 'e') + 1, NULL, 10) - (digits - 1);
    return 0.5 * pow(10, exponent);
}

static enum err_code check_inputs(const struct run *r, const struct monte_carlo_settings *settings,
                                  const double *correlation, struct err *e)
{
    if (r->n < 1 || r->n > INPUTS || r->m < 1 || r->m > PROPAGATION_OUTPUTS_MAX || r->output >= r->m ||
        settings->trials_most < MONTE_CARLO_TRIALS_LEAST || settings->trials_most > MONTE_CARLO_TRIALS_MOST ||
        settings->digits < 0 || settings->digits > 3)
        return err_set(e, ERR_CALLER, "Monte Carlo was asked for with sizes out of range");
    for (size_t i = 0; i < r->n; i++) {
        const struct monte_carlo_input *in = &r->inputs[i];
        if (!isfinite(in->centre) || !isfinite(in->scale) || in->scale < 0 ||
            (in->distribution == MONTE_CARLO_T && !(in->degrees_of_freedom >= 1)))
            return err_set(
                e, ERR_NO_ANSWER,
                "input %zu has no distribution to draw from: it needs a finite centre, a finite width "
                "of 0 or more, and for t at least 1 degree of freedom",
                i + 1);
        for (size_t j = 0; j < r->n && correlation != NULL; j++) {
            if (i != j && correlation[i * r->n + j] != 0 && in->distribution != MONTE_CARLO_NORMAL)
                return err_set(e, ERR_NO_ANSWER, "input %zu is correlated but not normal: give it as normal",
                               i + 1);
        }
    }
    return ERR_OK;
}

/* Cholesky by hand, because correlations of exactly 1 or -1 are allowed: a pivot of 0 leaves a column of 0.
 */
static enum err_code factorise(struct run *r, const double *correlation, struct err *e)
{
    const double rounding = 1e-9;
    if (correlation == NULL)
        return ERR_OK;
    r->correlated = true;
    for (size_t j = 0; j < r->n; j++) {
        double pivot = correlation[j * r->n + j];
        for (size_t k = 0; k < j; k++)
            pivot -= r->factor[j][k] * r->factor[j][k];
        if (!(fabs(correlation[j * r->n + j] - 1) < rounding && pivot > -rounding))
            return err_set(e, ERR_NO_ANSWER, "the correlations of the %zu inputs contradict each other",
                           r->n);
        r->factor[j][j] = sqrt(fmax(0, pivot));
        for (size_t i = j + 1; i < r->n; i++) {
            double sum = correlation[i * r->n + j];
            for (size_t k = 0; k < j; k++)
                sum -= r->factor[i][k] * r->factor[j][k];
            if (pivot > rounding)
                r->factor[i][j] = sum / r->factor[j][j];
            else if (fabs(sum) > sqrt(rounding))
                return err_set(e, ERR_NO_ANSWER, "the correlations of the %zu inputs contradict each other",
                               r->n);
        }
    }
    return ERR_OK;
}

static void draw(struct run *r, double *x)
{
    double normal[INPUTS] = {0};
    for (size_t i = 0; i < r->n; i++) {
        const struct monte_carlo_input *in = &r->inputs[i];
        double deviate = 0;
        switch (in->distribution) {
        case MONTE_CARLO_NORMAL:
            deviate = normal[i] = gsl_ran_gaussian_ziggurat(r->rng, 1);
            break;
        case MONTE_CARLO_RECTANGULAR:
            deviate = gsl_ran_flat(r->rng, -1, 1);
            break;
        case MONTE_CARLO_TRIANGULAR:
            deviate = gsl_ran_flat(r->rng, -1, 1) / 2 + gsl_ran_flat(r->rng, -1, 1) / 2;
            break;
        case MONTE_CARLO_ARCSINE:
            deviate = sin(gsl_ran_flat(r->rng, 0, 2 * M_PI));
            break;
        case MONTE_CARLO_T:
            deviate = gsl_ran_tdist(r->rng, in->degrees_of_freedom);
            break;
        }
        if (r->correlated && in->distribution == MONTE_CARLO_NORMAL) {
            deviate = 0;
            for (size_t k = 0; k <= i; k++)
                deviate += r->factor[i][k] * normal[k];
        }
        x[i] = in->centre + in->scale * deviate;
    }
}

/* Append the results of one block of trials. */
static enum err_code make_block(struct run *r, size_t trials, struct err *e)
{
    double x[INPUTS] = {0}, y[PROPAGATION_OUTPUTS_MAX] = {0};
    for (size_t done = 0; done < trials;) {
        draw(r, x);
        if (r->model(x, y, r->context) && isfinite(y[r->output])) {
            r->values[r->trials++] = y[r->output];
            done++;
        } else if (++r->failed > (r->trials + BLOCK) / FAILURES_ONE_IN) {
            return err_set(
                e, ERR_NO_ANSWER,
                "the model could not be computed in %zu of %zu trials: its inputs reach where it does "
                "not hold",
                r->failed, r->trials + r->failed);
        }
    }
    return ERR_OK;
}

/* Sorts values. The interval holds q = COVERAGE n values, half of the rest below it (clauses 7.7.1, 7.7.2).
 */
static void describe(double *values, size_t n, double *s)
{
    size_t q = (size_t)(COVERAGE * (double)n + 0.5), r = (n - q) / 2;
    long double sum = 0, square = 0;
    gsl_sort(values, 1, n);
    for (size_t i = 0; i < n; i++)
        sum += (long double)values[i] - values[n / 2];
    s[MEAN] = (double)(values[n / 2] + sum / (long double)n);
    for (size_t i = 0; i < n; i++) {
        long double distance = (long double)values[i] - s[MEAN];
        square += distance * distance;
    }
    s[SD] = (double)sqrtl(square / (long double)(n - 1));
    s[LOW] = values[r > 0 ? r - 1 : 0];
    s[HIGH] = values[r > 0 ? r - 1 + q : q - 1];
}

static void shortest(const double *sorted, size_t n, double *low, double *high)
{
    size_t q = (size_t)(COVERAGE * (double)n + 0.5), best = 0;
    for (size_t i = 1; i + q < n; i++) {
        if (sorted[i + q] - sorted[i] < sorted[best + q] - sorted[best])
            best = i;
    }
    *low = sorted[best];
    *high = sorted[best + q];
}

/* Whether each statistic's average over the blocks is good to limit: twice its standard error (clause 7.9.4).
 */
static bool good_to(double limit, double (*blocks)[STATISTICS], size_t count)
{
    if (count < 2)
        return false;
    for (size_t s = 0; s < STATISTICS; s++) {
        double mean = 0, square = 0;
        for (size_t i = 0; i < count; i++)
            mean += blocks[i][s] / (double)count;
        for (size_t i = 0; i < count; i++)
            square += (blocks[i][s] - mean) * (blocks[i][s] - mean);
        if (!(2 * sqrt(square / (double)(count - 1) / (double)count) <= limit))
            return false;
    }
    return true;
}

static enum err_code make_trials(struct run *r, const struct monte_carlo_settings *settings,
                                 struct monte_carlo *result, struct err *e)
{
    static const size_t BLOCKS_LEAST = 10; /* a scatter of fewer block averages says little */
    double(*blocks)[STATISTICS] = calloc(BLOCKS_MAX, sizeof *blocks);
    double all[STATISTICS];
    enum err_code code = ERR_OK;
    if (blocks == NULL)
        return err_set(e, ERR_MEMORY, "no memory for Monte Carlo");
    for (size_t count = 0; r->trials < settings->trials_most && !result->settled;) {
        size_t start = r->trials, left = settings->trials_most - start;
        /* A remainder too short for a block of its own goes with the last block. */
        code = make_block(r, left < 2 * BLOCK ? left : BLOCK, e);
        if (code != ERR_OK)
            break;
        if (settings->digits == 0)
            continue;
        describe(r->values + start, r->trials - start, blocks[count++]);
        if (count >= BLOCKS_LEAST) {
            double sd = 0;
            for (size_t i = 0; i < count; i++)
                sd += blocks[i][SD] * blocks[i][SD] / (double)count;
            result->tolerance = monte_carlo_tolerance(sqrt(sd), settings->digits);
            result->settled = good_to(result->tolerance / 5, blocks, count);
        }
    }
    free(blocks);
    if (code != ERR_OK)
        return code;
    describe(r->values, r->trials, all);
    result->trials = r->trials;
    result->failed = r->failed;
    result->mean = all[MEAN];
    result->sd = all[SD];
    result->low_95 = all[LOW];
    result->high_95 = all[HIGH];
    result->tolerance = settings->digits > 0 ? monte_carlo_tolerance(result->sd, settings->digits) : 0;
    shortest(r->values, r->trials, &result->shortest_low, &result->shortest_high);
    return ERR_OK;
}

enum err_code monte_carlo_run(propagation_model *model, void *context, size_t m, size_t output,
                              const struct monte_carlo_input *inputs, size_t n, const double *correlation,
                              const struct monte_carlo_settings *settings, struct monte_carlo *result,
                              struct err *e)
{
    struct run r;
    enum err_code code;
    memset(&r, 0, sizeof r);
    memset(result, 0, sizeof *result);
    r.model = model;
    r.context = context;
    r.m = m;
    r.output = output;
    r.inputs = inputs;
    r.n = n;
    code = check_inputs(&r, settings, correlation, e);
    if (code == ERR_OK)
        code = factorise(&r, correlation, e);
    if (code != ERR_OK)
        return code;
    r.values = calloc(settings->trials_most, sizeof *r.values);
    r.rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (r.values == NULL || r.rng == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for %zu trials", settings->trials_most);
    } else {
        gsl_rng_set(r.rng, settings->seed);
        code = make_trials(&r, settings, result, e);
    }
    free(r.values);
    gsl_rng_free(r.rng);
    return code;
}

struct monte_carlo_verdict monte_carlo_judge(const struct monte_carlo *result, const struct quantity *linear,
                                             int digits)
{
    struct monte_carlo_verdict v = {.low_difference = NAN, .high_difference = NAN};
    v.tolerance = monte_carlo_tolerance(result->sd, digits);
    v.from_settled = result->settled && result->tolerance <= v.tolerance;
    if (!linear->present || linear->at_least)
        return v;
    v.low_difference = fabs(linear->low_95 - result->low_95);
    v.high_difference = fabs(linear->high_95 - result->high_95);
    v.validated = v.low_difference <= v.tolerance && v.high_difference <= v.tolerance;
    return v;
}
