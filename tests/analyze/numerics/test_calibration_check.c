/* Data made here from a stated line, with one mistake each; what must be named is known. The pound is
 * 0.45359237 kg exactly (international yard and pound agreement, 1959), so that a kilogram is 2.2046226218
 * pounds. */
#include "analyze/numerics/calibration_check.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST = 64 };

struct data {
    size_t n;
    double load[MOST], reading[MOST], uncertainty[MOST];
    int direction[MOST], cycle[MOST];
    double low, high;
};

static enum err_code check(const struct data *d, struct err *e)
{
    struct calibration_readings r = {.n = d->n,
                                     .load_n = d->load,
                                     .reading_counts = d->reading,
                                     .direction = d->direction,
                                     .cycle = d->cycle,
                                     .load_standard_uncertainty_n = d->uncertainty,
                                     .reading_low_counts = d->low,
                                     .reading_high_counts = d->high};
    memset(e, 0, sizeof *e);
    return calibration_check(&r, e);
}

static void put(struct data *d, double load, double reading, int direction, int cycle)
{
    d->load[d->n] = load;
    d->reading[d->n] = reading;
    d->direction[d->n] = direction;
    d->cycle[d->n] = cycle;
    d->n++;
}

/* Scatter of a fixed, patternless kind, about 1 count. */
static double wobble(size_t i)
{
    return 1.4 * sin(12.9898 * (double)(i * i + 1));
}

static const double LOADS[6] = {0, 4.903325, 9.80665, 24.516625, 49.03325, 98.0665};

/* cycles times up and, if asked for, down over the first `loads` of LOADS; 8192 + 83.4 counts a newton. */
static void weigh(struct data *d, size_t loads, int cycles, bool down)
{
    memset(d, 0, sizeof *d);
    for (int c = 1; c <= cycles; c++) {
        for (size_t i = 0; i < loads; i++)
            put(d, LOADS[i], 8192 + 83.4 * LOADS[i] + wobble(d->n), 1, c);
        for (size_t i = loads; i-- > 0 && down;)
            put(d, LOADS[i], 8192 + 83.4 * LOADS[i] + 2 + wobble(d->n), -1, c);
    }
}

static void assert_refused(const struct data *d, enum err_code expected, const char *text)
{
    struct err e;
    enum err_code code = check(d, &e);
    cr_assert_eq(code, expected, "code %d: %s", (int)code, e.text);
    cr_assert(strstr(e.text, text) != NULL, "\"%s\" lacks \"%s\"", e.text, text);
    cr_assert(strlen(e.text) < sizeof e.text - 1, "cut off: \"%s\"", e.text);
}

static void assert_accepted(const struct data *d)
{
    struct err e;
    enum err_code code = check(d, &e);
    cr_assert_eq(code, ERR_OK, "%s", e.text);
}

Test(calibration_check, good_weighings_pass)
{
    struct data d;
    for (size_t loads = 3; loads <= 6; loads++) {
        for (int cycles = 1; cycles <= 3; cycles++) {
            weigh(&d, loads, cycles, false);
            assert_accepted(&d);
            if (d.n * 2 <= MOST) {
                weigh(&d, loads, cycles, true);
                assert_accepted(&d);
            }
        }
    }
}

Test(calibration_check, fewer_than_three_loads_are_refused)
{
    struct data d;
    weigh(&d, 2, 3, true);
    assert_refused(&d, ERR_NO_ANSWER, "hang at least 3 different loads");
    d.n = 0;
    assert_refused(&d, ERR_NO_ANSWER, "0 different loads");
    weigh(&d, 1, 2, true);
    assert_refused(&d, ERR_NO_ANSWER, "1 different load do");
}

Test(calibration_check, a_load_cell_that_does_not_answer_is_told)
{
    struct data d;
    weigh(&d, 6, 1, true);
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] = 8192;
    assert_refused(&d, ERR_NO_ANSWER, "is connected");
}

