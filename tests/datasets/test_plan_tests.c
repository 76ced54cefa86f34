#include "datasets/format/plan.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(plan_tests, .init = scratch_begin, .fini = scratch_end);

/* Read the scratch plan with these lines under `tests:`, of which the first is line 32 of the file, the first
 * occurrence of from replaced by to; NULL for none. */
static enum err_code read_with(const char *tests, const char *from, const char *to, struct plan *p,
                               struct err *e)
{
    const char *begin = strstr(SCRATCH_PLAN, "tests:\n") + strlen("tests:\n");
    char text[8000];
    char *changed;
    enum err_code code;
    snprintf(text, sizeof text, "%.*s%send: true\n", (int)(begin - SCRATCH_PLAN), SCRATCH_PLAN, tests);
    changed = scratch_replace(text, from == NULL ? "end" : from, from == NULL ? "end" : to);
    memset(e, 0, sizeof *e);
    code = plan_read(scratch_write("plan.yaml", changed), p, e);
    free(changed);
    return code;
}

static struct plan good(const char *tests)
{
    struct plan p;
    struct err e;
    cr_assert_eq(read_with(tests, NULL, NULL, &p, &e), ERR_OK, "%ld:%ld: %s", (long)e.line, (long)e.column,
                 e.text);
    return p;
}

#define FREE_RUN "  - {test: free-run, speeds_mm_s: [4.75], travel_mm: 25.5}\n"
#define LOADED_FEED                                                                                          \
    "  - test: loaded-feed\n"                                                                                \
    "    speeds_mm_s: [4.75, 2.5]\n"                                                                         \
    "    brake_loads_n: [12.5, 31, 57.25]\n"                                                                 \
    "    nip_preloads_n: [20, 41.5]\n"                                                                       \
    "    travel_mm: 25.5\n"
#define PRELOAD_SWEEP                                                                                        \
    "  - test: preload-sweep\n"                                                                              \
    "    speeds_mm_s: [4.75]\n"                                                                              \
    "    nip_preloads_n: [0, 20.5, 63]\n"                                                                    \
    "    travel_mm: 25.5\n"
#define REVERSAL                                                                                             \
    "  - test: reversal\n"                                                                                   \
    "    speeds_mm_s: [4.75]\n"                                                                              \
    "    cycles: 2\n"                                                                                        \
    "    guide_tube_bends_deg: [0, 180]\n"                                                                   \
    "    travel_mm: 7.25\n"
#define MELT_PUSH                                                                                            \
    "  - test: melt-push\n"                                                                                  \
    "    rates_mm3_s: [2.5, 11]\n"                                                                           \
    "    hot_end_temperatures_c: [205, 232.5]\n"                                                             \
    "    travel_mm: 19\n"
#define ENDURANCE                                                                                            \
    "  - test: endurance\n"                                                                                  \
    "    speeds_mm_s: [4.75]\n"                                                                              \
    "    repeats: 17\n"                                                                                      \
    "    clean_every: 6\n"                                                                                   \
    "    travel_mm: 25.5\n"

Test(plan_tests, every_kind_is_read_with_what_it_has)
{
    struct plan p = good(FREE_RUN LOADED_FEED PRELOAD_SWEEP REVERSAL MELT_PUSH ENDURANCE);
    const struct plan_test *t = p.tests;
    cr_assert_eq(p.test_count, 6);
    cr_expect(t[0].kind == PLAN_FREE_RUN && t[0].speed_count == 1 && t[0].nip_preload_count == 0 &&
              t[0].cycles == 0 && t[0].repeats == 0);
    cr_expect(t[1].kind == PLAN_LOADED_FEED && t[1].speed_count == 2 && t[1].brake_load_count == 3 &&
              t[1].brake_loads_n[2] == 57.25 && t[1].nip_preload_count == 2 && t[1].nip_preloads_n[0] == 20);
    cr_expect(t[2].kind == PLAN_PRELOAD_SWEEP && t[2].nip_preload_count == 3 && t[2].nip_preloads_n[0] == 0 &&
              t[2].nip_preloads_n[1] == 20.5 && t[2].acceleration_mm_s2 == 200);
    cr_expect(t[3].kind == PLAN_REVERSAL && t[3].cycles == 2 && t[3].guide_tube_bend_count == 2 &&
              t[3].guide_tube_bends_deg[1] == 180 && t[3].travel_mm == 7.25);
    cr_expect(t[4].kind == PLAN_MELT_PUSH && t[4].rate_count == 2 && t[4].rates_mm3_s[1] == 11 &&
              t[4].speed_count == 0 && t[4].hot_end_temperature_count == 2 &&
              t[4].hot_end_temperatures_c[1] == 232.5);
    cr_expect(t[5].kind == PLAN_ENDURANCE && t[5].repeats == 17 && t[5].clean_every == 6);
    cr_expect_eq(plan_test_pushes(&t[0]), 1);
    cr_expect_eq(plan_test_pushes(&t[1]), 12);
    cr_expect_eq(plan_test_pushes(&t[2]), 3);
    cr_expect_eq(plan_test_pushes(&t[3]), 2);
    cr_expect_eq(plan_test_pushes(&t[4]), 4);
    cr_expect_eq(plan_test_pushes(&t[5]), 17);
}

