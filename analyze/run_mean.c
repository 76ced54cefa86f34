#include "analyze/run_mean.h"

#include <math.h>
#include <stdio.h>

/* Of so many runs their scatter alone tells how well their mean is known. To use it only where it is more
 * than what each run is known by explains would make intervals of 3 to 6 runs hold the truth in 0.86 to 0.93
 * of all cases where runs truly differ by one or two times that. */
#define SCATTER_LEAST 3
/* Beside a part that all runs share and that is more than this share of what their mean is known by, a
 * scatter that is small by chance would pass for one of many degrees of freedom, and 0.92 of the intervals of
 * 3 runs would hold; so what each run is known by counts where the runs scatter less, and it is 0.92 to 0.97.
 */
#define SHARED_LEAST 0.2
/* Two runs have one degree of freedom, by which an interval would be six times as long: their scatter counts
 * where chance makes more of it with a probability of 10 % only (chi-square with one degree, tables). */
#define PAIR_CHI 2.71

void run_mean_add(struct budget *b, const char *name, const char *unit, double standard_uncertainty,
                  double degrees_of_freedom, enum budget_type type, bool estimate)
{
    struct budget_component c = {.standard_uncertainty = standard_uncertainty,
                                 .sensitivity = 1,
                                 .degrees_of_freedom = degrees_of_freedom,
                                 .type = type,
                                 .operator_estimate = estimate};
    if (!isfinite(standard_uncertainty) || !(standard_uncertainty > 0))
        return;
    snprintf(c.name, sizeof c.name, "%s", name);
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    budget_add(b, &c, NULL);
}

void run_mean_add_scaled(struct budget *b, const struct budget *from, double factor, const char *unit)
{
    for (size_t i = 0; i < from->count; i++) {
        const struct budget_component *c = &from->components[i];
        run_mean_add(b, c->name, unit, fabs(factor) * c->contribution, c->degrees_of_freedom, c->type,
                     c->operator_estimate);
    }
}

struct quantity run_mean(const struct quantity *values, size_t count, const struct budget *shared,
                         const char *unit, struct budget *budget)
{
    double sum = 0, square = 0, own_variance = 0, own_spread = 0;
    double common = budget_standard_uncertainty(shared);
    size_t n = 0;
    budget_init(budget);
    for (size_t i = 0; i < count; i++) {
        if (!values[i].present || values[i].at_least)
            continue;
        double u = values[i].standard_uncertainty;
        double own = fmax(0, u * u - common * common), degrees = values[i].degrees_of_freedom;
        sum += values[i].value;
        own_variance += own;
        /* Only what is its own has few degrees of freedom, so these are recovered from the effective ones. */
        if (isfinite(degrees) && degrees > 0 && u > 0)
            own_spread += pow(u, 4) / degrees;
        n++;
    }
    if (n == 0)
        return quantity_absent();
    double mean = sum / (double)n;
    for (size_t i = 0; i < count; i++) {
        if (values[i].present && !values[i].at_least)
            square += (values[i].value - mean) * (values[i].value - mean);
    }
    double own = sqrt(own_variance) / (double)n;
    double between = n > 1 ? sqrt(square / (double)(n - 1) / (double)n) : 0;
    double own_degrees = own_spread > 0 ? fmax(1, own_variance * own_variance / own_spread) : INFINITY;
    double least = common > SHARED_LEAST * own ? own : 0;
    bool scatter = n >= SCATTER_LEAST ? between > least : n == 2 && between * between > PAIR_CHI * own * own;
    if (scatter)
        run_mean_add(budget, "scatter of the runs", unit, between, (double)n - 1, BUDGET_TYPE_A, false);
    else
        run_mean_add(budget, n > 1 ? "scatter within the runs" : "scatter within the run", unit, own,
                     own_degrees, BUDGET_TYPE_A, false);
    run_mean_add_scaled(budget, shared, 1, unit);
    return budget_combine(budget, mean, n);
}
