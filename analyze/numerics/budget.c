#include "analyze/numerics/budget.h"

#include <math.h>
#include <string.h>

/* A variance this much below 0, relative to the largest term, is rounding and counts as 0. */
static const double ROUNDING = 1e-12;

void budget_init(struct budget *b)
{
    memset(b, 0, sizeof *b);
}

enum err_code budget_add(struct budget *b, const struct budget_component *component, struct err *e)
{
    struct budget_component *c;
    if (b->count >= BUDGET_COMPONENTS_MAX)
        return err_set(e, ERR_CALLER, "a budget holds at most %d components", BUDGET_COMPONENTS_MAX);
    if (memchr(component->name, '\0', sizeof component->name) == NULL ||
        memchr(component->unit, '\0', sizeof component->unit) == NULL)
        return err_set(e, ERR_CALLER, "the name or unit of budget component %zu is too long", b->count + 1);
    if (!isfinite(component->standard_uncertainty) || component->standard_uncertainty < 0 ||
        !isfinite(component->sensitivity) || !(component->degrees_of_freedom > 0))
        return err_set(
            e, ERR_CALLER,
            "budget component \"%s\" needs a finite sensitivity, a finite standard uncertainty of 0 "
            "or more, and degrees of freedom above 0",
            component->name);
    c = &b->components[b->count];
    *c = *component;
    c->contribution = fabs(c->sensitivity) * c->standard_uncertainty;
    b->correlation[b->count][b->count] = 1;
    b->count++;
    return ERR_OK;
}

enum err_code budget_correlate(struct budget *b, size_t i, size_t j, double correlation, struct err *e)
{
    if (i >= b->count || j >= b->count || i == j)
        return err_set(e, ERR_CALLER, "components %zu and %zu of %zu cannot be correlated", i, j, b->count);
    if (!(fabs(correlation) <= 1))
        return err_set(e, ERR_CALLER, "a correlation coefficient of %g is outside -1 to 1", correlation);
    b->correlation[i][j] = b->correlation[j][i] = correlation;
    return ERR_OK;
}

/* Contribution of component i with the sign of its sensitivity, in units of scale. */
static double signed_share(const struct budget *b, size_t i, double scale)
{
    return copysign(b->components[i].contribution / scale, b->components[i].sensitivity);
}

static double largest_contribution(const struct budget *b)
{
    double largest = 0;
    for (size_t i = 0; i < b->count; i++)
        largest = fmax(largest, b->components[i].contribution);
    return largest;
}

/* Variance, in units of scale^2, of the components whose group is as named. */
static double group_variance(const struct budget *b, const size_t *groups, size_t group, double scale)
{
    double sum = 0;
    for (size_t i = 0; i < b->count; i++) {
        for (size_t j = 0; j < b->count; j++) {
            if (groups[i] == group && groups[j] == group)
                sum += b->correlation[i][j] * signed_share(b, i, scale) * signed_share(b, j, scale);
        }
    }
    return sum < 0 && sum > -ROUNDING ? 0 : sum;
}

/* Number the groups of components that hang together by correlations: the number of a group is the index of
 * its first component. Components that contribute nothing are on their own, for they tie nothing together. */
static void find_groups(const struct budget *b, size_t *groups)
{
    bool changed = true;
    for (size_t i = 0; i < b->count; i++)
        groups[i] = i;
    while (changed) {
        changed = false;
        for (size_t i = 0; i < b->count; i++) {
            for (size_t j = 0; j < b->count; j++) {
                bool tied = b->correlation[i][j] != 0 && b->components[i].contribution > 0 &&
                            b->components[j].contribution > 0;
                if (tied && groups[j] < groups[i]) {
                    groups[i] = groups[j];
                    changed = true;
                }
            }
        }
    }
}

double budget_standard_uncertainty(const struct budget *b)
{
    size_t all[BUDGET_COMPONENTS_MAX] = {0};
    double scale = largest_contribution(b), variance;
    if (!(scale > 0))
        return 0;
    variance = group_variance(b, all, 0, scale);
    return variance >= 0 ? scale * sqrt(variance) : NAN;
}

double budget_degrees_of_freedom(const struct budget *b)
{
    size_t groups[BUDGET_COMPONENTS_MAX];
    double scale = largest_contribution(b), total = 0, sum = 0;
    if (!(scale > 0))
        return INFINITY;
    find_groups(b, groups);
    for (size_t g = 0; g < b->count; g++) {
        double variance, least = INFINITY;
        if (groups[g] != g)
            continue;
        variance = group_variance(b, groups, g, scale);
        for (size_t i = 0; i < b->count; i++) {
            if (groups[i] == g && b->components[i].contribution > 0)
                least = fmin(least, b->components[i].degrees_of_freedom);
        }
        total += variance;
        sum += variance * variance / least;
    }
    return sum > 0 ? total * total / sum : INFINITY;
}

struct quantity budget_combine(const struct budget *b, double value, size_t n)
{
    return quantity_from(value, budget_standard_uncertainty(b), budget_degrees_of_freedom(b), n);
}

double budget_share(const struct budget *b, size_t i)
{
    double u = budget_standard_uncertainty(b), share;
    if (i >= b->count || !(u > 0))
        return 0;
    share = b->components[i].contribution / u;
    return share * share;
}

double budget_rectangular(double half_width)
{
    return half_width / sqrt(3);
}

double budget_triangular(double half_width)
{
    return half_width / sqrt(6);
}

double budget_arcsine(double half_width)
{
    return half_width / sqrt(2);
}

double budget_type_b_degrees_of_freedom(double relative_uncertainty)
{
    return relative_uncertainty > 0 ? 0.5 / (relative_uncertainty * relative_uncertainty) : INFINITY;
}