Test(plan_tests, what_may_be_left_out_has_its_default)
{
    struct plan p =
        good("  - {test: reversal, speeds_mm_s: [4.75], travel_mm: 7.25}\n"
             "  - {test: melt-push, rates_mm3_s: [5.5], travel_mm: 19}\n"
             "  - {test: endurance, speeds_mm_s: [4.75], repeats: 3, travel_mm: 19}\n"
             "  - {test: speed-sweep, speeds_mm_s: [4.75], travel_mm: 19}\n"
             "  - {test: loaded-feed, speeds_mm_s: [4.75], brake_loads_n: [9.5], travel_mm: 19}\n");
    cr_expect(p.tests[0].cycles == 3 && p.tests[0].guide_tube_bend_count == 0);
    cr_expect(p.tests[1].hot_end_temperature_count == 0, "a melt-push without temperature can be read");
    cr_expect_eq(p.tests[2].clean_every, 0);
    cr_expect_eq(p.tests[3].speed_count, 1, "a sweep of one speed can be read");
    cr_expect_eq(p.tests[4].nip_preload_count, 0);
}

Test(plan_tests, a_rate_becomes_a_speed_by_the_feeders_own_filament)
{
    /* 2.405281875 mm2 of 1.75 mm filament, 6.379396582 mm2 of 2.85 mm. */
    struct plan_feeder f = {0};
    cr_expect_eq(plan_feed_mm_s(&f, 10), 0, "no diameter, no speed");
    f.conditions.stated[CONDITION_FILAMENT_DIAMETER_MM] = true;
    f.conditions.number[CONDITION_FILAMENT_DIAMETER_MM] = 1.75;
    cr_expect_float_eq(plan_feed_mm_s(&f, 10), 4.1575168808, 1e-10);
    f.conditions.number[CONDITION_FILAMENT_DIAMETER_MM] = 2.85;
    cr_expect_float_eq(plan_feed_mm_s(&f, 10), 10 / 6.379396582, 1e-9);
}

struct bad {
    const char *legend, *tests, *from, *to;
    int64_t line, column;
    const char *message;
};

static void expect_refused(const struct bad *rows, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        struct plan p;
        struct err e;
        enum err_code code = read_with(rows[i].tests, rows[i].from, rows[i].to, &p, &e);
        cr_expect(code == ERR_FILE && strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line &&
                      e.column == rows[i].column,
                  "%s: code %d, %ld:%ld: %s", rows[i].legend, code, (long)e.line, (long)e.column, e.text);
        /* One clear line, none of it cut off. */
        cr_expect(strlen(e.text) < 240 && strchr(e.text, '\n') == NULL, "%s", rows[i].legend);
    }
}

