#include "datasets/format/column.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static void assert_digits(double value, double expected, double relative)
{
    cr_assert(fabs(value / expected - 1) <= relative, "%.12g, expected %.12g", value, expected);
}

/* Euler's column formula; 1.75 mm filament of 3.5 GPa over 50 mm. The figures were worked out independently
 * from the formula. */
Test(column, euler_buckling_of_filament)
{
    const double e = 3.5e9, d = 1.75e-3, l = 50e-3;
    assert_digits(column_round_bar_moment_m4(d), 4.603859840e-13, 2e-10);
    assert_digits(column_euler_n(e, d, l, COLUMN_PINNED_PINNED), 6.361358547, 1e-10);
    assert_digits(column_euler_n(e, d, l, COLUMN_FIXED_FIXED), 25.445434188, 1e-10);
    assert_digits(column_euler_n(e, d, l, COLUMN_FIXED_FREE), 1.590339637, 3e-10);
}

/* Fixed at one end, pinned at the other: tan x = x with x = pi / K. */
Test(column, fixed_pinned_factor_solves_its_equation)
{
    double x = M_PI / COLUMN_FIXED_PINNED;
    assert_digits(COLUMN_FIXED_PINNED, 0.6991556597, 1e-10);
    cr_assert(fabs(tan(x) - x) < 1e-12, "%g", tan(x) - x);
    cr_assert(x > M_PI && x < 2 * M_PI);
}

static struct conditions column(double length_mm, double diameter_mm, double modulus_mpa)
{
    struct conditions c = {0};
    c.stated[CONDITION_FREE_LENGTH_MM] = true;
    c.number[CONDITION_FREE_LENGTH_MM] = length_mm;
    c.stated[CONDITION_FILAMENT_DIAMETER_MM] = true;
    c.number[CONDITION_FILAMENT_DIAMETER_MM] = diameter_mm;
    c.stated[CONDITION_FILAMENT_MODULUS_MPA] = modulus_mpa > 0;
    c.number[CONDITION_FILAMENT_MODULUS_MPA] = modulus_mpa;
    return c;
}

Test(column, a_push_past_the_buckling_load_is_warned_about_with_the_formula)
{
    /* 25.445434188 N, as above. */
    struct conditions c = column(50, 1.75, 3500);
    char text[256] = "";
    cr_assert(column_may_buckle(&c, 160.5, text, sizeof text));
    cr_expect_str_eq(text,
                     "free length 50 mm of 1.75 mm filament (modulus 3500 MPa) buckles at about 25.4 N "
                     "(Euler, pi^2 E I / (K L)^2, K = 0.5, both ends held), below the force of 160.5 N");
    cr_expect(column_may_buckle(&c, 25.4455, text, sizeof text), "just above it");
    cr_expect_not(column_may_buckle(&c, 25.4454, text, sizeof text), "just below it");
}

Test(column, a_modulus_that_nobody_stated_is_taken_and_said)
{
    /* 25.445434188 N * 2500 / 3500 = 18.17531 N. */
    struct conditions c = column(50, 1.75, 0);
    char text[256] = "";
    cr_assert(column_may_buckle(&c, 18.1754, text, sizeof text));
    cr_expect_not_null(strstr(text, "(modulus 2500 MPa, assumed as none is stated) buckles at about 18.2 N"),
                       "%s", text);
    cr_expect_not(column_may_buckle(&c, 18.1752, text, sizeof text));
}

Test(column, nothing_is_said_of_a_column_that_is_not_known)
{
    struct conditions c = column(50, 1.75, 3500);
    char text[256] = "untouched";
    c.stated[CONDITION_FREE_LENGTH_MM] = false;
    cr_expect_not(column_may_buckle(&c, 1e4, text, sizeof text));
    c = column(50, 1.75, 3500);
    c.stated[CONDITION_FILAMENT_DIAMETER_MM] = false;
    cr_expect_not(column_may_buckle(&c, 1e4, text, sizeof text));
    c = column(0, 1.75, 3500);
    cr_expect_not(column_may_buckle(&c, 1e4, text, sizeof text), "a free length of nothing cannot buckle");
    c = column(50, 1.75, 3500);
    cr_expect_not(column_may_buckle(&c, NAN, text, sizeof text));
    cr_expect_str_eq(text, "untouched");
    cr_expect(column_may_buckle(&c, 1e4, text, 9) && strlen(text) == 8, "a short buffer holds a part");
}
