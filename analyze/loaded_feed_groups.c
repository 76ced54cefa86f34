#include "analyze/loaded_feed_groups.h"
#include "analyze/interval_text.h"

#include "analyze/force_check.h"
#include "analyze/loaded_feed_say.h"
#include "analyze/numerics/dent.h"
#include "analyze/numerics/difference.h"
#include "analyze/run_result.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Preloads and speeds that differ by less than this share are the same. */
#define SAME 1e-6
/* A greatest feed force beyond the runs is worked out where it is known to this share. */
#define BEYOND_SHARE 0.1
/* A run is clearly past the onset where its share stands above that of the onset by so many scatters. */
#define CLEAR_SDS 4.0
#define ROWS      11
/* With more groups than this their onsets and greatest forces have no room among the quantities. */
#define GROUPS_IN_FULL 9u
/* Pairs of preloads are called different below this probability of chance, all pairs together (Holm). */
#define CHANCE 0.05

static const struct quantity *find(const struct run_result *run, const char *key)
{
    for (size_t i = 0; i < run->quantity_count; i++) {
        if (strcmp(run->quantities[i].key, key) == 0 && run->quantities[i].q.present)
            return &run->quantities[i].q;
    }
    return NULL;
}

static double preload_of(const struct run_record *record)
{
    const struct conditions *c = run_record_conditions(record);
    return c->stated[CONDITION_NIP_PRELOAD_N] ? c->number[CONDITION_NIP_PRELOAD_N] : NAN;
}

static bool same(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) <= SAME * fmax(fabs(a), fabs(b));
}

static int by_speed_and_preload(const void *a, const void *b)
{
    const struct loaded_feed_group *p = a, *q = b;
    if (!same(p->speed_mm_s, q->speed_mm_s))
        return p->speed_mm_s < q->speed_mm_s ? -1 : 1;
    if (isnan(p->preload_n) || isnan(q->preload_n))
        return isnan(p->preload_n) - isnan(q->preload_n);
    return p->preload_n < q->preload_n ? -1 : p->preload_n > q->preload_n;
}

static void keep(struct loaded_feed_group *g, const struct run_result *run)
{
    const struct quantity *force = find(run, "feed_force_n"), *share = find(run, "lost_share");
    const struct quantity *stall = find(run, "stall_force_n");
    if (g->first_number == 0)
        g->first_number = run->record->number;
    if (stall != NULL) {
        g->stall_n[g->stalls++] = stall->value;
        g->stalled = run;
        g->by_motor += run->push.limited_by == LIMITED_MOTOR;
        if (run->push.limited_by == LIMITED_GRIP && run->push.settled) {
            g->settled_block[g->settled] = run->record->block;
            g->settled_n[g->settled++] = stall->value;
        }
        if (run->push.limited_by == LIMITED_GRIP) {
            g->grip_block[g->by_grip] = run->record->block;
            g->grip_n[g->by_grip++] = stall->value;
        }
    } else if (force != NULL && share != NULL) {
        g->fed_block[g->n] = run->record->block;
        g->force_n[g->n] = force->value;
        g->share[g->n] = share->value;
        g->share_low[g->n] = share->low_95;
        g->share_high[g->n] = share->high_95;
        g->share_u[g->n++] = share->standard_uncertainty;
        g->fed_at_least_n = fmax(g->fed_at_least_n, force->value - 1.645 * force->standard_uncertainty);
    }
}

