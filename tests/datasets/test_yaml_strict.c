#include "datasets/format/yaml_strict.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum err_code parse(const char *text, struct yaml_document **d, struct err *e)
{
    return yaml_strict_parse(text, strlen(text), "plan.yaml", d, e);
}

Test(yaml_strict, values_come_back_with_their_place)
{
    struct yaml_document *d;
    struct err e;
    const struct yaml_node *list;
    double speed = 0;
    int64_t teeth = -1;
    bool simulated = false;
    char title[40];
    double kept = 7.31;
    cr_assert_eq(parse("title: 'Zahnrad größer: 8 mm'\nspeed: 3.625\nteeth: 34\nsimulated: true\n"
                       "list: [2.5, {deep: x}]\n",
                       &d, &e),
                 ERR_OK, "%s", e.text);
    cr_expect_eq(yaml_get_text(yaml_root(d), "title", true, title, sizeof title, &e), ERR_OK);
    cr_expect_str_eq(title, "Zahnrad größer: 8 mm");
    cr_expect_eq(yaml_get_double(yaml_root(d), "speed", true, 0.01, 500, "mm/s", &speed, &e), ERR_OK);
    cr_expect_eq(speed, 3.625);
    cr_expect_eq(yaml_get_int64(yaml_root(d), "teeth", true, 0, 400, "", &teeth, &e), ERR_OK);
    cr_expect_eq(teeth, 34);
    cr_expect_eq(yaml_get_bool(yaml_root(d), "simulated", true, &simulated, &e), ERR_OK);
    cr_expect(simulated);
    cr_expect_eq(yaml_get_double(yaml_root(d), "rest", false, 0, 10, "s", &kept, &e), ERR_OK);
    cr_expect_eq(kept, 7.31, "an absent key leaves the default");
    cr_expect_eq(yaml_get_node(yaml_root(d), "list", true, &list, &e), ERR_OK);
    cr_expect(yaml_is_list(list) && yaml_length(list) == 2);
    cr_expect_str_eq(yaml_text(yaml_item(list, 0)), "2.5");
    cr_expect_null(yaml_item(list, 2));
    cr_expect_str_eq(yaml_key(yaml_item(list, 1), 0), "deep");
    cr_expect_str_eq(yaml_text(yaml_value(yaml_item(list, 1), 0)), "x");
    cr_expect_eq(yaml_strict_finish(yaml_root(d), &e), ERR_OK);
    yaml_complain(yaml_item(list, 1), &e, "odd");
    cr_expect(e.line == 5 && e.column == 13, "%ld:%ld", (long)e.line, (long)e.column);
    cr_expect_str_eq(e.source, "list: [2.5, {deep: x}]");
    yaml_strict_free(d);
    yaml_strict_free(NULL);
}

Test(yaml_strict, a_byte_order_mark_and_crlf_are_harmless)
{
    struct yaml_document *d;
    struct err e;
    int64_t n = 0;
    cr_assert_eq(parse("\xEF\xBB\xBF"
                       "a: 1\r\nseed: 91x\r\n",
                       &d, &e),
                 ERR_OK, "%s", e.text);
    cr_expect_eq(yaml_get_int64(yaml_root(d), "seed", true, 0, 100, "", &n, &e), ERR_FILE);
    cr_expect(e.line == 2 && e.column == 7);
    cr_expect_str_eq(e.source, "seed: 91x");
    yaml_strict_free(d);
}

