#include "datasets/format/calibration_put.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(calibration_put, .init = scratch_begin, .fini = scratch_end);

static size_t files_in_scratch(void)
{
    DIR *folder = opendir(scratch_path("."));
    size_t count = 0;
    for (const struct dirent *entry = readdir(folder); entry != NULL; entry = readdir(folder))
        count += entry->d_name[0] != '.';
    closedir(folder);
    return count;
}

/* scratch_calibration is dated 2031-04-05T16:07:08+02:00. */
#define KEPT "c-2031-04-05T160708+0200"

static struct calibration_put_outcome put(double slope)
{
    struct calibration c = scratch_calibration();
    struct calibration_put_outcome outcome;
    struct err e;
    c.coefficients[1] = slope;
    cr_assert_eq(calibration_put(scratch_path("c.json"), &c, &outcome, &e), ERR_OK, "%s", e.text);
    return outcome;
}

static double slope_of(const char *name)
{
    struct calibration c;
    struct err e;
    cr_assert_eq(calibration_read(scratch_path(name), &c, &e), ERR_OK, "%s: %s", name, e.text);
    return c.coefficients[1];
}

Test(calibration_put, each_one_that_was_is_kept_byte_for_byte)
{
    struct calibration_put_outcome outcome = put(1042.5);
    char *before, *after;
    cr_expect(outcome.kept[0] == 0 && !outcome.unchanged && files_in_scratch() == 1);
    before = scratch_read("c.json");
    outcome = put(1043.5);
    cr_expect_not_null(strstr(outcome.kept, "/" KEPT ".json"), "%s", outcome.kept);
    after = scratch_read(KEPT ".json");
    cr_expect_str_eq(after, before);
    outcome = put(1044.5);
    cr_expect_not_null(strstr(outcome.kept, "/" KEPT "-2.json"), "%s", outcome.kept);
    cr_expect(slope_of(KEPT ".json") == 1042.5 && slope_of(KEPT "-2.json") == 1043.5 &&
              slope_of("c.json") == 1044.5);
    cr_expect_eq(files_in_scratch(), 3);
    free(before);
    free(after);
}

Test(calibration_put, the_same_again_changes_nothing)
{
    struct calibration_put_outcome outcome;
    put(1042.5);
    outcome = put(1042.5);
    cr_expect(outcome.unchanged && outcome.kept[0] == 0 && files_in_scratch() == 1);
    put(1043.5);
    put(1042.5); /* what is kept already is not kept twice */
    outcome = put(1043.5);
    cr_expect_not_null(strstr(outcome.kept, "/" KEPT ".json"));
    cr_expect_eq(files_in_scratch(), 3);
}

Test(calibration_put, what_is_no_calibration_is_not_replaced)
{
    struct calibration c = scratch_calibration();
    struct calibration_put_outcome outcome;
    struct err e = {0};
    char *left;
    scratch_write("c.json", "{\"mine\": 1}");
    cr_expect_eq(calibration_put(scratch_path("c.json"), &c, &outcome, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "it is not replaced: move it away"), "%s", e.text);
    left = scratch_read("c.json");
    cr_expect_str_eq(left, "{\"mine\": 1}");
    cr_expect_eq(files_in_scratch(), 1);
    free(left);
}

Test(calibration_put, a_calibration_that_cannot_be_written_leaves_all_as_it_was)
{
    struct calibration c = scratch_calibration();
    struct calibration_put_outcome outcome;
    struct err e = {0};
    put(1042.5);
    c.coefficients[1] = 0;
    cr_expect_neq(calibration_put(scratch_path("c.json"), &c, &outcome, &e), ERR_OK);
    cr_expect(slope_of("c.json") == 1042.5 && files_in_scratch() == 1 && outcome.kept[0] == 0);
}

Test(calibration_put, foreign_files_under_the_names_are_left_alone_and_there_is_an_end_to_names)
{
    struct calibration c = scratch_calibration();
    struct calibration_put_outcome outcome;
    struct err e = {0};
    char name[64];
    char *left;
    put(1042.5);
    scratch_write(KEPT ".json", "notes");
    for (int i = 2; i <= 99; i++) {
        snprintf(name, sizeof name, KEPT "-%d.json", i);
        scratch_write(name, "notes");
    }
    cr_expect_eq(calibration_put(scratch_path("c.json"), &c, &outcome, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "99 versions"), "%s", e.text);
    cr_expect(slope_of("c.json") == 1042.5 && files_in_scratch() == 100);
    left = scratch_read(KEPT ".json");
    cr_expect_str_eq(left, "notes");
    free(left);
}