enum err_code loaded_feed_groups_take(const struct run_result *const *runs, size_t count,
                                      struct loaded_feed_groups *groups, struct err *e)
{
    const char *why = NULL;
    groups->groups = calloc(count + 1, sizeof *groups->groups);
    if (groups->groups == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    for (size_t i = 0; i < count; i++) {
        double preload = preload_of(runs[i]->record), speed = runs[i]->record->speed_mm_s;
        size_t k = 0;
        if (!runs[i]->analysed) {
            why = why != NULL ? why : runs[i]->why_not;
            continue;
        }
        while (k < groups->count &&
               !(same(groups->groups[k].preload_n, preload) && same(groups->groups[k].speed_mm_s, speed)))
            k++;
        groups->diameter_mm = runs[i]->record->drive_diameter_mm;
        groups->groups[k].preload_n = preload;
        groups->groups[k].speed_mm_s = speed;
        groups->groups[k].n++;
        groups->count += k == groups->count;
    }
    if (groups->count == 0)
        return err_set(e, ERR_NO_ANSWER, "none of the %zu runs has an answer: %.160s", count,
                       why != NULL ? why : "there are none");
    qsort(groups->groups, groups->count, sizeof *groups->groups, by_speed_and_preload);
    groups->room = malloc(ROWS * (count + 1) * sizeof *groups->room);
    if (groups->room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    double *room = groups->room;
    for (size_t k = 0; k < groups->count; k++) {
        struct loaded_feed_group *g = &groups->groups[k];
        double **rows[ROWS] = {&g->force_n,    &g->share,         &g->share_u,   &g->share_low,
                               &g->share_high, &g->settled_n,     &g->stall_n,   &g->grip_n,
                               &g->fed_block,  &g->settled_block, &g->grip_block};
        for (size_t j = 0; j < ROWS; j++, room += g->n)
            *rows[j] = room;
        g->n = 0;
        for (size_t i = 0; i < count; i++) {
            if (runs[i]->analysed && same(preload_of(runs[i]->record), g->preload_n) &&
                same(runs[i]->record->speed_mm_s, g->speed_mm_s))
                keep(g, runs[i]);
        }
    }
    return ERR_OK;
}

void loaded_feed_groups_free(struct loaded_feed_groups *groups)
{
    free(groups->groups);
    free(groups->room);
}

static void name_settings(struct loaded_feed_groups *groups)
{
    bool preloads = false, speeds = false;
    for (size_t k = 1; k < groups->count; k++) {
        preloads = preloads || !same(groups->groups[k].preload_n, groups->groups[0].preload_n);
        speeds = speeds || !same(groups->groups[k].speed_mm_s, groups->groups[0].speed_mm_s);
    }
    for (size_t k = 0; k < groups->count; k++) {
        struct loaded_feed_group *g = &groups->groups[k];
        char preload[24] = "", speed[24] = "";
        if (preloads && isnan(g->preload_n))
            snprintf(preload, sizeof preload, "unstated preload");
        else if (preloads)
            snprintf(preload, sizeof preload, "%.4g N of preload", g->preload_n);
        if (speeds)
            snprintf(speed, sizeof speed, "%.4g mm/s", g->speed_mm_s);
        snprintf(g->setting, sizeof g->setting, "%s%s%s%s", preloads || speeds ? "at " : "", preload,
                 preloads && speeds ? ", " : "", speed);
    }
}

static void add_part(struct budget *b, const char *name, const char *unit, double u, double degrees,
                     enum budget_type type)
{
    struct budget_component c = {
        .standard_uncertainty = u, .sensitivity = 1, .degrees_of_freedom = degrees, .type = type};
    if (!isfinite(u) || !(u > 0))
        return;
    snprintf(c.name, sizeof c.name, "%s", name);
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    budget_add(b, &c, NULL);
}

/* What load cell and alignment do to a number in 1/N: their parts at force_n, relative. */
static void add_force_scale(struct budget *b, double per_n, double force_n,
                            const struct bench_test_context *c)
{
    size_t first = b->count;
    push_budget_add_bench(b, force_n, c->calibration, c->settings);
    for (size_t i = first; i < b->count; i++) {
        b->components[i].sensitivity = -per_n / force_n;
        b->components[i].contribution = fabs(per_n / force_n) * b->components[i].standard_uncertainty;
    }
}

static double encoder_relative(const struct calibration *c)
{
    return c->encoder_mm_per_count != 0
               ? fabs(c->encoder_standard_uncertainty_mm_per_count / c->encoder_mm_per_count)
               : 0;
}

static struct quantity force_of_fit(const struct loaded_feed_group *g, enum creep_fit_parameter which,
                                    const char *name, const struct bench_test_context *c, struct budget *b)
{
    double value = g->fit.parameters[which];
    push_budget_add(b, name, sqrt(g->fit.covariance[which][which]), g->fit.grip_degrees_of_freedom,
                    BUDGET_TYPE_A, false);
    between_mountings_widen(b, &g->mountings, value);
    push_budget_add_bench(b, value, c->calibration, c->settings);
    struct quantity q = budget_combine(b, value, g->n + g->settled);
    force_check(c->calibration, (unsigned long)g->first_number, b, &q);
    return q;
}

/* Runs past the onset, and those that the grip stopped, against the fit: a mounting whose grip is stronger by
 * a factor loses as much at that factor times the force. */
static void count_mountings(struct loaded_feed_group *g)
{
    const struct creep_fit *f = &g->fit;
    double s0 = f->parameters[CREEP_OFFSET], creep = f->parameters[CREEP_PER_N];
    double onset = f->parameters[CREEP_ONSET], grip = f->parameters[CREEP_GRIP];
    double slip = (1 - s0 - creep * grip) / (grip - onset), at_onset = s0 + creep * onset;
    between_mountings_init(&g->mountings);
    if (!g->fitted || !f->onset_found || !(slip > 0))
        return;
    for (size_t i = 0; i < g->n; i++) {
        if (g->share[i] > at_onset + CLEAR_SDS * f->share_sd)
            between_mountings_count(&g->mountings, (int)g->fed_block[i],
                                    g->force_n[i] * (creep + slip) / (g->share[i] - s0 + slip * onset));
    }
    for (size_t i = 0; i < g->settled; i++)
        between_mountings_count(&g->mountings, (int)g->settled_block[i], g->settled_n[i] / grip);
}

/* Those that the grip stopped, without a fit: about their mean. */
static void widen_by_stalls(const struct loaded_feed_group *g, double mean, struct budget *b)
{
    struct between_mountings m;
    between_mountings_init(&m);
    for (size_t i = 0; i < g->by_grip; i++)
        between_mountings_count(&m, (int)g->grip_block[i], g->grip_n[i]);
    between_mountings_widen(b, &m, mean);
}

/* The force at which all feed is lost. */
static struct quantity greatest_force(struct loaded_feed_group *g, const struct bench_test_context *c,
                                      struct budget *b)
{
    double mean, sd;
    bool bent = g->fitted && g->fit.onset_found;
    double u = bent ? sqrt(g->fit.covariance[CREEP_GRIP][CREEP_GRIP]) : INFINITY;
    budget_init(b);
    if (bent && (g->settled > 0 ? g->settled == g->stalls
                                : g->stalls == 0 && u < BEYOND_SHARE * g->fit.parameters[CREEP_GRIP]))
        return force_of_fit(g, CREEP_GRIP, "fit of lost share on force", c, b);
    if (g->stalls == 0)
        return g->fed_at_least_n > 0 ? quantity_at_least(g->fed_at_least_n) : quantity_absent();
    difference_mean_sd(g->stall_n, g->stalls, &mean, &sd);
    if (g->stalls == 1) {
        const struct run_push *push = &g->stalled->push;
        const struct quantity *own = find(g->stalled, "stall_force_n");
        if (push->stall_budget.kind != NULL && !push->stall_force_n.at_least)
            *b = run_budget(&push->stall_budget);
        else if (own != NULL)
            /* A level that is no event and no fit: its own uncertainty holds the bench's already. */
            push_budget_add(b, "one stalled run by itself", own->standard_uncertainty,
                            own->degrees_of_freedom, BUDGET_TYPE_A, false);
        return budget_combine(b, mean, 1);
    }
    push_budget_add(b, "scatter of the stalled runs", sd / sqrt((double)g->stalls), (double)g->stalls - 1,
                    BUDGET_TYPE_A, false);
    widen_by_stalls(g, mean, b);
    push_budget_add_bench(b, mean, c->calibration, c->settings);
    struct quantity q = budget_combine(b, mean, g->stalls);
    force_check(c->calibration, (unsigned long)g->first_number, b, &q);
    return q;
}

/* Creep as a share of the feed that there is without load: the slope over what the commanded steps stand for,
 * less what the fit's offset takes of it. The scales of encoder and drive diameter cancel in it. */
static double creep_of(const struct creep_fit *f, double *standard_error)
{
    double ratio = 1 - f->parameters[CREEP_OFFSET], creep = f->parameters[CREEP_PER_N] / ratio;
    double variance = f->covariance[CREEP_PER_N][CREEP_PER_N] +
                      2 * creep * f->covariance[CREEP_PER_N][CREEP_OFFSET] +
                      creep * creep * f->covariance[CREEP_OFFSET][CREEP_OFFSET];
    *standard_error = sqrt(fmax(0, variance)) / ratio;
    return creep;
}

static double mean_force_n(const struct loaded_feed_group *g)
{
    double mean, sd;
    difference_mean_sd(g->force_n, g->n, &mean, &sd);
    return mean;
}

static enum err_code add_group(struct loaded_feed_group *g, bool in_full, const struct bench_test_context *c,
                               struct outcome *o, struct err *e)
{
    struct budget creep, onset, greatest, ratio;
    enum err_code code = ERR_OK;
    double relative = encoder_relative(c->calibration);
    budget_init(&creep);
    budget_init(&onset);
    budget_init(&ratio);
    g->creep_per_n = g->onset_n = g->feed_ratio = quantity_absent();
    if (g->fitted) {
        const struct creep_fit *f = &g->fit;
        double error, value = creep_of(f, &error), at = 1 - f->parameters[CREEP_OFFSET];
        add_part(&creep, "fit of lost share on force", "1/N", error, f->creep_degrees_of_freedom,
                 BUDGET_TYPE_A);
        add_force_scale(&creep, value, mean_force_n(g), c);
        g->creep_per_n = budget_combine(&creep, value, g->n - f->left_out);
        add_part(&ratio, "fit of lost share on force", "1", sqrt(f->covariance[CREEP_OFFSET][CREEP_OFFSET]),
                 f->creep_degrees_of_freedom, BUDGET_TYPE_A);
        add_part(&ratio, "scale of the encoder", "1", relative * at, INFINITY, BUDGET_TYPE_B);
        g->feed_ratio = budget_combine(&ratio, at, g->n - f->left_out);
        if (f->onset_found)
            g->onset_n = force_of_fit(g, CREEP_ONSET, "fit of lost share on force", c, &onset);
    }
    g->greatest_n = greatest_force(g, c, &greatest);
    code = outcome_add(o, "creep_per_n", g->setting, "creep coefficient", "1/N", &g->creep_per_n, &creep,
                       true, e);
    if (code == ERR_OK && in_full)
        code = outcome_add(o, "slip_onset_n", g->setting, "onset of gross slip", "N", &g->onset_n, &onset,
                           true, e);
    if (code == ERR_OK && in_full)
        code = outcome_add(o, "greatest_feed_force_n", g->setting, "greatest feed force", "N", &g->greatest_n,
                           &greatest, true, e);
    if (code == ERR_OK && in_full)
        code = outcome_add(o, "effective_feed_ratio", g->setting,
                           "feed without load over what the steps stand for", "1", &g->feed_ratio, &ratio,
                           false, e);
    return code;
}

/* One group in words. */
static void say_group(const struct loaded_feed_group *g, struct outcome *o)
{
    const char *space = g->setting[0] != 0 ? " " : "";
    if (!g->fitted) {
        outcome_warn(o, "no creep coefficient%s%s: %s", space, g->setting, g->why_not);
    } else if (g->fit.left_out > 0) {
        outcome_say(o,
                    "%zu runs%s%s are past an onset of gross slip between %.4g and %.4g N; they are too few "
                    "to say more and are left out",
                    g->fit.left_out, space, g->setting, g->fit.above_n, g->fit.below_n);
    }
    if (g->stalls > 0)
        outcome_say(o, "%zu runs%s%s stopped feeding: %zu by the motor, %zu by the grip, %zu not clear",
                    g->stalls, space, g->setting, g->by_motor, g->by_grip,
                    g->stalls - g->by_motor - g->by_grip);
    if (g->greatest_n.present && !g->greatest_n.at_least && g->stalls == 0)
        outcome_say(o,
                    "the greatest feed force%s%s is where the lost share would come to all of the feed: no "
                    "load went so far, and the motor may give way before",
                    space, g->setting);
}

/* What did not happen, of all settings at once: a ladder of preloads below the onset would fill the page. */
static void say_what_is_missing(const struct loaded_feed_groups *groups, struct outcome *o)
{
    size_t no_onset = 0, no_stop = 0;
    double up_to_n = INFINITY, least_n = INFINITY;
    for (size_t k = 0; k < groups->count; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        if (g->fitted && !g->fit.onset_found && g->fit.left_out == 0) {
            no_onset++;
            up_to_n = fmin(up_to_n, g->fed_at_least_n);
        }
        if (g->greatest_n.present && g->greatest_n.at_least) {
            no_stop++;
            least_n = fmin(least_n, g->greatest_n.value);
        }
    }
    char where[64] = "";
    if (groups->count > 1)
        snprintf(where, sizeof where, " at %zu of %zu settings", no_onset, groups->count);
    if (no_onset > 0)
        outcome_say(o, "no onset of gross slip%s up to %.4g N: all of the loss is creep", where, up_to_n);
    if (groups->count > 1)
        snprintf(where, sizeof where, " at %zu of %zu settings", no_stop, groups->count);
    if (no_stop > 0)
        outcome_say(o, "no load stopped the feed%s: the greatest feed force is at least %.4g N", where,
                    least_n);
}

/* Groups at the speed of the first one that have a fit and a stated preload, in order. */
static size_t at_first_speed(const struct loaded_feed_groups *groups, const struct loaded_feed_group **found)
{
    size_t n = 0;
    for (size_t k = 0; k < groups->count; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        if (g->fitted && !isnan(g->preload_n) && same(g->speed_mm_s, groups->groups[0].speed_mm_s))
            found[n++] = g;
    }
    return n;
}

/* Which neighbouring preloads differ in creep. */
static void compare_pairs(const struct loaded_feed_group *const *g, size_t n, struct outcome *o)
{
    double p[GROUPS_IN_FULL], adjusted[GROUPS_IN_FULL];
    for (size_t k = 0; k + 1 < n; k++) {
        double ua, ub, difference = creep_of(&g[k]->fit, &ua) - creep_of(&g[k + 1]->fit, &ub);
        double da = g[k]->fit.creep_degrees_of_freedom, db = g[k + 1]->fit.creep_degrees_of_freedom;
        double u = hypot(ua, ub), degrees = pow(u, 4) / (pow(ua, 4) / da + pow(ub, 4) / db);
        p[k] = difference_p_value(difference, u, fmax(1, degrees));
    }
    difference_holm(p, n - 1, adjusted);
    for (size_t k = 0; k + 1 < n; k++) {
        double unused, d = creep_of(&g[k]->fit, &unused) - creep_of(&g[k + 1]->fit, &unused);
        if (adjusted[k] < CHANCE)
            outcome_say(o,
                        "creep is %s at %.4g N of preload than at %.4g N, by %.3g of the feed per newton (p "
                        "= %.2g)",
                        d > 0 ? "lower" : "higher", g[k + 1]->preload_n, g[k]->preload_n, fabs(d),
                        adjusted[k]);
        else
            outcome_say(o, "no difference in creep shown between %.4g and %.4g N of preload (p = %.2g)",
                        g[k]->preload_n, g[k + 1]->preload_n, adjusted[k]);
    }
}

static enum err_code add_floor(struct loaded_feed_groups *groups, const struct loaded_feed_group *const *g,
                               size_t n, const struct bench_test_context *c, struct outcome *o, struct err *e)
{
    double *room = malloc(3 * n * sizeof *room), *preload, *creep, *u;
    double square = 0, degrees = 0, force = 0;
    struct creep_floor *f = &groups->floor;
    struct quantity floor = quantity_absent(), reached = quantity_absent();
    struct budget floor_budget, reached_budget;
    struct err why = {0};
    enum err_code code;
    if (room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu preloads", n);
    preload = room;
    creep = room + n;
    u = creep + n;
    /* The share scatters alike at all preloads: one scatter from all of them is better known than each. */
    for (size_t k = 0; k < n; k++) {
        double mine = g[k]->fit.creep_degrees_of_freedom;
        if (!isfinite(mine))
            continue;
        square += mine * g[k]->fit.share_sd * g[k]->fit.share_sd;
        degrees += mine;
    }
    double sd = degrees > 0 ? sqrt(square / degrees) : 0;
    for (size_t k = 0; k < n; k++) {
        preload[k] = g[k]->preload_n;
        creep[k] = creep_of(&g[k]->fit, &u[k]);
        if (sd > 0 && g[k]->fit.share_sd > 0 && isfinite(g[k]->fit.creep_degrees_of_freedom))
            u[k] *= sd / g[k]->fit.share_sd;
        force += mean_force_n(g[k]) / (double)n;
    }
    code = creep_floor_fit(preload, creep, u, n, f, &why);
    free(room);
    if (code != ERR_OK) {
        outcome_say(o, "how creep falls with preload is not told: %.160s", why.text);
        return ERR_OK;
    }
    groups->floor_fitted = true;
    groups->floor_degrees = degrees > 0 ? degrees : INFINITY;
    budget_init(&floor_budget);
    budget_init(&reached_budget);
    if (f->model == CREEP_TO_FLOOR) {
        double value = f->parameters[0];
        add_part(&floor_budget, "fit of creep on preload", "1/N", sqrt(f->covariance[0][0]),
                 groups->floor_degrees, BUDGET_TYPE_A);
        add_force_scale(&floor_budget, value, force, c);
        floor = budget_combine(&floor_budget, value, n);
        if (f->reached_n > f->greatest_n) {
            reached = quantity_at_least(f->greatest_n);
            outcome_say(o, "creep is still falling at the greatest preload of %.4g N", f->greatest_n);
        } else if (f->reached_n > f->least_n) {
            push_budget_add(&reached_budget, "fit of creep on preload", f->reached_standard_error_n,
                            groups->floor_degrees, BUDGET_TYPE_A, false);
            reached = budget_combine(&reached_budget, f->reached_n, n);
            outcome_say(o,
                        "creep falls with preload until about %.3g N, from where it is within %.0f %% of its "
                        "floor",
                        f->reached_n, 100 * CREEP_FLOOR_SHARE);
        }
    } else {
        outcome_say(o, "creep %s over these preloads; no floor is shown",
                    f->model == CREEP_CONSTANT ? "shows no change with preload"
                    : f->parameters[1] > 0     ? "rises in a straight line with preload"
                                               : "falls in a straight line with preload");
    }
    code = outcome_add(o, "creep_floor_per_n", "", "creep at high preload (floor)", "1/N", &floor,
                       &floor_budget, false, e);
    if (code == ERR_OK)
        code = outcome_add(o, "creep_floor_preload_n", "", "preload from which on creep hardly falls", "N",
                           &reached, &reached_budget, false, e);
    return code;
}

static void warn_of_dents(const struct loaded_feed_group *const *g, size_t n, double diameter_mm,
                          struct outcome *o)
{
    struct dent_level *levels = malloc((n + 1) * sizeof *levels);
    if (levels == NULL)
        return;
    for (size_t k = 0; k < n; k++)
        levels[k] = (struct dent_level){g[k]->preload_n, 1 - g[k]->fit.parameters[CREEP_OFFSET],
                                        sqrt(g[k]->fit.covariance[CREEP_OFFSET][CREEP_OFFSET]),
                                        g[k]->fit.creep_degrees_of_freedom};
    struct dent d = dent_find(levels, n);
    free(levels);
    if (!d.found)
        return;
    struct quantity q =
        quantity_from(d.shrink * diameter_mm, d.standard_error * diameter_mm, d.degrees_of_freedom, n);
    char text[INTERVAL_TEXT_MAX];
    outcome_warn(o,
                 "past about %.4g N of preload the filament is dented: at %.4g N the effective diameter is "
                 "%s than at %.4g N",
                 d.within_n, g[n - 1]->preload_n, interval_text(&q, " mm smaller", text, sizeof text),
                 g[0]->preload_n);
}

enum err_code loaded_feed_groups_fit(struct loaded_feed_groups *groups,
                                     const struct bench_test_context *context, struct outcome *outcome,
                                     struct err *e)
{
    const struct loaded_feed_group **fitted = malloc(groups->count * sizeof *fitted);
    enum err_code code = ERR_OK;
    struct err why = {0};
    bool any = false;
    size_t n;
    if (fitted == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu preloads", groups->count);
    name_settings(groups);
    for (size_t k = 0; k < groups->count; k++) {
        struct loaded_feed_group *g = &groups->groups[k];
        const struct creep_fit_data data = {g->force_n, g->share, g->share_u, g->n, g->settled_n, g->settled};
        g->fitted = g->n > 0 && creep_fit(&data, &g->fit, &why) == ERR_OK;
        if (!g->fitted)
            snprintf(g->why_not, sizeof g->why_not, "%.150s",
                     g->n > 0 ? why.text : "the feed stopped in every run: all loads are too high");
        count_mountings(g);
        any = any || g->fitted || g->stalls > 0;
        outcome->used_count += g->n + g->stalls;
    }
    if (!any) {
        code = err_set(e, ERR_NO_ANSWER, "%.200s", groups->groups[0].why_not);
        goto out;
    }
    for (size_t k = 0; code == ERR_OK && k < groups->count; k++)
        code = add_group(&groups->groups[k], groups->count <= GROUPS_IN_FULL, context, outcome, e);
    if (code == ERR_OK) {
        loaded_feed_say_headline(groups, outcome);
        for (size_t k = 0; k < groups->count; k++)
            say_group(&groups->groups[k], outcome);
        say_what_is_missing(groups, outcome);
    }
    n = at_first_speed(groups, fitted);
    if (code == ERR_OK && n >= CREEP_FLOOR_PRELOADS_LEAST)
        code = add_floor(groups, fitted, n, context, outcome, e);
    else if (code == ERR_OK && n >= 2)
        compare_pairs(fitted, n, outcome);
    if (code == ERR_OK && n >= 2)
        warn_of_dents(fitted, n, groups->diameter_mm, outcome);
out:
    free(fitted);
    return code;
}
