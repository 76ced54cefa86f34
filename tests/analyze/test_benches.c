/* Benches held against each other, and the split of one bench's scatter, from sessions and tables put
 * together by hand. The numbers themselves are held to the numerics, which have tests of their own. */
#include "analyze/benches.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FEEDERS 24
#define RUNS    200
#define SERIES  12

struct bed {
    struct session session;
    struct series series[SERIES];
    struct series *series_pointers[SERIES];
    struct feeder_result feeders[FEEDERS];
    struct run_result runs[RUNS];
    struct run_record records[RUNS];
    struct conditions ranges[2];
};
static struct bed *b;
static struct benches result;
static struct err e;

static void begin(void)
{
    quantity_init_numerics();
    b = calloc(1, sizeof *b);
    cr_assert_not_null(b);
    b->session = (struct session){.series = b->series_pointers, .runs = b->runs, .feeders = b->feeders};
    memset(&result, 0, sizeof result);
}

static void end(void)
{
    benches_free(&result);
    free(b);
}

TestSuite(benches, .init = begin, .fini = end);

#define EQUAL(x, y) cr_expect_float_eq(x, y, 1e-9, #x " is %.10g, not %.10g", (double)(x), (double)(y))

static size_t add_series(const char *bench, const char *operator_name)
{
    size_t i = b->session.series_count++;
    struct series *s = &b->series[i];
    b->series_pointers[i] = s;
    snprintf(s->plan.bench, sizeof s->plan.bench, "%s", bench);
    snprintf(s->plan.operator_name, sizeof s->plan.operator_name, "%s", operator_name);
    for (size_t k = 0; k < CONDITION_COUNT; k++)
        s->plan.tolerance[k] = CONDITION_KINDS[k].tolerance;
    s->plan.tolerance[CONDITION_NIP_PRELOAD_N] = 2.5;
    return i;
}

/* A feeder of the session: of that series, which it is named after as the session does. */
static size_t add_feeder(const char *name, size_t series)
{
    struct feeder_result *f = &b->feeders[b->session.feeder_count];
    snprintf(f->name, sizeof f->name, "%s (series %zu)", name, series + 1);
    f->series = series;
    f->conditions.stated[CONDITION_NIP_PRELOAD_N] = true;
    f->conditions.number[CONDITION_NIP_PRELOAD_N] = 41.3;
    return b->session.feeder_count++;
}

static struct run_result *add_run(size_t feeder, const char *name, double speed_mm_s, int block,
                                  double stall_n)
{
    size_t at = b->session.run_count++;
    struct run_record *record = &b->records[at];
    record->speed_mm_s = speed_mm_s;
    record->block = block;
    snprintf(record->feeder, sizeof record->feeder, "%s", name);
    b->runs[at] = (struct run_result){
        .series = b->feeders[feeder].series, .feeder = feeder, .record = record, .analysed = true};
    b->runs[at].push.stall_force_n = quantity_from(stall_n, 0.4, 7, 6);
    return &b->runs[at];
}

/* One feeder in one series, a run a block. */
static size_t add_pushes(const char *name, size_t series, double speed_mm_s, const double *stall_n, size_t n)
{
    size_t feeder = add_feeder(name, series);
    for (size_t i = 0; i < n; i++)
        add_run(feeder, name, speed_mm_s, (int)i + 1, stall_n[i]);
    return feeder;
}

static enum err_code work_out(const char *feeder, double speed_mm_s)
{
    return benches_from_session(&b->session, false, feeder, speed_mm_s, &result, &e);
}

static const double NORTH[] = {84.13, 85.92, 83.24, 86.41}, SOUTH[] = {82.81, 84.97, 81.62, 85.73},
                    EAST[] = {86.05, 87.38, 85.11, 88.27};

/* Three benches with the one feeder. */
static void three_benches(void)
{
    add_pushes("gear-a", add_series("north", ""), 4.9, NORTH, 4);
    add_pushes("gear-a", add_series("south", ""), 4.9, SOUTH, 4);
    add_pushes("gear-a", add_series("east", ""), 4.9, EAST, 4);
}

