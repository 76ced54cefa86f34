/* Numbers by more than rounding, everything else at all, each with a path that a reader finds. */
#include "analyze/report/json_differences.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

static char told[4096];

static void note(void *context, const struct json_difference *d)
{
    size_t used = strlen(told);
    (void)context;
    snprintf(told + used, sizeof told - used, "%s: %s -> %s%s\n", d->path, d->published, d->recomputed,
             d->number ? " (number)" : "");
}

static struct json_differences_count differences(const char *a, const char *b, const char *const *skip)
{
    struct json_differences_count count;
    json_t *x = json_loads(a, 0, NULL), *y = json_loads(b, 0, NULL);
    cr_assert(x != NULL && y != NULL);
    told[0] = 0;
    cr_assert(json_differences(x, y, skip, note, NULL, &count));
    json_decref(x);
    json_decref(y);
    return count;
}

Test(json_differences, rounding_is_no_difference)
{
    struct json_differences_count count =
        differences("{\"a\": 84.3000000001, \"b\": 3, \"c\": 0.0, \"d\": 5}",
                    "{\"a\": 84.30000000013, \"b\": 3, \"c\": 1e-13, \"d\": 5.0}", NULL);
    cr_expect_eq(count.different, 0, "%s", told);
    cr_expect_eq(count.values, 4);
    cr_expect_eq(count.numbers, 4);
}

Test(json_differences, more_than_rounding_is_one)
{
    struct json_differences_count count =
        differences("{\"a\": 84.3, \"b\": 3, \"c\": 1.5}", "{\"a\": 84.300001, \"b\": 4, \"c\": 1.5}", NULL);
    cr_expect_eq(count.different, 2);
    cr_expect_str_eq(told, "a: 84.3 -> 84.300001 (number)\nb: 3 -> 4 (number)\n");
}

Test(json_differences, whole_numbers_are_exact)
{
    cr_expect_eq(differences("{\"a\": 12000000000000000}", "{\"a\": 12000000000000001}", NULL).different, 1);
}

Test(json_differences, kinds_texts_and_missing_values_count)
{
    struct json_differences_count count =
        differences("{\"a\": null, \"b\": \"x\", \"c\": true, \"gone\": 1}",
                    "{\"a\": 1.5, \"b\": \"y\", \"c\": false, \"new\": [1, 2]}", NULL);
    cr_expect_eq(count.different, 5);
    cr_expect_eq(count.values, 5);
    cr_expect_str_eq(told,
                     "a: null -> 1.5\nb: \"x\" -> \"y\"\nc: true -> false\nnew: nothing -> a list of 2\n"
                     "gone: 1 -> nothing\n");
}

Test(json_differences, elements_are_named_by_what_they_say_of_themselves)
{
    differences(
        "{\"runs\": [{\"series\": 1, \"run\": 7, \"x\": {\"value\": 1}}],"
        " \"comparisons\": [{\"quantity\": \"q\", \"a\": \"m\", \"b\": \"n\", \"speed_mm_s\": 5, \"p\": 1}],"
        " \"feeders\": [{\"feeder\": \"m\", \"list\": [1, 2]}]}",
        "{\"runs\": [{\"series\": 1, \"run\": 7, \"x\": {\"value\": 2}}],"
        " \"comparisons\": [{\"quantity\": \"q\", \"a\": \"m\", \"b\": \"n\", \"speed_mm_s\": 5, \"p\": 2}],"
        " \"feeders\": [{\"feeder\": \"m\", \"list\": [1, 3, 4]}]}",
        NULL);
    cr_expect_str_eq(told, "runs[series 1, run 7].x.value: 1 -> 2 (number)\n"
                           "comparisons[q, m against n, 5 mm/s].p: 1 -> 2 (number)\n"
                           "feeders[m].list[2]: 2 -> 3 (number)\n"
                           "feeders[m].list[3]: nothing -> 4\n");
}

/* A published file may leave out what names its runs: then their place is all there is. */
Test(json_differences, an_element_that_says_too_little_is_named_by_its_place)
{
    differences("{\"runs\": [{\"run\": 4, \"speed_mm_s\": 2.5, \"n\": 1}, {\"run\": 5, \"speed_mm_s\": 2.5, "
                "\"n\": 2}]}",
                "{\"runs\": [{\"run\": 4, \"speed_mm_s\": 2.5, \"n\": 1}, {\"run\": 5, \"speed_mm_s\": 2.5, "
                "\"n\": 3}]}",
                NULL);
    cr_expect_str_eq(told, "runs[2].n: 2 -> 3 (number)\n");
}

Test(json_differences, skipped_keys_are_those_of_the_root)
{
    static const char *const skip[] = {"program", NULL};
    struct json_differences_count count =
        differences("{\"program\": \"1\", \"in\": {\"program\": \"1\"}}",
                    "{\"program\": \"2\", \"in\": {\"program\": \"2\"}}", skip);
    cr_expect_eq(count.different, 1);
    cr_expect_str_eq(told, "in.program: \"1\" -> \"2\"\n");
}

Test(json_differences, a_missing_element_leaves_the_others_in_place)
{
    struct json_differences_count count = differences(
        "{\"runs\": [{\"series\": 1, \"run\": 1, \"x\": 1}, {\"series\": 1, \"run\": 2, \"x\": 2},"
        " {\"series\": 1, \"run\": 3, \"x\": 3}]}",
        "{\"runs\": [{\"series\": 1, \"run\": 1, \"x\": 1}, {\"series\": 1, \"run\": 3, \"x\": 3.5}]}", NULL);
    cr_expect_eq(count.different, 2);
    cr_expect_str_eq(told, "runs[series 1, run 3].x: 3 -> 3.5 (number)\n"
                           "runs[series 1, run 2]: an object -> nothing\n");
}