Test(plan_tests, a_key_of_another_kind_is_refused_by_name)
{
    static const struct bad rows[] = {
        {"loads of a free run", FREE_RUN, "travel_mm: 25.5", "travel_mm: 25.5, brake_loads_n: [3.5]", 32, 75,
         "brake_loads_n: only loaded-feed has brake loads"},
        {"preloads of a reversal", REVERSAL, "cycles: 2", "nip_preloads_n: [3.5]", 34, 21,
         "nip_preloads_n: only free-run, loaded-feed and preload-sweep have nip preloads"},
        {"preloads of an endurance", ENDURANCE, "clean_every: 6", "nip_preloads_n: [3.5]", 35, 21,
         "nip_preloads_n: only free-run, loaded-feed and preload-sweep have nip preloads"},
        {"rates of a sweep", PRELOAD_SWEEP, "speeds_mm_s", "rates_mm3_s", 33, 18,
         "rates_mm3_s: only melt-push has volumetric rates"},
        {"speeds of a melt push", MELT_PUSH, "rates_mm3_s", "speeds_mm_s", 33, 18,
         "speeds_mm_s: melt-push has rates_mm3_s, from which its speeds come"},
        {"speeds beside rates", MELT_PUSH, "travel_mm: 19", "travel_mm: 19\n    speeds_mm_s: [3]", 36, 18,
         "speeds_mm_s: melt-push has rates_mm3_s"},
        {"temperatures of a loaded feed", LOADED_FEED, "nip_preloads_n", "hot_end_temperatures_c", 35, 29,
         "hot_end_temperatures_c: only melt-push has hot end temperatures"},
        {"bends of a melt push", MELT_PUSH, "hot_end_temperatures_c", "guide_tube_bends_deg", 34, 27,
         "guide_tube_bends_deg: only reversal has bends of a guide tube"},
        {"cycles of a preload sweep", PRELOAD_SWEEP, "travel_mm: 25.5", "cycles: 3", 35, 13,
         "cycles: only reversal has cycles"},
        {"repeats of a reversal", REVERSAL, "cycles: 2", "repeats: 5", 34, 14,
         "repeats: only endurance has repeats"},
        {"cleaning in a free run", FREE_RUN, "speeds_mm_s: [4.75]", "clean_every: 5", 32, 35,
         "clean_every: only endurance has cleanings"},
    };
    expect_refused(rows, sizeof rows / sizeof rows[0]);
}

Test(plan_tests, what_a_kind_cannot_do_without_is_missed)
{
    static const struct bad rows[] = {
        {"no brake loads", LOADED_FEED, "    brake_loads_n: [12.5, 31, 57.25]\n", "", 32, 5,
         "'brake_loads_n' is missing"},
        {"no preloads", PRELOAD_SWEEP, "    nip_preloads_n: [0, 20.5, 63]\n", "", 32, 5,
         "'nip_preloads_n' is missing"},
        {"no rates", MELT_PUSH, "    rates_mm3_s: [2.5, 11]\n", "", 32, 5, "'rates_mm3_s' is missing"},
        {"no repeats", ENDURANCE, "    repeats: 17\n", "", 32, 5, "'repeats' is missing"},
        {"no speeds", REVERSAL, "    speeds_mm_s: [4.75]\n", "", 32, 5, "'speeds_mm_s' is missing"},
        {"no travel", MELT_PUSH, "    travel_mm: 19\n", "", 32, 5, "'travel_mm' is missing"},
        {"a misspelt ladder", LOADED_FEED, "nip_preloads_n", "nip_preload_n", 35, 5,
         "unknown key 'nip_preload_n'; did you mean 'nip_preloads_n'?"},
        {"misspelt cycles", REVERSAL, "cycles", "cyles", 34, 5, "did you mean 'cycles'?"},
        {"a rate without a diameter", MELT_PUSH, "  filament_diameter_mm: 1.74\n", "", 32, 18,
         "rates_mm3_s: feeder 'gear-8' has no filament_diameter_mm among its conditions"},
    };
    expect_refused(rows, sizeof rows / sizeof rows[0]);
}