/* Texts that no document can be made of. */
Test(yaml_strict, what_the_subset_leaves_out_is_refused)
{
    static const struct {
        const char *legend, *text;
        size_t length; /* 0: up to the zero byte */
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"an anchor on a scalar", "a: &x 3\n", 0, 1, 4, "anchors (&x)"},
        {"an anchor on a mapping", "b: 2\na: &base\n  c: 1\n", 0, 2, 4, "anchors (&base)"},
        {"an anchor on a list", "a: &l [1]\n", 0, 1, 4, "anchors (&l)"},
        {"an alias", "a: *x\n", 0, 1, 4, "aliases (*x)"},
        {"an alias as a key", "*x : 1\n", 0, 1, 1, "aliases (*x)"},
        {"an anchor on a key", "&k a: 1\n", 0, 1, 1, "anchors (&k)"},
        {"a tag", "a: !!int 3\n", 0, 1, 4, "tags"},
        {"a tag on a list", "a: !x [1]\n", 0, 1, 4, "tags"},
        {"the non-specific tag on a scalar", "a: ö\nbü: ! 3\n", 0, 2, 5, "tags"},
        {"the non-specific tag on a list", "a: ! [1]\n", 0, 1, 4, "tags"},
        {"the non-specific tag on a quoted text", "a: ! 'x'\n", 0, 1, 4, "tags"},
        {"a version directive", "%YAML 1.1\n---\na: 1\n", 0, 1, 1, "directives"},
        {"a tag directive", "%TAG !e! tag:x,2000:\n---\na: 1\n", 0, 1, 1, "directives"},
        {"a second document", "a: 1\n---\nb: 2\n", 0, 2, 1, "second document"},
        {"a duplicate key", "seed: 4\nb: 1\nseed: 9\n", 0, 3, 1,
         "duplicate key 'seed'; the first is in line 1"},
        {"a duplicate key further in", "a:\n  - {k: 1, k: 2}\n", 0, 2, 12, "duplicate key 'k'"},
        {"a quoted key", "'a': 1\n", 0, 1, 1, "a key must be a plain word"},
        {"an empty key", "?\n: 1\n", 0, 1, 2, "a key must be a plain word"},
        {"a list as a key", "[a]: 1\n", 0, 1, 1, "a key must be a plain word"},
        {"a mapping as a key", "? {a: 1}\n: 2\n", 0, 1, 3, "a key must be a plain word"},
        {"nine levels", "a: [[[[[[[[1]]]]]]]]\n", 0, 1, 11, "nested more than 8"},
        {"an empty file", "", 0, 1, 1, "is empty"},
        {"only a comment", "# nothing\n", 0, 1, 1, "is empty"},
        {"a NUL byte", "a: 1\nb: \0 2\n", 12, 2, 4, "control characters"},
        {"a NUL by escape", "a: \"x\\0y\"\n", 0, 1, 4, "NUL"},
        {"an escape character", "a: \x1b[2J\n", 0, 1, 4, "control characters"},
        {"bad UTF-8",
         "a: 1\nb: gr\xFC"
         "n\n",
         0, 2, 6, "UTF-8"},
        {"an overlong sequence", "a: \xC0\xAF\n", 0, 1, 4, "UTF-8"},
        {"UTF-16",
         "\xFF\xFE"
         "a\0:\0 \0001\0",
         10, 1, 1, "UTF-8"},
        {"a next-line character",
         "a: 1 # x\xC2\x85"
         "b: 2\n",
         0, 1, 9, "unusual line break"},
        {"a line separator", "a: x\xE2\x80\xA8\n", 0, 1, 5, "unusual line break"},
        {"a tab as indentation", "a:\n\tb: 1\n", 0, 2, 1, "by spaces, never by a tab"},
        {"one behind spaces and letters of two bytes", "\xC3\xA4\xC3\xB6: 1\na:\n  \tb: 1\n", 0, 3, 3,
         "by spaces, never by a tab"},
        {"an open bracket", "a: [1, 2\nb: 3\n", 0, 2, 2, ""},
        {"no YAML at all", "a: b: c\n", 0, 1, 5, "mapping values"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct yaml_document *d;
        struct err e = {0};
        size_t length = rows[i].length == 0 ? strlen(rows[i].text) : rows[i].length;
        enum err_code code = yaml_strict_parse(rows[i].text, length, "plan.yaml", &d, &e);
        cr_expect_eq(code, ERR_FILE, "%s: code %d", rows[i].legend, code);
        cr_expect_null(d, "%s", rows[i].legend);
        cr_expect_str_eq(e.file, "plan.yaml", "%s", rows[i].legend);
        cr_expect(e.line == rows[i].line && e.column == rows[i].column, "%s: at %ld:%ld: %s", rows[i].legend,
                  (long)e.line, (long)e.column, e.text);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        yaml_strict_free(d);
    }
}

