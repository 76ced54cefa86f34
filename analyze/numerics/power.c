#include "analyze/numerics/power.h"

#include "analyze/numerics/sd_average.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>

#define NEGLIGIBLE     1e-17
#define TERMS_MAX      100000
#define ITERATIONS_MAX 200
/* Nine standard deviations of its Poisson weights are then TERMS_MAX terms. */
#define LAMBDA_MAX 1e8

struct shifted {
    double t, noncentrality;
};

static double below_at(double s, void *context)
{
    const struct shifted *d = context;
    return gsl_cdf_ugaussian_P(d->t * s - d->noncentrality);
}

static double above_at(double s, void *context)
{
    const struct shifted *d = context;
    return gsl_cdf_ugaussian_Q(d->t * s - d->noncentrality);
}

double power_noncentral_t(double t, double degrees_of_freedom, double noncentrality)
{
    struct shifted d = {t, noncentrality};
    if (!(degrees_of_freedom >= 1) || !isfinite(noncentrality) || isnan(t))
        return NAN;
    return fmin(1, sd_average(below_at, &d, degrees_of_freedom));
}

/* The probability above t, with all its digits. */
static double noncentral_t_above(double t, double degrees_of_freedom, double noncentrality)
{
    struct shifted d = {t, noncentrality};
    return fmin(1, sd_average(above_at, &d, degrees_of_freedom));
}

/* A mixture of central ones, weighted as Poisson has it: from the likeliest term on, both ways. */
double power_noncentral_f(double f, double n1, double n2, double lambda)
{
    double x = n1 * f / (n1 * f + n2), sum = 0;
    long middle;
    if (!(n1 > 0) || !(n2 > 0) || !(lambda >= 0) || !(lambda <= LAMBDA_MAX) || isnan(f))
        return NAN;
    if (f <= 0)
        return 0;
    if (isinf(f))
        return 1;
    if (lambda == 0)
        return gsl_cdf_fdist_P(f, n1, n2);
    middle = (long)(lambda / 2);
    for (long j = middle; j < middle + TERMS_MAX; j++) {
        double weight = gsl_ran_poisson_pdf((unsigned)j, lambda / 2);
        sum += weight * gsl_cdf_beta_P(x, n1 / 2 + (double)j, n2 / 2);
        if (weight < NEGLIGIBLE)
            break;
    }
    for (long j = middle - 1; j >= 0; j--) {
        double weight = gsl_ran_poisson_pdf((unsigned)j, lambda / 2);
        sum += weight * gsl_cdf_beta_P(x, n1 / 2 + (double)j, n2 / 2);
        if (weight < NEGLIGIBLE)
            break;
    }
    return fmin(1, sum);
}

static double degrees(const struct power_design *d, int repeats)
{
    return d->blocks ? (double)(d->feeders - 1) * (repeats - 1) : (double)d->feeders * (repeats - 1);
}

static bool sensible(const struct power_design *d)
{
    return d->feeders >= 2 && d->sd > 0 && isfinite(d->sd) && d->level > 0 && d->level < 1;
}

static double work_out_critical(const struct power_design *d, int repeats)
{
    double n = degrees(d, repeats);
    if (d->feeders == 2)
        return gsl_cdf_tdist_Qinv(d->level / 2, n);
    return studentised_tables_quantile(d->memory != NULL ? d->memory->tables : NULL, d->level, d->feeders,
                                       n) /
           sqrt(2);
}

/* What a difference must be, in standard errors, to be declared one. */
static double critical(const struct power_design *d, int repeats)
{
    size_t place = ((size_t)repeats * 31 + (size_t)d->feeders) % POWER_MEMORY_SIZE;
    double value;
    if (d->memory != NULL && d->memory->kept[place].repeats == repeats &&
        d->memory->kept[place].feeders == d->feeders && d->memory->kept[place].blocks == d->blocks &&
        d->memory->kept[place].level == d->level)
        return d->memory->kept[place].critical;
    value = work_out_critical(d, repeats);
    if (d->memory != NULL) {
        d->memory->kept[place].repeats = repeats;
        d->memory->kept[place].feeders = d->feeders;
        d->memory->kept[place].blocks = d->blocks;
        d->memory->kept[place].level = d->level;
        d->memory->kept[place].critical = value;
    }
    return value;
}

