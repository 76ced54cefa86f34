#include "tests/sim/coverage.h"

#include <math.h>
#include <stdio.h>

/* A short form compares some 60 figures: each may fail by chance once in a thousand runs, and 3.1 standard
 * deviations are as much to one side of a normal variable. The long form's limits are the fixed ones. */
#define CHANCE     0.001
#define CHANCE_SDS 3.1

void coverage_count(struct coverage *c, const struct quantity *q, double truth)
{
    if (q == NULL || !q->present || q->at_least) {
        c->none++;
        return;
    }
    double error = (q->value - truth) / q->standard_uncertainty;
    c->tried++;
    c->held += q->low_95 <= truth && truth <= q->high_95;
    c->error_sum += error;
    c->square_sum += error * error;
}

/* The least share of n answers that intervals which hold the truth 95 times in 100 come below with a
 * probability of CHANCE only: the lower tail of the binomial. */
static double least_share(int n)
{
    double below = 0;
    for (int k = 0; k <= n; k++) {
        below += exp(lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(0.95) + (n - k) * log(0.05));
        if (below > CHANCE)
            return (double)k / n;
    }
    return 1;
}

void coverage_limits(int n, double high, double *least, double *most)
{
    n = n > 0 ? n : 1;
    *least = fmin(0.93, least_share(n));
    *most = fmin(1, fmax(high, 0.95 + CHANCE_SDS * sqrt(0.95 * 0.05 / n)));
}

void coverage_figures(struct study *study, const char *kind, const struct coverage *c, double none_most,
                      double high)
{
    char name[160];
    double n = c->tried > 0 ? c->tried : 1, least, most;
    coverage_limits(c->tried, high, &least, &most);
    snprintf(name, sizeof name, "%s: %s: 95 %% interval holds the truth", kind, c->name);
    study_share(study, name, c->held, c->tried, least, most);
    snprintf(name, sizeof name, "%s: %s: no value given", kind, c->name);
    study_share(study, name, c->none, c->tried + c->none, 0, none_most);
    snprintf(name, sizeof name, "%s: %s: mean error over standard uncertainty", kind, c->name);
    double bias = 0.25 + CHANCE_SDS / sqrt(n);
    study_value(study, name, c->tried > 0 ? c->error_sum / c->tried : NAN, "1", -bias, bias, c->tried);
}
