/* Ranking, groups, intervals together, what was accepted and what more repeats would bring: on page, terminal
 * and in results.json. */
#include "analyze/comparison.h"
#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/compare_text.h"
#include "analyze/report/figure.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The three pairs at the first speed, judged together: two are shown to differ, 1 and 2 are not. */
static struct session *judged_session(bool hostile)
{
    static const double DIFFERENCE_N[3] = {37.8, 36.9, -0.9};
    struct session *s = fixture_session(hostile);
    struct comparison_family *f = calloc(1, sizeof *f);
    cr_assert(s != NULL && f != NULL && s->comparison_count >= 3);
    for (size_t i = 0; i < 3; i++) {
        struct comparison *c = &s->comparisons[i];
        text_list_free(&c->reasons);
        c->scatter = NAN;
        c->difference = quantity_from(DIFFERENCE_N[i], 0.8, 6, 4);
        c->family = 0;
        c->family_low_95 = DIFFERENCE_N[i] - 2.4;
        c->family_high_95 = DIFFERENCE_N[i] + 2.4;
        c->has_p_value = true;
        c->shown = i < 2;
        c->p_value = c->p_value_family = c->p_value_unadjusted = i < 2 ? 1e-6 : 0.42;
        c->verdict = i < 2 ? VERDICT_A_HIGHER : VERDICT_NO_DIFFERENCE_SHOWN;
        c->method = DESIGN_METHOD_NAMES[DESIGN_BLOCKS_TUKEY];
        c->matters = 2;
        c->seen_difference = i < 2 ? NAN : 2.96;
        c->wanted_difference = i < 2 ? 0 : 2;
        c->wanted_repeats = i < 2 ? 0 : 9;
    }
    snprintf(f->quantity, sizeof f->quantity, "stall_force_n");
    snprintf(f->unit, sizeof f->unit, "N");
    f->speed_mm_s = s->comparisons[0].speed_mm_s;
    f->count = 3;
    f->members = calloc(3, sizeof *f->members);
    f->value = calloc(3, sizeof *f->value);
    f->letters = calloc(3, sizeof *f->letters);
    f->pairs = calloc(3, sizeof *f->pairs);
    cr_assert(f->members != NULL && f->value != NULL && f->letters != NULL && f->pairs != NULL);
    f->pair_count = 3;
    for (size_t i = 0; i < 3; i++)
        f->pairs[i] = i;
    f->members[0] = 0;
    f->members[1] = 2;
    f->members[2] = 1;
    f->value[0] = 118.2;
    f->value[1] = 81.3;
    f->value[2] = 80.4;
    strcpy(f->letters[0], "a");
    strcpy(f->letters[1], "b");
    strcpy(f->letters[2], "b");
    f->designed = true;
    f->design = (struct design_result){.method = DESIGN_BLOCKS_TUKEY,
                                       .groups = 3,
                                       .blocks = 4,
                                       .values = 11,
                                       .by_blocks = true,
                                       .incomplete = true,
                                       .feeders = {true, 812, 2, 5, 1e-6},
                                       .block = {true, 9.1, 3, 5, 0.018},
                                       .order = {true, 0.4, 1, 4, 0.56},
                                       .scatter = {true, 0.2, 2, INFINITY, 0.82},
                                       .residual_sd = 1.1,
                                       .degrees_of_freedom = 5,
                                       .count = {4, 3, 4}};
    s->families = f;
    s->family_count = s->adjusted_count = 1;
    return s;
}

static void free_judged(struct session *s)
{
    fixture_session_free(s);
}

static void accept_preload(struct session *s)
{
    for (size_t i = 1; i < 3; i++) {
        text_list_free(&s->comparisons[i].accepted);
        text_list_add(&s->comparisons[i].accepted, "nip preload: 40 N against 55 N (tolerance 2 N)");
    }
    s->accept[CONDITION_NIP_PRELOAD_N] = true;
}

Test(report_family, sentence_gives_the_interval_together_and_what_would_settle_it)
{
    struct session *s = judged_session(false);
    char *sentence = answer_sentence(s, &s->comparisons[0]);
    cr_expect_not_null(strstr(sentence, "gear-8mm pushes 37.8 N ± 2.0 N harder than gear-12mm"), "%s",
                       sentence);
    cr_expect_not_null(
        strstr(sentence, "(95 % interval 35.8 N to 39.8 N, together with all pairs 35.4 N to 40.2 N)"), "%s",
        sentence);
    cr_expect_null(strstr(sentence, "repeats"), "a difference that is shown needs no more repeats");
    free(sentence);
    sentence = answer_sentence(s, &s->comparisons[2]);
    cr_expect_not_null(strstr(sentence, "no difference shown in stall force"), "%s", sentence);
    cr_expect_not_null(strstr(sentence,
                              "These 4 repeats find a difference of 2.96 N in 80 % of such series; 9 repeats "
                              "of each feeder would find 2 N, which is what matters."),
                       "%s", sentence);
    free(sentence);
    s->comparisons[2].matters = NAN;
    s->comparisons[2].wanted_difference = 0.9;
    s->comparisons[2].wanted_repeats = 0;
    sentence = answer_sentence(s, &s->comparisons[2]);
    cr_expect_not_null(strstr(sentence, "0.9 N would take more repeats than anyone makes"), "%s", sentence);
    free(sentence);
    free_judged(s);
}

