#include "datasets/format/date_time.h"

#include <criterion/criterion.h>

/* Seconds by GNU date: date -u -d TEXT +%s. */
Test(date_time, dates_become_seconds)
{
    static const struct {
        const char *text;
        int64_t unix_s;
    } rows[] = {
        {"1970-01-01", 0},
        {"2031-04-05", INT64_C(1933113600)},
        {"2031-04-05T16:07:08Z", INT64_C(1933171628)},
        {"2031-04-05T16:07:08.936Z", INT64_C(1933171628)},
        {"2031-04-05T16:07:08+02:30", INT64_C(1933162628)},
        {"2031-04-05T16:07:08-05:00", INT64_C(1933189628)},
        {"2028-02-29T23:59:60Z", INT64_C(1835481600)},
        {"1899-12-31T01:02:03Z", INT64_C(-2209071477)},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        int64_t unix_s = -7;
        cr_expect(date_time_read(rows[i].text, &unix_s), "%s", rows[i].text);
        cr_expect_eq(unix_s, rows[i].unix_s, "%s: %lld", rows[i].text, (long long)unix_s);
    }
}

Test(date_time, what_is_no_date_is_refused)
{
    static const char *const rows[] = {"",
                                       "today",
                                       "2031-4-5",
                                       "2031-13-05",
                                       "2031-00-05",
                                       "2031-04-31",
                                       "2030-02-29",
                                       "2100-02-29",
                                       "2031-04-05 16:07:08Z",
                                       "2031-04-05T16:07:08",
                                       "2031-04-05T24:07:08Z",
                                       "2031-04-05T16:60:08Z",
                                       "2031-04-05T16:07:61Z",
                                       "2031-04-05T16:07:08.Z",
                                       "2031-04-05T16:07:08Zx",
                                       "2031-04-05T16:07:08+2:00",
                                       "2031-04-05T16:07:08+24:00",
                                       "2031-04-05T16:07Z"};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        int64_t unix_s = 4711;
        cr_expect_not(date_time_read(rows[i], &unix_s), "'%s'", rows[i]);
        cr_expect_eq(unix_s, 4711);
    }
}

Test(date_time, seconds_become_dates_and_are_read_back)
{
    static const int64_t seconds[] = {0, INT64_C(1933171628), INT64_C(-2209071477), INT64_C(253402300799)};
    char text[DATE_TIME_SIZE];
    cr_expect_str_eq(date_time_write(INT64_C(1933171628), text), "2031-04-05T16:07:08Z");
    cr_expect_str_eq(date_time_write(INT64_MAX, text), "9999-12-31T23:59:59Z");
    cr_expect_str_eq(date_time_write(INT64_MIN, text), "0000-01-01T00:00:00Z");
    for (size_t i = 0; i < sizeof seconds / sizeof seconds[0]; i++) {
        int64_t back = 0;
        cr_expect(date_time_read(date_time_write(seconds[i], text), &back), "%s", text);
        cr_expect_eq(back, seconds[i], "%s", text);
    }
}
