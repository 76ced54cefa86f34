/* nipbench-analyze repeats by a stated scatter: what is printed, as text and JSON, and what is refused.
 * Series go through tests/cli/analyze_repeats.sh. */
#include "analyze/report/repeats_command.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(repeats_command, .init = quantity_init_numerics);

static char *said;
static struct err e;

static enum err_code run(const struct repeats_request *r)
{
    size_t size;
    FILE *out;
    enum err_code code;
    free(said);
    out = open_memstream(&said, &size);
    cr_assert_not_null(out);
    e = (struct err){0};
    code = repeats_command(r, out, &e);
    fclose(out);
    return code;
}

/* R: power.t.test(delta = 1.5, sd = 1, power = .8): n = 8.06; equivalence by integrate(): 9. */
Test(repeats_command, text_says_repeats_and_runs)
{
    cr_expect_eq(run(&(struct repeats_request){.scatter = "1", .difference = "1.5", .design = "groups"}),
                 ERR_OK);
    cr_expect_not_null(strstr(said, "To find a difference of 1.5 with a power of 80 % at a level of 5 %: 9 "
                                    "repeats of each feeder, 18 runs.\n"
                                    "To call feeders that are truly alike equivalent within that difference, "
                                    "with the same power: 9 repeats of each feeder, 18 runs.\n"
                                    "Scatter of one value: sd 1, as stated.\n"),
                       "%s", said);
    cr_expect_not_null(strstr(said, "\n2 feeders as independent groups\n"), "%s", said);
    cr_expect_not_null(strstr(said, "\n      8        79.7 %           1.51                     77.2 %\n"),
                       "%s", said);
    cr_expect_null(strstr(said, "95 %"), "a stated scatter has no interval: %s", said);
    cr_expect_null(strstr(said, "all pairs"), "%s", said);
    cr_expect_eq(run(&(struct repeats_request){.scatter = "1", .difference = "1.5", .feeders = "3"}), ERR_OK);
    cr_expect_not_null(strstr(said, "\n3 feeders in blocks\n"), "%s", said);
    cr_expect_not_null(strstr(said, "The level of 5 % holds for all pairs of feeders together.\n"), "%s",
                       said);
    free(said);
}

Test(repeats_command, json_has_the_same)
{
    json_t *root, *plan, *row;
    cr_expect_eq(run(&(struct repeats_request){
                     .scatter = "1", .difference = "1", .design = "groups", .power = "90", .json = true}),
                 ERR_OK);
    root = json_loads(said, 0, NULL);
    cr_assert_not_null(root);
    plan = json_array_get(json_object_get(root, "plans"), 0);
    cr_assert_not_null(plan);
    cr_expect_str_eq(json_string_value(json_object_get(root, "schema")), "nipbench-repeats-1");
    cr_expect_float_eq(json_number_value(json_object_get(root, "power_percent")), 90, 1e-9);
    /* power.t.test(delta = 1, sd = 1, power = .9): n = 22.02. */
    cr_expect_eq(json_integer_value(json_object_get(json_object_get(plan, "repeats_to_find"), "value")), 23);
    cr_expect(json_is_null(json_object_get(plan, "unit")) && json_is_null(json_object_get(plan, "present")));
    row = json_array_get(json_object_get(plan, "table"), 5);
    cr_expect_eq(json_integer_value(json_object_get(row, "repeats")), 8);
    cr_expect_float_eq(json_number_value(json_object_get(row, "power_percent")), 46.1238849504, 1e-7);
    json_decref(root);
    free(said);
}

Test(repeats_command, out_of_reach_is_printed_and_then_told)
{
    cr_expect_eq(run(&(struct repeats_request){.scatter = "1", .difference = "0.0001"}), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(said, "more than 100000 repeats"), "%s", said);
    cr_expect_not_null(strstr(e.text, "more than 100000 repeats"), "%s", e.text);
    free(said);
}

Test(repeats_command, misuse_names_the_option)
{
    static const char *const series[] = {"none"};
    static const struct {
        struct repeats_request request;
        const char *named;
    } rows[] = {
        {{.difference = "1"}, "SERIES or --scatter is missing"},
        {{.scatter = "1"}, "--difference is missing"},
        {{.scatter = "1", .difference = "1 N"}, "--difference: '1 N'"},
        {{.scatter = "0", .difference = "1"}, "--scatter"},
        {{.scatter = "nan", .difference = "1"}, "--scatter"},
        {{.scatter = "1", .difference = "1", .power = "99.995"}, "--power"},
        {{.scatter = "1", .difference = "1", .power = "10", .level = "10"}, "--power: 10 % is not above"},
        {{.scatter = "1", .difference = "1", .level = "51"}, "--level"},
        {{.scatter = "1", .difference = "1", .feeders = "129"}, "--feeders"},
        {{.scatter = "1", .difference = "1", .design = "block"}, "--design: 'block'"},
        {{.scatter = "1", .difference = "1", .quantity = "stall_force_n"}, "--quantity: belongs to series"},
        {{.scatter = "1", .difference = "1", .speed = "5"}, "--speed: belongs to series"},
        {{.scatter = "1", .difference = "1", .session = {.matter_count = 1}}, "--matters: belongs to series"},
        {{.series = series, .series_count = 1, .scatter = "1"}, "--scatter: with series"},
        {{.series = series, .series_count = 1, .speed = "fast"}, "--speed: 'fast'"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        cr_expect_eq(run(&rows[i].request), ERR_USAGE, "row %zu", i);
        cr_expect_not_null(strstr(e.text, rows[i].named), "row %zu: %s", i, e.text);
        cr_expect_str_eq(said, "", "row %zu", i);
    }
    free(said);
}