/* Documents that are well formed, with a value that a getter must refuse. */
Test(yaml_strict, what_a_getter_does_not_want_is_refused_with_its_place)
{
    enum getter { DOUBLE, INTEGER, BOOLEAN, TEXT, NODE, FINISH };
    static const struct {
        const char *legend, *text;
        enum getter getter;
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"a number with a tail", "b: 1\nv: 12abc\n", DOUBLE, 2, 4, "'12abc' is not a number"},
        {"a number out of range", "v: 501.5\n", DOUBLE, 1, 4, "v: 501.5 mm/s is outside 0.5 to 500 mm/s"},
        {"an infinite number", "v: .inf\n", DOUBLE, 1, 4, "is not a number"},
        {"a number that overflows", "v: 1e999\n", DOUBLE, 1, 4, "outside"},
        {"not a number", "v: nan\n", DOUBLE, 1, 4, "is not a number"},
        {"a hexadecimal number", "v: 0x1p3\n", DOUBLE, 1, 4, "is not a number"},
        {"a quoted number", "v: '2.5'\n", DOUBLE, 1, 4, "without quotes"},
        {"a list for a number", "v: [2.5]\n", DOUBLE, 1, 4, "single value"},
        {"no value", "v:\nb: 1\n", DOUBLE, 1, 3, "has no value"},
        {"a missing number", "b: 1\n", DOUBLE, 1, 1, "the key 'v' is missing"},
        {"a fraction for a whole number", "v: 2.5\n", INTEGER, 1, 4, "is not a whole number"},
        {"a whole number past 64 bits", "v: 99999999999999999999\n", INTEGER, 1, 4, "outside"},
        {"a quoted whole number", "v: \"3\"\n", INTEGER, 1, 4, "without quotes"},
        {"a missing whole number", "b: 1\n", INTEGER, 1, 1, "missing"},
        {"yes for true", "v: yes\n", BOOLEAN, 1, 4, "'yes' is neither true nor false"},
        {"a quoted boolean", "v: 'true'\n", BOOLEAN, 1, 4, "without quotes"},
        {"a missing boolean", "b: 1\n", BOOLEAN, 1, 1, "missing"},
        {"an empty text", "v: ''\n", TEXT, 1, 4, "must not be empty"},
        {"a long text", "v: 123456789\n", TEXT, 1, 4, "9 bytes long; at most 8"},
        {"a text with a line feed", "v: |\n  a\n  b\n", TEXT, 1, 4, "one line"},
        {"a text with an escape character", "v: \"\\e[2J\"\n", TEXT, 1, 4, "control characters"},
        {"a text with a C1 control", "v: \"\\x9b\"\n", TEXT, 1, 4, "control characters"},
        {"a mapping for a text", "v: {a: 1}\n", TEXT, 1, 4, "single value"},
        {"a missing text", "b: 1\n", TEXT, 1, 1, "missing"},
        {"a missing node", "b: 1\n", NODE, 1, 1, "missing"},
        {"a list where a mapping is wanted", "- 1\n", NODE, 1, 1, "must be a mapping"},
        {"a misspelt key", "v: 1\nreductoin: 2\n", FINISH, 2, 1,
         "unknown key 'reductoin'; did you mean 'reduction'?"},
        {"a key like no other", "v: 1\nq: 2\n", FINISH, 2, 1, "unknown key 'q'"},
        {"a list to finish", "- 1\n", FINISH, 1, 1, "must be a mapping"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct yaml_document *d;
        struct err e = {0};
        double number = 0;
        int64_t whole = 0;
        bool yes = false;
        char text[9] = "";
        const struct yaml_node *node;
        enum err_code code = ERR_OK;
        cr_assert_eq(parse(rows[i].text, &d, &e), ERR_OK, "%s: %s", rows[i].legend, e.text);
        switch (rows[i].getter) {
        case DOUBLE:
            code = yaml_get_double(yaml_root(d), "v", true, 0.5, 500, "mm/s", &number, &e);
            break;
        case INTEGER:
            code = yaml_get_int64(yaml_root(d), "v", true, 0, 500, "", &whole, &e);
            break;
        case BOOLEAN:
            code = yaml_get_bool(yaml_root(d), "v", true, &yes, &e);
            break;
        case TEXT:
            code = yaml_get_text(yaml_root(d), "v", true, text, sizeof text, &e);
            break;
        case NODE:
            code = yaml_get_node(yaml_root(d), "v", true, &node, &e);
            break;
        case FINISH:
            if (yaml_is_mapping(yaml_root(d))) {
                yaml_get_double(yaml_root(d), "v", true, 0, 10, "", &number, &e);
                yaml_get_double(yaml_root(d), "reduction", false, 0, 10, "", &number, &e);
            }
            code = yaml_strict_finish(yaml_root(d), &e);
            break;
        }
        cr_expect_eq(code, ERR_FILE, "%s", rows[i].legend);
        cr_expect(e.line == rows[i].line && e.column == rows[i].column, "%s: at %ld:%ld: %s", rows[i].legend,
                  (long)e.line, (long)e.column, e.text);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        yaml_strict_free(d);
    }
}

