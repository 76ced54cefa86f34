#include "datasets/format/plan.h"

#include "datasets/format/date_time.h"
#include "datasets/format/yaml_strict.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PLAN_VERSION 1
/* Speeds at or below this are the rig standing still, and above that no feeder or stepper follows. */
#define SPEED_LOW_MM_S  0.01
#define SPEED_HIGH_MM_S 500.0
/* Microsteps per second that step generators of a bench rig reach at most. */
#define MICROSTEP_RATE_MAX_HZ 1e6
/* A run file of at most 2 GiB with rows of at most 61 bytes. */
#define ROWS_MAX 3e7
#define DAY_S    86400.0

const char *const PLAN_TEST_NAMES[PLAN_TEST_KINDS] = {
    "blocked-push",  "speed-sweep", "free-run",  "loaded-feed",
    "preload-sweep", "reversal",    "melt-push", "endurance",
};

/* Commanded time of one push: a trapezoid of speed, or a triangle where the travel is too short to reach it.
 */
static double push_seconds(double travel_mm, double speed_mm_s, double acceleration_mm_s2)
{
    if (travel_mm * acceleration_mm_s2 >= speed_mm_s * speed_mm_s)
        return travel_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2;
    return 2 * sqrt(travel_mm / acceleration_mm_s2);
}

/* A name of the given characters alone. */
static enum err_code check_name(const struct yaml_node *mapping, const char *key, const char *text,
                                const char *characters, const char *meaning, struct err *e)
{
    const struct yaml_node *node;
    if (text[strspn(text, characters)] == 0 && text[0] != '-')
        return ERR_OK;
    yaml_get_node(mapping, key, false, &node, e);
    return yaml_complain(node, e, "%s: '%s' must be made of %s", key, text, meaning);
}

static enum err_code get_list(const struct yaml_node *mapping, const char *key, bool required, size_t max,
                              const struct yaml_node **list, struct err *e)
{
    enum err_code code = yaml_get_node(mapping, key, required, list, e);
    if (code != ERR_OK || *list == NULL)
        return code;
    if (!yaml_is_list(*list))
        return yaml_complain(*list, e, "%s: a list is wanted here", key);
    if (yaml_length(*list) == 0)
        return yaml_complain(*list, e, "%s: the list is empty", key);
    if (yaml_length(*list) > max)
        return yaml_complain(yaml_item(*list, max), e, "%s: more than %zu entries", key, max);
    return ERR_OK;
}

static enum err_code get_int(const struct yaml_node *mapping, const char *key, bool required, int low,
                             int high, int *value, struct err *e)
{
    int64_t whole = *value;
    enum err_code code = yaml_get_int64(mapping, key, required, low, high, "", &whole, e);
    *value = (int)whole;
    return code;
}

static enum err_code read_contributor(const struct yaml_node *node, struct plan_contributor *c, struct err *e)
{
    enum err_code code;
    strcpy(c->role, "contributor");
    code = yaml_get_text(node, "title", true, c->title, sizeof c->title, e);
    if (code == ERR_OK)
        code = yaml_get_text(node, "role", false, c->role, sizeof c->role, e);
    return code != ERR_OK ? code : yaml_strict_finish(node, e);
}