Test(plan_tests, ladders_that_cannot_be_are_refused)
{
    static const struct bad rows[] = {
        {"a load of nothing", LOADED_FEED, "12.5", "0", 34, 21,
         "brake_loads_n: 0 N is no load; free-run is the test without one"},
        {"a load that pulls", LOADED_FEED, "12.5", "-12.5", 34, 21, "outside 0 to 10000 N"},
        {"a load past the limit", LOADED_FEED, "57.25", "180.5", 34, 31,
         "brake_loads_n: 180.5 N can never be fed against: the force limit is 180.5 N"},
        {"a load twice", LOADED_FEED, "57.25", "12.5", 34, 31,
         "brake_loads_n: 12.5 N occurs twice; repeats are set by blocks"},
        {"no loads", LOADED_FEED, "[12.5, 31, 57.25]", "[]", 34, 20, "brake_loads_n: the list is empty"},
        {"a load that is no list", LOADED_FEED, "[12.5, 31, 57.25]", "12.5", 34, 20, "a list is wanted"},
        {"a load in words", LOADED_FEED, "57.25", "heavy", 34, 31, "'heavy' is not a number"},
        {"a preload that pulls", PRELOAD_SWEEP, "[0,", "[-3,", 34, 22, "outside 0 to 1000 N"},
        {"a preload past the condition", PRELOAD_SWEEP, "63", "1000.5", 34, 31, "outside 0 to 1000 N"},
        {"a preload twice", PRELOAD_SWEEP, "63", "20.5", 34, 31, "20.5 N occurs twice"},
        {"a cold hot end", MELT_PUSH, "205", "-1", 34, 30, "outside 0 to 1000 °C"},
        {"a furnace", MELT_PUSH, "232.5", "1000.5", 34, 35, "outside 0 to 1000 °C"},
        {"a temperature twice", MELT_PUSH, "232.5", "205.0", 34, 35, "205 °C occurs twice"},
        {"a bend the wrong way", REVERSAL, "[0, 180]", "[-90]", 35, 28, "outside 0 to 3600 degrees"},
        {"a bend twice", REVERSAL, "[0, 180]", "[0, 180, 0]", 35, 36, "0 degrees occurs twice"},
        {"no rate", MELT_PUSH, "2.5", "0", 33, 19, "0 mm3/s (0 mm/s of 1.74 mm filament) is too slow"},
        {"a rate of almost nothing", MELT_PUSH, "2.5", "0.0237", 33, 19,
         "0.0237 mm3/s (0.009967 mm/s of 1.74 mm filament) is too slow: it must be above 0.01 mm/s"},
        {"a negative rate", MELT_PUSH, "2.5", "-2.5", 33, 19, "outside 0 to 10000 mm3/s"},
        {"a rate past all", MELT_PUSH, "11]", "1200]", 33, 24,
         "1200 mm3/s (504.7 mm/s of 1.74 mm filament) is too fast: at most 500 mm/s"},
        {"a rate twice", MELT_PUSH, "11]", "2.5]", 33, 24, "2.5 mm3/s occurs twice"},
        {"no cycle", REVERSAL, "cycles: 2", "cycles: 0", 34, 13, "cycles: 0 is outside 1 to 50"},
        {"too many cycles", REVERSAL, "cycles: 2", "cycles: 51", 34, 13, "cycles: 51 is outside 1 to 50"},
        {"half a cycle", REVERSAL, "cycles: 2", "cycles: 2.5", 34, 13, "not a whole number"},
        {"two repeats", ENDURANCE, "repeats: 17", "repeats: 2", 34, 14, "repeats: 2 is outside 3 to 1000"},
        {"a thousand and one", ENDURANCE, "repeats: 17", "repeats: 1001", 34, 14,
         "repeats: 1001 is outside 3 to 1000"},
        {"cleaned less than never", ENDURANCE, "every: 6", "every: -1", 35, 18, "clean_every: -1 is outside"},
    };
    expect_refused(rows, sizeof rows / sizeof rows[0]);
}

Test(plan_tests, limits_hold_for_every_kind)
{
    static const struct bad rows[] = {
        {"a way past the travel limit", REVERSAL, "7.25", "40.25", 36, 16,
         "travel_mm: 40.25 mm is past the travel limit of 40 mm"},
        /* One way takes 7.25 / 4.75 + 4.75 / 200 = 1.550 s, 2 * 10 of them 31.0 s. */
        {"more ways than there is time for", REVERSAL, "cycles: 2", "cycles: 10", 33, 19,
         "10 times 7.25 mm forward and back at 4.75 mm/s take 31 s, past the limit of 30 s"},
        /* 1.3 / (pi 0.87^2) = 0.546713 mm/s; 19 mm at that take 34.756 s. */
        {"a rate too slow for the time limit", MELT_PUSH, "2.5", "1.3", 33, 19,
         "19 mm of travel at 1.3 mm3/s (0.5467 mm/s of 1.74 mm filament) take 34.76 s"},
        {"an endurance too slow", ENDURANCE, "4.75", "0.8125", 33, 19, "take 31.39 s"},
        /* 11.9 mm drive: 11 / (pi 0.87^2) / (pi 11.9) * 1000 * 400 * 32 a second. */
        {"a rate of too many microsteps", MELT_PUSH, "reduction: 3.5", "reduction: 1000", 33, 24,
         "needs 1583862 microsteps a second of feeder 'gear-12'"},
        {"a preload sweep of too many microsteps", PRELOAD_SWEEP, "reduction: 3.5", "reduction: 1000", 33, 19,
         "4.75 mm/s needs 1626323 microsteps a second of feeder 'gear-12'"},
        {"more crossed ladders than a series holds", LOADED_FEED, "blocks: 2", "blocks: 42", 9, 9,
         "42 blocks make 1008 runs; at most 1000"},
        {"more repeats than a series holds", ENDURANCE, "repeats: 17", "repeats: 251", 9, 9,
         "2 blocks make 1004 runs; at most 1000"},
        {"more temperatures than a series holds", MELT_PUSH REVERSAL, "blocks: 2", "blocks: 84", 9, 9,
         "84 blocks make 1008 runs"},
    };
    expect_refused(rows, sizeof rows / sizeof rows[0]);
}