/* Intervals that leave out 0 beside "no difference shown" are no slip of the pen: the sentence says why. */
Test(report_family, sentence_tells_that_other_questions_were_asked)
{
    struct session *s = judged_session(false);
    struct comparison *c = &s->comparisons[2];
    char *sentence;
    s->adjusted_count = 3;
    c->p_value_family = 0.028;
    c->p_value = 0.084;
    sentence = answer_sentence(s, c);
    cr_expect_not_null(strstr(sentence, "no difference shown"), "%s", sentence);
    cr_expect_not_null(strstr(sentence, ". Asked alone it would be shown (p = 0.028); among the 3 questions "
                                        "asked here it is not (adjusted p = 0.084)."),
                       "%s", sentence);
    free(sentence);
    c->p_value_family = 0.06;
    sentence = answer_sentence(s, c);
    cr_expect_null(strstr(sentence, "Asked alone"), "%s", sentence);
    free(sentence);
    free_judged(s);
}

/* Feeders with different letters may be equivalent all the same, and an interval may reach past what
 * matters. */
Test(report_family, equivalent_feeders_that_differ_are_told_to)
{
    struct session *s = judged_session(false);
    struct comparison *c = &s->comparisons[2];
    char *sentence;
    c->verdict = VERDICT_EQUIVALENT;
    c->matters = 8;
    c->has_equivalence_p_value = true;
    c->equivalence_p_value = 0.033;
    sentence = answer_sentence(s, c);
    cr_expect_not_null(strstr(sentence, "equivalent within 8 N in stall force"), "%s", sentence);
    cr_expect_not_null(strstr(sentence, "; two one-sided tests: p = 0.033"), "%s", sentence);
    cr_expect_null(strstr(sentence, "they differ"), "%s", sentence);
    free(sentence);
    c->shown = true;
    sentence = answer_sentence(s, c);
    cr_expect_not_null(strstr(sentence, "; they differ, but by less than matters"), "%s", sentence);
    free(sentence);
    free_judged(s);
}

/* The interval of the lower feeder over the higher one is turned as a whole. */
Test(report_family, interval_of_the_second_feeder_is_turned)
{
    struct session *s = judged_session(false);
    struct comparison *c = &s->comparisons[0];
    char *sentence;
    c->verdict = VERDICT_B_HIGHER;
    c->difference = quantity_from(-37.8, 0.8, 6, 4);
    c->family_low_95 = -41;
    c->family_high_95 = -35;
    sentence = answer_sentence(s, c);
    cr_expect_not_null(
        strstr(sentence, "(95 % interval 35.8 N to 39.8 N, together with all pairs 35.0 N to 41.0 N)"), "%s",
        sentence);
    free(sentence);
    free_judged(s);
}

Test(report_family, two_feeders_have_one_interval)
{
    struct session *s = judged_session(false);
    s->families[0].count = 2;
    cr_expect_not(answer_simultaneous(s, &s->comparisons[0]).present);
    free_judged(s);
}

Test(report_family, equivalence_names_what_matters)
{
    struct session *s = judged_session(false);
    struct comparison *c = &s->comparisons[2];
    char *sentence;
    c->verdict = VERDICT_EQUIVALENT;
    c->has_equivalence_p_value = true;
    c->equivalence_p_value = 0.012;
    sentence = answer_sentence(s, c);
    cr_expect_not_null(strstr(sentence, "gear-12mm and gear-fine: equivalent within 2 N in stall force"),
                       "%s", sentence);
    cr_expect_null(strstr(sentence, "repeats"));
    free(sentence);
    free_judged(s);
}

