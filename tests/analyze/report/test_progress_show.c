#include "analyze/report/progress_show.h"

#include <criterion/criterion.h>
#include <stdlib.h>

/* The clock is the real one here, and no test waits for it: what is written when, test_progress_status.c
 * asks. */
Test(progress_show, nobody_who_looks_is_no_trouble)
{
    progress_begin(NULL, "analysing runs", 1, 1);
    progress_add(NULL, 1, 1);
    cr_expect_null(progress_show_counters(NULL));
    progress_show_erase(NULL);
    progress_show_end(NULL);
    progress_show_free(NULL);
}

Test(progress_show, short_work_writes_nothing_and_ends_at_once)
{
    char *seen = NULL;
    size_t bytes = 0;
    FILE *to = open_memstream(&seen, &bytes);
    struct progress_show *show = progress_show_new(to, 80);
    cr_assert_not_null(show);
    progress_begin(progress_show_counters(show), "analysing runs", 2, 2);
    progress_add(progress_show_counters(show), 1, 1);
    progress_show_erase(show);
    progress_show_end(show);
    progress_show_end(show);
    progress_show_erase(show);
    progress_show_free(show);
    fclose(to);
    cr_expect_eq(bytes, 0, "%s", seen);
    free(seen);
}

Test(progress_show, a_new_step_begins_at_nothing)
{
    static struct progress progress;
    progress_begin(&progress, "analysing runs", 40, 120);
    progress_add(&progress, 1, 3);
    progress_add(&progress, 2, 7);
    cr_expect_eq(progress.items, 3);
    cr_expect_eq(progress.done, 10);
    cr_expect_eq(progress.step % 2, 0, "it is begun");
    progress_begin(&progress, "comparing feeders", 0, 0);
    cr_expect_eq(progress.items + progress.item_count + progress.done + progress.total, 0);
    cr_expect_str_eq(progress.doing, "comparing feeders");
    cr_expect_eq(progress.step, 4);
}
