#include "analyze/interval_text.h"

#include <criterion/criterion.h>
#include <math.h>

TestSuite(interval_text, .init = quantity_init_numerics);

Test(interval_text, shows_two_digits_of_the_half_width)
{
    char text[INTERVAL_TEXT_MAX];
    struct quantity q = quantity_from(27.4137, 0.13, INFINITY, 5);
    cr_expect_str_eq(interval_text(&q, " N", text, sizeof text), "27.41 N (27.16 to 27.67)");
    q = quantity_from(0.000435281, 0.0000007, INFINITY, 5);
    cr_expect_str_eq(interval_text(&q, "", text, sizeof text), "0.0004353 (0.0004339 to 0.0004367)");
    q = quantity_from(312.7, 61.3, INFINITY, 5);
    cr_expect_str_eq(interval_text(&q, " N", text, sizeof text), "310 N (190 to 430)");
    /* Half of this interval is 0.996, which has its two digits in 1.0. */
    q = (struct quantity){.present = true, .value = 84.3271, .low_95 = 83.3311, .high_95 = 85.3231};
    cr_expect_str_eq(interval_text(&q, " N", text, sizeof text), "84.3 N (83.3 to 85.3)");
}

Test(interval_text, bounds_and_absent_values_have_words)
{
    char text[INTERVAL_TEXT_MAX];
    struct quantity q = quantity_at_least(70.93);
    cr_expect_str_eq(interval_text(&q, " N", text, sizeof text), "at least 70.93 N");
    q = quantity_absent();
    cr_expect_str_eq(interval_text(&q, " N", text, sizeof text), "unknown");
}