static enum err_code read_limits(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *limits;
    const struct yaml_node *sampling;
    enum err_code code = yaml_get_node(root, "sampling", true, &sampling, e);
    if (code == ERR_OK)
        code = yaml_get_double(sampling, "rate_hz", true, 1, 100000, "Hz", &p->sample_rate_hz, e);
    if (code == ERR_OK)
        code = yaml_strict_finish(sampling, e);
    if (code == ERR_OK)
        code = yaml_get_node(root, "limits", true, &limits, e);
    if (code == ERR_OK)
        code = yaml_get_double(limits, "force_n", true, 0.1, 10000, "N", &p->force_limit_n, e);
    if (code == ERR_OK)
        code = yaml_get_double(limits, "travel_mm", true, 0.1, 10000, "mm", &p->travel_limit_mm, e);
    if (code == ERR_OK)
        code = yaml_get_double(limits, "time_s", true, 0.1, 86400, "s", &p->time_limit_s, e);
    if (code == ERR_OK)
        code = yaml_strict_finish(limits, e);
    if (code == ERR_OK &&
        (p->rest_before_s + p->time_limit_s + p->rest_after_s) * p->sample_rate_hz > ROWS_MAX)
        code = yaml_complain(limits, e, "time_s: at %g samples a second a run could have more than %g rows",
                             p->sample_rate_hz, ROWS_MAX);
    return code;
}

static enum err_code read_tolerances(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *tolerances;
    enum err_code code = yaml_get_node(root, "tolerances", false, &tolerances, e);
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        p->tolerance[i] = CONDITION_KINDS[i].tolerance;
    if (code != ERR_OK || tolerances == NULL)
        return code;
    for (size_t i = 0; code == ERR_OK && i < CONDITION_COUNT; i++) {
        const struct condition_kind *kind = &CONDITION_KINDS[i];
        const struct yaml_node *node;
        if (kind->is_number)
            code = yaml_get_double(tolerances, kind->key, false, 0, kind->high - kind->low, kind->symbol,
                                   &p->tolerance[i], e);
        else if ((code = yaml_get_node(tolerances, kind->key, false, &node, e)) == ERR_OK && node != NULL)
            code =
                yaml_complain(node, e, "%s: is a word and has no tolerance; words must be equal", kind->key);
    }
    return code != ERR_OK ? code : yaml_strict_finish(tolerances, e);
}

static enum err_code read_feeder(const struct yaml_node *node, struct plan_feeder *f, struct err *e)
{
    const struct yaml_node *own;
    enum err_code code = yaml_get_text(node, "name", true, f->name, sizeof f->name, e);
    f->reduction = 1;
    f->full_steps_per_rev = 200;
    f->microsteps = 16;
    if (code == ERR_OK)
        code = check_name(node, "name", f->name, "abcdefghijklmnopqrstuvwxyz0123456789-",
                          "small letters, digits and hyphens, and not begin with a hyphen", e);
    if (code == ERR_OK)
        code = yaml_get_text(node, "description", false, f->description, sizeof f->description, e);
    if (code == ERR_OK)
        code = yaml_get_double(node, "drive_diameter_mm", true, 0.5, 200, "mm", &f->drive_diameter_mm, e);
    f->drive_diameter_standard_uncertainty_mm = 0.01 * f->drive_diameter_mm;
    if (code == ERR_OK)
        code = yaml_get_double(node, "drive_diameter_standard_uncertainty_mm", false, 0,
                               f->drive_diameter_mm / 2, "mm", &f->drive_diameter_standard_uncertainty_mm, e);
    if (code == ERR_OK)
        code = yaml_get_double(node, "reduction", false, 0.01, 1000, "", &f->reduction, e);
    if (code == ERR_OK)
        code = get_int(node, "teeth", false, 0, 1000, &f->teeth, e);
    if (code == ERR_OK)
        code = get_int(node, "full_steps_per_rev", false, 4, 10000, &f->full_steps_per_rev, e);
    if (code == ERR_OK)
        code = get_int(node, "microsteps", false, 1, 256, &f->microsteps, e);
    if (code == ERR_OK)
        code = yaml_get_node(node, "conditions", false, &own, e);
    if (code == ERR_OK && own != NULL)
        code = conditions_from_yaml(own, &f->conditions, e);
    return code != ERR_OK ? code : yaml_strict_finish(node, e);
}

