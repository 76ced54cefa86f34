/* Rows as text, against the C library's own formatting. */
#include "datasets/format/run_csv_row.h"

#include <criterion/criterion.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void check(const struct raw_sample *s)
{
    for (int encoder = 0; encoder < 2; encoder++) {
        /* What lies behind the row must stay as it is: rows are written one behind the other. */
        char text[2 * RUN_CSV_ROW_BYTES_MAX];
        char expected[RUN_CSV_ROW_BYTES_MAX];
        char counts[16] = "";
        size_t length;
        if (encoder == 1)
            snprintf(counts, sizeof counts, "%" PRId32, s->encoder_counts);
        snprintf(expected, sizeof expected, "%" PRId64 ",%" PRId32 ",%" PRId32 ",%s,%u\n", s->time_us,
                 s->force_counts, s->commanded_steps, counts, s->flags);
        memset(text, '#', sizeof text);
        length = run_csv_format_row(s, encoder == 1, text);
        cr_assert_eq(length, strlen(expected), "%zu bytes for %s", length, expected);
        cr_assert_arr_eq(text, expected, length, "%.*s for %s", (int)length, text, expected);
        cr_assert(length < RUN_CSV_ROW_BYTES_MAX);
        cr_assert_eq(text[length], '#', "behind %s", expected);
    }
}

Test(run_csv_row, every_number_of_digits_and_every_carry)
{
    static const uint8_t FLAGS[] = {0, 7, 9, 10, 11, 99, 100, 255};
    int64_t power = 1;
    for (int digits = 0; digits < 19; digits++) {
        for (int64_t step = -1; step <= 1; step++) {
            for (int sign = -1; sign <= 1; sign += 2) {
                const int64_t value = sign * (power + step);
                const int32_t counts = (int32_t)(value % INT32_MAX);
                const struct raw_sample s = {.time_us = value,
                                             .force_counts = counts,
                                             .commanded_steps = -counts,
                                             .encoder_counts = counts / 7,
                                             .flags = FLAGS[digits % 8]};
                check(&s);
            }
        }
        power = digits < 18 ? power * 10 : power;
    }
}

Test(run_csv_row, the_ends_of_each_range)
{
    static const struct raw_sample ENDS[] = {{INT64_MAX, INT32_MAX, INT32_MAX, INT32_MAX, UINT8_MAX},
                                             {INT64_MIN, INT32_MIN, INT32_MIN, INT32_MIN, UINT8_MAX},
                                             {UINT32_MAX, INT32_MIN + 1, -1, 1, 0},
                                             {(int64_t)UINT32_MAX + 1, 0, 0, 0, 1}};
    for (size_t i = 0; i < sizeof ENDS / sizeof ENDS[0]; i++)
        check(&ENDS[i]);
}

Test(run_csv_row, small_numbers_all)
{
    for (int32_t i = -12345; i <= 12345; i++) {
        const struct raw_sample s = {i, i, 3 * i, 11 * i, (uint8_t)i};
        check(&s);
    }
}

Test(run_csv_row, random_numbers_of_every_size)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    uint64_t state = text != NULL ? strtoull(text, NULL, 10) : 20270311u;
    printf("random_numbers_of_every_size: NIPBENCH_TEST_SEED=%" PRIu64 "\n", state);
    for (int i = 0; i < 200000; i++) {
        uint64_t drawn[5];
        for (int j = 0; j < 5; j++) {
            state = state * 6364136223846793005u + 1442695040888963407u;
            drawn[j] = state >> (state >> 58); /* by as many bits as not, so that all lengths come up */
        }
        const struct raw_sample s = {(int64_t)drawn[0], (int32_t)(uint32_t)drawn[1],
                                     (int32_t)(uint32_t)drawn[2], (int32_t)(uint32_t)drawn[3],
                                     (uint8_t)drawn[4]};
        check(&s);
    }
}

Test(run_csv_row, rows_together_are_the_rows_one_by_one)
{
    static struct raw_sample rows[700];
    static char together[700 * RUN_CSV_ROW_BYTES_MAX];
    static char single[700 * RUN_CSV_ROW_BYTES_MAX];
    uint64_t state = 71;
    for (size_t i = 0; i < 700; i++) {
        /* One thing at a time changes, so that each must be seen; often nothing does. */
        state = state * 6364136223846793005u + 1442695040888963407u;
        if (i > 0)
            rows[i] = rows[i - 1];
        rows[i].time_us = (int64_t)i * 997;
        rows[i].force_counts = (int32_t)(state >> 40) - 3000000;
        if (state >> 61 == 0)
            rows[i].commanded_steps += 97;
        if (state >> 61 == 1)
            rows[i].encoder_counts -= 1013;
        if (state >> 61 == 2)
            rows[i].flags = (uint8_t)(rows[i].flags ^ 8u);
    }
    for (int encoder = 0; encoder < 2; encoder++) {
        for (size_t count = 0; count <= 700; count += 1 + count / 2) {
            size_t length = 0;
            for (size_t i = 0; i < count; i++)
                length += run_csv_format_row(&rows[i], encoder == 1, single + length);
            cr_assert_eq(run_csv_format_rows(rows, count, encoder == 1, together), length);
            cr_assert_arr_eq(together, single, length);
        }
    }
}
