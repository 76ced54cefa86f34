/* Objects written piece by piece, against jansson's own text of the whole. */
#include "analyze/report/json_stream.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

/* Members that are hard to indent: empty, nested, and with text that has lines and quotes of its own. */
static json_t *member(size_t i)
{
    switch (i % 7) {
    case 0:
        return json_object();
    case 1:
        return json_array();
    case 2:
        return json_pack("{s:[i,{s:s},[]],s:{}}", "a", 1, "b", "line\n  \"two\" }", "c");
    case 3:
        return json_string("caf\xc3\xa9 \\ \x01 ]");
    case 4:
        return json_real(1.0 / 3);
    case 5:
        return json_null();
    default:
        return json_pack("[[],[[n]],{s:b}]", "d", 1);
    }
}

static void key_of(size_t i, char *key, size_t size)
{
    snprintf(key, size, "k%zu \"%zu\"", i, i);
}

/* An object of that many members, of which every one in `each` is a list of that many items. Both texts must
 * be the same. */
static void compare(size_t members, size_t each, size_t items)
{
    struct json_stream s;
    char *text = NULL, *whole, key[60];
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    json_t *root = json_object();
    cr_assert_not_null(out);
    json_stream_begin(&s, out);
    for (size_t i = 0; i < members; i++) {
        key_of(i, key, sizeof key);
        if (each > 0 && i % each == each - 1) {
            json_t *list = json_array();
            json_stream_list_begin(&s, key);
            for (size_t k = 0; k < items; k++) {
                json_stream_item(&s, member(i + k));
                json_array_append_new(list, member(i + k));
            }
            json_stream_list_end(&s);
            json_object_set_new(root, key, list);
        } else {
            json_stream_member(&s, key, member(i));
            json_object_set_new(root, key, member(i));
        }
    }
    json_stream_end(&s);
    cr_expect_not(s.failed);
    fclose(out);
    whole = json_dumps(root, JSON_INDENT(1) | JSON_REAL_PRECISION(12));
    cr_assert_not_null(whole);
    cr_expect_eq(length, strlen(whole) + 1, "%zu members", members);
    cr_expect(strncmp(text, whole, strlen(whole)) == 0 && text[length - 1] == '\n',
              "%zu members, a list every %zu of %zu items:\n%s\nwhole:\n%s", members, each, items, text,
              whole);
    free(text);
    free(whole);
    json_decref(root);
}

Test(json_stream, is_the_text_of_the_whole)
{
    for (size_t members = 0; members < 16; members++) {
        for (size_t each = 0; each < 4; each++) {
            for (size_t items = 0; items < 4; items++)
                compare(members, each, items);
        }
    }
}

Test(json_stream, what_could_not_be_made_or_written_is_told)
{
    struct json_stream s;
    FILE *out = fopen("/dev/full", "w");
    cr_assert_not_null(out);
    setvbuf(out, NULL, _IONBF, 0);
    json_stream_begin(&s, out);
    json_stream_member(&s, "a", json_integer(1));
    json_stream_end(&s);
    cr_expect(s.failed, "a full disk");
    fclose(out);
    out = fopen("/dev/null", "w");
    json_stream_begin(&s, out);
    json_stream_member(&s, "a", NULL);
    cr_expect(s.failed, "no value");
    json_stream_end(&s);
    json_stream_begin(&s, out);
    json_stream_list_begin(&s, "l");
    json_stream_item(&s, NULL);
    cr_expect(s.failed, "no item");
    json_stream_end(&s);
    fclose(out);
}