Test(report_family, ranking_is_on_page_and_terminal)
{
    struct session *s = judged_session(false);
    char *page = page_output(s, OUTPUT_HTML), *text = page_output(s, OUTPUT_TEXT);
    const char *design =
        "Tukey-Kramer within blocks: 11 values in 4 blocks, of which some lack a feeder; not "
        "all feeders are alike (p &lt; 0.001); blocks differ (p = 0.018); an effect of the "
        "order of the runs is not shown (p = 0.56); that scatter differs is not shown, so "
        "it is pooled (p = 0.82).";
    cr_expect_not_null(strstr(page, "<h3>Ranking</h3>"));
    cr_expect_not_null(strstr(page, "<td class=\"number\">2</td><td>gear-fine</td><td "
                                    "class=\"number\">81.3 N</td><td><strong>b</strong></td><td "
                                    "class=\"number\">4</td>"));
    cr_expect_not_null(strstr(page, design));
    cr_expect_not_null(strstr(page, "no difference shown"));
    cr_expect_not_null(strstr(page, "together 35.4 N to 40.2 N"));
    cr_expect_not_null(strstr(text, "ranking: stall force at 10 mm/s\n 1  gear-8mm   118.2 N  a\n 2  "
                                    "gear-fine  81.3 N   b\n 3  gear-12mm  80.4 N   b\n"),
                       "%s", text);
    free(page);
    free(text);
    free_judged(s);
}

/* Beside every number that rests on it: sentence, ranking, table, picture, terminal, results.json. */
static char *terminal_output(const struct session *s, int width)
{
    char *text = NULL;
    size_t length = 0;
    struct err e;
    FILE *out = open_memstream(&text, &length);
    cr_assert_not_null(out);
    cr_assert_eq(compare_text_write(s, width, out, &e), ERR_OK);
    cr_assert_eq(fclose(out), 0);
    return text;
}

Test(report_family, terminal_of_80_columns_has_a_line_for_every_pair)
{
    struct session *s = judged_session(false);
    struct comparison *c = s->comparisons;
    char *text;
    for (size_t i = 0; i < 3; i++)
        c[i].resampled =
            (struct bootstrap_interval){true, c[i].difference.value - 0.6, c[i].difference.value + 0.7, 2000};
    text = terminal_output(s, 80);
    cr_expect_not_null(strstr(text, "\nStall force\n"
                                    "a          b          verdict"),
                       "%s", text);
    cr_expect_not_null(strstr(text, "\nat 10 mm/s\n"
                                    "gear-8mm   gear-12mm  a higher "),
                       "%s", text);
    cr_expect_not_null(strstr(text, "37.8 N ± 2.0 N   < 0.001  37.2 to 38.5 few\n"), "%s", text);
    cr_expect_not_null(strstr(text, "None shown: no difference shown;"));
    free(text);
    fixture_session_free(s);
}

Test(report_family, narrow_terminal_keeps_each_pair_under_its_speed)
{
    struct session *s = judged_session(false);
    char *text = terminal_output(s, 30);
    cr_expect_not_null(strstr(text, "\nStall force\nat 10 mm/s\na "), "%s", text);
    cr_expect_not_null(strstr(text, "\n\nat 40 mm/s\na "), "%s", text);
    free(text);
    fixture_session_free(s);
}

Test(report_family, accepted_conditions_stand_beside_every_number)
{
    struct session *s = judged_session(false);
    struct figures figures = {0};
    struct err e;
    json_t *root, *pairs;
    char *page, *text;
    const char *accepted = "Accepted: nip preload: 40 N against 55 N (tolerance 2 N)";
    accept_preload(s);
    page = page_output(s, OUTPUT_HTML);
    text = page_output(s, OUTPUT_TEXT);
    /* Two sentences, two rows of the table, one ranking, and what pushes hardest. */
    cr_expect_eq(page_count(page, accepted), 6, "%zu", page_count(page, accepted));
    cr_expect_eq(page_count(text, accepted), 3);
    cr_expect_eq(page_count(text, "pushes hardest of the 3 feeders"), 1, "%s", text);
    cr_expect_eq(page_count(text, " Beside gear-fine: Accepted: nip preload"), 1, "%s", text);
    cr_expect_eq(page_count(text, " N *  "), 2, "%s", text);
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_assert_str_eq(figures.figure[0].name, "differences");
    cr_expect_not_null(strstr(figures.figure[0].description, accepted));
    cr_expect_eq(page_count(figures.figure[0].script, "(accepted)"), 2);
    figures_free(&figures);
    free(page);
    free(text);
    text = page_output(s, OUTPUT_JSON);
    root = json_loads(text, 0, NULL);
    cr_assert_not_null(root);
    pairs = json_object_get(root, "comparisons");
    cr_expect_eq(json_array_size(json_object_get(json_array_get(pairs, 0), "accepted")), 0);
    cr_expect_eq(json_array_size(json_object_get(json_array_get(pairs, 1), "accepted")), 1);
    cr_expect_str_eq(json_string_value(json_array_get(json_object_get(root, "accept"), 0)), "nip_preload_n");
    json_decref(root);
    free(text);
    free_judged(s);
}