static void expect_consistency(const struct benches_section *s, const double *values, const size_t *bench,
                               size_t n, size_t benches)
{
    static struct bench_consistency c;
    cr_assert_eq(bench_consistency(values, bench, n, benches, &c, &e), ERR_OK);
    cr_assert(s->answered, "%s", s->why_not);
    cr_expect_eq(s->values, n);
    EQUAL(s->consistency->mean, c.mean);
    EQUAL(s->consistency->sd_of_means, c.sd_of_means);
    EQUAL(s->consistency->repeatability_sd, c.repeatability_sd);
    EQUAL(s->consistency->reproducibility_sd, c.reproducibility_sd);
    for (size_t i = 0; i < benches; i++)
        EQUAL(s->consistency->cells[i].mean, c.cells[i].mean);
}

Test(benches, three_benches_are_held_against_each_other)
{
    double values[12];
    size_t bench[12];
    three_benches();
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    for (size_t i = 0; i < 12; i++) {
        values[i] = i < 4 ? NORTH[i] : i < 8 ? SOUTH[i - 4] : EAST[i - 8];
        bench[i] = i / 4;
    }
    cr_assert_eq(result.count, 1);
    expect_consistency(&result.sections[0], values, bench, 12, 3);
    cr_expect_eq(result.sections[0].kind, BENCHES_BETWEEN);
    cr_expect_str_eq(result.sections[0].feeder, "gear-a");
    cr_expect_str_eq(result.sections[0].names[2], "east");
    EQUAL(result.sections[0].speed_mm_s, 4.9);
    cr_expect_str_eq(result.quantity, "stall_force_n");
    cr_expect_str_eq(result.unit, "N");
    cr_expect_not(result.sections[0].several_operators);
    for (size_t i = 0; i < 12; i++) {
        EQUAL(result.sections[0].numbers[i], values[i]);
        cr_expect_eq(result.sections[0].bench_of[i], bench[i]);
    }
}

Test(benches, two_series_of_one_bench_are_one_bench)
{
    static const size_t bench[] = {0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 0};
    double values[12];
    add_pushes("gear-a", add_series("north", "Kim"), 4.9, NORTH, 4);
    add_pushes("gear-a", add_series("south", "Kim"), 4.9, SOUTH, 4);
    add_pushes("gear-a", add_series("north", "Ade"), 4.9, EAST, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    for (size_t i = 0; i < 12; i++)
        values[i] = i < 4 ? NORTH[i] : i < 8 ? SOUTH[i - 4] : EAST[i - 8];
    expect_consistency(&result.sections[0], values, bench, 12, 2);
    cr_expect(result.sections[0].several_operators);
}

Test(benches, each_feeder_and_speed_has_a_section_of_its_own)
{
    static const struct {
        const char *feeder;
        double speed_mm_s, first_n;
    } wanted[] = {{"gear-a", 4.9, 84.13}, {"gear-a", 9.7, 74.13}, {"gear-b", 4.9, 64.13}};
    for (size_t s = 0; s < 2; s++) {
        size_t series = add_series(s == 0 ? "north" : "south", ""), f = add_feeder("gear-a", series);
        const double *of = s == 0 ? NORTH : SOUTH;
        for (size_t i = 0; i < 4; i++) {
            /* The faster one first: the sections are in the order of speed all the same. */
            add_run(f, "gear-a", 9.7, (int)i + 1, of[i] - 10);
            add_run(f, "gear-a", 4.9, (int)i + 1, of[i]);
        }
        f = add_feeder("gear-b", series);
        for (size_t i = 0; i < 4; i++)
            add_run(f, "gear-b", 4.9, (int)i + 1, of[i] - 20);
    }
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_assert_eq(result.count, 3);
    for (size_t i = 0; i < 3; i++) {
        cr_expect_str_eq(result.sections[i].feeder, wanted[i].feeder);
        EQUAL(result.sections[i].speed_mm_s, wanted[i].speed_mm_s);
        cr_expect_eq(result.sections[i].values, 8);
        EQUAL(result.sections[i].numbers[0], wanted[i].first_n);
    }
    benches_free(&result);
    cr_assert_eq(work_out("gear-b", NAN), ERR_OK);
    cr_expect(result.count == 1 && strcmp(result.sections[0].feeder, "gear-b") == 0);
    benches_free(&result);
    cr_assert_eq(work_out(NULL, 9.7), ERR_OK);
    cr_expect(result.count == 1 && result.sections[0].speed_mm_s == 9.7);
    benches_free(&result);
    cr_expect_eq(work_out("gear-c", NAN), ERR_USAGE);
    cr_expect(strstr(e.text, "--feeder: no 'gear-c'") != NULL, "%s", e.text);
    cr_expect_eq(work_out(NULL, 5.5), ERR_USAGE);
    cr_expect(strstr(e.text, "--speed: no push at 5.5 mm/s") != NULL, "%s", e.text);
    cr_expect_eq(work_out("gear-b", 9.7), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "stall force") != NULL, "%s", e.text);
}

