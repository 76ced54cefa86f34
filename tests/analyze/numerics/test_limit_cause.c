#include "analyze/numerics/limit_cause.h"

#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define CYCLE 0.503
#define PITCH 0.963
#define STEP  (CYCLE / 4)

enum expected { MOTOR, GRIP, NOT_MOTOR, NOT_SURE };

/* Fallbacks come in three shapes: whole numbers of a unit, anything around a distance, or a list of its own.
 */
struct row {
    const char *legend;
    size_t drops;
    double unit_mm, scatter; /* relative */
    bool doubles;            /* every second one is twice the unit */
    double most_mm;          /* how far it could come back at all; 0: far */
    double cycle_mm, pitch_mm;
    bool settled, onset_known, onset_found;
    enum expected expected;
};

static const struct row ROWS[] = {
    {"a cycle each time", 9, CYCLE, 0.01, false, 0, CYCLE, PITCH, false, false, false, MOTOR},
    {"a cycle each time, creep alone before", 5, CYCLE, 0.01, false, 0, CYCLE, PITCH, false, true, false,
     MOTOR},
    {"a cycle each time, gross slip before", 9, CYCLE, 0.01, false, 0, CYCLE, PITCH, false, true, true,
     MOTOR},
    {"now one cycle, now two", 12, CYCLE, 0.01, true, 0, CYCLE, PITCH, false, false, false, MOTOR},
    {"cycles, 5 % off the nominal diameter", 9, 1.05 * CYCLE, 0.01, false, 0, CYCLE, PITCH, false, false,
     false, MOTOR},
    {"cycles, teeth not known", 9, CYCLE, 0.01, false, 0, CYCLE, 0, false, false, false, MOTOR},
    {"a hundred cycles, gross slip before", 100, CYCLE, 0.01, false, 0, CYCLE, PITCH, false, true, true,
     MOTOR},
    {"a tooth pitch each time", 9, PITCH, 0.02, false, 0, CYCLE, PITCH, false, true, true, GRIP},
    {"a tooth pitch each time, loading not examined", 9, PITCH, 0.02, false, 0, CYCLE, PITCH, false, false,
     false, NOT_MOTOR},
    {"irregular distances", 11, 0.71, 0.4, false, 0, CYCLE, PITCH, false, true, true, GRIP},
    {"irregular distances, dimensions not known", 11, 0.71, 0.4, false, 0, 0, 0, false, true, true, GRIP},
    {"regular distances that are neither", 11, 0.223, 0.01, false, 0, CYCLE, PITCH, false, false, false,
     NOT_MOTOR},
    {"a pitch that is a cycle, gross slip before", 9, CYCLE, 0.01, false, 0, CYCLE, CYCLE, false, true, true,
     NOT_SURE},
    {"complete release, shorter than a cycle", 6, 5, 0.01, false, 0.31, CYCLE, PITCH, false, true, true,
     NOT_SURE},
    {"levelled off past an onset", 0, 0, 0, false, 0, CYCLE, PITCH, true, true, true, GRIP},
    {"levelled off, loading not examined", 0, 0, 0, false, 0, CYCLE, PITCH, true, false, false, GRIP},
    {"nothing known", 0, 0, 0, false, 0, 0, 0, false, false, false, NOT_SURE},
    {"neither drops nor level, creep alone", 0, 0, 0, false, 0, CYCLE, PITCH, false, true, false, NOT_SURE},
};

static struct limit_cause weigh(const struct row *row, uint64_t seed)
{
    struct limit_cause_drop drops[128];
    struct model_random draws = {seed};
    struct limit_cause_evidence evidence = {.drop_count = row->drops,
                                            .drops = drops,
                                            .fallback_sd_mm = 0.006,
                                            .slip_back_sd_mm = hypot(0.006, STEP / 4),
                                            .motor_cycle_mm = row->cycle_mm,
                                            .tooth_pitch_mm = row->pitch_mm,
                                            .settled = row->settled,
                                            .onset_known = row->onset_known,
                                            .onset_found = row->onset_found};
    for (size_t i = 0; i < row->drops; i++) {
        double most = row->most_mm > 0 ? row->most_mm : 30;
        double back = row->unit_mm * (row->doubles && i % 2 == 1 ? 2 : 1) *
                      fmax(0.1, 1 + row->scatter * model_random_normal(&draws));
        back = fmin(back, most);
        drops[i] = (struct limit_cause_drop){back, most, back, most};
        /* Both are made of the same two forces, and share the error of reading them. */
        double reading_mm = 0.006 * model_random_normal(&draws);
        drops[i].fallback_mm += reading_mm;
        drops[i].slip_back_mm += reading_mm;
    }
    return limit_cause_weigh(&evidence);
}