static enum err_code read_feeders(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *list;
    const struct yaml_node *shared;
    struct conditions conditions = {0};
    enum err_code code = yaml_get_node(root, "conditions", false, &shared, e);
    if (code == ERR_OK && shared != NULL)
        code = conditions_from_yaml(shared, &conditions, e);
    if (code == ERR_OK)
        code = get_list(root, "feeders", true, PLAN_FEEDERS_MAX, &list, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(list); i++) {
        p->feeders[i].conditions = conditions;
        code = read_feeder(yaml_item(list, i), &p->feeders[i], e);
        for (size_t j = 0; code == ERR_OK && j < i; j++) {
            const struct yaml_node *name;
            if (strcmp(p->feeders[i].name, p->feeders[j].name) != 0)
                continue;
            yaml_get_node(yaml_item(list, i), "name", true, &name, e);
            code = yaml_complain(name, e, "two feeders are named '%s'", p->feeders[i].name);
        }
        p->feeder_count = i + 1;
    }
    return code;
}

/* A speed that cannot be carried out, whatever the reason, is refused before anything moves. */
static enum err_code check_speed(const struct plan *p, const struct plan_test *t, size_t i,
                                 const struct yaml_node *node, struct err *e)
{
    double speed = t->speeds_mm_s[i];
    double seconds = push_seconds(t->travel_mm, speed, t->acceleration_mm_s2);
    if (speed <= SPEED_LOW_MM_S)
        return yaml_complain(node, e, "speeds_mm_s: %g mm/s is too slow: it must be above %g mm/s", speed,
                             SPEED_LOW_MM_S);
    for (size_t j = 0; j < i; j++) {
        if (t->speeds_mm_s[j] == speed)
            return yaml_complain(node, e, "speeds_mm_s: %g mm/s occurs twice; repeats are set by blocks",
                                 speed);
    }
    if (seconds > p->time_limit_s)
        return yaml_complain(node, e,
                             "speeds_mm_s: %g mm of travel at %g mm/s take %.4g s, past the limit of %g s",
                             t->travel_mm, speed, seconds, p->time_limit_s);
    for (size_t j = 0; j < p->feeder_count; j++) {
        const struct plan_feeder *f = &p->feeders[j];
        double rate_hz =
            speed / (M_PI * f->drive_diameter_mm) * f->reduction * f->full_steps_per_rev * f->microsteps;
        if (rate_hz > MICROSTEP_RATE_MAX_HZ)
            return yaml_complain(node, e,
                                 "speeds_mm_s: %g mm/s needs %.0f microsteps a second of feeder '%s'; at "
                                 "most %.0f can be made",
                                 speed, rate_hz, f->name, MICROSTEP_RATE_MAX_HZ);
    }
    return ERR_OK;
}

static enum err_code read_speeds(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                                 struct err *e)
{
    const struct yaml_node *list;
    enum err_code code = get_list(node, "speeds_mm_s", true, PLAN_SPEEDS_MAX, &list, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(list); i++) {
        code = yaml_read_double(yaml_item(list, i), "speeds_mm_s", 0, SPEED_HIGH_MM_S, "mm/s",
                                &t->speeds_mm_s[i], e);
        if (code == ERR_OK)
            code = check_speed(p, t, i, yaml_item(list, i), e);
        t->speed_count = i + 1;
    }
    if (code == ERR_OK && t->kind == PLAN_SPEED_SWEEP && t->speed_count < 2)
        code = yaml_complain(list, e, "speeds_mm_s: a speed-sweep needs at least two different speeds");
    return code;
}