Test(calibration_check, numbers_that_are_none_are_refused)
{
    struct data d;
    weigh(&d, 6, 1, false);
    d.load[3] = NAN;
    assert_refused(&d, ERR_FILE, "reading 4");
    weigh(&d, 6, 1, false);
    d.reading[1] = INFINITY;
    assert_refused(&d, ERR_FILE, "reading 2");
    weigh(&d, 6, 1, false);
    d.direction[4] = 0;
    assert_refused(&d, ERR_FILE, "direction is 0");
    weigh(&d, 6, 1, false);
    d.uncertainty[5] = -0.1;
    assert_refused(&d, ERR_FILE, "reading 6");
}

/* The same load twice in a run of otherwise different ones, whether the readings agree or not. */
Test(calibration_check, two_equal_loads_in_a_run_are_named)
{
    struct data d;
    weigh(&d, 6, 2, true);
    d.load[3] = d.load[2];
    assert_refused(&d, ERR_FILE, "readings 3 and 4");
    weigh(&d, 6, 2, false);
    d.load[9] = d.load[10];
    d.reading[9] = d.reading[10] - 0.7;
    assert_refused(&d, ERR_FILE, "readings 10 and 11");
}

Test(calibration_check, every_load_read_twice_is_no_mistake)
{
    struct data d;
    memset(&d, 0, sizeof d);
    put(&d, 0, 8192.4, 1, 1);
    for (size_t i = 1; i < 6; i++) {
        put(&d, LOADS[i], 8192 + 83.4 * LOADS[i] + wobble(i), 1, 1);
        put(&d, LOADS[i], 8192 + 83.4 * LOADS[i] + wobble(i + 40), 1, 1);
    }
    assert_accepted(&d);
}

Test(calibration_check, loads_that_go_back_and_forth_are_named)
{
    struct data d;
    double load, reading;
    weigh(&d, 6, 2, true);
    load = d.load[3];
    reading = d.reading[3];
    d.load[3] = d.load[4];
    d.reading[3] = d.reading[4];
    d.load[4] = load;
    d.reading[4] = reading;
    assert_refused(&d, ERR_FILE, "reading 5 (24.5166 N) comes after reading 4 (49.0333 N)");
    weigh(&d, 6, 1, true); /* going down, wrongly marked as going up */
    for (size_t i = 6; i < 11; i++)
        d.direction[i] = 1;
    assert_refused(&d, ERR_FILE, "correct direction if the run turned there");
    memmove(d.load + 6, d.load + 7, 5 * sizeof *d.load);
    memmove(d.reading + 6, d.reading + 7, 5 * sizeof *d.reading);
    d.n--;
    assert_refused(&d, ERR_FILE, "reading 7 (49.0333 N) comes after reading 6 (98.0665 N)");
    weigh(&d, 6, 1, false); /* the very first row */
    load = d.load[0] = d.load[2];
    d.reading[0] = d.reading[2];
    d.load[2] = 0;
    d.reading[2] = 8192.3;
    d.load[1] = 7.35;
    d.reading[1] = 8192 + 83.4 * 7.35;
    assert_refused(&d, ERR_FILE, "reading 2 (7.35 N) comes after reading 1 (9.80665 N)");
    /* A run that starts again from its first load is another run. */
    weigh(&d, 6, 3, false);
    for (size_t i = 0; i < d.n; i++)
        d.cycle[i] = 1;
    assert_accepted(&d);
}

Test(calibration_check, pulling_loads_may_be_negative)
{
    struct data d;
    weigh(&d, 6, 2, true);
    for (size_t i = 0; i < d.n; i++) {
        d.load[i] = -d.load[i];
        d.reading[i] = 16384 - d.reading[i];
    }
    assert_accepted(&d);
}

