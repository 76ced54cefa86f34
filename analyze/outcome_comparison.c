#include "analyze/outcome_comparison.h"

#include "analyze/numerics/difference.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A budget whose sum is further than this from the quantity's standard uncertainty does not tell what that is
 * made of. */
#define BUDGET_MISMATCH 0.01

static bool usable(const struct outcome_quantity *q)
{
    return q->q.present && isfinite(q->q.value);
}

/* The components of one quantity, each in the unit of the quantity and with its sign. */
static void components_of(const struct outcome_quantity *q, const char *which, struct budget *out)
{
    double u = q->q.standard_uncertainty, squares = 0;
    for (size_t i = 0; i < q->budget.count; i++)
        squares += q->budget.components[i].contribution * q->budget.components[i].contribution;
    /* A budget with correlations inside is not the plain sum of its components: it is taken as a whole. */
    if (q->budget.count > 0 && fabs(sqrt(squares) - u) <= BUDGET_MISMATCH * fabs(u)) {
        *out = q->budget;
        return;
    }
    budget_init(out);
    struct budget_component whole = {.standard_uncertainty = u,
                                     .sensitivity = 1,
                                     .degrees_of_freedom = q->q.degrees_of_freedom,
                                     .type = BUDGET_TYPE_A};
    if (!(whole.degrees_of_freedom > 0))
        whole.degrees_of_freedom = 1;
    snprintf(whole.name, sizeof whole.name, "standard uncertainty of %s", which);
    snprintf(whole.unit, sizeof whole.unit, "%s", q->unit);
    budget_add(out, &whole, NULL);
}

static double signed_contribution(const struct budget_component *c)
{
    return c->sensitivity < 0 ? -c->contribution : c->contribution;
}

static bool of_calibration(const char *name)
{
    return push_budget_of_covariance(name) || strcmp(name, PUSH_BUDGET_REVERSIBILITY_NAME) == 0;
}

static const struct budget_component *find(const struct budget *b, const char *name)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->components[i].name, name) == 0)
            return &b->components[i];
    }
    return NULL;
}

/* Degrees of freedom of two independent parts together, by Welch and Satterthwaite. */
static double joint_degrees(double ua, double degrees_a, double ub, double degrees_b)
{
    double part =
        (isinf(degrees_a) ? 0 : pow(ua, 4) / degrees_a) + (isinf(degrees_b) ? 0 : pow(ub, 4) / degrees_b);
    double sum = ua * ua + ub * ub;
    return part > 0 ? sum * sum / part : INFINITY;
}

/* Put a component in; what no longer fits goes into the last one. */
static void put(struct budget *b, const struct budget_component *c)
{
    if (!(c->standard_uncertainty > 0))
        return;
    if (b->count < BUDGET_COMPONENTS_MAX) {
        budget_add(b, c, NULL);
        return;
    }
    struct budget_component *last = &b->components[b->count - 1];
    last->degrees_of_freedom = joint_degrees(last->contribution, last->degrees_of_freedom,
                                             c->standard_uncertainty, c->degrees_of_freedom);
    last->contribution = last->standard_uncertainty = hypot(last->contribution, c->standard_uncertainty);
    last->type = last->type == c->type ? c->type : BUDGET_TYPE_B;
    last->operator_estimate = last->operator_estimate || c->operator_estimate;
    snprintf(last->name, sizeof last->name, "all other components");
}

void outcome_comparison_budget(const struct outcome_quantity *a, const struct outcome_quantity *b,
                               bool same_calibration, bool same_series, struct budget *difference)
{
    struct budget of_a, of_b;
    components_of(a, "a", &of_a);
    components_of(b, "b", &of_b);
    budget_init(difference);
    for (size_t i = 0; i < of_a.count; i++) {
        const struct budget_component *ca = &of_a.components[i], *cb = find(&of_b, ca->name);
        struct budget_component c = {.sensitivity = 1,
                                     .standard_uncertainty = ca->contribution,
                                     .degrees_of_freedom = ca->degrees_of_freedom,
                                     .type = ca->type,
                                     .operator_estimate = ca->operator_estimate};
        snprintf(c.unit, sizeof c.unit, "%s", a->unit);
        snprintf(c.name, sizeof c.name, "%s", ca->name);
        if (cb != NULL) {
            bool shared = (same_calibration && of_calibration(ca->name)) ||
                          (same_series &&
                           strcmp(ca->name, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_ALIGNMENT_DEG]) == 0);
            c.operator_estimate = ca->operator_estimate || cb->operator_estimate;
            c.type = ca->type == cb->type ? ca->type : BUDGET_TYPE_B;
            if (shared) {
                c.standard_uncertainty = fabs(signed_contribution(ca) - signed_contribution(cb));
                c.degrees_of_freedom = fmin(ca->degrees_of_freedom, cb->degrees_of_freedom);
            } else {
                c.standard_uncertainty = hypot(ca->contribution, cb->contribution);
                c.degrees_of_freedom = joint_degrees(ca->contribution, ca->degrees_of_freedom,
                                                     cb->contribution, cb->degrees_of_freedom);
            }
        }
        put(difference, &c);
    }
    for (size_t i = 0; i < of_b.count; i++) {
        const struct budget_component *cb = &of_b.components[i];
        struct budget_component c = *cb;
        if (find(&of_a, cb->name) != NULL)
            continue;
        c.sensitivity = 1;
        c.standard_uncertainty = cb->contribution;
        snprintf(c.unit, sizeof c.unit, "%s", b->unit);
        put(difference, &c);
    }
}