Test(limit_cause, each_case_comes_out_as_its_legend_says)
{
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        const struct row *row = &ROWS[i];
        for (uint64_t seed = 5; seed < 10; seed++) {
            struct limit_cause c = weigh(row, seed);
            double motor = c.probability[LIMIT_CAUSE_MOTOR], grip = c.probability[LIMIT_CAUSE_GRIP];
            double sum = motor + grip + c.probability[LIMIT_CAUSE_NEITHER];
            bool right = false;
            switch (row->expected) {
            case MOTOR:
                right = motor > 0.9;
                break;
            case GRIP:
                right = grip > 0.9;
                break;
            case NOT_MOTOR:
                right = motor < 0.1;
                break;
            case NOT_SURE:
                right = motor < 0.9 && grip < 0.9;
                break;
            }
            cr_expect(right, "%s, seed %llu: motor %.3f, grip %.3f", row->legend, (unsigned long long)seed,
                      motor, grip);
            cr_expect_float_eq(sum, 1, 1e-9, "%s: probabilities add up to %.12g", row->legend, sum);
        }
    }
}

Test(limit_cause, fallbacks_are_told_in_cycles_and_pitches)
{
    struct limit_cause_drop drops[5];
    static const double back[] = {0.51, 0.49, 1.02, 0.505, 0.5};
    struct limit_cause_evidence evidence = {.drop_count = 5,
                                            .drops = drops,
                                            .fallback_sd_mm = 0.006,
                                            .slip_back_sd_mm = 0.02,
                                            .motor_cycle_mm = 0.5,
                                            .tooth_pitch_mm = 0.8};
    struct limit_cause c;
    for (size_t i = 0; i < 5; i++)
        drops[i] = (struct limit_cause_drop){back[i], 9, back[i] + 0.031, 9};
    c = limit_cause_weigh(&evidence);
    cr_expect_float_eq(c.cycles, 1.01, 1e-9, "%g cycles", c.cycles);
    cr_expect_float_eq(c.pitches, 0.536 / 0.8, 1e-9, "%g pitches", c.pitches);
    /* sd 0.23205 of slip-backs, less 0.02 in squares, over their median 0.536. */
    cr_expect_float_eq(c.scatter, sqrt(0.23205 * 0.23205 - 0.0004) / 0.536, 1e-3, "scatter %g", c.scatter);
    evidence.motor_cycle_mm = evidence.tooth_pitch_mm = 0;
    c = limit_cause_weigh(&evidence);
    cr_expect_eq(c.cycles, 0);
    cr_expect_eq(c.pitches, 0);
    cr_expect_eq(c.probability[LIMIT_CAUSE_MOTOR], 0);
}

Test(limit_cause, one_drop_alone_is_seldom_sure_of_the_motor)
{
    struct row row = ROWS[0];
    row.drops = 1;
    struct limit_cause c = weigh(&row, 77);
    cr_expect(c.probability[LIMIT_CAUSE_MOTOR] > c.probability[LIMIT_CAUSE_GRIP]);
    cr_expect(c.probability[LIMIT_CAUSE_MOTOR] < 0.99, "%.3f from one drop",
              c.probability[LIMIT_CAUSE_MOTOR]);
}

Test(limit_cause, an_onset_speaks_for_the_grip)
{
    struct row row = ROWS[14];
    row.settled = false;
    struct limit_cause with, without;
    row.onset_found = true;
    with = weigh(&row, 1);
    row.onset_found = false;
    without = weigh(&row, 1);
    cr_expect(with.probability[LIMIT_CAUSE_GRIP] > 2 * without.probability[LIMIT_CAUSE_GRIP]);
    cr_expect(without.probability[LIMIT_CAUSE_MOTOR] > 2 * with.probability[LIMIT_CAUSE_MOTOR]);
}