/* Signed 24 bits: 8388607 is the converter's end. */
Test(calibration_check, saturated_readings_are_named)
{
    struct data d;
    weigh(&d, 6, 1, false);
    d.low = -8388608;
    d.high = 8388607;
    d.reading[5] = 8388607;
    assert_refused(&d, ERR_NO_ANSWER, "reading 6 (98.0665 N) is 8388607");
    d.reading[5] = -8388608;
    assert_refused(&d, ERR_NO_ANSWER, "saturated");
}

/* Its end unknown: the two greatest loads read the same. */
Test(calibration_check, a_reading_that_stops_growing_is_taken_for_saturated)
{
    struct data d;
    weigh(&d, 6, 2, true);
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] = fmin(d.reading[i], 11111);
    assert_refused(&d, ERR_NO_ANSWER, "looks saturated");
}

/* One weight of many, at every place, its mass in pounds taken for kilograms, in all its readings. */
Test(calibration_check, a_weight_in_pounds_is_named_wherever_it_is)
{
    struct data d;
    for (size_t loads = 4; loads <= 6; loads++) {
        for (size_t wrong = 1; wrong < loads; wrong++) {
            char named[64];
            weigh(&d, loads, 2, true);
            for (size_t i = 0; i < d.n; i++) {
                if (d.load[i] == LOADS[wrong])
                    d.load[i] *= 2.2046226218;
            }
            /* The wrong load is out of order as well, but that it is wrong is told. */
            snprintf(named, sizeof named, "readings %zu, %zu, %zu and %zu: a load of %.6g N", wrong + 1,
                     2 * loads - wrong, 2 * loads + wrong + 1, 4 * loads - wrong,
                     LOADS[wrong] * 2.2046226218);
            assert_refused(&d, ERR_FILE, named);
            assert_refused(&d, ERR_FILE, "pounds entered as kilograms");
        }
    }
}

/* The smallest set in which the wrong weight can be told: a single run of four loads. */
Test(calibration_check, a_weight_in_pounds_is_named_in_a_single_run_of_four)
{
    struct data d;
    weigh(&d, 4, 1, false);
    d.load[3] *= 2.2046226218;
    assert_refused(&d, ERR_FILE, "reading 4: a load of 54.0499 N");
    weigh(&d, 4, 1, false);
    d.load[2] *= 2.2046226218;
    assert_refused(&d, ERR_FILE, "reading 3");
    weigh(&d, 4, 1, false);
    d.load[1] /= 2.2046226218;
    assert_refused(&d, ERR_FILE, "reading 2");
    assert_refused(&d, ERR_FILE, "kilograms entered as pounds");
}

Test(calibration_check, one_bad_reading_of_a_good_weight_is_named_alone)
{
    struct data d;
    weigh(&d, 6, 2, true);
    d.reading[16] += 700; /* 8 N */
    assert_refused(&d, ERR_FILE, "reading 17: a load of 49.0333 N");
}

Test(calibration_check, two_bad_weights_are_both_named)
{
    struct data d;
    weigh(&d, 6, 3, false);
    for (size_t i = 0; i < d.n; i++) {
        if (d.load[i] == LOADS[2])
            d.load[i] *= 2.2046226218;
    }
    d.load[4] = 90.5;
    assert_refused(&d, ERR_FILE, "readings 3, 9 and 15");
    assert_refused(&d, ERR_FILE, "reading 5: a load of 90.5 N");
}

Test(calibration_check, kilograms_in_place_of_newtons_are_recognised)
{
    struct data d;
    weigh(&d, 6, 1, false);
    d.load[4] = 5;
    assert_refused(&d, ERR_FILE, "reading 5: a load of 5 N");
    assert_refused(&d, ERR_FILE, "kilograms entered as newtons");
}

Test(calibration_check, of_three_loads_one_wrong_cannot_be_told_but_is_guessed)
{
    struct data d;
    weigh(&d, 3, 2, true);
    for (size_t i = 0; i < d.n; i++)
        d.load[i] *= d.load[i] == LOADS[2] ? 2.2046226218 : 1;
    assert_refused(&d, ERR_NO_ANSWER, "one is wrong");
    assert_refused(&d, ERR_NO_ANSWER, "readings 3, 4, 9 and 10");
    weigh(&d, 3, 2, true);
    for (size_t i = 0; i < d.n; i++)
        d.load[i] *= d.load[i] == LOADS[2] ? 1.5 : 1;
    assert_refused(&d, ERR_NO_ANSWER, "weigh again with more loads");
}