Test(benches, runs_of_one_mounting_count_as_one)
{
    /* Two speeds in a block, and three runs at the slower: what one mounting gave there is their mean. */
    static const double values[] = {61.4, 57.15, 64.75, 58.95, 60.3, 57.15};
    static const double apart[] = {0.125, 0.0625, 0.25, 0.5, 0.375, 0.125};
    static const size_t bench[] = {0, 0, 0, 1, 1, 1};
    for (size_t s = 0; s < 2; s++) {
        size_t f = add_feeder("gear-a", add_series(s == 0 ? "north" : "south", ""));
        for (size_t i = 0; i < 3; i++)
            add_run(f, "gear-a", 4.9, (int)i + 1, values[3 * s + i] - apart[3 * s + i]);
        for (size_t i = 0; i < 3; i++)
            add_run(f, "gear-a", 4.9, (int)i + 1, values[3 * s + i] - apart[3 * s + i]);
        for (size_t i = 0; i < 3; i++) {
            add_run(f, "gear-a", 8, (int)i + 1, 50 + (double)(i + s));
            add_run(f, "gear-a", 4.9, (int)i + 1, values[3 * s + i] + 2 * apart[3 * s + i]);
        }
    }
    cr_assert_eq(work_out(NULL, 4.9), ERR_OK);
    expect_consistency(&result.sections[0], values, bench, 6, 2);
    cr_expect_eq(result.sections[0].runs, 18);
}

Test(benches, one_mounting_a_bench_says_nothing_of_repeatability)
{
    for (size_t s = 0; s < 3; s++) {
        size_t f = add_feeder("gear-a", add_series(s == 0 ? "north" : s == 1 ? "south" : "east", ""));
        for (size_t i = 0; i < 4; i++)
            add_run(f, "gear-a", 4.9, 1, NORTH[i] + (double)s);
    }
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "each bench mounted the feeder once") != NULL, "%s", e.text);
}

Test(benches, conditions_that_differ_are_refused)
{
    three_benches();
    b->feeders[2].conditions.number[CONDITION_NIP_PRELOAD_N] = 47.2;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "the conditions of gear-a differ between series 1 and 3: nip preload: 41.3 N "
                             "against 47.2 N (tolerance 2.5 N)") != NULL,
              "%s", e.text);
    b->session.accept[CONDITION_NIP_PRELOAD_N] = true;
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    cr_assert_eq(result.sections[0].accepted_count, 1);
    cr_expect_str_eq(result.sections[0].accepted[0], "nip preload: 41.3 N against 47.2 N (tolerance 2.5 N)");
    benches_free(&result);
    /* The stricter of the plans' tolerances holds. */
    b->session.accept[CONDITION_NIP_PRELOAD_N] = false;
    b->feeders[2].conditions.number[CONDITION_NIP_PRELOAD_N] = 42.4;
    cr_expect_eq(work_out(NULL, NAN), ERR_OK);
    benches_free(&result);
    b->series[1].plan.tolerance[CONDITION_NIP_PRELOAD_N] = 0.75;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "between series 2 and 3") != NULL, "%s", e.text);
    b->session.accept[CONDITION_NIP_PRELOAD_N] = true;
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    cr_assert_eq(result.sections[0].accepted_count, 1);
    cr_expect_str_eq(result.sections[0].accepted[0], "nip preload: 41.3 N against 42.4 N (tolerance 0.75 N)");
}

