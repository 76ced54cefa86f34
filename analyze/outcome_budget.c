#include "analyze/outcome_budget.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void outcome_budget_part(struct budget *b, const char *name, const char *unit, double standard_uncertainty,
                         double sensitivity, double degrees_of_freedom, enum budget_type type, bool estimate)
{
    struct budget_component c = {.standard_uncertainty = standard_uncertainty,
                                 .sensitivity = sensitivity,
                                 .degrees_of_freedom = degrees_of_freedom,
                                 .type = type,
                                 .operator_estimate = estimate};
    if (!isfinite(standard_uncertainty) || !(standard_uncertainty > 0) || !isfinite(sensitivity))
        return;
    snprintf(c.name, sizeof c.name, "%s", name);
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    budget_add(b, &c, NULL);
}

void outcome_budget_bench(struct budget *b, double force_n, double sensitivity, bool difference,
                          const struct calibration *calibration, const struct push_settings *settings)
{
    struct budget bench;
    budget_init(&bench);
    push_budget_add_bench(&bench, force_n, calibration, settings);
    for (size_t i = 0; i < bench.count; i++) {
        const struct budget_component *c = &bench.components[i];
        if (difference && strcmp(c->name, PUSH_BUDGET_REVERSIBILITY_NAME) == 0)
            continue;
        outcome_budget_part(b, c->name, c->unit, c->standard_uncertainty, sensitivity, c->degrees_of_freedom,
                            c->type, c->operator_estimate);
    }
}
