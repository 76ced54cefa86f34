/* JSON in regions. What would be used after it was given back, or never given back, the sanitizers find. */
#include "datasets/format/json_region.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

static void no_memory(void)
{
    abort();
}

/* An array of that many texts and numbers. */
static json_t *list_of(int count)
{
    json_t *list = json_array();
    for (int i = 0; i < count; i++)
        json_array_append_new(list, i % 2 == 0 ? json_integer(i) : json_sprintf("text %d", i));
    return list;
}

static void expect_list(json_t *list, int count)
{
    char wanted[40];
    cr_assert_eq(json_array_size(list), (size_t)count);
    for (int i = 0; i < count; i++) {
        const json_t *item = json_array_get(list, (size_t)i);
        snprintf(wanted, sizeof wanted, "text %d", i);
        if (i % 2 == 0)
            cr_assert_eq(json_integer_value(item), i);
        else
            cr_assert_str_eq(json_string_value(item), wanted);
    }
}

Test(json_region, json_of_a_region_stays_until_it_is_closed_whether_released_or_not)
{
    struct json_region region;
    json_region_set_up(no_memory);
    for (int round = 0; round < 3; round++) {
        json_t *kept, *released;
        json_region_open(&region);
        kept = list_of(2000);
        released = list_of(2000);
        json_decref(released);
        expect_list(list_of(50), 50);
        expect_list(kept, 2000);
        json_region_close(&region); /* kept is never released: the leak checker would tell */
    }
}

Test(json_region, json_outside_of_regions_lives_as_ever)
{
    struct json_region outer, inner;
    json_t *before, *between, *after;
    json_region_set_up(no_memory);
    before = list_of(100);
    json_region_open(&outer);
    between = list_of(100);
    json_region_open(&inner);
    expect_list(list_of(3000), 3000);
    json_region_close(&inner);
    json_array_append_new(between, json_string("more"));
    cr_expect_str_eq(json_string_value(json_array_get(between, 100)), "more");
    json_region_close(&outer);
    after = list_of(100);
    expect_list(before, 100);
    expect_list(after, 100);
    json_decref(before);
    json_decref(after);
}

Test(json_region, one_piece_may_be_larger_than_what_is_taken_at_once)
{
    struct json_region region;
    char *text = malloc(300001);
    json_region_set_up(no_memory);
    cr_assert_not_null(text);
    memset(text, 'x', 300000);
    text[300000] = 0;
    json_region_open(&region);
    cr_expect_eq(json_string_length(json_string(text)), 300000);
    json_region_close(&region);
    free(text);
}

Test(json_region, without_being_set_up_json_comes_from_malloc)
{
    struct json_region region;
    json_t *list;
    json_region_open(&region);
    list = list_of(10);
    json_region_close(&region);
    expect_list(list, 10);
    json_decref(list);
}

static void *use_own(void *number)
{
    int count = *(int *)number;
    for (int round = 0; round < 50; round++) {
        struct json_region region;
        json_region_open(&region);
        expect_list(list_of(count), count);
        json_region_close(&region);
    }
    return NULL;
}

Test(json_region, each_thread_has_its_own)
{
    pthread_t threads[4];
    int counts[4] = {10, 100, 500, 1000};
    json_region_set_up(no_memory);
    for (int i = 0; i < 4; i++)
        cr_assert_eq(pthread_create(&threads[i], NULL, use_own, &counts[i]), 0);
    for (int i = 0; i < 4; i++)
        pthread_join(threads[i], NULL);
}
