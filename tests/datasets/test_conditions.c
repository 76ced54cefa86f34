#include "datasets/format/conditions.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static enum err_code read_yaml(const char *text, struct conditions *c, struct err *e)
{
    struct yaml_document *d;
    enum err_code code = yaml_strict_parse(text, strlen(text), "plan.yaml", &d, e);
    if (code != ERR_OK)
        return code;
    code = conditions_from_yaml(yaml_root(d), c, e);
    yaml_strict_free(d);
    return code;
}

static void default_tolerances(double *tolerance)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        tolerance[i] = CONDITION_KINDS[i].tolerance;
}

Test(conditions, the_table_is_whole)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        const struct condition_kind *k = &CONDITION_KINDS[i];
        cr_assert(k->key != NULL && k->label != NULL && k->unit != NULL && k->symbol != NULL, "row %zu", i);
        cr_expect(k->key[0] != 0 && k->label[0] != 0, "row %zu", i);
        cr_expect_eq(k->unit[0] != 0, k->is_number, "%s: a number has a unit and a word has none", k->key);
        cr_expect_eq(k->symbol[0] != 0, k->is_number, "%s", k->key);
        if (k->is_number)
            cr_expect(k->low < k->high && k->tolerance > 0, "%s", k->key);
        for (size_t j = 0; j < i; j++)
            cr_expect_str_neq(k->key, CONDITION_KINDS[j].key);
    }
}

