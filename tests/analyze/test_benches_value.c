#include "analyze/benches_value.h"

#include <criterion/criterion.h>

/* Two feeders on two benches, by two operators in three series. */
static struct benches_value rows[] = {
    {.feeder = "gear-a", .bench = "north", .operator_name = "Kim", .refit = "", .block = 1, .value = 84.25},
    {.feeder = "gear-b", .bench = "north", .operator_name = "Kim", .refit = "", .block = 1, .value = 70.5},
    {.feeder = "gear-a", .bench = "north", .operator_name = "Kim", .refit = "", .block = 1, .value = 85.75},
    {.feeder = "gear-a",
     .bench = "north",
     .operator_name = "Ade",
     .refit = "",
     .series = 1,
     .block = 1,
     .value = 81},
    {.feeder = "gear-a",
     .bench = "south",
     .operator_name = "Kim",
     .refit = "",
     .series = 2,
     .block = 1,
     .value = 79},
    {.feeder = "gear-a", .bench = "north", .operator_name = "Kim", .refit = "", .block = 2, .value = 83},
    {.feeder = "gear-a", .bench = "north", .operator_name = "Kim", .refit = "", .block = 1, .value = 86.5},
};
#define ROWS (sizeof rows / sizeof rows[0])

Test(benches_value, levels_are_numbered_in_the_order_of_their_first_values)
{
    static const struct {
        enum benches_factor factor;
        size_t count, level[ROWS];
    } cases[] = {
        {BENCHES_FEEDER, 2, {0, 1, 0, 0, 0, 0, 0}},          {BENCHES_OPERATOR, 2, {0, 0, 0, 1, 0, 0, 0}},
        {BENCHES_FEEDER_OPERATOR, 3, {0, 1, 0, 2, 0, 0, 0}}, {BENCHES_SERIES, 3, {0, 0, 0, 1, 2, 0, 0}},
        {BENCHES_REFIT, 5, {0, 1, 0, 2, 3, 4, 0}},
    };
    const struct benches_values values = {rows, ROWS};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        size_t level[ROWS];
        cr_expect_eq(benches_value_levels(cases[c].factor, &values, level), cases[c].count, "case %zu", c);
        for (size_t i = 0; i < ROWS; i++)
            cr_expect_eq(level[i], cases[c].level[i], "case %zu, value %zu: %zu", c, i, level[i]);
    }
}

Test(benches_value, a_refit_that_is_named_parts_a_block)
{
    struct benches_value two[] = {rows[0], rows[2]};
    const struct benches_values values = {two, 2};
    size_t level[2];
    cr_expect_eq(benches_value_levels(BENCHES_REFIT, &values, level), 1);
    two[1].refit = "2";
    cr_expect_eq(benches_value_levels(BENCHES_REFIT, &values, level), 2);
}

Test(benches_value, runs_of_one_mounting_become_their_mean_where_the_first_stood)
{
    static const double means[] = {(84.25 + 85.75 + 86.5) / 3, 70.5, 81, 79, 83};
    struct benches_values values = {rows, ROWS};
    cr_assert(benches_value_average_mountings(&values));
    cr_assert_eq(values.n, 5);
    for (size_t i = 0; i < 5; i++)
        cr_expect_float_eq(values.v[i].value, means[i], 1e-12, "%zu: %.10g", i, values.v[i].value);
    cr_expect_str_eq(values.v[3].bench, "south");
    cr_expect_eq(values.v[4].block, 2);
}
