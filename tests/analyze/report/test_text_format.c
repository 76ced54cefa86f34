#include "analyze/report/text_format.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What a writer makes of a text. The caller frees. */
static char *written(void (*writer)(FILE *, const char *), const char *text)
{
    char *result = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&result, &length);
    cr_assert_not_null(out);
    writer(out, text);
    fclose(out);
    return result;
}

static void expect_written(void (*writer)(FILE *, const char *), const char *text, const char *expected)
{
    char *result = written(writer, text);
    cr_expect_str_eq(result, expected, "from \"%s\"", text);
    free(result);
}

Test(text_format, a_value_is_rounded_to_two_digits_of_its_uncertainty)
{
    static const struct {
        double value, half;
        const char *text;
    } rows[] = {
        {84.3172, 1.6049, "84.3 N ± 1.6 N"},
        {84.3172, 0.0231, "84.317 N ± 0.023 N"},
        {84.3172, 12.31, "84 N ± 12 N"},
        {1234.7, 123.4, "1230 N ± 120 N"},
        {1236.2, 4567, "1200 N ± 4600 N"},
        {84.3172, 0.996, "84.3 N ± 1.0 N"},
        {84.3172, 9.96, "84 N ± 10 N"},
        {84.3172, 99.6, "80 N ± 100 N"},
        {-0.0031, 0.87, "0.00 N ± 0.87 N"},
        {-3.46, 0.87, "-3.46 N ± 0.87 N"},
        {0.000213, 0.0000218, "0.000213 N ± 0.000022 N"},
    };
    char text[TEXT_QUANTITY_SIZE];
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct quantity q = {.present = true,
                             .value = rows[i].value,
                             .low_95 = rows[i].value - rows[i].half,
                             .high_95 = rows[i].value + rows[i].half};
        cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), rows[i].text, "row %zu: %s", i, text);
    }
}

Test(text_format, a_bound_is_never_rounded_up)
{
    char text[TEXT_QUANTITY_SIZE];
    struct quantity q = quantity_at_least(44.87);
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "at least 44.8 N");
    q.value = 0.09999;
    cr_expect_str_eq(text_quantity(&q, "N m", text, sizeof text), "at least 0.0999 N m");
    q.value = 1239.6;
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "at least 1230 N");
    q.value = 55;
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "at least 55 N");
}

Test(text_format, an_interval_that_leans_is_written_out)
{
    char text[TEXT_QUANTITY_SIZE];
    struct quantity q = {.present = true, .value = 84.31, .low_95 = 80.12, .high_95 = 85.27};
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "84.3 N (95 % interval 80.1 N to 85.3 N)");
}

Test(text_format, what_is_not_known_is_said_in_words)
{
    char text[TEXT_QUANTITY_SIZE];
    struct quantity q = quantity_absent();
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "none");
    q = (struct quantity){.present = true, .value = 84.31, .low_95 = NAN, .high_95 = NAN};
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "84.3 N");
    cr_expect_str_eq(text_interval(&q, "N", text, sizeof text), "not known");
    q.value = INFINITY;
    cr_expect_str_eq(text_quantity(&q, "N", text, sizeof text), "not known N");
    q = (struct quantity){.present = true, .value = 1e300, .low_95 = -1e308, .high_95 = 1e308};
    cr_expect(strlen(text_quantity(&q, "N", text, sizeof text)) < TEXT_QUANTITY_SIZE);
}

Test(text_format, numbers_have_no_exponent_and_no_idle_zeros)
{
    char text[64];
    cr_expect_str_eq(text_number(10, 3, text, sizeof text), "10");
    cr_expect_str_eq(text_number(12.5, 3, text, sizeof text), "12.5");
    cr_expect_str_eq(text_number(0.04125, 2, text, sizeof text), "0.041");
    cr_expect_str_eq(text_number(1250, 3, text, sizeof text), "1250");
    cr_expect_str_eq(text_number(100, 2, text, sizeof text), "100");
    cr_expect_str_eq(text_number(-0.0, 3, text, sizeof text), "0");
    cr_expect_str_eq(text_p_value(0.000032, text, sizeof text), "p < 0.001");
    cr_expect_str_eq(text_p_value(0.0421, text, sizeof text), "p = 0.042");
    cr_expect_str_eq(text_p_value(1, text, sizeof text), "p = 1");
}

