#include "analyze/calibration_choice.h"

#include <criterion/criterion.h>
#include <string.h>

static const char *const SERIES[] = {"north/", "a=b", "data/south", "a"};
#define COUNT (sizeof SERIES / sizeof SERIES[0])

static const char *files[COUNT];
static struct err e;

static enum err_code choose(const char *first, const char *second)
{
    const char *const words[] = {first, second};
    return calibration_choice(words, second == NULL ? 1 : 2, SERIES, COUNT, files, &e);
}

static void expect(const char *const *wanted)
{
    for (size_t i = 0; i < COUNT; i++) {
        if (wanted[i] == NULL)
            cr_expect_null(files[i], "%zu: %s", i, files[i]);
        else
            cr_expect(files[i] != NULL && strcmp(files[i], wanted[i]) == 0, "%zu: %s", i, files[i]);
    }
}

Test(calibration_choice, a_file_is_for_every_series)
{
    static const char *const wanted[] = {"x/c.json", "x/c.json", "x/c.json", "x/c.json"};
    cr_assert_eq(choose("x/c.json", NULL), ERR_OK, "%s", e.text);
    expect(wanted);
}

Test(calibration_choice, a_series_is_found_with_and_without_its_slash)
{
    static const char *const wanted[] = {"c.json", NULL, "d.json", NULL};
    cr_assert_eq(choose("north=c.json", "data/south//=d.json"), ERR_OK, "%s", e.text);
    expect(wanted);
}

Test(calibration_choice, one_for_a_series_goes_before_one_for_all)
{
    static const char *const wanted[] = {"all.json", "all.json", "d.json", "all.json"};
    cr_assert_eq(choose("all.json", "data/south=d.json"), ERR_OK, "%s", e.text);
    expect(wanted);
    cr_assert_eq(choose("data/south=d.json", "all.json"), ERR_OK, "%s", e.text);
    expect(wanted);
}

Test(calibration_choice, names_may_hold_the_sign)
{
    static const char *const series_first[] = {NULL, NULL, NULL, "b=c.json"};
    /* Both a and a=b are series: the shortest name is taken. */
    cr_assert_eq(choose("a=b=c.json", NULL), ERR_OK, "%s", e.text);
    expect(series_first);
    cr_assert_eq(calibration_choice((const char *const[]){"a=b=c.json"}, 1, SERIES, 3, files, &e), ERR_OK);
    cr_expect(files[1] != NULL && strcmp(files[1], "c.json") == 0, "%s", files[1]);
}

Test(calibration_choice, wrong_words_are_named)
{
    static const struct {
        const char *first, *second, *says;
    } rows[] = {{"c.json", "d.json", "'d.json' is a second one for every series"},
                {"north=c.json", "north/=d.json", "'north/=d.json' is a second one for north/"},
                {"nort=c.json", NULL, "before '=' in 'nort=c.json' is no series"},
                {"north=", NULL, "'north=' names no file"},
                {"", NULL, "'' names no file"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        cr_expect_eq(choose(rows[i].first, rows[i].second), ERR_USAGE, "%zu", i);
        cr_expect(strstr(e.text, rows[i].says) != NULL, "%s", e.text);
    }
    cr_expect_eq(calibration_choice((const char *const[]){"c.json"}, 1, NULL, 0, NULL, &e), ERR_USAGE);
    cr_expect(strstr(e.text, "no series is given that 'c.json'") != NULL, "%s", e.text);
    cr_expect_eq(calibration_choice(NULL, 0, NULL, 0, NULL, &e), ERR_OK);
}