Test(report_family, results_hold_intervals_sizes_and_ranking)
{
    struct session *s = judged_session(false);
    char *text = page_output(s, OUTPUT_JSON);
    json_t *root = json_loads(text, 0, NULL), *c, *f, *ranking;
    cr_assert_not_null(root);
    c = json_array_get(json_object_get(root, "comparisons"), 2);
    cr_expect_float_eq(json_number_value(json_object_get(json_object_get(c, "simultaneous_95"), "low")), -3.3,
                       1e-9);
    cr_expect_eq(json_integer_value(json_object_get(c, "wanted_repeats")), 9);
    cr_expect_float_eq(json_number_value(json_object_get(c, "seen_difference")), 2.96, 1e-12);
    cr_expect(json_is_false(json_object_get(c, "shown")));
    cr_expect_eq(json_integer_value(json_object_get(c, "family")), 1);
    cr_expect(json_is_null(
        json_object_get(json_array_get(json_object_get(root, "comparisons"), 0), "wanted_repeats")));
    f = json_array_get(json_object_get(root, "families"), 0);
    ranking = json_object_get(f, "ranking");
    cr_expect_str_eq(json_string_value(json_object_get(json_array_get(ranking, 1), "feeder")), "gear-fine");
    cr_expect_str_eq(json_string_value(json_object_get(json_array_get(ranking, 1), "group")), "b");
    cr_expect_float_eq(json_number_value(json_object_get(
                           json_object_get(json_object_get(f, "design"), "block_effect"), "p_value")),
                       0.018, 1e-12);
    json_decref(root);
    free(text);
    free_judged(s);
}

Test(report_family, picture_has_both_intervals_and_what_matters)
{
    struct session *s = judged_session(false);
    struct figures figures = {0};
    struct err e;
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_not_null(strstr(figures.figure[0].data, ",gear-8mm,gear-12mm,10,37.8,"));
    cr_expect_not_null(strstr(figures.figure[0].data, ",35.4,40.2,2\n"), "%s", figures.figure[0].data);
    cr_expect_not_null(strstr(figures.figure[0].data, "not_shown,stall_force_n,gear-12mm,gear-fine"));
    cr_expect_not_null(strstr(figures.figure[0].script, "smallest difference that matters"));
    figures_free(&figures);
    free_judged(s);
}

/* Both forces are compared, so every run of both is there to be seen. */
Test(report_family, every_run_is_a_mark_in_the_pictures_of_both_forces)
{
    struct session *s = judged_session(false);
    struct figures figures = {0};
    struct err e;
    size_t stalls = 0, onsets = 0;
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    for (size_t i = 0; i < s->run_count; i++) {
        stalls += s->runs[i].analysed && s->runs[i].push.stall_force_n.present;
        onsets += s->runs[i].analysed && s->runs[i].push.slip_onset_n.present;
    }
    cr_assert(onsets > 0 && onsets < stalls);
    cr_assert_str_eq(figures.figure[1].name, "stall-force");
    cr_assert_str_eq(figures.figure[2].name, "slip-onset");
    cr_expect_eq(page_count(figures.figure[1].data, "\nrun"), stalls);
    cr_expect_eq(page_count(figures.figure[2].data, "\nrun"), onsets);
    /* The key names who has marks. */
    cr_expect_not_null(strstr(figures.figure[2].script, "title 'gear-fine'"));
    cr_expect_null(strstr(figures.figure[2].script, "title 'gear-8mm'"));
    figures_free(&figures);
    free_judged(s);
}

/* The levels on the page are those that decide. */
Test(report_family, method_names_the_levels_of_the_scatter_check)
{
    struct session *s = judged_session(false);
    char *page = page_output(s, OUTPUT_HTML), levels[80];
    snprintf(levels, sizeof levels, "(at %.0f %%, within blocks, where it sees less, at %.0f %%;",
             100 * DESIGN_SCATTER_LEVEL, 100 * DESIGN_SCATTER_LEVEL_BLOCKS);
    cr_expect_not_null(strstr(page, levels), "%s", levels);
    free(page);
    free_judged(s);
}

Test(report_family, hostile_names_stay_text)
{
    struct session *s = judged_session(true);
    char *page;
    accept_preload(s);
    text_list_free(&s->comparisons[1].accepted);
    text_list_add(&s->comparisons[1].accepted, "<script>alert(1)</script>");
    page = page_output(s, OUTPUT_HTML);
    cr_expect_null(strstr(page, "<script>"));
    page_expect_well_formed(page);
    free(page);
    free_judged(s);
}
