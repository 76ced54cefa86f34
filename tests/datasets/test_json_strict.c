#include "datasets/format/json_strict.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(json_strict, .init = scratch_begin, .fini = scratch_end);

Test(json_strict, what_is_no_object_is_refused)
{
    static const struct {
        const char *legend, *text, *message;
    } rows[] = {
        {"an empty file", "", "not valid JSON"},
        {"a torn file", "{\"a\": 3", "not valid JSON"},
        {"text behind the object", "{} x", "not valid JSON"},
        {"a list", "[1]", "must hold a JSON object"},
        {"a duplicate key", "{\"a\": 1, \"a\": 2}", "duplicate"},
        {"bad UTF-8", "{\"a\": \"\xFF\"}", "not valid JSON"},
        {"not a number", "{\"a\": NaN}", "not valid JSON"},
        {"a number that overflows", "{\"a\": 1e999}", "not valid JSON"},
        {"a NUL by escape", "{\"a\": \"x\\u0000y\"}", "not valid JSON"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct err e = {0};
        json_t *root;
        cr_expect_eq(json_strict_read(scratch_write("f.json", rows[i].text), 1000, &root, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect_null(root, "%s", rows[i].legend);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
    }
}

static void *no_memory(size_t size)
{
    (void)size;
    return NULL;
}

/* jansson says nothing at all where its first allocation fails; such a file is not called bad. */
Test(json_strict, want_of_memory_is_no_fault_of_the_file)
{
    struct err e = {0};
    json_t *root = NULL;
    const char *path = scratch_write("f.json", "{\"a\": 1}");
    json_set_alloc_funcs(no_memory, free);
    cr_expect_eq(json_strict_read(path, 1000, &root, &e), ERR_MEMORY, "%s", e.text);
    cr_expect_null(root);
    json_set_alloc_funcs(malloc, free);
    cr_expect_eq(json_strict_read(path, 1000, &root, &e), ERR_OK);
    json_decref(root);
}

Test(json_strict, a_value_among_many_is_told_by_its_line)
{
    struct err e = {0};
    json_t *value = NULL;
    cr_expect_eq(json_strict_parse("[2.385, 1]x", 10, "f.part", 17, &value, &e), ERR_OK);
    cr_expect(json_is_array(value));
    json_decref(value);
    cr_expect_eq(json_strict_parse("[2.385, 1]x", 11, "f.part", 17, &value, &e), ERR_FILE);
    cr_expect_null(value);
    cr_expect(e.line == 17 && strcmp(e.file, "f.part") == 0);
}

Test(json_strict, a_file_past_the_bound_is_refused)
{
    struct err e;
    json_t *root;
    cr_expect_eq(json_strict_read(scratch_write("f.json", "{\"a\": 1}"), 8, &root, &e), ERR_OK);
    json_decref(root);
    cr_expect_eq(json_strict_read(scratch_path("f.json"), 7, &root, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "8 bytes long; at most 7"));
    cr_expect_eq(json_strict_read(scratch_path("none.json"), 7, &root, &e), ERR_FILE);
}

Test(json_strict, each_getter_wants_its_type_and_range)
{
    json_t *root = json_loads(
        "{\"n\": 2.5, \"i\": 7, \"b\": true, \"t\": \"abc\", \"c\": \"a\\u001bb\", \"d\": \"\\u009b\","
        "\"a\": [1, 2.5], \"m\": [1, \"x\"], \"o\": {}, \"z\": null, \"when\": \"2031-02-03\"}",
        0, NULL);
    const struct json_place p = {root, "f.json", "here."};
    double number = 0;
    int64_t whole = 0;
    bool yes = false;
    char text[5];
    double pair[2];
    const json_t *child;
    struct err e;
    cr_assert_not_null(root);
    cr_expect(json_strict_number(&p, "n", 2.5, 2.5, &number, &e) == ERR_OK && number == 2.5);
    cr_expect(json_strict_number(&p, "i", 0, 9, &number, &e) == ERR_OK && number == 7);
    cr_expect(json_strict_number(&p, "n", 3, 9, &number, &e) == ERR_FILE &&
              strstr(e.text, "here.n: 2.5 is outside 3"));
    cr_expect(json_strict_number(&p, "t", 3, 9, &number, &e) == ERR_FILE &&
              strstr(e.text, "must be a number"));
    cr_expect(json_strict_number(&p, "q", 3, 9, &number, &e) == ERR_FILE &&
              strstr(e.text, "here.q: is missing"));
    cr_expect(json_strict_number(&p, "z", 3, 9, &number, &e) == ERR_FILE);
    cr_expect(json_strict_number_or_infinity(&p, "z", 3, 9, &number, &e) == ERR_OK && isinf(number));
    cr_expect(json_strict_number_or_infinity(&p, "i", 3, 9, &number, &e) == ERR_OK && number == 7);
    cr_expect(json_strict_number_or_infinity(&p, "t", 3, 9, &number, &e) == ERR_FILE);
    cr_expect(json_strict_whole(&p, "i", 7, 7, &whole, &e) == ERR_OK && whole == 7);
    cr_expect(json_strict_whole(&p, "i", 8, 9, &whole, &e) == ERR_FILE &&
              strstr(e.text, "7 is outside 8 to 9"));
    cr_expect(json_strict_whole(&p, "n", 0, 9, &whole, &e) == ERR_FILE && strstr(e.text, "whole"));
    cr_expect(json_strict_bool(&p, "b", &yes, &e) == ERR_OK && yes);
    cr_expect(json_strict_bool(&p, "i", &yes, &e) == ERR_FILE);
    cr_expect(json_strict_text(&p, "t", text, 4, &e) == ERR_OK && strcmp(text, "abc") == 0);
    cr_expect(json_strict_text(&p, "t", text, 3, &e) == ERR_FILE && strstr(e.text, "at most 2"));
    cr_expect(json_strict_text(&p, "c", text, 5, &e) == ERR_FILE && strstr(e.text, "control"));
    cr_expect(json_strict_text(&p, "d", text, 5, &e) == ERR_FILE && strstr(e.text, "control"));
    cr_expect(json_strict_text(&p, "i", text, 5, &e) == ERR_FILE && strstr(e.text, "must be a text"));
    cr_expect(json_strict_child(&p, "o", JSON_OBJECT, &child, &e) == ERR_OK);
    cr_expect(json_strict_child(&p, "a", JSON_OBJECT, &child, &e) == ERR_FILE && strstr(e.text, "an object"));
    cr_expect(json_strict_child(&p, "o", JSON_ARRAY, &child, &e) == ERR_FILE && strstr(e.text, "an array"));
    cr_expect(json_strict_numbers(&p, "a", 2, pair, &e) == ERR_OK && pair[1] == 2.5);
    cr_expect(json_strict_numbers(&p, "a", 1, pair, &e) == ERR_FILE &&
              strstr(e.text, "must hold 1 numbers, not 2"));
    cr_expect(json_strict_numbers(&p, "m", 2, pair, &e) == ERR_FILE);
    json_decref(root);
}

Test(json_strict, times_are_as_rfc_3339_writes_them)
{
    static const struct {
        const char *text;
        bool good;
    } rows[] = {
        {"2031-04-05", true},
        {"2031-04-05T16:07:08Z", true},
        {"2031-04-05T16:07:08.25+05:30", true},
        {"2031-04-05T23:59:60-11:00", true},
        {"", false},
        {"2031-4-5", false},
        {"2031-13-05", false},
        {"2031-04-32", false},
        {"2031-04-05 16:07:08Z", false},
        {"2031-04-05T24:07:08Z", false},
        {"2031-04-05T16:60:08Z", false},
        {"2031-04-05T16:07:71Z", false},
        {"2031-04-05T16:07Z", false},
        {"2031-04-05T16:07:08", false},
        {"2031-04-05T16:07:08.Z", false},
        {"2031-04-05T16:07:08+0530", false},
        {"2031-04-05T16:07:08Zx", false},
        {"yesterday", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[40];
        struct err e;
        json_t *root = json_pack("{s:s}", "t", rows[i].text);
        enum err_code code =
            json_strict_time(&(struct json_place){root, "f", ""}, "t", text, sizeof text, &e);
        cr_expect_eq(code, rows[i].good ? ERR_OK : ERR_FILE, "'%s'", rows[i].text);
        json_decref(root);
    }
}

Test(json_strict, a_key_of_ones_own_begins_with_x)
{
    static const char *const known[] = {"a", "b"};
    json_t *root = json_loads("{\"a\": 1, \"x_note\": 2}", 0, NULL);
    const struct json_place p = {root, "f.json", ""};
    struct err e;
    cr_expect_eq(json_strict_finish(&p, known, 2, &e), ERR_OK);
    json_object_set_new(root, "note", json_true());
    cr_expect_eq(json_strict_finish(&p, known, 2, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "note: is no known key"));
    json_decref(root);
}

Test(json_strict, numbers_are_written_short_and_come_back_exactly)
{
    struct err e;
    json_t *back;
    char *text;
    json_t *root = json_pack("{s:f, s:i}", "b", 0.1, "a", 3);
    cr_assert_eq(json_strict_write(scratch_path("f.json"), root, &e), ERR_OK, "%s", e.text);
    text = scratch_read("f.json");
    cr_expect_str_eq(text, "{\n  \"a\": 3,\n  \"b\": 0.1\n}\n");
    free(text);
    json_object_set_new(root, "b", json_real(0.1 + 0.2));
    cr_assert_eq(json_strict_write(scratch_path("f.json"), root, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(json_strict_read(scratch_path("f.json"), 1000, &back, &e), ERR_OK);
    cr_expect_eq(json_real_value(json_object_get(back, "b")), 0.1 + 0.2);
    json_decref(back);
    json_decref(root);
    cr_expect_eq(json_strict_write(scratch_path("f.json"), NULL, &e), ERR_CALLER);
    cr_expect_eq(json_strict_write(scratch_path("none/f.json"), NULL, &e), ERR_CALLER);
    cr_expect_null(json_strict_real_or_null(NAN));
}
