#include "datasets/format/plan_tests.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Speeds at or below this are the rig standing still, and above that no feeder or stepper follows. */
#define SPEED_LOW_MM_S  0.01
#define SPEED_HIGH_MM_S 500.0
/* What 5 mm filament, the thickest that a condition can state, brings at the highest speed. */
#define RATE_HIGH_MM3_S 10000.0
/* Microsteps per second that step generators of a bench rig reach at most. */
#define MICROSTEP_RATE_MAX_HZ   1e6
#define ACCELERATION_MM_S2      200
#define REVERSAL_CYCLES         3
#define REVERSAL_CYCLES_MAX     50
#define ENDURANCE_REPEATS_LEAST 3

const char *const PLAN_TEST_NAMES[PLAN_TEST_KINDS] = {
    "blocked-push",  "speed-sweep", "free-run",  "loaded-feed",
    "preload-sweep", "reversal",    "melt-push", "endurance",
};

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

static size_t at_least_one(size_t count)
{
    return count > 0 ? count : 1;
}

size_t plan_test_pushes(const struct plan_test *t)
{
    size_t pushes = t->kind == PLAN_MELT_PUSH ? t->rate_count : t->speed_count;
    pushes *= at_least_one(t->nip_preload_count) * at_least_one(t->brake_load_count) *
              at_least_one(t->hot_end_temperature_count) * at_least_one(t->guide_tube_bend_count);
    return t->kind == PLAN_ENDURANCE && t->repeats > 0 ? pushes * (size_t)t->repeats : pushes;
}

double plan_feed_mm_s(const struct plan_feeder *f, double rate_mm3_s)
{
    double diameter_mm = f->conditions.number[CONDITION_FILAMENT_DIAMETER_MM];
    if (!f->conditions.stated[CONDITION_FILAMENT_DIAMETER_MM])
        return 0;
    return rate_mm3_s / (M_PI * diameter_mm * diameter_mm / 4);
}

/* Which kinds of test may state a key, as a set of bits. */
#define KIND(kind)    (1u << (kind))
#define ALL_BUT(kind) (KIND(PLAN_TEST_KINDS) - 1 - KIND(kind))

/* The keys of a test that not every kind has. */
static const struct {
    const char *key;
    unsigned kinds;
    const char *noun; /* for "only ... has ..." */
} KEYS[] = {
    {"speeds_mm_s", ALL_BUT(PLAN_MELT_PUSH), "speeds"},
    {"rates_mm3_s", KIND(PLAN_MELT_PUSH), "volumetric rates"},
    {"nip_preloads_n", KIND(PLAN_FREE_RUN) | KIND(PLAN_LOADED_FEED) | KIND(PLAN_PRELOAD_SWEEP),
     "nip preloads"},
    {"brake_loads_n", KIND(PLAN_LOADED_FEED), "brake loads"},
    {"hot_end_temperatures_c", KIND(PLAN_MELT_PUSH), "hot end temperatures"},
    {"guide_tube_bends_deg", KIND(PLAN_REVERSAL), "bends of a guide tube"},
    {"cycles", KIND(PLAN_REVERSAL), "cycles"},
    {"repeats", KIND(PLAN_ENDURANCE), "repeats"},
    {"clean_every", KIND(PLAN_ENDURANCE), "cleanings"},
};
#define KEY_COUNT (sizeof KEYS / sizeof KEYS[0])

/* "free-run, loaded-feed and preload-sweep", of the kinds in a set. */
static void list_kinds(unsigned kinds, char *text, size_t size)
{
    size_t length = 0;
    text[0] = 0;
    for (int i = 0; i < PLAN_TEST_KINDS && length < size; i++) {
        unsigned later = kinds >> i >> 1;
        if ((kinds & KIND(i)) != 0)
            length += (size_t)snprintf(text + length, size - length, "%s%s", PLAN_TEST_NAMES[i],
                                       later == 0                   ? ""
                                       : (later & (later - 1)) == 0 ? " and "
                                                                    : ", ");
    }
}