/* Whether the plan runs tests of that kind through a ladder of the condition. */
static bool has_ladder(const struct plan *plan, enum plan_test_kind kind, enum condition_id id)
{
    for (size_t i = 0; i < plan->test_count; i++) {
        const struct plan_test *t = &plan->tests[i];
        size_t steps = id == CONDITION_NIP_PRELOAD_N           ? t->nip_preload_count
                       : id == CONDITION_BRAKE_LOAD_N          ? t->brake_load_count
                       : id == CONDITION_HOT_END_TEMPERATURE_C ? t->hot_end_temperature_count
                       : id == CONDITION_GUIDE_TUBE_BEND_DEG   ? t->guide_tube_bend_count
                                                               : 0;
        if (t->kind == kind && steps > 0)
            return true;
    }
    return false;
}

/* What the test sets itself for both feeders is no condition of either. An outcome of several tests has the
 * settings of all of them, but its pushes have the feeder's own preload. */
static void ignore_own_conditions(const struct session *s, const struct comparison *c, bool *ignored)
{
    const struct plan *plan_a = &s->series[s->feeders[c->a].series]->plan,
                      *plan_b = &s->series[s->feeders[c->b].series]->plan;
    bool known = false;
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++)
        known = known || strcmp(PLAN_TEST_NAMES[kind], c->test) == 0;
    for (int id = 0; id < CONDITION_COUNT; id++) {
        ignored[id] = false;
        for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
            bool counts = known ? strcmp(PLAN_TEST_NAMES[kind], c->test) == 0 : id != CONDITION_NIP_PRELOAD_N;
            ignored[id] =
                ignored[id] || (counts && plan_test_sets((enum plan_test_kind)kind, (enum condition_id)id) &&
                                has_ladder(plan_a, (enum plan_test_kind)kind, (enum condition_id)id) &&
                                has_ladder(plan_b, (enum plan_test_kind)kind, (enum condition_id)id));
        }
    }
}

static const struct outcome *outcome_of(const struct feeder_result *f, const char *test)
{
    for (size_t k = 0; k < f->outcome_count; k++) {
        if (f->outcomes[k].present && strcmp(f->outcomes[k].test, test) == 0)
            return &f->outcomes[k];
    }
    return NULL;
}

/* The feeder's value in a question, NULL when it has none that counts. */
static const struct outcome_quantity *value_of(const struct session *s, size_t feeder, const char *test,
                                               const char *key, const char *setting, const char *unit)
{
    const struct outcome *o = outcome_of(&s->feeders[feeder], test);
    const struct outcome_quantity *q = o == NULL ? NULL : outcome_find(o, key, setting);
    return q != NULL && q->compared && usable(q) && strcmp(q->unit, unit) == 0 ? q : NULL;
}

void outcome_comparison_budget_of(const struct session *s, const struct comparison *c, struct budget *budget)
{
    const struct outcome_quantity *a = value_of(s, c->a, c->test, c->quantity, c->setting, c->unit),
                                  *b = value_of(s, c->b, c->test, c->quantity, c->setting, c->unit);
    const struct feeder_result *fa = &s->feeders[c->a], *fb = &s->feeders[c->b];
    budget_init(budget);
    if (a != NULL && b != NULL)
        outcome_comparison_budget(a, b, comparison_same_calibration(s, fa, fb), fa->series == fb->series,
                                  budget);
}