Test(yaml_strict, an_item_of_a_list_is_read_as_a_number)
{
    struct yaml_document *d;
    struct err e;
    const struct yaml_node *list;
    double v = 0;
    cr_assert_eq(parse("s: [2.75, x, [1], '3']\n", &d, &e), ERR_OK);
    cr_assert_eq(yaml_get_node(yaml_root(d), "s", true, &list, &e), ERR_OK);
    cr_expect_eq(yaml_read_double(yaml_item(list, 0), "speed", 0, 9, "mm/s", &v, &e), ERR_OK);
    cr_expect_eq(v, 2.75);
    cr_expect_eq(yaml_read_double(yaml_item(list, 1), "speed", 0, 9, "mm/s", &v, &e), ERR_FILE);
    cr_expect_eq(e.column, 11);
    cr_expect_eq(yaml_read_double(yaml_item(list, 2), "speed", 0, 9, "mm/s", &v, &e), ERR_FILE);
    cr_expect_eq(yaml_read_double(yaml_item(list, 3), "speed", 0, 9, "mm/s", &v, &e), ERR_FILE);
    cr_expect_eq(v, 2.75, "a refused number leaves the value");
    yaml_strict_free(d);
}

Test(yaml_strict, sizes_are_bounded)
{
    struct yaml_document *d;
    struct err e;
    size_t size = 64 * 1024;
    char *text = malloc(size + 1);
    memset(text, '#', size + 1);
    memcpy(text, "a: 1\n", 5);
    cr_expect_eq(yaml_strict_parse(text, size, "p", &d, &e), ERR_OK);
    yaml_strict_free(d);
    cr_expect_eq(yaml_strict_parse(text, size + 1, "p", &d, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "65537 bytes long; at most 65536"));
    size = 0;
    for (int i = 0; i < 257; i++)
        size += (size_t)sprintf(text + size, "k%d: 1\n", i);
    cr_expect_eq(yaml_strict_parse(text, size, "p", &d, &e), ERR_FILE);
    cr_expect(e.line == 257 && strstr(e.text, "more than 256 keys") != NULL, "%s", e.text);
    free(text);
}

Test(yaml_strict, files_are_read_and_what_is_no_file_is_refused)
{
    char path[] = "/tmp/test_yaml_strict_XXXXXX";
    struct yaml_document *d;
    struct err e;
    int fd = mkstemp(path);
    cr_assert_geq(fd, 0);
    cr_assert_eq(write(fd, "a: 3.5\n", 7), 7);
    close(fd);
    cr_expect_eq(yaml_strict_read(path, &d, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(yaml_key(yaml_root(d), 0), "a");
    yaml_strict_free(d);
    cr_assert_eq(truncate(path, 65537), 0);
    cr_expect_eq(yaml_strict_read(path, &d, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "at most 65536"), "%s", e.text);
    unlink(path);
    cr_expect_eq(yaml_strict_read(path, &d, &e), ERR_FILE);
    cr_expect_str_eq(e.file, path);
    cr_expect_not_null(strstr(e.text, "No such file"));
    cr_expect_eq(yaml_strict_read("/tmp", &d, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "not a regular file"));
    cr_expect_null(d);
}