static enum err_code read_test(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                               struct err *e)
{
    char name[PLAN_NAME_MAX + 1];
    const struct yaml_node *place;
    size_t kind = 0;
    enum err_code code = yaml_get_text(node, "test", true, name, sizeof name, e);
    if (code != ERR_OK)
        return code;
    while (kind < PLAN_TEST_KINDS && strcmp(name, PLAN_TEST_NAMES[kind]) != 0)
        kind++;
    if (kind == PLAN_TEST_KINDS) {
        yaml_get_node(node, "test", true, &place, e);
        return yaml_complain(place, e, "test: '%s' is neither blocked-push nor speed-sweep", name);
    }
    t->kind = (enum plan_test_kind)kind;
    t->acceleration_mm_s2 = 200;
    code = yaml_get_double(node, "travel_mm", true, 0.01, 10000, "mm", &t->travel_mm, e);
    if (code == ERR_OK && t->travel_mm > p->travel_limit_mm) {
        yaml_get_node(node, "travel_mm", true, &place, e);
        code = yaml_complain(place, e, "travel_mm: %g mm is past the travel limit of %g mm", t->travel_mm,
                             p->travel_limit_mm);
    }
    if (code == ERR_OK)
        code = yaml_get_double(node, "acceleration_mm_s2", false, 0.1, 100000, "mm/s2",
                               &t->acceleration_mm_s2, e);
    if (code == ERR_OK)
        code = read_speeds(node, p, t, e);
    return code != ERR_OK ? code : yaml_strict_finish(node, e);
}

static enum err_code read_tests(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *list;
    const struct yaml_node *blocks;
    size_t runs = 0;
    enum err_code code = get_list(root, "tests", true, PLAN_TESTS_MAX, &list, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(list); i++) {
        code = read_test(yaml_item(list, i), p, &p->tests[i], e);
        runs += p->tests[i].speed_count;
        p->test_count = i + 1;
    }
    runs *= p->feeder_count * (size_t)p->blocks;
    if (code != ERR_OK || runs <= PLAN_RUNS_MAX)
        return code;
    yaml_get_node(root, "blocks", true, &blocks, e);
    return yaml_complain(blocks, e, "blocks: %d blocks make %zu runs; at most %d are allowed", p->blocks,
                         runs, PLAN_RUNS_MAX);
}

/* A file cut short can still be good YAML; only its last line shows that it is whole. */
static enum err_code read_end(const struct yaml_node *root, struct err *e)
{
    bool end = false;
    enum err_code code = yaml_get_bool(root, "end", true, &end, e);
    size_t last = yaml_length(root) - 1;
    if (code == ERR_OK && (!end || strcmp(yaml_key(root, last), "end") != 0))
        code = yaml_complain(yaml_value(root, last), e, "the last line of a plan must be 'end: true'");
    return code;
}

const struct plan_estimate_kind PLAN_ESTIMATE_KINDS[PLAN_ESTIMATE_COUNT] = {
    {"load_axis_alignment_deg", "alignment of the load axis, at most", "degrees", 1, 0, 30},
    {"load_cell_creep_percent", "creep of the load cell, standard uncertainty", "% of the force", 0.03, 0,
     10},
    {"drive_gear_runout_mm", "runout of the drive gear, standard uncertainty", "mm", 0.02, 0, 1},
};

static enum err_code read_estimates(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *node = NULL;
    enum err_code code = yaml_get_node(root, "estimates", false, &node, e);
    for (int i = 0; code == ERR_OK && i < PLAN_ESTIMATE_COUNT; i++) {
        const struct plan_estimate_kind *k = &PLAN_ESTIMATE_KINDS[i];
        p->estimates[i].value = NAN;
        if (node != NULL)
            code = yaml_get_double(node, k->key, false, k->low, k->high, k->unit, &p->estimates[i].value, e);
        p->estimates[i].stated = !isnan(p->estimates[i].value);
        if (!p->estimates[i].stated)
            p->estimates[i].value = k->value;
    }
    if (code == ERR_OK && node != NULL)
        code = yaml_strict_finish(node, e);
    return code;
}