static double power_beyond(const struct power_design *d, int repeats, double least, double difference)
{
    double n = degrees(d, repeats), shift = fabs(difference) / (d->sd * sqrt(2.0 / repeats));
    return fmin(1, noncentral_t_above(least, n, shift) + power_noncentral_t(-least, n, shift));
}

double power_of_pair(const struct power_design *d, int repeats, double difference)
{
    if (!sensible(d) || repeats < 2 || !isfinite(difference))
        return NAN;
    return power_beyond(d, repeats, critical(d, repeats), difference);
}

double power_of_f_test(const struct power_design *d, int repeats, double variance_of_means)
{
    double n1 = d->feeders - 1, n2;
    if (!sensible(d) || repeats < 2 || !(variance_of_means >= 0))
        return NAN;
    n2 = degrees(d, repeats);
    return 1 - power_noncentral_f(gsl_cdf_fdist_Qinv(d->level, n1, n2), n1, n2,
                                  n1 * repeats * variance_of_means / (d->sd * d->sd));
}

enum err_code power_check(const struct power_design *d, double power, struct err *e)
{
    if (!sensible(d))
        return err_set(e, ERR_CALLER, "a design of %d feeders with a scatter of %g at the level %g",
                       d->feeders, d->sd, d->level);
    if (!(power > d->level) || !(power < 1))
        return err_set(e, ERR_CALLER, "a power of %g is not between the level, %g, and 1", power, d->level);
    return ERR_OK;
}

enum err_code power_search(double (*power_with)(int repeats, void *context), void *context, double power,
                           int *repeats, struct err *e)
{
    int low = 1, high = 2;
    /* low repeats are too few, high ones enough. */
    while (!(power_with(high, context) >= power)) {
        if (high == POWER_REPEATS_MAX)
            return err_set(e, ERR_NO_ANSWER, "more than %d repeats would be needed", POWER_REPEATS_MAX);
        low = high;
        high = high > POWER_REPEATS_MAX / 2 ? POWER_REPEATS_MAX : 2 * high;
    }
    while (high - low > 1) {
        int middle = low + (high - low) / 2;
        if (power_with(middle, context) >= power)
            high = middle;
        else
            low = middle;
    }
    *repeats = high;
    return ERR_OK;
}

struct pair {
    const struct power_design *design;
    double difference;
};

static double pair_found(int repeats, void *context)
{
    const struct pair *p = context;
    return power_of_pair(p->design, repeats, p->difference);
}

enum err_code power_repeats(const struct power_design *d, double difference, double power, int *repeats,
                            struct err *e)
{
    enum err_code code = power_check(d, power, e);
    if (code == ERR_OK && (!(difference > 0) || !isfinite(difference)))
        code = err_set(e, ERR_CALLER, "a difference of %g to be found", difference);
    return code != ERR_OK ? code : power_search(pair_found, &(struct pair){d, difference}, power, repeats, e);
}

enum err_code power_difference(const struct power_design *d, int repeats, double power, double *difference,
                               struct err *e)
{
    double low = 0, high, least;
    enum err_code code = power_check(d, power, e);
    if (code == ERR_OK && repeats < 2)
        code = err_set(e, ERR_CALLER, "%d repeats have no scatter", repeats);
    if (code != ERR_OK)
        return code;
    least = critical(d, repeats);
    high = d->sd;
    while (!(power_beyond(d, repeats, least, high) >= power)) {
        high *= 2;
        if (!isfinite(high))
            return err_set(e, ERR_NO_ANSWER, "no difference is found with a power of %g", power);
    }
    /* Bisection to the last digit of a smooth rising function. */
    for (int i = 0; i < ITERATIONS_MAX && high - low > 1e-13 * high; i++) {
        double middle = low + (high - low) / 2;
        if (power_beyond(d, repeats, least, middle) >= power)
            high = middle;
        else
            low = middle;
    }
    *difference = high;
    return ERR_OK;
}

double power_degrees_of_freedom(const struct power_design *d, int repeats)
{
    return sensible(d) && repeats >= 2 ? degrees(d, repeats) : NAN;
}
