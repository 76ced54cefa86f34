/* Objects whose pieces are made by several threads, against jansson's own text of the whole. */
#include "analyze/report/json_pieces.h"

#include <criterion/criterion.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#define THREADS_MOST 5

/* Item i of a list: of very different lengths, so that threads overtake each other. */
static json_t *item(struct json_build *b, const void *context, size_t i)
{
    json_t *object = json_object(), *numbers = json_array();
    size_t count = (i * 7919 + *(const size_t *)context) % 41 < 4 ? 3000 : i % 5;
    json_build_set(b, object, "item", json_build_count(i));
    for (size_t k = 0; k < count; k++)
        json_build_append(b, numbers, json_build_number(1.0 / (double)(i + k + 1)));
    json_build_set(b, object, "numbers", numbers);
    json_build_set(b, object, "caf\xc3\xa9", json_build_text("lines\nand \"quotes\""));
    return object;
}

static void *work(void *pieces)
{
    json_pieces_work(pieces);
    return NULL;
}

/* Lists of so many items, between single values. */
static json_t *whole(const size_t *items, size_t lists, size_t salt)
{
    static const char *const keys[] = {"a", "b", "c"};
    struct json_build b = {false};
    json_t *root = json_object();
    json_build_set(&b, root, "first", json_pack("{s:[i]}", "x", 1));
    for (size_t k = 0; k < lists; k++) {
        json_t *list = json_array();
        for (size_t i = 0; i < items[k]; i++)
            json_build_append(&b, list, item(&b, &salt, i));
        json_build_set(&b, root, keys[k], list);
    }
    json_build_set(&b, root, "last", json_null());
    cr_assert_not(b.failed);
    return root;
}

static void compare(const size_t *items, size_t lists, size_t salt, int threads)
{
    static const char *const keys[] = {"a", "b", "c"};
    pthread_t ids[THREADS_MOST];
    char *text = NULL, *wanted;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    json_t *root = whole(items, lists, salt);
    struct json_pieces *p = json_pieces_begin(&salt, out);
    cr_assert_not_null(p);
    json_pieces_member(p, "first", json_pack("{s:[i]}", "x", 1));
    for (size_t k = 0; k < lists; k++)
        json_pieces_list(p, keys[k], item, items[k]);
    json_pieces_member(p, "last", json_null());
    for (int i = 0; i < threads; i++)
        cr_assert_eq(pthread_create(&ids[i], NULL, work, p), 0);
    for (int i = 0; i < threads; i++)
        pthread_join(ids[i], NULL);
    cr_expect(json_pieces_end(p));
    fclose(out);
    wanted = json_dumps(root, JSON_INDENT(1) | JSON_REAL_PRECISION(12));
    cr_assert_not_null(wanted);
    cr_expect(length == strlen(wanted) + 1 && strncmp(text, wanted, length - 1) == 0 &&
                  text[length - 1] == '\n',
              "%d threads, %zu lists, salt %zu", threads, lists, salt);
    free(text);
    free(wanted);
    json_decref(root);
}

Test(json_pieces, are_the_text_of_the_whole_whoever_makes_them)
{
    static const size_t items[][3] = {{0, 0, 0}, {1, 4, 5}, {103, 0, 8}, {4, 261, 1}};
    for (size_t k = 0; k < sizeof items / sizeof *items; k++) {
        for (int threads = 0; threads <= THREADS_MOST; threads++) {
            for (size_t salt = 0; salt < 4; salt++)
                compare(items[k], (k + salt) % 4, salt, threads);
        }
    }
}

static json_t *no_item(struct json_build *b, const void *context, size_t i)
{
    (void)b, (void)context;
    return i == 5 ? NULL : json_integer(1);
}

Test(json_pieces, what_could_not_be_made_or_written_is_told)
{
    FILE *out = fopen("/dev/null", "w");
    struct json_pieces *p = json_pieces_begin(NULL, out);
    cr_assert_not_null(p);
    json_pieces_list(p, "list", no_item, 9);
    cr_expect_not(json_pieces_end(p), "no item");
    p = json_pieces_begin(NULL, out);
    json_pieces_member(p, "value", NULL);
    cr_expect_not(json_pieces_end(p), "no value");
    fclose(out);
    out = fopen("/dev/full", "w");
    setvbuf(out, NULL, _IONBF, 0);
    p = json_pieces_begin(NULL, out);
    json_pieces_list(p, "list", no_item, 3);
    json_pieces_end(p);
    cr_expect(ferror(out) != 0, "a full disk");
    fclose(out);
}
