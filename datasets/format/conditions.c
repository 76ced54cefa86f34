#include "datasets/format/conditions.h"

#include "datasets/format/json_strict.h"
#include "datasets/format/kept.h"
#include "rig/base/number.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* The ranges are what a bench can meet; past them a value is a slip of the pen. The tolerances are common
 * practice, no source: differences below them are not seen to change a push. A plan may state its own. */
#define WORD(key, label)                                                                                     \
    {                                                                                                        \
        key, label, "", "", false, 0, 0, 0                                                                   \
    }
#define NUMBER(key, label, unit, symbol, low, high, tolerance)                                               \
    {                                                                                                        \
        key, label, unit, symbol, true, low, high, tolerance                                                 \
    }
const struct condition_kind CONDITION_KINDS[CONDITION_COUNT] = {
    [CONDITION_FILAMENT_LOT] = WORD("filament_lot", "filament lot"),
    [CONDITION_FILAMENT_MATERIAL] = WORD("filament_material", "filament material"),
    [CONDITION_FILAMENT_DIAMETER_MM] =
        NUMBER("filament_diameter_mm", "filament diameter", "mm", "mm", 0.5, 5, 0.03),
    [CONDITION_FILAMENT_HARDNESS_SHORE_D] =
        NUMBER("filament_hardness_shore_d", "filament hardness", "{ShoreD}", "Shore D", 0, 100, 2),
    [CONDITION_NIP_PRELOAD_N] = NUMBER("nip_preload_n", "nip preload", "N", "N", 0, 1000, 2),
    [CONDITION_MOTOR] = WORD("motor", "motor"),
    [CONDITION_MOTOR_CURRENT_A] = NUMBER("motor_current_a", "motor current", "A", "A", 0, 20, 0.02),
    [CONDITION_SUPPLY_VOLTAGE_V] = NUMBER("supply_voltage_v", "supply voltage", "V", "V", 0, 400, 0.5),
    [CONDITION_AMBIENT_TEMPERATURE_C] =
        NUMBER("ambient_temperature_c", "ambient temperature", "Cel", "°C", -40, 100, 3),
    [CONDITION_HUMIDITY_PERCENT] = NUMBER("humidity_percent", "relative humidity", "%", "%", 0, 100, 15),
    [CONDITION_FREE_LENGTH_MM] = NUMBER("free_length_mm", "free length", "mm", "mm", 0, 10000, 1),
    [CONDITION_BLOCKED_END] = WORD("blocked_end", "blocked end"),
    [CONDITION_GUIDE_TUBE] = WORD("guide_tube", "guide tube"),
    [CONDITION_FILAMENT_MODULUS_MPA] =
        NUMBER("filament_modulus_mpa", "filament modulus", "MPa", "MPa", 1, 1e6, 100),
    [CONDITION_LOAD_CELL_SEAT] = WORD("load_cell_seat", "seat of the load cell"),
    [CONDITION_HOT_END] = WORD("hot_end", "hot end"),
    [CONDITION_GUIDE_TUBE_BEND_DEG] =
        NUMBER("guide_tube_bend_deg", "bend of the guide tube", "deg", "degrees", 0, 3600, 2),
    [CONDITION_BRAKE_LOAD_N] = NUMBER("brake_load_n", "brake load", "N", "N", 0, 10000, 0.5),
    [CONDITION_HOT_END_TEMPERATURE_C] =
        NUMBER("hot_end_temperature_c", "hot end temperature", "Cel", "°C", 0, 1000, 2),
    [CONDITION_ENCODER_SEAT] = WORD("encoder_seat", "seat of the encoder"),
};

/* Places of the words in struct conditions, from 1; 0: a number. */
static const unsigned char WORD_PLACES[CONDITION_COUNT] = {
    [CONDITION_FILAMENT_LOT] = 1, [CONDITION_FILAMENT_MATERIAL] = 2, [CONDITION_MOTOR] = 3,
    [CONDITION_BLOCKED_END] = 4,  [CONDITION_GUIDE_TUBE] = 5,        [CONDITION_LOAD_CELL_SEAT] = 6,
    [CONDITION_HOT_END] = 7,      [CONDITION_ENCODER_SEAT] = 8,
};

const char *conditions_word(const struct conditions *c, enum condition_id id)
{
    return WORD_PLACES[id] == 0 ? "" : kept_text_or_empty(c->words[WORD_PLACES[id] - 1]);
}

bool conditions_set_word(struct conditions *c, enum condition_id id, const char *word)
{
    char text[CONDITION_WORD_MAX + 1];
    const char *kept;
    assert(WORD_PLACES[id] != 0);
    snprintf(text, sizeof text, "%s", word);
    kept = kept_text(text);
    if (kept == NULL)
        return false;
    c->words[WORD_PLACES[id] - 1] = kept;
    c->stated[id] = true;
    return true;
}

