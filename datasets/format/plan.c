#include "datasets/format/plan.h"

#include "datasets/format/date_time.h"
#include "datasets/format/plan_tests.h"
#include "datasets/format/yaml_strict.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define PLAN_VERSION 1
/* A run file of at most FILE_BYTES_SIZE_MAX with rows of at most 61 bytes. */
#define ROWS_MAX    3.5e7
#define RATE_MAX_HZ 1000000 /* a sample for each microsecond that a rig's clock tells apart */
#define DAY_S       86400.0

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
        code = yaml_get_double(sampling, "rate_hz", true, 1, RATE_MAX_HZ, "Hz", &p->sample_rate_hz, e);
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
        code =
            yaml_complain(limits, e,
                          "time_s: at %.12g samples a second a run could have more than %.0f rows, which a "
                          "file does not hold; lower rate_hz, time_s or the rests",
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
        code = yaml_get_int(node, "teeth", false, 0, 1000, &f->teeth, e);
    if (code == ERR_OK)
        code = yaml_get_int(node, "full_steps_per_rev", false, 4, 10000, &f->full_steps_per_rev, e);
    if (code == ERR_OK)
        code = yaml_get_int(node, "microsteps", false, 1, 256, &f->microsteps, e);
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
        code = yaml_get_list(root, "feeders", true, PLAN_FEEDERS_MAX, &list, e);
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

/* Keys are those of results.json, which this library does not know: any that is spelled like one will do. */
static enum err_code read_matters(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *node = NULL;
    enum err_code code = yaml_get_node(root, "differences_that_matter", false, &node, e);
    if (code != ERR_OK || node == NULL)
        return code;
    if (yaml_is_mapping(node) && yaml_length(node) > PLAN_MATTERS_MAX)
        return yaml_complain(node, e, "differences_that_matter: %zu are too many; at most %d are allowed",
                             yaml_length(node), PLAN_MATTERS_MAX);
    for (size_t i = 0; yaml_is_mapping(node) && i < yaml_length(node); i++) {
        struct plan_matter *m = &p->matters[i];
        const char *key = yaml_key(node, i);
        if (strlen(key) >= sizeof m->quantity ||
            key[strspn(key, "abcdefghijklmnopqrstuvwxyz0123456789_")] != 0)
            return yaml_complain(yaml_value(node, i), e,
                                 "differences_that_matter: '%.60s' is not spelled like a quantity of "
                                 "results.json, such as stall_force_n",
                                 key);
        snprintf(m->quantity, sizeof m->quantity, "%s", key);
        code = yaml_get_double(node, key, true, 1e-12, 1e12, "", &m->difference, e);
        if (code != ERR_OK)
            return code;
        p->matter_count = i + 1;
    }
    return yaml_strict_finish(node, e);
}

double plan_matters(const struct plan *p, const char *quantity)
{
    for (size_t i = 0; i < p->matter_count; i++) {
        if (strcmp(p->matters[i].quantity, quantity) == 0)
            return p->matters[i].difference;
    }
    return NAN;
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
        code = yaml_get_list(root, "contributors", false, PLAN_CONTRIBUTORS_MAX, &contributors, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(contributors); i++) {
        code = read_contributor(yaml_item(contributors, i), &p->contributors[i], e);
        p->contributor_count = i + 1;
    }
    if (code == ERR_OK)
        code = yaml_get_text(root, "bench", false, p->bench, sizeof p->bench, e);
    if (code == ERR_OK)
        code = yaml_get_text(root, "operator", false, p->operator_name, sizeof p->operator_name, e);
    if (code == ERR_OK)
        code = read_matters(root, p, e);
    if (code == ERR_OK)
        code = yaml_get_bool(root, "simulated", false, &p->simulated, e);
    if (code == ERR_OK)
        code = yaml_get_int64(root, "seed", true, 0, INT64_MAX, "", &seed, e);
    p->seed = (uint64_t)seed;
    if (code == ERR_OK)
        code = yaml_get_int(root, "blocks", true, 1, 200, &p->blocks, e);
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

/* The test of p whose ladder sets the condition, NULL when none does. */
static const struct plan_test *find_ladder(const struct plan *p, enum condition_id id)
{
    for (size_t i = 0; i < p->test_count; i++) {
        const struct plan_test *t = &p->tests[i];
        if ((id == CONDITION_NIP_PRELOAD_N && t->nip_preload_count > 0) ||
            (id == CONDITION_BRAKE_LOAD_N && t->brake_load_count > 0) ||
            (id == CONDITION_HOT_END_TEMPERATURE_C && t->hot_end_temperature_count > 0) ||
            (id == CONDITION_GUIDE_TUBE_BEND_DEG && t->guide_tube_bend_count > 0) ||
            (id == CONDITION_FILAMENT_DIAMETER_MM && t->rate_count > 0))
            return t;
    }
    return NULL;
}

static enum err_code read_ask(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *list;
    enum err_code code = yaml_get_list(root, "ask", false, CONDITION_COUNT, &list, e);
    for (size_t i = 0; code == ERR_OK && list != NULL && i < yaml_length(list); i++) {
        const struct yaml_node *item = yaml_item(list, i);
        const char *key = yaml_text(item);
        size_t id = yaml_is_scalar(item) ? conditions_find(key) : CONDITION_COUNT;
        const struct plan_test *ladder;
        if (id == CONDITION_COUNT)
            return yaml_complain(item, e, "ask: '%.60s' is no condition, such as ambient_temperature_c", key);
        ladder = find_ladder(p, (enum condition_id)id);
        if (ladder != NULL && id == CONDITION_FILAMENT_DIAMETER_MM)
            return yaml_complain(item, e, "ask: %s sets the speeds of %s, so only the plan can state it", key,
                                 PLAN_TEST_NAMES[ladder->kind]);
        if (ladder != NULL)
            return yaml_complain(item, e, "ask: %s is set by %s, run by run, and cannot be asked for", key,
                                 PLAN_TEST_NAMES[ladder->kind]);
        for (size_t j = 0; j < i; j++) {
            if (p->ask[j] == id)
                return yaml_complain(item, e, "ask: %s is named twice", key);
        }
        p->ask[i] = (enum condition_id)id;
        p->ask_count = i + 1;
    }
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
        code = plan_tests_read(root, p, e);
    if (code == ERR_OK)
        code = read_ask(root, p, e);
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