/* Eight benches, 28 pairs, each with a preload of its own: one condition, accepted once. */
Test(benches, many_benches_take_no_more_to_accept_than_two)
{
    for (size_t s = 0; s < 8; s++) {
        char name[8];
        snprintf(name, sizeof name, "b%zu", s);
        add_pushes("gear-a", add_series(name, ""), 4.9, s % 2 == 0 ? NORTH : SOUTH, 4);
        b->feeders[s].conditions.number[CONDITION_NIP_PRELOAD_N] = 30 + 3.5 * (double)s;
    }
    b->session.accept[CONDITION_NIP_PRELOAD_N] = true;
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    cr_assert_eq(result.sections[0].accepted_count, 1);
    cr_expect_str_eq(result.sections[0].accepted[0], "nip preload: 30 N against 54.5 N (tolerance 2.5 N)");
}

Test(benches, other_feeders_are_answered_where_one_is_refused)
{
    three_benches();
    b->feeders[0].conditions.number[CONDITION_NIP_PRELOAD_N] = 47.2;
    add_pushes("gear-b", 0, 4.9, EAST, 4);
    add_pushes("gear-b", 1, 4.9, NORTH, 4);
    add_pushes("gear-c", 2, 4.9, NORTH, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_assert_eq(result.count, 3);
    for (size_t i = 0; i < 3; i++) {
        const struct benches_section *s = &result.sections[i];
        cr_expect_eq(s->answered, strcmp(s->feeder, "gear-b") == 0, "%s: %s", s->feeder, s->why_not);
        if (strcmp(s->feeder, "gear-c") == 0)
            cr_expect_str_eq(s->why_not, "it was measured on one bench only (east)");
    }
}

Test(benches, measured_and_simulated_are_not_mixed)
{
    three_benches();
    b->series[1].simulated = true;
    for (size_t k = 0; k < CONDITION_COUNT; k++)
        b->session.accept[k] = true;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "simulated") != NULL, "%s", e.text);
}

Test(benches, lower_bounds_are_refused)
{
    three_benches();
    b->runs[6].push.stall_force_n.at_least = true;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "1 of 12 values are only \"at least\"") != NULL, "%s", e.text);
}

Test(benches, pushes_without_a_value_are_counted)
{
    three_benches();
    b->runs[3].push.stall_force_n.present = false;
    b->runs[5].analysed = false;
    b->records[11].test = PLAN_FREE_RUN;
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_expect(result.sections[0].runs == 9 && result.sections[0].without == 2 &&
              result.sections[0].values == 9);
    for (size_t i = 0; i < b->session.run_count; i++)
        b->runs[i].analysed = false;
    benches_free(&result);
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "gave a stall force") != NULL, "%s", e.text);
}

Test(benches, slip_onset_is_another_quantity)
{
    three_benches();
    for (size_t i = 0; i < 12; i++)
        b->runs[i].push.slip_onset_n = quantity_from(30 + 2 * b->runs[i].push.stall_force_n.value, 1, 3, 1);
    cr_assert_eq(benches_from_session(&b->session, true, NULL, NAN, &result, &e), ERR_OK);
    cr_expect_str_eq(result.quantity, "slip_onset_n");
    EQUAL(result.sections[0].numbers[0], 30 + 2 * NORTH[0]);
}

Test(benches, values_that_are_all_the_same_have_no_scatter)
{
    static const double same[] = {84.1, 84.1, 84.1};
    add_pushes("gear-a", add_series("north", ""), 4.9, same, 3);
    add_pushes("gear-a", add_series("south", ""), 4.9, same, 3);
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "all values are the same") != NULL, "%s", e.text);
    b->series[1].plan.bench[0] = 0;
    b->series[0].plan.bench[0] = 0;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
}