Test(limit_cause, exact_measurements_and_odd_numbers_give_probabilities)
{
    struct limit_cause_drop drops[3] = {{0.5, 9, 0.5, 9}, {-0.2, 9, -0.2, 9}, {0, 0, 0, 0}};
    struct limit_cause_evidence evidence = {
        .drop_count = 3, .drops = drops, .motor_cycle_mm = 0.5, .tooth_pitch_mm = 0.8};
    struct limit_cause c = limit_cause_weigh(&evidence);
    for (int k = 0; k < LIMIT_CAUSE_KINDS; k++)
        cr_expect(c.probability[k] >= 0 && c.probability[k] <= 1, "probability %d is %g", k,
                  c.probability[k]);
}

/* Ten drops each, in mm: what a motor gave back, what it could have, and the same were it the grip. */
static struct limit_cause weigh_equal(double fallback, double fallback_most, double slip_back,
                                      double slip_back_most, double relative_sd)
{
    static const double AROUND[] = {0.4, -1.1, 0.7, 1.3, -0.2, -0.8, 0.1, -1.4, 0.9, 0.3};
    struct limit_cause_drop drops[10];
    struct limit_cause_evidence evidence = {.drop_count = 10,
                                            .drops = drops,
                                            .fallback_sd_mm = 0.0098,
                                            .slip_back_sd_mm = 0.0455,
                                            .motor_cycle_mm = 0.7116,
                                            .tooth_pitch_mm = 1.977,
                                            .relative_sd = relative_sd};
    for (int i = 0; i < 10; i++)
        drops[i] = (struct limit_cause_drop){fallback + 0.004 * AROUND[i], fallback_most,
                                             slip_back + 0.004 * AROUND[i], slip_back_most};
    return limit_cause_weigh(&evidence);
}

/* Distances are forces over a stiffness: where that is known badly, all of them are off alike. */
Test(limit_cause, a_stiffness_that_is_not_known_well_rules_no_cycle_out)
{
    struct limit_cause sure = weigh_equal(0.62, 0.95, 0.545, 0.785, 0.005),
                       unsure = weigh_equal(0.62, 0.95, 0.545, 0.785, 0.06);
    cr_expect_lt(sure.probability[LIMIT_CAUSE_MOTOR], 0.1, "%.3f", sure.probability[LIMIT_CAUSE_MOTOR]);
    cr_expect_gt(unsure.probability[LIMIT_CAUSE_MOTOR], 0.4, "%.3f", unsure.probability[LIMIT_CAUSE_MOTOR]);
}

/* All let go of everything, before a cycle is over: nothing but where the next drop comes tells what did. */
Test(limit_cause, a_release_of_all_is_told_by_where_the_next_one_comes)
{
    static const struct {
        double recurs_mm, least, most; /* of the motor's probability */
        double grip_most;
    } ROWS_OF_RELEASE[] = {{0, 0.1, 0.9, 1},
                           {1.012 * CYCLE, 0.95, 1, 0.05},
                           {0.384, 0, 0.35, 1},
                           {0.69, 0, 0.6, 1},
                           /* Sooner than either could. */
                           {0.15, 0, 0.3, 0.3}};
    for (size_t k = 0; k < sizeof ROWS_OF_RELEASE / sizeof ROWS_OF_RELEASE[0]; k++) {
        struct limit_cause_drop drops[8];
        struct limit_cause_evidence evidence = {.drop_count = 8,
                                                .drops = drops,
                                                .fallback_sd_mm = 0.006,
                                                .slip_back_sd_mm = hypot(0.006, STEP / 4),
                                                .motor_cycle_mm = CYCLE,
                                                .tooth_pitch_mm = PITCH,
                                                .recurs_mm = ROWS_OF_RELEASE[k].recurs_mm,
                                                .reload_mm = 0.38,
                                                .reload_sd_mm = 0.034};
        for (int i = 0; i < 8; i++) {
            double peak_mm = 0.317 + 0.004 * (i % 3 - 1);
            drops[i] = (struct limit_cause_drop){peak_mm + STEP, peak_mm + STEP, peak_mm, peak_mm};
        }
        struct limit_cause cause = limit_cause_weigh(&evidence);
        double motor = cause.probability[LIMIT_CAUSE_MOTOR];
        cr_expect(motor >= ROWS_OF_RELEASE[k].least && motor <= ROWS_OF_RELEASE[k].most,
                  "row %zu: motor %.3f, grip %.3f", k, motor, cause.probability[LIMIT_CAUSE_GRIP]);
        cr_expect_leq(cause.probability[LIMIT_CAUSE_GRIP], ROWS_OF_RELEASE[k].grip_most, "row %zu: grip %.3f",
                      k, cause.probability[LIMIT_CAUSE_GRIP]);
    }
}