/* A key that other kinds of test have is no misspelling: it is said whose it is. */
static enum err_code refuse_keys_of_others(const struct yaml_node *node, enum plan_test_kind kind,
                                           struct err *e)
{
    for (size_t i = 0; i < KEY_COUNT; i++) {
        const struct yaml_node *value;
        char kinds[PLAN_TEXT_MAX];
        enum err_code code;
        if ((KEYS[i].kinds & KIND(kind)) != 0)
            continue;
        code = yaml_get_node(node, KEYS[i].key, false, &value, e);
        if (code != ERR_OK)
            return code;
        if (value == NULL)
            continue;
        if (KEYS[i].kinds == ALL_BUT(PLAN_MELT_PUSH))
            return yaml_complain(value, e, "%s: melt-push has rates_mm3_s, from which its speeds come",
                                 KEYS[i].key);
        list_kinds(KEYS[i].kinds, kinds, sizeof kinds);
        return yaml_complain(value, e, "%s: only %s %s %s", KEYS[i].key, kinds,
                             (KEYS[i].kinds & (KEYS[i].kinds - 1)) == 0 ? "has" : "have", KEYS[i].noun);
    }
    return ERR_OK;
}

/* Commanded time of one way: a trapezoid of speed, or a triangle where the travel is too short to reach it.
 */
static double way_seconds(double travel_mm, double speed_mm_s, double acceleration_mm_s2)
{
    if (travel_mm * acceleration_mm_s2 >= speed_mm_s * speed_mm_s)
        return travel_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2;
    return 2 * sqrt(travel_mm / acceleration_mm_s2);
}

/* A push that cannot be carried out, whatever the reason, is refused before anything moves. speed_text names
 * the speed as the plan gave it. */
static enum err_code check_push(const struct plan *p, const struct plan_test *t, const char *key,
                                const struct yaml_node *node, double speed_mm_s, const char *speed_text,
                                struct err *e)
{
    double seconds = way_seconds(t->travel_mm, speed_mm_s, t->acceleration_mm_s2);
    if (speed_mm_s <= SPEED_LOW_MM_S)
        return yaml_complain(node, e, "%s: %s is too slow: it must be above %g mm/s", key, speed_text,
                             SPEED_LOW_MM_S);
    if (speed_mm_s > SPEED_HIGH_MM_S)
        return yaml_complain(node, e, "%s: %s is too fast: at most %g mm/s can be commanded", key, speed_text,
                             SPEED_HIGH_MM_S);
    if (t->kind == PLAN_REVERSAL && 2 * t->cycles * seconds > p->time_limit_s)
        return yaml_complain(
            node, e, "%s: %d times %g mm forward and back at %s take %.4g s, past the limit of %g s", key,
            t->cycles, t->travel_mm, speed_text, 2 * t->cycles * seconds, p->time_limit_s);
    if (seconds > p->time_limit_s)
        return yaml_complain(node, e, "%s: %g mm of travel at %s take %.4g s, past the limit of %g s", key,
                             t->travel_mm, speed_text, seconds, p->time_limit_s);
    return ERR_OK;
}

static enum err_code check_microsteps(const struct plan_feeder *f, const char *key,
                                      const struct yaml_node *node, double speed_mm_s, const char *speed_text,
                                      struct err *e)
{
    double rate_hz =
        speed_mm_s / (M_PI * f->drive_diameter_mm) * f->reduction * f->full_steps_per_rev * f->microsteps;
    if (rate_hz > MICROSTEP_RATE_MAX_HZ)
        return yaml_complain(node, e,
                             "%s: %s needs %.0f microsteps a second of feeder '%s'; at most %.0f can be made",
                             key, speed_text, rate_hz, f->name, MICROSTEP_RATE_MAX_HZ);
    return ERR_OK;
}

/* A ladder of numbers between low and high, none of them twice. */
static enum err_code read_ladder(const struct yaml_node *mapping, const char *key, bool required, double low,
                                 double high, const char *unit, double *values, size_t *count, struct err *e)
{
    const struct yaml_node *list;
    enum err_code code = yaml_get_list(mapping, key, required, PLAN_SPEEDS_MAX, &list, e);
    if (code != ERR_OK || list == NULL)
        return code;
    for (size_t i = 0; i < yaml_length(list); i++) {
        code = yaml_read_double(yaml_item(list, i), key, low, high, unit, &values[i], e);
        if (code != ERR_OK)
            return code;
        for (size_t j = 0; j < i; j++) {
            if (values[j] == values[i])
                return yaml_complain(yaml_item(list, i), e,
                                     "%s: %g %s occurs twice; repeats are set by blocks", key, values[i],
                                     unit);
        }
        *count = i + 1;
    }
    return ERR_OK;
}