/* 0 where both are the same in all that they hold; equal words are equal pointers. */
static int compare_all(const void *a, const void *b)
{
    const struct conditions *x = a, *y = b;
    int order = memcmp(x->stated, y->stated, sizeof x->stated);
    if (order == 0)
        order = memcmp(x->number, y->number, sizeof x->number);
    return order != 0 ? order : memcmp(x->words, y->words, sizeof x->words);
}

const struct conditions *conditions_keep(const struct conditions *c)
{
    static struct kept_store all = KEPT_STORE;
    return kept_copy(&all, c, sizeof *c, compare_all);
}

/* The same, with the error that there is no memory. */
static enum err_code take_word(struct conditions *c, size_t id, const char *word, const char *file,
                               struct err *e)
{
    return conditions_set_word(c, (enum condition_id)id, word)
               ? ERR_OK
               : err_set_at(e, ERR_MEMORY, file, 0, 0, "no memory to read it");
}

/* Two of the words may be one of two alone. */
static bool is_allowed(size_t id, const char *word)
{
    return (id != CONDITION_LOAD_CELL_SEAT && id != CONDITION_ENCODER_SEAT) ||
           strcmp(word, CONDITION_SEAT_FEEDER) == 0 || strcmp(word, CONDITION_SEAT_END) == 0;
}

enum err_code conditions_from_text(struct conditions *c, enum condition_id id, const char *text,
                                   struct err *e)
{
    const struct condition_kind *kind = &CONDITION_KINDS[id];
    char word[CONDITION_WORD_MAX + 2]; /* one more than is allowed, so that a longer one is seen */
    char clean[sizeof word];
    double number;
    int length = (int)strlen(text + strspn(text, " \t"));
    text += strspn(text, " \t");
    while (length > 0 && strchr(" \t", text[length - 1]) != NULL)
        length--;
    snprintf(word, sizeof word, "%.*s", length, text);
    if (kind->is_number) {
        enum err_code code =
            number_read_double(word, kind->low, kind->high, kind->label, kind->symbol, &number, e);
        if (code != ERR_OK)
            return code;
        c->stated[id] = true;
        c->number[id] = number;
        return ERR_OK;
    }
    if (word[0] == 0 || length > CONDITION_WORD_MAX)
        return err_set(e, ERR_USAGE, "%s: must have 1 to %d bytes", kind->label, CONDITION_WORD_MAX);
    snprintf(clean, sizeof clean, "%s", word);
    if (strcmp(err_clean_text(clean), word) != 0)
        return err_set(e, ERR_USAGE, "%s: holds a character that is no plain text", kind->label);
    if (!is_allowed(id, word))
        return err_set(e, ERR_USAGE, "%s: '%s' is neither %s nor %s", kind->label, word,
                       CONDITION_SEAT_FEEDER, CONDITION_SEAT_END);
    return take_word(c, id, word, NULL, e);
}

void conditions_copy_one(struct conditions *c, enum condition_id id, const struct conditions *other)
{
    c->stated[id] = other->stated[id];
    c->number[id] = other->number[id];
    if (WORD_PLACES[id] != 0)
        c->words[WORD_PLACES[id] - 1] = other->words[WORD_PLACES[id] - 1];
}

enum err_code conditions_from_yaml(const struct yaml_node *mapping, struct conditions *c, struct err *e)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        const struct condition_kind *kind = &CONDITION_KINDS[i];
        const struct yaml_node *entry;
        char word[CONDITION_WORD_MAX + 1];
        enum err_code code = yaml_get_node(mapping, kind->key, false, &entry, e);
        if (code != ERR_OK)
            return code;
        if (entry == NULL)
            continue;
        c->stated[i] = true;
        if (kind->is_number) {
            code = yaml_get_double(mapping, kind->key, true, kind->low, kind->high, kind->symbol,
                                   &c->number[i], e);
        } else {
            code = yaml_get_text(mapping, kind->key, true, word, sizeof word, e);
            if (code == ERR_OK && !is_allowed(i, word))
                code = yaml_complain(entry, e, "%s: '%s' is neither %s nor %s", kind->key, word,
                                     CONDITION_SEAT_FEEDER, CONDITION_SEAT_END);
            if (code == ERR_OK)
                code = take_word(c, i, word, NULL, e);
        }
        if (code != ERR_OK)
            return code;
    }
    return yaml_strict_finish(mapping, e);
}

