/* The numbers themselves are held to variance_split, which has tests of its own. */
#include "analyze/benches_rig.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define ROWS 24

static struct benches_section section;
static struct err e;
static struct benches_value rows[ROWS];
static struct benches_values values = {rows, 0};

static void add(const char *feeder, const char *operator_name, size_t series, int block)
{
    double i = (double)values.n;
    rows[values.n++] =
        (struct benches_value){.feeder = feeder,
                               .bench = "north",
                               .operator_name = operator_name,
                               .refit = "",
                               .series = series,
                               .block = block,
                               .value = (strcmp(feeder, "gear-a") == 0 ? 80 : 91) + 0.4 * sin(7.7 * i) +
                                        0.8 * sin(5.3 * block + (double)series)};
    section.mounted = true;
}

TestSuite(benches_rig, .init = quantity_init_numerics);

Test(benches_rig, what_varied_is_a_source_and_the_rest_is_the_rigs_share)
{
    static const enum benches_factor factors[] = {BENCHES_FEEDER, BENCHES_OPERATOR, BENCHES_FEEDER_OPERATOR,
                                                  BENCHES_REFIT};
    static const size_t levels[] = {2, 2, 4, 12};
    double own = 0;
    for (int i = 0; i < ROWS; i++)
        add(i % 2 == 0 ? "gear-a" : "gear-b", i % 4 < 2 ? "Kim" : "Ade", 0, i / 8);
    cr_assert_eq(benches_rig(&values, &section, &e), ERR_OK, "%s", e.text);
    cr_assert(section.answered && section.factor_count == 4, "%s", section.why_not);
    cr_expect_str_eq(section.bench, "north");
    for (size_t k = 0; k < 4; k++)
        cr_expect(section.factors[k] == factors[k] && section.levels[k] == levels[k], "%zu", k);
    for (size_t k = 1; k < 5; k++)
        own += fmax(0, section.split.components[k].variance);
    cr_assert(section.has_own_share, "%s", section.why_no_share);
    cr_expect_float_eq(section.own_share, own / section.split.total_variance, 1e-12);
    cr_expect_float_eq(section.own_sd, sqrt(own), 1e-12);
    cr_expect_not(section.refits_alone);
}

Test(benches_rig, a_feeder_that_was_mounted_once_hides_what_a_mounting_brings)
{
    for (int i = 0; i < 8; i++)
        add(i < 4 ? "gear-a" : "gear-b", "Kim", 0, 1);
    cr_assert_eq(benches_rig(&values, &section, &e), ERR_OK);
    cr_assert(section.answered, "%s", section.why_not);
    cr_expect(!section.has_own_share && strstr(section.why_no_share, "mounted once") != NULL, "%s",
              section.why_no_share);
}

Test(benches_rig, one_feeder_and_one_of_each_are_told_apart)
{
    for (int i = 0; i < 6; i++)
        add("gear-a", i < 3 ? "Kim" : "Ade", 0, i);
    cr_assert_eq(benches_rig(&values, &section, &e), ERR_OK);
    cr_expect(section.answered && !section.has_own_share &&
                  strstr(section.why_no_share, "one feeder") != NULL,
              "%s", section.why_no_share);
    memset(&section, 0, sizeof section);
    values.n = 3;
    cr_assert_eq(benches_rig(&values, &section, &e), ERR_OK);
    cr_expect(!section.answered && strstr(section.why_not, "nothing to hold against") != NULL, "%s",
              section.why_not);
}

Test(benches_rig, more_refits_than_can_be_held_are_refused)
{
    static struct benches_value many[2 * (VARIANCE_SPLIT_LEVELS_MAX + 1)];
    const struct benches_values all = {many, 2 * (VARIANCE_SPLIT_LEVELS_MAX + 1)};
    for (size_t i = 0; i < all.n; i++)
        many[i] = (struct benches_value){.feeder = "gear-a",
                                         .bench = "north",
                                         .operator_name = "",
                                         .refit = "",
                                         .block = (int)(i / 2),
                                         .value = sin((double)i)};
    section.mounted = true;
    cr_assert_eq(benches_rig(&all, &section, &e), ERR_OK);
    cr_expect(!section.answered && strstr(section.why_not, "levels of refit") != NULL, "%s", section.why_not);
}