/* The ladder of a condition has its range. */
static enum err_code read_condition_ladder(const struct yaml_node *mapping, const char *key, bool required,
                                           enum condition_id id, double *values, size_t *count, struct err *e)
{
    const struct condition_kind *kind = &CONDITION_KINDS[id];
    return read_ladder(mapping, key, required, kind->low, kind->high, kind->symbol, values, count, e);
}

static enum err_code read_speeds(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                                 struct err *e)
{
    static const char key[] = "speeds_mm_s";
    const struct yaml_node *list;
    enum err_code code =
        read_ladder(node, key, true, 0, SPEED_HIGH_MM_S, "mm/s", t->speeds_mm_s, &t->speed_count, e);
    if (code == ERR_OK)
        code = yaml_get_node(node, key, true, &list, e);
    for (size_t i = 0; code == ERR_OK && i < t->speed_count; i++) {
        const struct yaml_node *item = yaml_item(list, i);
        char text[48];
        snprintf(text, sizeof text, "%g mm/s", t->speeds_mm_s[i]);
        code = check_push(p, t, key, item, t->speeds_mm_s[i], text, e);
        for (size_t j = 0; code == ERR_OK && j < p->feeder_count; j++)
            code = check_microsteps(&p->feeders[j], key, item, t->speeds_mm_s[i], text, e);
    }
    return code;
}

static enum err_code read_rates(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                                struct err *e)
{
    static const char key[] = "rates_mm3_s";
    const struct yaml_node *list;
    enum err_code code =
        read_ladder(node, key, true, 0, RATE_HIGH_MM3_S, "mm3/s", t->rates_mm3_s, &t->rate_count, e);
    if (code == ERR_OK)
        code = yaml_get_node(node, key, true, &list, e);
    for (size_t j = 0; code == ERR_OK && j < p->feeder_count; j++) {
        const struct plan_feeder *f = &p->feeders[j];
        if (!f->conditions.stated[CONDITION_FILAMENT_DIAMETER_MM])
            return yaml_complain(list, e,
                                 "%s: feeder '%s' has no filament_diameter_mm among its conditions, without "
                                 "which no rate can be made a speed",
                                 key, f->name);
        for (size_t i = 0; code == ERR_OK && i < t->rate_count; i++) {
            const struct yaml_node *item = yaml_item(list, i);
            double speed_mm_s = plan_feed_mm_s(f, t->rates_mm3_s[i]);
            char text[160];
            snprintf(text, sizeof text, "%g mm3/s (%.4g mm/s of %g mm filament)", t->rates_mm3_s[i],
                     speed_mm_s, f->conditions.number[CONDITION_FILAMENT_DIAMETER_MM]);
            code = check_push(p, t, key, item, speed_mm_s, text, e);
            if (code == ERR_OK)
                code = check_microsteps(f, key, item, speed_mm_s, text, e);
        }
    }
    return code;
}

static enum err_code read_brake_loads(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                                      struct err *e)
{
    static const char key[] = "brake_loads_n";
    const struct yaml_node *list;
    enum err_code code = read_condition_ladder(node, key, true, CONDITION_BRAKE_LOAD_N, t->brake_loads_n,
                                               &t->brake_load_count, e);
    if (code == ERR_OK)
        code = yaml_get_node(node, key, true, &list, e);
    for (size_t i = 0; code == ERR_OK && i < t->brake_load_count; i++) {
        if (t->brake_loads_n[i] <= 0)
            code = yaml_complain(yaml_item(list, i), e,
                                 "%s: 0 N is no load; free-run is the test without one", key);
        else if (t->brake_loads_n[i] >= p->force_limit_n)
            code = yaml_complain(yaml_item(list, i), e,
                                 "%s: %g N can never be fed against: the force limit is %g N", key,
                                 t->brake_loads_n[i], p->force_limit_n);
    }
    return code;
}

