#include "rig/base/number.h"

#include <criterion/criterion.h>
#include <string.h>

Test(number, whole_word_must_be_the_number)
{
    static const char *const bad[] = {"",      " ",   "12abc", "1.0x", "0x10", "nan", "inf",
                                      "1e999", "1,5", " 1",    "1 ",   "--1",  "e5",  "."};
    struct err e;
    double value = 2.385;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        cr_expect_eq(number_read_double(bad[i], -1e300, 1e300, "speed_mm_s", "mm/s", &value, &e), ERR_USAGE,
                     "'%s'", bad[i]);
        cr_expect_eq(value, 2.385, "'%s' changed the value", bad[i]);
        cr_expect(strstr(e.text, "speed_mm_s") != NULL, "'%s' lacks the name", bad[i]);
    }
    cr_assert_eq(number_read_double("-2.5e-3", -1, 1, "x", "", &value, &e), ERR_OK);
    cr_assert_float_eq(value, -0.0025, 1e-18);
}

Test(number, range_and_unit_are_in_the_message)
{
    struct err e;
    double value = 0;
    int64_t whole = 7;
    cr_assert_eq(number_read_double("900", 0.01, 500, "speed_mm_s", "mm/s", &value, &e), ERR_USAGE);
    cr_assert_str_eq(e.text, "speed_mm_s: 900 mm/s is outside 0.01 to 500 mm/s");
    cr_assert_eq(number_read_int64("99999999999999999999", 0, 10, "blocks", "", &whole, &e), ERR_USAGE);
    cr_assert_eq(whole, 7);
}

Test(number, whole_numbers_have_no_fraction)
{
    static const char *const bad[] = {"", "1.0", "1e3", "+", "-", " 5", "5 ", "5x"};
    struct err e;
    int64_t value = 31;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        cr_expect_eq(number_read_int64(bad[i], -100, 100, "blocks", "", &value, &e), ERR_USAGE, "'%s'",
                     bad[i]);
    cr_assert_eq(value, 31);
    cr_assert_eq(number_read_int64("-17", -100, 100, "blocks", "", &value, &e), ERR_OK);
    cr_assert_eq(value, -17);
}