/* A cell that is bent by 8 % of its range, with little scatter, is no cell with a wrong weight. */
Test(calibration_check, curvature_is_not_taken_for_a_wrong_weight)
{
    struct data d;
    for (size_t loads = 4; loads <= 6; loads++) {
        for (int sign = -1; sign <= 1; sign += 2) {
            weigh(&d, loads, 2, true);
            for (size_t i = 0; i < d.n; i++)
                d.reading[i] += sign * 83.4 * d.load[i] * 0.32 * (1 - d.load[i] / LOADS[loads - 1]);
            assert_accepted(&d);
        }
    }
}

/* Nor does curvature hide one. */
Test(calibration_check, a_wrong_weight_on_a_bent_cell_is_named)
{
    struct data d;
    weigh(&d, 6, 2, true);
    for (size_t i = 0; i < d.n; i++) {
        d.reading[i] += 83.4 * d.load[i] * 0.32 * (1 - d.load[i] / LOADS[5]);
        d.load[i] *= d.load[i] == LOADS[2] ? 1.3 : 1;
    }
    assert_refused(&d, ERR_FILE, "readings 3, 10, 15 and 22: a load of 12.7486 N");
}

/* Scatter of 1 % of the range, 300 weighings of 6 loads in one run: few may be refused, for then a user is
 * kept from an honest if poor calibration. */
Test(calibration_check, noisy_weighings_are_hardly_ever_refused)
{
    struct data d;
    int refused = 0;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 1729);
    for (int k = 0; k < 300; k++) {
        struct err e;
        weigh(&d, 6, 1, false);
        for (size_t i = 0; i < d.n; i++)
            d.reading[i] += gsl_ran_gaussian(rng, 0.01 * 83.4 * 98.0665);
        refused += check(&d, &e) != ERR_OK;
    }
    gsl_rng_free(rng);
    cr_assert(refused <= 6, "%d of 300", refused);
}

/* Cells bent by up to 1 % and nearly free of scatter: 400 weighings of 4 loads at random, up and down.
 * Without load the reading is then off the line of the others by many times the scatter, and still no
 * mistake. */
Test(calibration_check, slightly_bent_cells_are_hardly_ever_refused)
{
    int refused = 0;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 31);
    for (int k = 0; k < 400; k++) {
        struct data d = {.n = 0};
        struct err e;
        double load[4] = {0}, bend = gsl_ran_flat(rng, -0.04, 0.04);
        for (int i = 1; i < 4; i++)
            load[i] = load[i - 1] + gsl_ran_flat(rng, 2, 20);
        for (int j = 0; j < 8; j++) {
            double l = load[j < 4 ? j : 7 - j];
            put(&d, l,
                1000 + 80 * l * (1 + bend * (1 - l / load[3])) + gsl_ran_gaussian(rng, 80 * load[3] * 1e-3),
                j < 4 ? 1 : -1, 1);
        }
        refused += check(&d, &e) != ERR_OK;
    }
    gsl_rng_free(rng);
    cr_assert(refused <= 1, "%d of 400", refused);
}

Test(calibration_check, loads_that_differ_by_rounding_are_one_load)
{
    struct data d;
    size_t groups[MOST], loads;
    struct calibration_readings r = {.n = 0};
    weigh(&d, 6, 2, false);
    d.load[9] *= 1 + 1e-13;
    r.n = d.n;
    r.load_n = d.load;
    calibration_check_group(&r, groups, &loads);
    cr_assert_eq(loads, 6);
    cr_assert_eq(groups[9], groups[3]);
    cr_assert_neq(groups[9], groups[4]);
}