Test(benches, benches_go_by_the_rigs_serial_where_plans_say_nothing)
{
    static struct run_record first[2];
    add_pushes("gear-a", add_series("", ""), 4.9, NORTH, 4);
    add_pushes("gear-a", add_series("", ""), 4.9, SOUTH, 4);
    for (size_t i = 0; i < 2; i++) {
        first[i].rig_serial = i == 0 ? "RIG-7" : "RIG-8";
        b->series[i].runs = &first[i];
        b->series[i].run_count = 1;
    }
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_assert_eq(result.sections[0].kind, BENCHES_BETWEEN);
    cr_expect_str_eq(result.sections[0].names[0], "RIG-7");
    cr_expect_str_eq(result.sections[0].names[1], "RIG-8");
    benches_free(&result);
    /* One rig in both: a rig study of one feeder in two series. */
    first[1] = first[0];
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    cr_expect_eq(result.sections[0].kind, BENCHES_RIG);
    cr_expect_str_eq(result.sections[0].bench, "RIG-7");
    benches_free(&result);
    /* What the plan says goes before it. */
    snprintf(b->series[0].plan.bench, sizeof b->series[0].plan.bench, "north");
    snprintf(b->series[1].plan.bench, sizeof b->series[1].plan.bench, "south");
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_expect_str_eq(result.sections[0].names[1], "south");
}

