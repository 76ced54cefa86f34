/* Which run counts where the operator had some repeated. */
#include "datasets/format/series_repeats.h"

#include <criterion/criterion.h>
#include <string.h>

static struct run_record make(int number, int place, int repeats, enum run_end ended)
{
    struct run_record r = {.number = number, .plan_run = place, .repeats = repeats, .ended = ended};
    r.test = PLAN_BLOCKED_PUSH;
    r.speed_mm_s = 2.385;
    r.block = 2;
    strcpy(r.feeder, "gear-8");
    return r;
}

Test(series_repeats, a_sound_repeat_takes_the_place_of_the_first)
{
    struct run_record runs[] = {make(3, 0, 0, RUN_COMPLETE), make(4, 0, 0, RUN_COMPLETE),
                                make(5, 3, 3, RUN_LIMIT), make(6, 3, 5, RUN_COMPLETE)};
    struct err e;
    cr_assert_eq(series_repeats_settle("s", runs, 4, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(runs[0].repeated_by, 5);
    cr_expect_eq(runs[1].repeated_by, 0, "nobody had it repeated");
    cr_expect_eq(runs[2].repeated_by, 6, "a repeat may be repeated");
    cr_expect_eq(runs[3].repeated_by, 0, "the last one counts");
}

Test(series_repeats, a_run_counts_until_a_repeat_came_to_something)
{
    struct run_record runs[] = {make(3, 0, 0, RUN_COMPLETE), make(4, 3, 3, RUN_INTERRUPTED),
                                make(5, 3, 3, RUN_FAULT), make(6, 3, 3, RUN_COMPLETE)};
    struct err e;
    cr_assert_eq(series_repeats_settle("s", runs, 3, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(runs[0].repeated_by, 0, "both repeats were broken off");
    cr_assert_eq(series_repeats_settle("s", runs, 4, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(runs[0].repeated_by, 6);
}

Test(series_repeats, a_run_that_is_gone_changes_nothing)
{
    struct run_record runs[] = {make(4, 3, 3, RUN_COMPLETE)};
    struct err e;
    cr_expect_eq(series_repeats_settle("s", runs, 1, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(series_repeats_settle("s", NULL, 0, &e), ERR_OK, "%s", e.text);
}

/* Else any record could take any run out of the analysis. */
Test(series_repeats, a_run_of_another_place_cannot_be_repeated)
{
    for (int what = 0; what < 5; what++) {
        struct run_record runs[] = {make(3, 0, 0, RUN_COMPLETE), make(9, 3, 3, RUN_COMPLETE)};
        struct err e = {0};
        if (what == 0)
            runs[1].plan_run = 4;
        else if (what == 1)
            strcpy(runs[1].feeder, "gear-12");
        else if (what == 2)
            runs[1].test = PLAN_SPEED_SWEEP;
        else if (what == 3)
            runs[1].speed_mm_s = 4.5;
        else
            runs[1].block = 1;
        cr_expect_eq(series_repeats_settle("s", runs, 2, &e), ERR_FILE, "%d", what);
        cr_expect_str_eq(e.text, "run 9: repeats: run 3 is of another place in the plan than run 9");
        cr_expect_eq(runs[0].repeated_by, 0);
    }
}