/* One pair in a family of count members. */
static void fill_pair(const struct session *s, struct comparison *c, const struct outcome_quantity *a,
                      const struct outcome_quantity *b, size_t count)
{
    const struct feeder_result *fa = &s->feeders[c->a], *fb = &s->feeders[c->b];
    double difference = a->q.value - b->q.value, u, degrees, family_half;
    size_t n = a->q.n < b->q.n ? a->q.n : b->q.n;
    struct budget budget;
    outcome_comparison_budget(a, b, comparison_same_calibration(s, fa, fb), fa->series == fb->series,
                              &budget);
    c->difference = budget_combine(&budget, difference, n);
    u = c->difference.standard_uncertainty;
    degrees = c->difference.degrees_of_freedom;
    c->p_value_unadjusted = difference_p_value(difference, u, degrees);
    if (!c->difference.present || !(u > 0) || !isfinite(c->p_value_unadjusted)) {
        c->difference = quantity_absent();
        comparison_reason(c, "how sure the two values are is not known");
        return;
    }
    c->has_p_value = true;
    c->method =
        count > 2 ? "two values with their budgets, studentised range" : "two values with their budgets";
    c->p_value_family = comparison_family_p(s->studentised, difference, u, degrees, count);
    /* The intervals agree with the p values. */
    c->difference.low_95 = difference - quantity_t_975(degrees) * u;
    c->difference.high_95 = difference + quantity_t_975(degrees) * u;
    family_half = comparison_family_factor(s->studentised, degrees, count) * u;
    c->family_low_95 = difference - family_half;
    c->family_high_95 = difference + family_half;
}

static enum err_code judge(struct session *s, const struct comparison_question *q, size_t first,
                           const size_t *members, size_t count, struct comparison_family *family,
                           struct err *e)
{
    (void)e;
    for (size_t i = 0; i < count; i++) {
        const struct outcome_quantity *a =
            value_of(s, q->feeders[members[i]], q->test, q->quantity, q->setting, q->unit);
        family->value[i] = a->q.value;
        for (size_t j = i + 1; j < count; j++)
            fill_pair(s, comparison_of(s, q, first, members[i], members[j]), a,
                      value_of(s, q->feeders[members[j]], q->test, q->quantity, q->setting, q->unit), count);
    }
    return ERR_OK;
}

static void refuse_bounds(struct session *s, const struct comparison_question *q, size_t first)
{
    for (size_t i = 0; i < q->count; i++) {
        for (size_t j = i + 1; j < q->count; j++) {
            struct comparison *c = comparison_of(s, q, first, i, j);
            const struct outcome_quantity *a = value_of(s, c->a, q->test, q->quantity, q->setting, q->unit),
                                          *b = value_of(s, c->b, q->test, q->quantity, q->setting, q->unit);
            if (a->q.at_least || b->q.at_least)
                comparison_reason(c, "of %s only \"at least\" is known of %s",
                                  a->q.at_least && b->q.at_least ? "both"
                                  : a->q.at_least                ? s->feeders[c->a].name
                                                                 : s->feeders[c->b].name,
                                  a->label);
        }
    }
}

/* One quantity of a feeder, of all feeders from it on that have it; feeders has room for all. Nothing where
 * an earlier one has it, since that asked. */
static enum err_code ask(struct session *s, size_t feeder, const char *test, const struct outcome_quantity *a,
                         size_t *feeders, struct err *e)
{
    struct comparison_question q = {.feeders = feeders};
    size_t first;
    enum err_code code;
    for (size_t i = 0; i < s->feeder_count; i++) {
        if (value_of(s, i, test, a->key, a->setting, a->unit) == NULL)
            continue;
        if (i < feeder)
            return ERR_OK;
        feeders[q.count++] = i;
    }
    if (q.count < 2)
        return ERR_OK;
    snprintf(q.quantity, sizeof q.quantity, "%s", a->key);
    snprintf(q.test, sizeof q.test, "%s", test);
    snprintf(q.setting, sizeof q.setting, "%s", a->setting);
    snprintf(q.unit, sizeof q.unit, "%s", a->unit);
    code = comparison_add_pairs(s, &q, ignore_own_conditions, &first, e);
    if (code != ERR_OK)
        return code;
    refuse_bounds(s, &q, first);
    return comparison_form_families(s, &q, first, judge, e);
}

enum err_code outcome_comparison_add(struct session *s, struct err *e)
{
    size_t *feeders = malloc((s->feeder_count + 1) * sizeof *feeders);
    enum err_code code = ERR_OK;
    if (feeders == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", s->feeder_count);
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].outcome_count; k++) {
            const struct outcome *o = &s->feeders[i].outcomes[k];
            for (size_t j = 0; code == ERR_OK && o->present && j < o->quantity_count; j++) {
                if (o->quantities[j].compared && usable(&o->quantities[j]))
                    code = ask(s, i, o->test, &o->quantities[j], feeders, e);
            }
        }
    }
    free(feeders);
    return code;
}