Test(benches, names_that_differ_late_are_two_benches)
{
    char name[PLAN_TEXT_MAX + 1];
    memset(name, 'n', PLAN_TEXT_MAX);
    name[PLAN_TEXT_MAX] = 0;
    add_pushes("gear-a", add_series(name, ""), 4.9, NORTH, 4);
    name[PLAN_TEXT_MAX - 1] = 'x';
    add_pushes("gear-a", add_series(name, ""), 4.9, SOUTH, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    cr_expect_eq(result.sections[0].consistency->benches, 2);
    cr_expect_str_eq(result.sections[0].names[1], name);
}

/* Two operators, each two series, in each two feeders mounted three times and pushed twice. */
static void rig_study(void)
{
    for (size_t s = 0; s < 4; s++) {
        size_t series = add_series("north", s < 2 ? "Kim" : "Ade");
        for (size_t k = 0; k < 2; k++) {
            const char *name = k == 0 ? "gear-a" : "gear-b";
            size_t f = add_feeder(name, series);
            for (int block = 1; block <= 3; block++) {
                for (int repeat = 0; repeat < 2; repeat++) {
                    double i = (double)b->session.run_count;
                    add_run(f, name, 4.9, block,
                            80 + 9 * (double)k + 0.9 * sin(2.1 * (double)s) +
                                0.7 * sin(5.3 * (double)(10 * s + 4 * k) + block) + 0.3 * sin(7.7 * i));
                }
            }
        }
    }
}

Test(benches, a_rig_study_splits_by_all_that_varied)
{
    static const enum benches_factor factors[] = {BENCHES_FEEDER, BENCHES_OPERATOR, BENCHES_FEEDER_OPERATOR,
                                                  BENCHES_SERIES, BENCHES_REFIT};
    static const size_t levels[] = {2, 2, 4, 4, 24};
    size_t level[5][48];
    double values[48], own = 0;
    struct variance_factor f[5];
    struct variance_split split;
    rig_study();
    cr_assert_eq(work_out(NULL, NAN), ERR_OK, "%s", e.text);
    const struct benches_section *s = &result.sections[0];
    cr_assert(s->answered && s->kind == BENCHES_RIG && s->values == 48 && s->factor_count == 5);
    cr_expect_str_eq(s->bench, "north");
    for (size_t i = 0; i < 48; i++) {
        size_t series = i / 12, feeder = i / 6 % 2;
        values[i] = b->runs[i].push.stall_force_n.value;
        level[0][i] = feeder;
        level[1][i] = series / 2;
        level[2][i] = 2 * (series / 2) + feeder;
        level[3][i] = series;
        level[4][i] = i / 2;
    }
    for (size_t k = 0; k < 5; k++) {
        f[k] = (struct variance_factor){"", level[k], levels[k]};
        cr_expect_eq(s->factors[k], factors[k]);
        cr_expect_eq(s->levels[k], levels[k]);
        cr_expect_str_eq(benches_section_source(s, k), BENCHES_FACTOR_NAMES[factors[k]]);
    }
    cr_expect_str_eq(benches_section_source(s, 5), "repeat");
    cr_assert_eq(variance_split(values, 48, f, 5, &split, &e), ERR_OK);
    for (size_t k = 0; k < 6; k++) {
        cr_assert(s->split.components[k].present);
        EQUAL(s->split.components[k].degrees_of_freedom, split.components[k].degrees_of_freedom);
        EQUAL(s->split.components[k].variance, split.components[k].variance);
        own += k > 0 ? fmax(0, split.components[k].variance) : 0;
    }
    cr_expect_not(s->refits_alone);
    cr_assert(s->has_own_share);
    EQUAL(s->own_share, own / split.total_variance);
    EQUAL(s->own_sd, sqrt(own));
    EQUAL(s->feeder_sd, sqrt(split.components[0].variance));
    cr_expect(s->own_share > 0.001 && s->own_share < 0.2, "%g", s->own_share);
}

Test(benches, a_refit_with_one_push_is_no_source_of_its_own)
{
    static const char *const names[] = {"gear-a", "gear-b", "gear-c"};
    size_t series = add_series("north", "Kim");
    for (size_t k = 0; k < 3; k++)
        add_pushes(names[k], series, 4.9, k == 0 ? NORTH : k == 1 ? SOUTH : EAST, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    const struct benches_section *s = &result.sections[0];
    cr_assert(s->factor_count == 1 && s->factors[0] == BENCHES_FEEDER && s->levels[0] == 3);
    cr_expect(s->refits_alone && s->has_own_share);
    cr_expect_str_eq(benches_section_source(s, 1), "refit and repeat");
}

/* What a mounting brings would be counted as the feeders', and the rig praised for it. */
Test(benches, feeders_that_were_mounted_once_have_no_share_of_the_rig)
{
    static const char *const names[] = {"gear-a", "gear-b", "gear-c"};
    size_t series = add_series("north", "Kim");
    for (size_t k = 0; k < 3; k++) {
        size_t f = add_feeder(names[k], series);
        for (size_t i = 0; i < 4; i++)
            add_run(f, names[k], 4.9, 1, NORTH[i] + 3 * (double)k);
    }
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    const struct benches_section *s = &result.sections[0];
    cr_expect(!s->refits_alone && !s->has_own_share);
    cr_expect_str_eq(benches_section_source(s, 1), "repeat");
    cr_expect(strstr(s->why_no_share, "each feeder was mounted once") != NULL, "%s", s->why_no_share);
}

/* Each feeder in a series of its own: what setting up brings is in what the feeders bring. */
Test(benches, feeders_that_were_never_crossed_have_no_share_of_the_rig)
{
    add_pushes("gear-a", add_series("north", "Kim"), 4.9, NORTH, 4);
    add_pushes("gear-b", add_series("north", "Kim"), 4.9, SOUTH, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    const struct benches_section *s = &result.sections[0];
    cr_assert(s->factor_count == 2 && s->factors[1] == BENCHES_SERIES);
    cr_expect(!s->split.components[1].present && !s->has_own_share);
    cr_expect(strstr(s->why_no_share, "'setting up again'") != NULL, "%s", s->why_no_share);
}

Test(benches, one_feeder_has_no_share_of_the_rig)
{
    add_pushes("gear-a", add_series("north", "Kim"), 4.9, NORTH, 4);
    add_pushes("gear-a", add_series("north", "Ade"), 4.9, SOUTH, 4);
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    const struct benches_section *s = &result.sections[0];
    cr_assert(s->factor_count == 1 && s->factors[0] == BENCHES_OPERATOR);
    cr_expect(!s->has_own_share && strstr(s->why_no_share, "one feeder") != NULL, "%s", s->why_no_share);
}

Test(benches, one_of_each_leaves_nothing_to_split)
{
    add_pushes("gear-a", add_series("north", "Kim"), 4.9, NORTH, 4);
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "one bench, one feeder and one operator") != NULL, "%s", e.text);
}

Test(benches, conditions_that_vary_within_a_series_are_refused)
{
    size_t series = add_series("north", "Kim"), f = add_pushes("gear-a", series, 4.9, NORTH, 4);
    add_pushes("gear-b", series, 4.9, SOUTH, 4);
    b->ranges[0] = b->ranges[1] = b->feeders[f].conditions;
    b->ranges[1].number[CONDITION_NIP_PRELOAD_N] = 46;
    b->feeders[f].conditions_range = b->ranges;
    cr_expect_eq(work_out(NULL, NAN), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "gear-a differ within series 1: nip preload") != NULL, "%s", e.text);
    b->session.accept[CONDITION_NIP_PRELOAD_N] = true;
    cr_assert_eq(work_out(NULL, NAN), ERR_OK);
    cr_assert_eq(result.sections[0].accepted_count, 1);
    cr_expect_str_eq(result.sections[0].accepted[0],
                     "gear-a: nip preload: 41.3 N against 46 N (tolerance 2.5 N)");
}

