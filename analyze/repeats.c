#include "analyze/repeats.h"

#include "analyze/comparison_push.h"
#include "analyze/numerics/equivalence_power.h"
#include "analyze/numerics/sd_interval.h"
#include "analyze/repeats_scatter.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int LADDER[] = {2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 40, 60, 80, 100, 150, 200, 300, 500, 1000};
#define LADDER_COUNT (sizeof LADDER / sizeof LADDER[0])
#define LADDER_LEAST 30 /* the table goes so far at least, and on to what is needed */

/* A pair with a scatter of its own is judged by itself at its share of the level (Bonferroni): Holm's steps
 * find at least as much, and Games and Howell's studentised range nearly the same. */
static struct power_design design_of(const struct repeats_scatter *scatter, double level, int feeders,
                                     bool blocks)
{
    int pairs = feeders * (feeders - 1) / 2;
    return (struct power_design){.feeders = scatter->own ? 2 : feeders,
                                 .blocks = blocks,
                                 .sd = scatter->sd,
                                 .level = scatter->own ? level / pairs : level};
}

typedef enum err_code repeats_search(const struct power_design *d, double difference, double power,
                                     int *repeats, struct err *e);

static enum err_code search_one(repeats_search *search, struct power_design d, double sd, double difference,
                                double power, int *repeats, struct err *e)
{
    struct err why;
    enum err_code code;
    d.sd = sd;
    code = search(&d, difference, power, repeats, &why);
    if (code == ERR_OK)
        return ERR_OK;
    *repeats = 0;
    if (code == ERR_NO_ANSWER)
        return ERR_OK;
    if (e != NULL)
        *e = why;
    return code;
}

static enum err_code search_repeats(repeats_search *search, const struct repeats_plan *plan,
                                    const struct power_design *d, double power, struct repeats_count *count,
                                    struct err *e)
{
    const struct repeats_scatter *s = &plan->scatter;
    enum err_code code = search_one(search, *d, s->sd, plan->difference, power, &count->value, e);
    if (code == ERR_OK)
        code = search_one(search, *d, s->low_95, plan->difference, power, &count->low_95, e);
    if (code == ERR_OK)
        code = search_one(search, *d, s->high_95, plan->difference, power, &count->high_95, e);
    return code;
}

/* Differences and margins go in proportion to the scatter. */
static struct repeats_number in_proportion(double value, const struct repeats_scatter *s)
{
    return (struct repeats_number){value, value * s->low_95 / s->sd, value * s->high_95 / s->sd};
}

static enum err_code see_present(struct repeats_plan *plan, const struct repeats_aim *aim, struct err *e)
{
    int feeders = plan->count > 1 ? (int)plan->count : 2;
    struct power_design run = design_of(&plan->run_scatter, aim->level, feeders, plan->run_by_blocks);
    double found, margin;
    enum err_code code = power_difference(&run, plan->present, aim->power, &found, e);
    if (code == ERR_OK)
        code = equivalence_margin(&run, plan->present, aim->power, &margin, e);
    if (code != ERR_OK)
        return code;
    plan->found = in_proportion(found, &plan->run_scatter);
    plan->margin = in_proportion(margin, &plan->run_scatter);
    return ERR_OK;
}

static enum err_code fill_table(struct repeats_plan *plan, const struct power_design *d, double power,
                                struct err *e)
{
    int needed = plan->find.value > plan->alike.value ? plan->find.value : plan->alike.value;
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < LADDER_COUNT && code == ERR_OK; i++) {
        struct repeats_row *row = &plan->rows[plan->row_count];
        row->repeats = LADDER[i];
        row->power = power_of_pair(d, LADDER[i], plan->difference);
        row->equivalence_power = equivalence_power(d, LADDER[i], plan->difference, 0);
        code = power_difference(d, LADDER[i], power, &row->found, e);
        plan->row_count++;
        if (LADDER[i] >= LADDER_LEAST && LADDER[i] >= needed)
            break;
    }
    return code;
}