Test(plan_tests, as_many_cycles_as_there_is_time_for_are_allowed)
{
    struct plan p;
    struct err e;
    cr_expect_eq(read_with(REVERSAL, "cycles: 2", "cycles: 9", &p, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(read_with(REVERSAL, "cycles: 2", "cycles: 50", &p, &e), ERR_FILE);
    cr_expect_eq(read_with(LOADED_FEED, "blocks: 2", "blocks: 41", &p, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(read_with(ENDURANCE, "repeats: 17", "repeats: 250", &p, &e), ERR_OK, "%s", e.text);
}

Test(plan_tests, a_feeder_with_its_own_filament_has_its_own_limits)
{
    /* 1000 mm3/s are 420.5 mm/s of 1.74 mm filament but 565.9 mm/s of 1.5 mm. */
    struct plan p;
    struct err e;
    cr_expect_eq(read_with(MELT_PUSH, "11]", "1000]", &p, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(read_with("  - {test: melt-push, rates_mm3_s: [1000], travel_mm: 19}\n",
                           "{nip_preload_n: 39.25}", "{filament_diameter_mm: 1.5}", &p, &e),
                 ERR_FILE);
    cr_expect_not_null(strstr(e.text, "1000 mm3/s (565.9 mm/s of 1.5 mm filament) is too fast"), "%s",
                       e.text);
}

Test(plan_tests, new_conditions_are_read_and_a_plan_says_what_tests_set)
{
    struct plan p;
    struct err e;
    cr_assert_eq(read_with(REVERSAL, "  nip_preload_n: 41.5\n",
                           "  nip_preload_n: 41.5\n  filament_modulus_mpa: 3150\n  load_cell_seat: end\n"
                           "  hot_end: brass 0.4\n  guide_tube_bend_deg: 90\n  brake_load_n: 3.25\n"
                           "  hot_end_temperature_c: 215\n",
                           &p, &e),
                 ERR_OK, "%s", e.text);
    cr_expect_eq(p.feeders[1].conditions.number[CONDITION_FILAMENT_MODULUS_MPA], 3150);
    cr_expect_str_eq(conditions_word(&p.feeders[1].conditions, CONDITION_LOAD_CELL_SEAT), "end");
    cr_expect_eq(p.feeders[1].conditions.number[CONDITION_HOT_END_TEMPERATURE_C], 215);
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
        int set = 0;
        for (int id = 0; id < CONDITION_COUNT; id++)
            set += plan_test_sets((enum plan_test_kind)kind, (enum condition_id)id);
        cr_expect_eq(set,
                     kind == PLAN_LOADED_FEED ? 2
                     : kind == PLAN_FREE_RUN || kind == PLAN_PRELOAD_SWEEP || kind == PLAN_REVERSAL ||
                             kind == PLAN_MELT_PUSH
                         ? 1
                         : 0,
                     "%s", PLAN_TEST_NAMES[kind]);
    }
    cr_expect(plan_end_of(PLAN_FREE_RUN) == PLAN_END_FREE &&
              plan_end_of(PLAN_LOADED_FEED) == PLAN_END_BRAKE &&
              plan_end_of(PLAN_MELT_PUSH) == PLAN_END_HOT && plan_end_of(PLAN_REVERSAL) == PLAN_END_BLOCKED &&
              plan_end_of(PLAN_ENDURANCE) == PLAN_END_BLOCKED);
}

Test(plan_tests, a_plan_of_all_kinds_cut_short_anywhere_is_refused)
{
    static const char tests[] = FREE_RUN LOADED_FEED PRELOAD_SWEEP REVERSAL MELT_PUSH ENDURANCE;
    const char *begin = strstr(SCRATCH_PLAN, "tests:\n") + strlen("tests:\n");
    char text[8000];
    size_t from = (size_t)(begin - SCRATCH_PLAN);
    snprintf(text, sizeof text, "%.*s%send: true\n", (int)from, SCRATCH_PLAN, tests);
    for (size_t cut = from; cut < strlen(text) - 1; cut++) {
        struct plan p;
        struct err e = {0};
        enum err_code code = plan_read(scratch_write_bytes("plan.yaml", text, cut), &p, &e);
        cr_expect_eq(code, ERR_FILE, "cut at %zu: code %d: %s", cut, code, e.text);
    }
}