/* A table by hand: the four texts of a row as they stand in struct bench_table_row. */
static struct bench_table table;
static struct bench_table_row rows[24];

static void add_row(const char *feeder, const char *bench, const char *operator_name, const char *refit,
                    double value)
{
    const char *const texts[] = {feeder, bench, operator_name, refit};
    for (size_t i = 0; i < BENCH_TABLE_COLUMNS; i++) {
        table.has[i] = table.has[i] || texts[i] != NULL;
        snprintf(rows[table.n].text[i], sizeof rows[0].text[0], "%s", texts[i] != NULL ? texts[i] : "");
    }
    rows[table.n++].value = value;
    table.rows = rows;
    snprintf(table.quantity, sizeof table.quantity, "pull_n");
}

Test(benches, rows_of_a_table_are_values_where_no_refits_are_named)
{
    static const double values[] = {84.1, 83.2, 85.9, 82.8, 86.4};
    static const size_t bench[] = {0, 1, 0, 1, 0};
    for (size_t i = 0; i < 5; i++)
        add_row(NULL, bench[i] == 0 ? "north" : "south", NULL, NULL, values[i]);
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    expect_consistency(&result.sections[0], values, bench, 5, 2);
    cr_expect(isnan(result.sections[0].speed_mm_s) && result.sections[0].feeder[0] == 0);
    cr_expect_str_eq(result.quantity, "pull_n");
    cr_expect_str_eq(result.unit, "");
    benches_free(&result);
    cr_expect_eq(benches_from_table(&table, "gear-a", &result, &e), ERR_USAGE);
    cr_expect(strstr(e.text, "no column of that name") != NULL, "%s", e.text);
}

/* The same label on another bench is another mounting, and rows of one need not stand together. */
Test(benches, rows_of_one_refit_are_averaged_between_benches)
{
    static const double means[] = {84.5, 83, 80.25, 81.5};
    static const size_t bench[] = {0, 1, 0, 1};
    for (int sign = -1; sign < 2; sign += 2) {
        add_row("gear-a", "north", NULL, "1", 84.5 + 0.25 * sign);
        add_row("gear-a", "south", NULL, "1", 83 - 0.5 * sign);
        add_row("gear-a", "north", NULL, "2", 80.25 + 0.125 * sign);
        add_row("gear-a", "south", NULL, "2", 81.5);
    }
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    expect_consistency(&result.sections[0], means, bench, 4, 2);
    cr_expect_eq(result.sections[0].runs, 8);
    benches_free(&result);
    cr_expect_eq(benches_from_table(&table, "gear-b", &result, &e), ERR_USAGE);
}