json_t *conditions_to_json(const struct conditions *c)
{
    json_t *object = json_object();
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (!c->stated[i])
            continue;
        if (json_object_set_new(object, CONDITION_KINDS[i].key,
                                CONDITION_KINDS[i].is_number
                                    ? json_real(c->number[i])
                                    : json_string(conditions_word(c, (enum condition_id)i))) != 0) {
            json_decref(object);
            return NULL;
        }
    }
    return object;
}

enum err_code conditions_from_json(const json_t *object, const char *file, struct conditions *c,
                                   struct err *e)
{
    const struct json_place p = {object, file, "conditions."};
    const char *known[CONDITION_COUNT];
    memset(c, 0, sizeof *c);
    if (!json_is_object(object))
        return err_set_at(e, ERR_FILE, file, 0, 0, "conditions: must be an object");
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        const struct condition_kind *kind = &CONDITION_KINDS[i];
        char word[CONDITION_WORD_MAX + 1];
        enum err_code code;
        known[i] = kind->key;
        if (json_object_get(object, kind->key) == NULL)
            continue;
        code = kind->is_number ? json_strict_number(&p, kind->key, kind->low, kind->high, &c->number[i], e)
                               : json_strict_text(&p, kind->key, word, sizeof word, e);
        if (code == ERR_OK && !kind->is_number)
            code = take_word(c, i, word, file, e);
        if (code != ERR_OK)
            return code;
        c->stated[i] = true;
    }
    return json_strict_finish(&p, known, CONDITION_COUNT, e);
}

void conditions_describe(const struct conditions *c, enum condition_id i, char *text, size_t size)
{
    const char *symbol = CONDITION_KINDS[i].symbol;
    if (!c->stated[i])
        snprintf(text, size, "not stated");
    else if (CONDITION_KINDS[i].is_number)
        snprintf(text, size, "%.9g%s%s", c->number[i], strcmp(symbol, "%") == 0 ? "" : " ", symbol);
    else
        snprintf(text, size, "%s", conditions_word(c, i));
}

static bool differs(const struct conditions *a, const struct conditions *b, size_t i, double tolerance)
{
    if (!a->stated[i] || !b->stated[i])
        return a->stated[i] != b->stated[i];
    if (!CONDITION_KINDS[i].is_number)
        return strcmp(conditions_word(a, (enum condition_id)i), conditions_word(b, (enum condition_id)i)) !=
               0;
    /* 1.78 and 1.75 are 0.03 apart for whoever wrote them, and a little more in binary. */
    return !(fabs(a->number[i] - b->number[i]) <=
             tolerance + 1e-12 * (fabs(a->number[i]) + fabs(b->number[i]) + tolerance));
}

size_t conditions_compare(const struct conditions *a, const struct conditions *b, const double *tolerance,
                          struct condition_difference *differences)
{
    size_t n = 0;
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        char a_text[CONDITION_WORD_MAX + 32];
        char b_text[CONDITION_WORD_MAX + 32];
        char tolerance_text[48] = "";
        const struct condition_kind *kind = &CONDITION_KINDS[i];
        if (!differs(a, b, i, tolerance[i]))
            continue;
        conditions_describe(a, (enum condition_id)i, a_text, sizeof a_text);
        conditions_describe(b, (enum condition_id)i, b_text, sizeof b_text);
        if (kind->is_number && a->stated[i] && b->stated[i])
            snprintf(tolerance_text, sizeof tolerance_text, " (tolerance %.9g%s%s)", tolerance[i],
                     strcmp(kind->symbol, "%") == 0 ? "" : " ", kind->symbol);
        differences[n].id = (enum condition_id)i;
        snprintf(differences[n].text, sizeof differences[n].text, "%s: %s against %s%s", kind->label, a_text,
                 b_text, tolerance_text);
        n++;
    }
    return n;
}

void conditions_widen(struct conditions *low, struct conditions *high, const struct conditions *other)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        unsigned char place = WORD_PLACES[i];
        bool alike = other->stated[i] == low->stated[i];
        if (!alike || (place != 0 && strcmp(conditions_word(other, (enum condition_id)i),
                                            conditions_word(low, (enum condition_id)i)) != 0)) {
            high->stated[i] = other->stated[i];
            high->number[i] = other->number[i];
            if (place != 0)
                high->words[place - 1] = other->words[place - 1];
        } else if (place == 0 && other->stated[i]) {
            low->number[i] = fmin(low->number[i], other->number[i]);
            if (high->stated[i])
                high->number[i] = fmax(high->number[i], other->number[i]);
        }
    }
}

size_t conditions_find(const char *key)
{
    size_t i = 0;
    while (i < CONDITION_COUNT && strcmp(CONDITION_KINDS[i].key, key) != 0)
        i++;
    return i;
}
