#include "analyze/numerics/dent.h"

#include <criterion/criterion.h>
#include <math.h>

Test(dent, it_begins_past_the_last_preload_that_does_not_show_it)
{
    const struct dent_level levels[] = {{31.3, 1.0027, 0.0003, 5},
                                        {57.9, 1.0031, 0.0004, 5},
                                        {83.3, 0.9958, 0.0004, 5},
                                        {111.7, 0.9871, 0.0003, 5}};
    struct dent d = dent_find(levels, 4);
    cr_assert(d.found);
    cr_expect_float_eq(d.within_n, 57.9, 1e-9);
    cr_expect_float_eq(d.from_n, 83.3, 1e-9);
    cr_expect_float_eq(d.shrink, 0.0156, 1e-9);
    cr_expect_float_eq(d.standard_error, 0.0003 * sqrt(2.0), 1e-9);
    cr_expect_float_eq(d.degrees_of_freedom, 10, 1e-6);
}

Test(dent, what_chance_or_growth_can_do_is_none)
{
    /* 2.3 standard errors: not enough where three preloads have the chance. */
    const struct dent_level chance[] = {{31.3, 1.0027, 0.0010, 5},
                                        {57.9, 1.0031, 0.0010, 5},
                                        {83.3, 1.0024, 0.0010, 5},
                                        {111.7, 0.9995, 0.0010, 5}};
    const struct dent_level grows[] = {{31.3, 0.9927, 0.0002, 5}, {57.9, 1.0031, 0.0002, 5}};
    cr_expect(!dent_find(chance, 4).found);
    cr_expect(!dent_find(grows, 2).found);
    cr_expect(!dent_find(grows, 1).found);
    cr_expect(!dent_find(grows, 0).found);
}

Test(dent, a_dip_that_the_greatest_preload_does_not_show_is_none)
{
    const struct dent_level dip[] = {
        {31.3, 1.0027, 0.0003, 5}, {57.9, 0.9858, 0.0004, 5}, {83.3, 1.0022, 0.0004, 5}};
    cr_expect(!dent_find(dip, 3).found);
}