/* Everything that follows from the scatters of a plan. */
static enum err_code forecast(struct repeats_plan *plan, const struct repeats_aim *aim, struct err *e)
{
    struct power_design d;
    enum err_code code = ERR_OK;
    plan->feeders = aim->feeders > 0 ? aim->feeders : plan->count > 1 ? (int)plan->count : 2;
    d = design_of(&plan->scatter, aim->level, plan->feeders, plan->blocks);
    if (plan->difference > 0) {
        code = search_repeats(power_repeats, plan, &d, aim->power, &plan->find, e);
        if (code == ERR_OK)
            code = search_repeats(equivalence_repeats, plan, &d, aim->power, &plan->alike, e);
    }
    if (code == ERR_OK && plan->present > 0)
        code = see_present(plan, aim, e);
    if (code == ERR_OK)
        code = fill_table(plan, &d, aim->power, e);
    plan->answered = code == ERR_OK;
    return code;
}

enum err_code repeats_from_scatter(double sd, const struct repeats_aim *aim, struct repeats_plan *plan,
                                   struct err *e)
{
    memset(plan, 0, sizeof *plan);
    plan->speed_mm_s = NAN;
    plan->scatter = plan->run_scatter =
        (struct repeats_scatter){.sd = sd, .degrees_of_freedom = INFINITY, .low_95 = sd, .high_95 = sd};
    plan->blocks = aim->design != REPEATS_GROUPS;
    plan->difference = aim->difference;
    return forecast(plan, aim, e);
}

static enum err_code plan_members(const struct session *s, const char *quantity,
                                  const struct repeats_aim *aim, struct repeats_plan *plan, struct err *e)
{
    bool onset = strcmp(quantity, REPEATS_ONSET) == 0;
    struct err why = {0};
    enum err_code code = repeats_scatter_of(s, onset, aim->design, plan, &why);
    if (code == ERR_OK) {
        plan->matters = !(aim->difference > 0);
        plan->difference =
            plan->matters ? comparison_matters(s, quantity, plan->members, plan->count) : aim->difference;
        return forecast(plan, aim, e);
    }
    if (code == ERR_NO_ANSWER) {
        snprintf(plan->why_not, sizeof plan->why_not, "%.290s", why.text);
        return ERR_OK;
    }
    if (e != NULL)
        *e = why;
    return code;
}

/* The plans of a session while they are gathered. */
struct gathered {
    struct repeats_plan *plans;
    size_t count;
};

static enum err_code add_plan(struct gathered *g, const size_t *members, size_t count, double speed_mm_s,
                              struct err *e)
{
    struct repeats_plan *grown = realloc(g->plans, (g->count + 1) * sizeof *grown), *plan;
    if (grown == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    g->plans = grown;
    plan = &grown[g->count++];
    memset(plan, 0, sizeof *plan);
    memcpy(plan->members, members, count * sizeof *members);
    plan->count = count;
    plan->speed_mm_s = speed_mm_s;
    return ERR_OK;
}

static bool planned(const struct gathered *g, size_t feeder, double speed_mm_s)
{
    for (size_t i = 0; i < g->count; i++) {
        for (size_t k = 0; g->plans[i].speed_mm_s == speed_mm_s && k < g->plans[i].count; k++) {
            if (g->plans[i].members[k] == feeder)
                return true;
        }
    }
    return false;
}

static int by_index(const void *a, const void *b)
{
    size_t x = *(const size_t *)a, y = *(const size_t *)b;
    return x < y ? -1 : x > y;
}

/* Families ranked their members; here they go in the order of session.feeders. */
static enum err_code gather_at(const struct session *s, const char *quantity, double speed_mm_s,
                               struct gathered *g, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < s->family_count && code == ERR_OK; i++) {
        const struct comparison_family *f = &s->families[i];
        size_t members[ANOVA_GROUPS_MAX];
        if (f->count < 2 || f->test[0] != 0 || !comparison_same_speed(f->speed_mm_s, speed_mm_s) ||
            strcmp(f->quantity, quantity) != 0)
            continue;
        memcpy(members, f->members, f->count * sizeof *members);
        qsort(members, f->count, sizeof *members, by_index);
        code = add_plan(g, members, f->count, speed_mm_s, e);
    }
    for (size_t i = 0; i < s->feeder_count && code == ERR_OK; i++) {
        bool pushed = false;
        for (size_t k = 0; k < s->feeders[i].point_count; k++)
            pushed = pushed || (comparison_same_speed(s->feeders[i].points[k].speed_mm_s, speed_mm_s) &&
                                s->feeders[i].points[k].run_count > 0);
        if (pushed && !planned(g, i, speed_mm_s))
            code = add_plan(g, &i, 1, speed_mm_s, e);
    }
    return code;
}