Test(text_format, html_text_cannot_open_a_tag_or_end_an_attribute)
{
    expect_written(text_html, "<script>a & 'b' \"c\"</script>",
                   "&lt;script&gt;a &amp; &#39;b&#39; &quot;c&quot;&lt;/script&gt;");
    expect_written(text_html, "a\nb\tc\x01\x1b[31m", "a?b?c??[31m");
    expect_written(text_html, "84 N ± 2 N", "84 N ± 2 N");
    expect_written(text_html, "\xFFx\xC3", "?x?");
}

Test(text_format, characters_that_turn_or_hide_text_are_replaced)
{
    expect_written(text_html, "a\xE2\x80\xAEz", "a?z");            /* right-to-left override */
    expect_written(text_html, "a\xE2\x81\xA6z", "a?z");            /* isolate */
    expect_written(text_html, "a\xE2\x80\x8Bz", "a?z");            /* zero width space */
    expect_written(text_html, "a\xEF\xBB\xBFz", "a?z");            /* byte order mark */
    expect_written(text_html, "a\xD8\x9Cz", "a?z");                /* Arabic letter mark */
    expect_written(text_html, "a\xE2\x80\x93z", "a\xE2\x80\x93z"); /* a dash is fine */
}

Test(text_format, gnuplot_text_stays_inside_its_quotes)
{
    expect_written(text_gnuplot, "`touch X`", "'`touch X`'");
    expect_written(text_gnuplot, "'; system(\"touch X\") #", "'''; system(\"touch X\") #'");
    expect_written(text_gnuplot, "a\nsystem('touch X')", "'a?system(''touch X'')'");
    expect_written(text_gnuplot, "ends in \\", "'ends in \\'");
    expect_written(text_gnuplot, "@x %s $y", "'@x %s $y'");
}

Test(text_format, csv_fields_are_quoted_only_where_they_must_be)
{
    expect_written(text_csv, "gear-8mm", "gear-8mm");
    expect_written(text_csv, "", "");
    expect_written(text_csv, "a,b", "\"a,b\"");
    expect_written(text_csv, "say \"x\"", "\"say \"\"x\"\"\"");
    expect_written(text_csv, "two\r\nlines", "two??lines");
}

Test(text_format, csv_text_never_becomes_a_formula)
{
    expect_written(text_csv, "=1+1", "\"'=1+1\"");
    expect_written(text_csv, "+1", "\"'+1\"");
    expect_written(text_csv, "-cmd", "\"'-cmd\"");
    expect_written(text_csv, "@SUM(1)", "\"'@SUM(1)\"");
    expect_written(text_csv, "\t=1", "?=1");
    expect_written(text_csv, "  =1", "\"'  =1\"");
    expect_written(text_csv,
                   "\xEF\xBC\x9D"
                   "1",
                   "\"'\xEF\xBC\x9D"
                   "1\"");
    /* With one more in front, one of the text's own is told from ours. */
    expect_written(text_csv, "'=1", "\"''=1\"");
    expect_written(text_csv, "'tis", "'tis");
    expect_written(text_csv, "8-12", "8-12");
    expect_written(text_csv_plain, "=a,\"b\" -8.5", "_a__b__-8.5");
    expect_written(text_csv_plain, "-a", "_a");
}

Test(text_format, csv_numbers_that_are_not_finite_are_empty)
{
    static const struct {
        double value;
        const char *text;
    } rows[] = {{NAN, ""}, {-INFINITY, ""}, {-0.0, "0"}, {118.4375, "118.4375"}, {-0.25, "-0.25"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *text = NULL;
        size_t length = 0;
        FILE *out = open_memstream(&text, &length);
        text_csv_number(out, rows[i].value);
        fclose(out);
        cr_expect_str_eq(text, rows[i].text);
        free(text);
    }
}

Test(text_format, units_are_written_as_people_write_them)
{
    cr_expect_str_eq(text_unit("mm3/s"), "mm³/s");
    cr_expect_str_eq(text_unit("1"), "", "a bare number");
    cr_expect_str_eq(text_unit("1/N"), "1/N");
    cr_expect_str_eq(text_unit("um"), "µm");
}