static enum err_code read_head(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *place;
    const struct yaml_node *contributors;
    int64_t version = 0;
    int64_t seed = 0;
    enum err_code code = yaml_get_int64(root, "nipbench_plan", true, 0, 1000000, "", &version, e);
    if (code == ERR_OK && version != PLAN_VERSION) {
        yaml_get_node(root, "nipbench_plan", true, &place, e);
        code =
            yaml_complain(place, e, "nipbench_plan: version %lld is not known; this program reads version %d",
                          (long long)version, PLAN_VERSION);
    }
    if (code == ERR_OK)
        code = yaml_get_text(root, "title", true, p->title, sizeof p->title, e);
    if (code == ERR_OK)
        code = yaml_get_text(root, "description", false, p->description, sizeof p->description, e);
    if (code == ERR_OK)
        code = yaml_get_text(root, "licence", false, p->licence, sizeof p->licence, e);
    if (code == ERR_OK)
        code = check_name(root, "licence", p->licence,
                          "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._",
                          "letters, digits, '-', '.' and '_', as in CC-BY-4.0", e);
    if (code == ERR_OK)
        code = get_list(root, "contributors", false, PLAN_CONTRIBUTORS_MAX, &contributors, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(contributors); i++) {
        code = read_contributor(yaml_item(contributors, i), &p->contributors[i], e);
        p->contributor_count = i + 1;
    }
    if (code == ERR_OK)
        code = yaml_get_bool(root, "simulated", false, &p->simulated, e);
    if (code == ERR_OK)
        code = yaml_get_int64(root, "seed", true, 0, INT64_MAX, "", &seed, e);
    p->seed = (uint64_t)seed;
    if (code == ERR_OK)
        code = get_int(root, "blocks", true, 1, 200, &p->blocks, e);
    if (code == ERR_OK)
        code = yaml_get_text(root, "calibration", true, p->calibration, sizeof p->calibration, e);
    if (code == ERR_OK)
        code = yaml_get_double(root, "calibration_max_age_days", false, 0.01, 36525, "days",
                               &p->calibration_max_age_days, e);
    /* Zero drift of a run that is worth a word: a load cell that warms by a few kelvin, no more. */
    p->zero_drift_limit_n = PLAN_ZERO_DRIFT_LIMIT_N;
    if (code == ERR_OK)
        code =
            yaml_get_double(root, "zero_drift_limit_n", false, 1e-6, 10000, "N", &p->zero_drift_limit_n, e);
    if (code == ERR_OK)
        code = read_estimates(root, p, e);
    p->rest_before_s = 1;
    p->rest_after_s = 1;
    if (code == ERR_OK)
        code = yaml_get_double(root, "rest_before_s", false, 0.1, 600, "s", &p->rest_before_s, e);
    if (code == ERR_OK)
        code = yaml_get_double(root, "rest_after_s", false, 0.1, 600, "s", &p->rest_after_s, e);
    return code;
}

enum err_code plan_read(const char *path, struct plan *p, struct err *e)
{
    struct yaml_document *document;
    const struct yaml_node *root;
    enum err_code code = yaml_strict_read(path, &document, e);
    memset(p, 0, sizeof *p);
    if (code != ERR_OK)
        return code;
    root = yaml_root(document);
    code = read_head(root, p, e);
    if (code == ERR_OK)
        code = read_limits(root, p, e);
    if (code == ERR_OK)
        code = read_tolerances(root, p, e);
    if (code == ERR_OK)
        code = read_feeders(root, p, e);
    if (code == ERR_OK)
        code = read_tests(root, p, e);
    if (code == ERR_OK)
        code = read_end(root, e);
    if (code == ERR_OK)
        code = yaml_strict_finish(root, e);
    yaml_strict_free(document);
    return code;
}

bool plan_allows_calibration(const struct plan *p, const char *calibration_date, int64_t unix_s, char *why,
                             size_t size)
{
    int64_t made_s;
    double age_days;
    if (p->calibration_max_age_days == 0)
        return true;
    if (!date_time_read(calibration_date, &made_s)) {
        snprintf(why, size, "has no date that can be read ('%.40s'), but the plan allows only %g days",
                 calibration_date, p->calibration_max_age_days);
        return false;
    }
    age_days = (double)(unix_s - made_s) / DAY_S;
    if (age_days < -1)
        snprintf(why, size, "is dated %.1f days ahead, so its age cannot be told", -age_days);
    else if (age_days > p->calibration_max_age_days)
        snprintf(why, size, "is %.1f days old, but the plan allows only %g", age_days,
                 p->calibration_max_age_days);
    return age_days >= -1 && age_days <= p->calibration_max_age_days;
}

/* SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators"): one word of
 * state, so that the order can be worked out again by anybody in any language. */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z;
    *state += UINT64_C(0x9E3779B97F4A7C15);
    z = *state;
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* A number below n, each equally likely: draws in the short last stretch of the 64-bit range are thrown away.
 */
static size_t random_below(uint64_t *state, size_t n)
{
    uint64_t limit = UINT64_MAX - UINT64_MAX % n;
    uint64_t draw;
    do
        draw = next_random(state);
    while (draw >= limit);
    return (size_t)(draw % n);
}

/* Fill order with a random permutation of 0 to n - 1 (Fisher and Yates, from the end down). */
static void shuffle(uint64_t *state, size_t *order, size_t n)
{
    for (size_t i = 0; i < n; i++)
        order[i] = i;
    for (size_t i = n; i > 1; i--) {
        size_t j = random_below(state, i);
        size_t swapped = order[i - 1];
        order[i - 1] = order[j];
        order[j] = swapped;
    }
}

size_t plan_order(const struct plan *p, struct plan_run *runs)
{
    uint64_t state = p->seed;
    size_t feeders[PLAN_FEEDERS_MAX];
    size_t order[PLAN_TESTS_MAX * PLAN_SPEEDS_MAX];
    size_t tests[PLAN_TESTS_MAX * PLAN_SPEEDS_MAX];
    double speeds_mm_s[PLAN_TESTS_MAX * PLAN_SPEEDS_MAX];
    size_t pushes = 0;
    size_t n = 0;
    for (size_t i = 0; i < p->test_count; i++) {
        for (size_t j = 0; j < p->tests[i].speed_count; j++) {
            tests[pushes] = i;
            speeds_mm_s[pushes++] = p->tests[i].speeds_mm_s[j];
        }
    }
    for (int block = 1; block <= p->blocks; block++) {
        shuffle(&state, feeders, p->feeder_count);
        for (size_t i = 0; i < p->feeder_count; i++) {
            shuffle(&state, order, pushes);
            for (size_t j = 0; j < pushes && n < PLAN_RUNS_MAX; j++) {
                runs[n] = (struct plan_run){.number = (int)n + 1,
                                            .block = block,
                                            .feeder = feeders[i],
                                            .test = tests[order[j]],
                                            .speed_mm_s = speeds_mm_s[order[j]]};
                n++;
            }
        }
    }
    return n;
}

enum plan_end plan_end_of(enum plan_test_kind kind)
{
    switch (kind) {
    case PLAN_FREE_RUN:
        return PLAN_END_FREE;
    case PLAN_LOADED_FEED:
        return PLAN_END_BRAKE;
    case PLAN_MELT_PUSH:
        return PLAN_END_HOT;
    default:
        return PLAN_END_BLOCKED;
    }
}

bool plan_test_sets(enum plan_test_kind kind, enum condition_id id)
{
    switch (id) {
    case CONDITION_NIP_PRELOAD_N:
        return kind == PLAN_PRELOAD_SWEEP || kind == PLAN_LOADED_FEED || kind == PLAN_FREE_RUN;
    case CONDITION_BRAKE_LOAD_N:
        return kind == PLAN_LOADED_FEED;
    case CONDITION_HOT_END_TEMPERATURE_C:
        return kind == PLAN_MELT_PUSH;
    case CONDITION_GUIDE_TUBE_BEND_DEG:
        return kind == PLAN_REVERSAL;
    default:
        return false;
    }
}