/* Every speed once, in the order of the feeders. */
static enum err_code gather(const struct session *s, const char *quantity, double wanted_mm_s,
                            struct gathered *g, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].point_count && code == ERR_OK; k++) {
            double speed_mm_s = s->feeders[i].points[k].speed_mm_s;
            bool before = false;
            for (size_t j = 0; j < g->count; j++)
                before = before || comparison_same_speed(g->plans[j].speed_mm_s, speed_mm_s);
            if (!before && (isnan(wanted_mm_s) || comparison_same_speed(wanted_mm_s, speed_mm_s)))
                code = gather_at(s, quantity, speed_mm_s, g, e);
        }
    }
    return code;
}

static enum err_code refuse_speed(const struct session *s, double speed_mm_s, struct err *e)
{
    char list[200] = "";
    struct gathered g = {0};
    enum err_code code = gather(s, REPEATS_STALL, NAN, &g, e);
    size_t length = 0;
    for (size_t i = 0; i < g.count && length < sizeof list - 30; i++) {
        if (i == 0 || g.plans[i].speed_mm_s != g.plans[i - 1].speed_mm_s)
            length += (size_t)snprintf(list + length, sizeof list - length, "%s%.6g", i > 0 ? ", " : "",
                                       g.plans[i].speed_mm_s);
    }
    free(g.plans);
    if (code != ERR_OK)
        return code;
    if (length == 0)
        return err_set(
            e, ERR_NO_ANSWER,
            "these series hold no push into a blocked end under the feeders' own conditions: there "
            "is no scatter to plan by");
    return err_set(e, ERR_USAGE, "--speed: no push at %.6g mm/s; there are pushes at %s mm/s", speed_mm_s,
                   list);
}

enum err_code repeats_from_session(const struct session *s, const char *quantity, double speed_mm_s,
                                   const struct repeats_aim *aim, struct repeats_plan **plans, size_t *count,
                                   struct err *e)
{
    struct gathered g = {0};
    size_t answered = 0;
    enum err_code code;
    *plans = NULL;
    *count = 0;
    if (strcmp(quantity, REPEATS_STALL) != 0 && strcmp(quantity, REPEATS_ONSET) != 0)
        return err_set(e, ERR_USAGE,
                       "--quantity: '%.60s' has no value for each run; " REPEATS_STALL " and " REPEATS_ONSET
                       " have",
                       quantity);
    code = gather(s, quantity, speed_mm_s, &g, e);
    if (code == ERR_OK && g.count == 0)
        code = refuse_speed(s, speed_mm_s, e);
    for (size_t i = 0; i < g.count && code == ERR_OK; i++) {
        code = plan_members(s, quantity, aim, &g.plans[i], e);
        answered += g.plans[i].answered;
    }
    if (code == ERR_OK && answered == 0)
        code = err_set(e, ERR_NO_ANSWER, "%.300s", g.plans[0].why_not);
    if (code != ERR_OK) {
        free(g.plans);
        return code;
    }
    *plans = g.plans;
    *count = g.count;
    return ERR_OK;
}

struct repeats_effort repeats_effort_of(const struct session *s)
{
    struct repeats_effort effort = {0};
    const struct plan *plan = s->series_count == 1 ? &s->series[0]->plan : NULL;
    double feed_mm = 0, recording_s = 0;
    if (plan == NULL || s->run_count == 0)
        return effort;
    for (size_t i = 0; i < plan->test_count; i++)
        effort.runs += plan->feeder_count * plan_test_pushes(&plan->tests[i]);
    for (size_t i = 0; i < s->run_count; i++) {
        feed_mm += s->runs[i].fed_mm;
        recording_s += (double)s->runs[i].record->rows / s->runs[i].record->sample_rate_hz;
    }
    effort.present = effort.runs > 0 && s->run_count >= effort.runs && feed_mm > 0 && isfinite(recording_s);
    effort.feed_mm = feed_mm * (double)effort.runs / (double)s->run_count;
    effort.recording_s = recording_s * (double)effort.runs / (double)s->run_count;
    return effort;
}