/* What a kind has beside travel, acceleration and speeds or rates. */
static enum err_code read_own_keys(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                                   struct err *e)
{
    enum err_code code = ERR_OK;
    switch (t->kind) {
    case PLAN_LOADED_FEED:
        code = read_brake_loads(node, p, t, e);
        break;
    case PLAN_REVERSAL:
        t->cycles = REVERSAL_CYCLES;
        code = yaml_get_int(node, "cycles", false, 1, REVERSAL_CYCLES_MAX, &t->cycles, e);
        if (code == ERR_OK)
            code = read_condition_ladder(node, "guide_tube_bends_deg", false, CONDITION_GUIDE_TUBE_BEND_DEG,
                                         t->guide_tube_bends_deg, &t->guide_tube_bend_count, e);
        break;
    case PLAN_MELT_PUSH:
        code = read_condition_ladder(node, "hot_end_temperatures_c", false, CONDITION_HOT_END_TEMPERATURE_C,
                                     t->hot_end_temperatures_c, &t->hot_end_temperature_count, e);
        break;
    case PLAN_ENDURANCE:
        code = yaml_get_int(node, "repeats", true, ENDURANCE_REPEATS_LEAST, PLAN_RUNS_MAX, &t->repeats, e);
        if (code == ERR_OK)
            code = yaml_get_int(node, "clean_every", false, 0, PLAN_RUNS_MAX, &t->clean_every, e);
        break;
    default:
        break;
    }
    if (code == ERR_OK && plan_test_sets(t->kind, CONDITION_NIP_PRELOAD_N))
        code = read_condition_ladder(node, "nip_preloads_n", t->kind == PLAN_PRELOAD_SWEEP,
                                     CONDITION_NIP_PRELOAD_N, t->nip_preloads_n, &t->nip_preload_count, e);
    return code;
}

static enum err_code read_kind(const struct yaml_node *node, enum plan_test_kind *kind, struct err *e)
{
    char name[PLAN_NAME_MAX + 1];
    char names[PLAN_TEXT_MAX];
    const struct yaml_node *place;
    enum err_code code = yaml_get_text(node, "test", true, name, sizeof name, e);
    if (code != ERR_OK)
        return code;
    for (int i = 0; i < PLAN_TEST_KINDS; i++) {
        if (strcmp(name, PLAN_TEST_NAMES[i]) == 0) {
            *kind = (enum plan_test_kind)i;
            return ERR_OK;
        }
    }
    yaml_get_node(node, "test", true, &place, e);
    list_kinds(KIND(PLAN_TEST_KINDS) - 1, names, sizeof names);
    return yaml_complain(place, e, "test: '%s' is not known; there are %s", name, names);
}

static enum err_code read_test(const struct yaml_node *node, const struct plan *p, struct plan_test *t,
                               struct err *e)
{
    const struct yaml_node *place;
    enum err_code code = read_kind(node, &t->kind, e);
    if (code == ERR_OK)
        code = refuse_keys_of_others(node, t->kind, e);
    t->acceleration_mm_s2 = ACCELERATION_MM_S2;
    if (code == ERR_OK)
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
        code = read_own_keys(node, p, t, e);
    if (code == ERR_OK)
        code = t->kind == PLAN_MELT_PUSH ? read_rates(node, p, t, e) : read_speeds(node, p, t, e);
    return code != ERR_OK ? code : yaml_strict_finish(node, e);
}

enum err_code plan_tests_read(const struct yaml_node *root, struct plan *p, struct err *e)
{
    const struct yaml_node *list;
    const struct yaml_node *blocks;
    size_t runs = 0;
    enum err_code code = yaml_get_list(root, "tests", true, PLAN_TESTS_MAX, &list, e);
    for (size_t i = 0; code == ERR_OK && i < yaml_length(list); i++) {
        code = read_test(yaml_item(list, i), p, &p->tests[i], e);
        runs += plan_test_pushes(&p->tests[i]);
        p->test_count = i + 1;
    }
    runs *= p->feeder_count * (size_t)p->blocks;
    if (code != ERR_OK || runs <= PLAN_RUNS_MAX)
        return code;
    yaml_get_node(root, "blocks", true, &blocks, e);
    return yaml_complain(blocks, e, "blocks: %d blocks make %zu runs; at most %d are allowed", p->blocks,
                         runs, PLAN_RUNS_MAX);
}
