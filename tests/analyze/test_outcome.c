#include "analyze/outcome.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct outcome o;

static void begin(void)
{
    quantity_init_numerics();
    outcome_init(&o, "loaded-feed");
}

static void end(void)
{
    outcome_free(&o);
}

TestSuite(outcome, .init = begin, .fini = end);

Test(outcome, new_one_is_empty_and_not_present)
{
    cr_expect_str_eq(o.test, "loaded-feed");
    cr_expect_not(o.present);
    cr_expect_eq(o.quantity_count + o.sentence_count + o.warning_count + o.chart_count, 0);
    outcome_free(NULL);
}

Test(outcome, quantity_is_found_by_key_and_setting)
{
    const struct quantity at_41 = quantity_from(23.17, 0.31, 7, 8), at_57 = quantity_from(31.94, 0.42, 7, 8);
    struct err e = {0};
    cr_assert_eq(outcome_add(&o, "onset_n", "at 41 N", "slip onset", "N", &at_41, NULL, true, &e), ERR_OK);
    cr_assert_eq(outcome_add(&o, "onset_n", "at 57 N", "slip onset", "N", &at_57, NULL, false, &e), ERR_OK);
    cr_expect_eq(outcome_find(&o, "onset_n", "at 57 N")->q.value, 31.94);
    cr_expect_eq(outcome_find(&o, "onset_n", NULL)->q.value, 23.17);
    cr_expect_null(outcome_find(&o, "onset_n", "at 60 N"));
    cr_expect_null(outcome_find(&o, "onset", NULL));
    cr_expect(outcome_find(&o, "onset_n", "at 41 N")->compared);
    cr_expect_not(outcome_find(&o, "onset_n", "at 57 N")->compared);
}

Test(outcome, same_key_and_setting_twice_is_refused)
{
    const struct quantity q = quantity_from(23.17, 0.31, 7, 8);
    struct err e = {0};
    cr_assert_eq(outcome_add(&o, "onset_n", NULL, "slip onset", "N", &q, NULL, true, &e), ERR_OK);
    cr_expect_eq(outcome_add(&o, "onset_n", "", "slip onset", "N", &q, NULL, true, &e), ERR_CALLER);
    cr_expect_eq(o.quantity_count, 1);
}

Test(outcome, text_that_does_not_fit_is_refused_and_nothing_is_added)
{
    const struct quantity q = quantity_from(23.17, 0.31, 7, 8);
    char text[200];
    struct err e = {0};
    memset(text, 'x', sizeof text);
    text[sizeof text - 1] = 0;
    cr_expect_eq(outcome_add(&o, text, "", "slip onset", "N", &q, NULL, true, &e), ERR_CALLER);
    cr_expect_eq(outcome_add(&o, "a", text, "slip onset", "N", &q, NULL, true, &e), ERR_CALLER);
    cr_expect_eq(outcome_add(&o, "a", "", text, "N", &q, NULL, true, &e), ERR_CALLER);
    cr_expect_eq(outcome_add(&o, "a", "", "slip onset", text, &q, NULL, true, &e), ERR_CALLER);
    cr_expect_eq(o.quantity_count, 0);
}

Test(outcome, more_quantities_than_there_is_room_for_are_refused)
{
    const struct quantity q = quantity_absent();
    struct err e = {0};
    char key[16];
    for (int i = 0; i < OUTCOME_QUANTITIES_MAX; i++) {
        snprintf(key, sizeof key, "key_%d", i);
        cr_assert_eq(outcome_add(&o, key, "", "a label", "N", &q, NULL, true, &e), ERR_OK);
    }
    cr_expect_eq(outcome_add(&o, "one_more", "", "a label", "N", &q, NULL, true, &e), ERR_CALLER);
    cr_expect_not(outcome_find(&o, "key_3", NULL)->q.present, "an absent quantity is kept");
}

Test(outcome, sentences_and_warnings_past_the_maximum_are_dropped_and_long_ones_cut)
{
    char text[400];
    memset(text, 'y', sizeof text);
    text[sizeof text - 1] = 0;
    for (int i = 0; i < OUTCOME_SENTENCES_MAX + 3; i++) {
        outcome_say(&o, "%d: %s", i, text);
        outcome_warn(&o, "%d: %s", i, text);
    }
    cr_expect_eq(o.sentence_count, OUTCOME_SENTENCES_MAX);
    cr_expect_eq(o.warning_count, OUTCOME_SENTENCES_MAX);
    cr_expect_eq(strlen(o.sentences[0]), sizeof o.sentences[0] - 1);
    cr_expect_eq(strncmp(o.warnings[15], "15: y", 5), 0);
}

Test(outcome, groups_of_a_chart_begin_with_values_that_are_not_there)
{
    struct outcome_chart *chart = outcome_add_chart(&o, "ripple");
    cr_assert_not_null(chart);
    cr_expect(isnan(chart->level_y));
    struct outcome_group *g = outcome_add_group(chart, "run 3", 5, 2);
    cr_assert_not_null(g);
    cr_expect(isnan(g->x[4]) && isnan(g->y_high[0]) && isnan(g->curve_low[1]) && !g->at_least[4]);
    cr_expect_not_null(outcome_add_group(chart, "none", 0, 0));
    for (int i = 2; i < OUTCOME_GROUPS_MAX; i++)
        cr_assert_not_null(outcome_add_group(chart, "more", 1, 1));
    cr_expect_null(outcome_add_group(chart, "too many", 1, 1));
    for (int i = 0; i < OUTCOME_MARKS_MAX + 2; i++)
        outcome_mark_x(chart, 1.7 * i, "mark");
    cr_expect_eq(chart->mark_count, OUTCOME_MARKS_MAX);
    cr_expect_not_null(outcome_add_chart(&o, "b"));
    cr_expect_not_null(outcome_add_chart(&o, "c"));
    cr_expect_null(outcome_add_chart(&o, "too many"));
}
