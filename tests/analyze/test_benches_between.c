/* The numbers themselves are held to bench_consistency, which has tests of its own. */
#include "analyze/benches_between.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <string.h>

static struct benches_section section;
static struct err e;
static struct benches_value rows[12];
static struct benches_values values = {rows, 0};

static void add(const char *bench, const char *operator_name, int block, double value)
{
    rows[values.n++] = (struct benches_value){.feeder = "gear-a",
                                              .bench = bench,
                                              .operator_name = operator_name,
                                              .refit = "",
                                              .block = block,
                                              .value = value};
    section.runs = values.n;
    section.mounted = true;
}

static void end(void)
{
    benches_section_free(&section);
}
TestSuite(benches_between, .init = quantity_init_numerics, .fini = end);

Test(benches_between, benches_are_named_as_they_come_and_each_value_knows_its_own)
{
    static const size_t bench[] = {0, 1, 0, 1, 1};
    static const double numbers[] = {84.125, 80.5, 83.25, 81.75, 82.875};
    static struct bench_consistency c;
    for (int i = 0; i < 5; i++)
        add(bench[i] == 0 ? "north" : "south", "Kim", i, numbers[i]);
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK, "%s", e.text);
    cr_assert(section.answered && section.values == 5, "%s", section.why_not);
    cr_expect(strcmp(section.names[0], "north") == 0 && strcmp(section.names[1], "south") == 0);
    for (size_t i = 0; i < 5; i++)
        cr_expect(section.bench_of[i] == bench[i] && section.numbers[i] == numbers[i], "%zu", i);
    cr_assert_eq(bench_consistency(numbers, bench, 5, 2, &c, &e), ERR_OK);
    cr_expect_eq(section.consistency->reproducibility_sd, c.reproducibility_sd);
    cr_expect_not(section.several_operators);
}

Test(benches_between, runs_of_one_mounting_are_one_value)
{
    add("north", "Kim", 1, 84);
    add("north", "Kim", 1, 84.5);
    add("north", "Kim", 2, 83);
    add("south", "Kim", 1, 81);
    add("south", "Kim", 2, 82);
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK);
    cr_expect(section.values == 4 && section.numbers[0] == 84.25 && section.numbers[1] == 83);
}

Test(benches_between, two_operators_on_one_bench_are_told_and_one_on_each_are_not)
{
    for (int i = 0; i < 3; i++) {
        add("north", "Kim", i, 84 + 0.3 * i);
        add("south", "Ade", i, 82 - 0.2 * i);
    }
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK);
    cr_expect_not(section.several_operators);
    end();
    memset(&section, 0, sizeof section);
    add("south", "Kim", 7, 81.3);
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK);
    cr_expect(section.several_operators);
}

Test(benches_between, one_bench_and_one_mounting_each_have_no_answer)
{
    add("north", "Kim", 1, 84);
    add("north", "Kim", 2, 85);
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK);
    cr_expect(!section.answered && strstr(section.why_not, "one bench only (north)") != NULL, "%s",
              section.why_not);
    end();
    memset(&section, 0, sizeof section);
    values.n = 0;
    for (int i = 0; i < 2; i++) {
        add("north", "Kim", 1, 84 + i);
        add("south", "Kim", 1, 82 + i);
    }
    cr_assert_eq(benches_between(&values, &section, &e), ERR_OK);
    cr_expect(!section.answered && strstr(section.why_not, "mounted the feeder once") != NULL, "%s",
              section.why_not);
}