Test(conditions, ones_own_lie_over_the_shared_ones)
{
    struct conditions c = {0};
    struct err e;
    cr_assert_eq(read_yaml("filament_lot: L-3391\nnip_preload_n: 41.5\n", &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(read_yaml("nip_preload_n: 39.25\nmotor: M2\n", &c, &e), ERR_OK, "%s", e.text);
    cr_expect(c.stated[CONDITION_FILAMENT_LOT] &&
              strcmp(conditions_word(&c, CONDITION_FILAMENT_LOT), "L-3391") == 0);
    cr_expect(c.stated[CONDITION_NIP_PRELOAD_N] && c.number[CONDITION_NIP_PRELOAD_N] == 39.25);
    cr_expect(c.stated[CONDITION_MOTOR] && !c.stated[CONDITION_HUMIDITY_PERCENT]);
}

Test(conditions, bad_entries_of_a_plan_are_refused_with_their_place)
{
    static const struct {
        const char *legend, *text;
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"an unknown key", "motor: M\nnip_preload: 3\n", 2, 1,
         "unknown key 'nip_preload'; did you mean 'nip_preload_n'?"},
        {"a word for a number", "nip_preload_n: strong\n", 1, 16, "'strong' is not a number"},
        {"a number out of range", "humidity_percent: 100.5\n", 1, 19, "outside 0 to 100 %"},
        {"a temperature out of range", "ambient_temperature_c: -41\n", 1, 24, "outside -40 to 100 °C"},
        {"a seat that is none", "motor: M\nload_cell_seat: feeders\n", 2, 17,
         "load_cell_seat: 'feeders' is neither feeder nor end"},
        {"a bend past all", "guide_tube_bend_deg: 3601\n", 1, 22, "outside 0 to 3600 degrees"},
        {"a modulus of nothing", "filament_modulus_mpa: 0\n", 1, 23, "outside 1 to 1e+06 MPa"},
        {"a list for a word", "motor: [M]\n", 1, 8, "single value"},
        {"a list in place of a mapping", "- motor\n", 1, 1, "mapping"},
        {"a word too long", "motor: aaaaaaaaaabbbbbbbbbbccccccccccddddddddddeeeeeeeeeeffffffffffggggg\n", 1,
         8, "at most 64"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct conditions c = {0};
        struct err e = {0};
        cr_expect_eq(read_yaml(rows[i].text, &c, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line &&
                      e.column == rows[i].column,
                  "%s: %ld:%ld: %s", rows[i].legend, (long)e.line, (long)e.column, e.text);
    }
}

Test(conditions, json_comes_back_as_it_was)
{
    struct conditions c = {0};
    struct conditions back;
    struct err e;
    json_t *json;
    memset(&back, 0xA5, sizeof back);
    cr_assert_eq(read_yaml("filament_material: PETG\nfilament_diameter_mm: 1.74\nguide_tube: none\n", &c, &e),
                 ERR_OK);
    json = conditions_to_json(&c);
    cr_assert_eq(json_object_size(json), 3);
    cr_assert_eq(conditions_from_json(json, "f.json", &back, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(memcmp(&back, &c, sizeof c), 0);
    json_decref(json);
}

Test(conditions, bad_json_is_refused)
{
    static const struct {
        const char *legend, *text, *message;
    } rows[] = {
        {"a list", "[]", "must be an object"},
        {"an unknown key", "{\"speed\": 3}", "conditions.speed: is no known key"},
        {"a text for a number", "{\"nip_preload_n\": \"3\"}", "conditions.nip_preload_n: must be a number"},
        {"a number for a word", "{\"motor\": 3}", "conditions.motor: must be a text"},
        {"a number out of range", "{\"motor_current_a\": 20.5}", "outside 0 to 20"},
        {"a control character", "{\"motor\": \"\\u001b[2J\"}", "control"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct conditions c;
        struct err e = {0};
        json_t *json = json_loads(rows[i].text, 0, NULL);
        cr_expect_eq(conditions_from_json(json, "f.json", &c, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        json_decref(json);
    }
}

Test(conditions, differences_are_named_with_units_and_tolerance)
{
    struct conditions a = {0};
    struct conditions b = {0};
    struct condition_difference d[CONDITION_COUNT];
    double tolerance[CONDITION_COUNT];
    struct err e;
    default_tolerances(tolerance);
    cr_assert_eq(
        read_yaml(
            "nip_preload_n: 40\nmotor: M1\nambient_temperature_c: 21\nfilament_lot: L1\nhumidity_percent: 40",
            &a, &e),
        ERR_OK);
    cr_assert_eq(read_yaml("nip_preload_n: 55\nmotor: M2\nambient_temperature_c: 25.5\nfree_length_mm: "
                           "30\nhumidity_percent: 56",
                           &b, &e),
                 ERR_OK);
    cr_assert_eq(conditions_compare(&a, &b, tolerance, d), 6);
    cr_expect_str_eq(d[0].text, "filament lot: L1 against not stated");
    cr_expect_str_eq(d[1].text, "nip preload: 40 N against 55 N (tolerance 2 N)");
    cr_expect_eq(d[1].id, CONDITION_NIP_PRELOAD_N);
    cr_expect_str_eq(d[2].text, "motor: M1 against M2");
    cr_expect_str_eq(d[3].text, "ambient temperature: 21 °C against 25.5 °C (tolerance 3 °C)");
    cr_expect_str_eq(d[4].text, "relative humidity: 40% against 56% (tolerance 15%)");
    cr_expect_str_eq(d[5].text, "free length: not stated against 30 mm");
    cr_expect_eq(conditions_compare(&a, &a, tolerance, d), 0);
}

Test(conditions, a_difference_of_just_the_tolerance_is_none)
{
    struct conditions a = {0};
    struct conditions b = {0};
    struct condition_difference d[CONDITION_COUNT];
    double tolerance[CONDITION_COUNT];
    struct err e;
    default_tolerances(tolerance);
    cr_assert_eq(read_yaml("filament_diameter_mm: 1.75\nmotor_current_a: 0.85\n", &a, &e), ERR_OK);
    cr_assert_eq(read_yaml("filament_diameter_mm: 1.78\nmotor_current_a: 0.83\n", &b, &e), ERR_OK);
    cr_expect_eq(conditions_compare(&a, &b, tolerance, d), 0);
    cr_assert_eq(read_yaml("filament_diameter_mm: 1.7801\n", &b, &e), ERR_OK);
    cr_expect_eq(conditions_compare(&a, &b, tolerance, d), 1);
    tolerance[CONDITION_FILAMENT_DIAMETER_MM] = 0.1;
    cr_expect_eq(conditions_compare(&a, &b, tolerance, d), 0, "the plan's own tolerance counts");
}

Test(conditions, the_load_cell_sits_at_the_feeder_or_at_the_end)
{
    struct conditions c = {0};
    struct err e;
    json_t *json;
    cr_assert_eq(read_yaml("load_cell_seat: feeder\n", &c, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(conditions_word(&c, CONDITION_LOAD_CELL_SEAT), "feeder");
    cr_assert_eq(read_yaml("load_cell_seat: end\n", &c, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(conditions_word(&c, CONDITION_LOAD_CELL_SEAT), "end");
    /* A record may come from a program that knows more seats. */
    json = json_loads("{\"load_cell_seat\": \"table\"}", 0, NULL);
    cr_assert_eq(conditions_from_json(json, "f.json", &c, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(conditions_word(&c, CONDITION_LOAD_CELL_SEAT), "table");
    json_decref(json);
}

Test(conditions, a_word_is_kept_once_and_copied)
{
    struct conditions a = {0};
    struct conditions b = {0};
    char word[CONDITION_WORD_MAX + 9] = "L-3391";
    cr_expect_str_eq(conditions_word(&a, CONDITION_MOTOR), "");
    cr_expect_str_eq(conditions_word(&a, CONDITION_NIP_PRELOAD_N), "");
    cr_assert(conditions_set_word(&a, CONDITION_MOTOR, word));
    cr_assert(conditions_set_word(&b, CONDITION_HOT_END, word));
    word[0] = 'x';
    cr_expect_str_eq(conditions_word(&a, CONDITION_MOTOR), "L-3391");
    cr_expect_eq(conditions_word(&a, CONDITION_MOTOR), conditions_word(&b, CONDITION_HOT_END));
    cr_expect(a.stated[CONDITION_MOTOR] && !a.stated[CONDITION_HOT_END]);
    memset(word, 'y', sizeof word - 1);
    cr_assert(conditions_set_word(&a, CONDITION_MOTOR, word));
    cr_expect_eq(strlen(conditions_word(&a, CONDITION_MOTOR)), CONDITION_WORD_MAX);
    cr_expect_str_eq(conditions_word(&b, CONDITION_HOT_END), "L-3391");
    for (int i = 0; i < 1000; i++) {
        snprintf(word, sizeof word, "%d", i);
        cr_assert(conditions_set_word(&b, CONDITION_MOTOR, word));
    }
    cr_expect_str_eq(conditions_word(&b, CONDITION_HOT_END), "L-3391", "however many come after it");
    /* Every condition that is a word has a place of its own. */
    memset(&b, 0, sizeof b);
    for (int id = 0; id < CONDITION_COUNT; id++)
        cr_assert(CONDITION_KINDS[id].is_number ||
                  conditions_set_word(&b, (enum condition_id)id, CONDITION_KINDS[id].key));
    for (int id = 0; id < CONDITION_COUNT; id++)
        cr_expect_str_eq(conditions_word(&b, (enum condition_id)id),
                         CONDITION_KINDS[id].is_number ? "" : CONDITION_KINDS[id].key);
}

Test(conditions, a_range_widens_to_hold_every_run)
{
    struct conditions low = {0}, other;
    double exact[CONDITION_COUNT] = {0};
    struct condition_difference differences[CONDITION_COUNT];
    low.stated[CONDITION_NIP_PRELOAD_N] = true;
    low.number[CONDITION_NIP_PRELOAD_N] = 41.5;
    cr_assert(conditions_set_word(&low, CONDITION_FILAMENT_LOT, "L-3391"));
    struct conditions high = low;
    other = low;
    other.number[CONDITION_NIP_PRELOAD_N] = 43;
    conditions_widen(&low, &high, &other);
    other.number[CONDITION_NIP_PRELOAD_N] = 40.25;
    conditions_widen(&low, &high, &other);
    cr_expect(low.number[CONDITION_NIP_PRELOAD_N] == 40.25 && high.number[CONDITION_NIP_PRELOAD_N] == 43);
    cr_assert_eq(conditions_compare(&low, &high, exact, differences), 1);
    /* Another lot, and a condition that only one run states, show up as differences. */
    cr_assert(conditions_set_word(&other, CONDITION_FILAMENT_LOT, "L-3392"));
    other.stated[CONDITION_HUMIDITY_PERCENT] = true;
    other.number[CONDITION_HUMIDITY_PERCENT] = 45;
    conditions_widen(&low, &high, &other);
    cr_assert_eq(conditions_compare(&low, &high, exact, differences), 3);
    cr_expect_eq(conditions_find("nip_preload_n"), CONDITION_NIP_PRELOAD_N);
    cr_expect_eq(conditions_find("preload"), CONDITION_COUNT);
}

Test(conditions, what_is_typed_is_read_like_a_plan)
{
    struct conditions c = {0};
    struct err e;
    char text[80];
    cr_expect_eq(conditions_from_text(&c, CONDITION_AMBIENT_TEMPERATURE_C, " 21.5\t", &e), ERR_OK, "%s",
                 e.text);
    cr_expect(c.stated[CONDITION_AMBIENT_TEMPERATURE_C] && c.number[CONDITION_AMBIENT_TEMPERATURE_C] == 21.5);
    conditions_describe(&c, CONDITION_AMBIENT_TEMPERATURE_C, text, sizeof text);
    cr_expect_str_eq(text, "21.5 °C");
    conditions_describe(&c, CONDITION_MOTOR, text, sizeof text);
    cr_expect_str_eq(text, "not stated");
    cr_expect_eq(conditions_from_text(&c, CONDITION_FILAMENT_LOT, "  lot 4, grün ", &e), ERR_OK, "%s",
                 e.text);
    cr_expect_str_eq(conditions_word(&c, CONDITION_FILAMENT_LOT), "lot 4, grün");
    cr_expect_eq(conditions_from_text(&c, CONDITION_LOAD_CELL_SEAT, "end", &e), ERR_OK, "%s", e.text);
}

Test(conditions, what_is_typed_wrong_is_refused_and_changes_nothing)
{
    static const struct {
        enum condition_id id;
        const char *text, *message;
    } rows[] = {
        {CONDITION_AMBIENT_TEMPERATURE_C, "warm", "ambient temperature"},
        {CONDITION_AMBIENT_TEMPERATURE_C, "21.5 C", "ambient temperature"},
        {CONDITION_AMBIENT_TEMPERATURE_C, "101", "-40"},
        {CONDITION_AMBIENT_TEMPERATURE_C, "nan", "ambient temperature"},
        {CONDITION_AMBIENT_TEMPERATURE_C, "", "ambient temperature"},
        {CONDITION_FILAMENT_LOT, "   ", "filament lot: must have 1 to 64 bytes"},
        {CONDITION_FILAMENT_LOT, "0123456789012345678901234567890123456789012345678901234567890123x",
         "1 to 64 bytes"},
        {CONDITION_FILAMENT_LOT, "lot\a4", "no plain text"},
        {CONDITION_FILAMENT_LOT, "lot \xff", "no plain text"},
        {CONDITION_ENCODER_SEAT, "middle", "neither feeder nor end"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct conditions c = {0};
        struct conditions before;
        struct err e;
        c.stated[CONDITION_AMBIENT_TEMPERATURE_C] = true;
        c.number[CONDITION_AMBIENT_TEMPERATURE_C] = 19.25;
        before = c;
        cr_expect_eq(conditions_from_text(&c, rows[i].id, rows[i].text, &e), ERR_USAGE, "row %zu", i);
        cr_expect_not_null(strstr(e.text, rows[i].message), "row %zu: %s", i, e.text);
        cr_expect_eq(memcmp(&c, &before, sizeof c), 0, "row %zu", i);
    }
}

Test(conditions, one_condition_is_taken_over_whether_stated_or_not)
{
    struct conditions c = {0};
    struct conditions other = {0};
    conditions_set_word(&c, CONDITION_MOTOR, "M1");
    conditions_set_word(&other, CONDITION_FILAMENT_LOT, "lot 9");
    conditions_copy_one(&c, CONDITION_FILAMENT_LOT, &other);
    cr_expect_str_eq(conditions_word(&c, CONDITION_FILAMENT_LOT), "lot 9");
    cr_expect_str_eq(conditions_word(&c, CONDITION_MOTOR), "M1", "nothing else changes");
    conditions_copy_one(&c, CONDITION_MOTOR, &other);
    cr_expect(!c.stated[CONDITION_MOTOR] && conditions_word(&c, CONDITION_MOTOR)[0] == 0);
}

static struct conditions all_stated(void)
{
    struct conditions c = {0};
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        char word[32];
        if (CONDITION_KINDS[i].is_number) {
            c.stated[i] = true;
            c.number[i] = 2.385 + (double)i;
        } else if (i == CONDITION_LOAD_CELL_SEAT || i == CONDITION_ENCODER_SEAT) {
            cr_assert(conditions_set_word(&c, (enum condition_id)i, CONDITION_SEAT_FEEDER));
        } else {
            snprintf(word, sizeof word, "word %zu", i);
            cr_assert(conditions_set_word(&c, (enum condition_id)i, word));
        }
    }
    return c;
}

Test(conditions, that_are_equal_are_kept_once)
{
    struct conditions c = all_stated(), again = all_stated(), none = {0};
    const struct conditions *kept = conditions_keep(&c);
    cr_assert(kept != NULL && kept != &c);
    c.number[CONDITION_NIP_PRELOAD_N] = 77;
    cr_expect_eq(conditions_keep(&again), kept);
    cr_expect_neq(conditions_keep(&c), kept);
    cr_expect_neq(conditions_keep(&none), kept);
    cr_expect_eq(conditions_keep(&none), conditions_keep(&none));
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        cr_expect_eq(kept->number[i], again.number[i], "%s", CONDITION_KINDS[i].key);
        cr_expect_str_eq(conditions_word(kept, (enum condition_id)i),
                         conditions_word(&again, (enum condition_id)i));
    }
}

/* Whichever single condition is another, or is not stated, they are others. */
Test(conditions, that_differ_in_one_are_not_mixed)
{
    struct conditions c = all_stated();
    const struct conditions *kept[2 * CONDITION_COUNT + 1];
    size_t count = 0;
    kept[count++] = conditions_keep(&c);
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        c = all_stated();
        if (CONDITION_KINDS[i].is_number)
            c.number[i] = nextafter(c.number[i], 1000);
        else
            cr_assert(conditions_set_word(&c, (enum condition_id)i, CONDITION_SEAT_END));
        kept[count++] = conditions_keep(&c);
        c = all_stated();
        c.stated[i] = false;
        kept[count++] = conditions_keep(&c);
        cr_expect_not(kept[count - 1]->stated[i]);
    }
    for (size_t i = 0; i < count; i++) {
        for (size_t j = 0; j < i; j++)
            cr_expect_neq(kept[i], kept[j], "%zu and %zu", i, j);
    }
}