Test(benches, a_table_names_its_refits_or_not)
{
    for (size_t i = 0; i < 12; i++) {
        char refit[8];
        snprintf(refit, sizeof refit, "%zu", i / 2);
        add_row(i < 6 ? "gear-a" : "gear-b", NULL, NULL, refit, 80 + (i < 6 ? 0 : 5) + sin(1.7 * (double)i));
    }
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    cr_assert(result.sections[0].factor_count == 2 && result.sections[0].levels[1] == 6);
    cr_expect_str_eq(benches_section_source(&result.sections[0], 2), "repeat");
    benches_free(&result);
    /* One row each: refit and repeat at once, whichever row comes first. */
    for (size_t i = 0; i < 12; i++)
        snprintf(rows[i].text[BENCH_TABLE_REFIT], sizeof rows[i].text[0], "%zu", i);
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    cr_expect(result.sections[0].factor_count == 1 && result.sections[0].refits_alone);
    benches_free(&result);
    /* Nothing is said of refits: whatever a repeat was. */
    table.has[BENCH_TABLE_REFIT] = false;
    memset(rows[0].text[BENCH_TABLE_REFIT], 0, sizeof rows[0].text[0]);
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    cr_expect(result.sections[0].factor_count == 1 && !result.sections[0].refits_alone);
    cr_expect_str_eq(benches_section_source(&result.sections[0], 1), "repeat");
}

/* A pair is looked at only where its own extreme is no outlier alone: ISO 5725-2, 7.3.4 (from memory). */
Test(benches, an_outlier_takes_no_neighbour_with_it)
{
    static const double means[] = {80.1, 80.9, 79.7, 80.4, 80.6, 79.9, 80.3, 98.7};
    for (size_t i = 0; i < 16; i++) {
        char bench[8];
        snprintf(bench, sizeof bench, "%zu", i / 2);
        add_row(NULL, bench, NULL, NULL, means[i / 2] + (i % 2 == 0 ? 0.61 : -0.61));
    }
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    const struct bench_consistency *c = result.sections[0].consistency;
    cr_assert(c->grubbs_high.mark == BENCH_OUTLIER && c->grubbs_two_high.present);
    cr_expect_eq(benches_check(c, 2), &c->grubbs_high);
    cr_expect_null(benches_check(c, 4));
    cr_expect_eq(benches_check(c, 3), &c->grubbs_two_low);
    cr_expect(benches_outlier(&result));
    /* Two benches that hide each other from the test of one. */
    benches_free(&result);
    rows[12].value = 98.4 + 0.61;
    rows[13].value = 98.4 - 0.61;
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    c = result.sections[0].consistency;
    cr_assert(c->grubbs_high.mark != BENCH_OUTLIER);
    cr_assert_not_null(benches_check(c, 4));
    cr_expect_eq(benches_check(c, 4)->mark, BENCH_OUTLIER);
    cr_expect(benches_outlier(&result));
    /* Without the two there is nothing. */
    benches_free(&result);
    table.n = 12;
    cr_assert_eq(benches_from_table(&table, NULL, &result, &e), ERR_OK);
    cr_expect_not(benches_outlier(&result));
}

Test(benches, more_benches_than_can_be_held_are_refused)
{
    static struct bench_table_row many[BENCH_CONSISTENCY_MAX + 1];
    for (size_t i = 0; i <= BENCH_CONSISTENCY_MAX; i++) {
        snprintf(many[i].text[BENCH_TABLE_BENCH], sizeof many[i].text[0], "%zu", i);
        many[i].value = (double)i;
    }
    table = (struct bench_table){
        .rows = many, .n = BENCH_CONSISTENCY_MAX + 1, .has = {[BENCH_TABLE_BENCH] = true}};
    cr_expect_eq(benches_from_table(&table, NULL, &result, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "101 benches; at most 100") != NULL, "%s", e.text);
}
