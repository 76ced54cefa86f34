/* Facts of the trade (common practice, no source): each follows from the model's physics, with no switch
 * named after it, and the analysis finds it in what a rig would record, from raw counts. Numbers of feeders
 * are invented. */
#include "analyze/bench_test.h"
#include "analyze/numerics/formulas.h"
#include "analyze/numerics/quantity.h"
#include "analyze/push.h"
#include "tests/analyze/kept_run.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
enum { RUNS_MAX = 24 };

/* What was captured of one feeder in one test, and what the analysis made of each run. */
struct captured {
    size_t n;
    struct run_record records[RUNS_MAX];
    struct run_result results[RUNS_MAX];
    const struct run_result *pointers[RUNS_MAX];
    struct calibration calibration;
};

/* A gear with teeth of that pitch on a motor that it seldom stalls. */
static struct model_parameters feeder(double diameter_mm, double pitch_mm, double depth_mm, int sides,
                                      double holding_torque_nm)
{
    struct model_parameters p = model_default();
    p.motor.holding_torque_nm = holding_torque_nm;
    p.motor.supply_v = 48;
    p.motor.inductance_h = 0.002;
    p.motor.resistance_ohm = 2;
    p.gear.drive_diameter_mm = diameter_mm;
    p.gear.teeth = (int)lround(PI * diameter_mm / pitch_mm);
    p.gear.efficiency = 0.97;
    p.nip.preload_n = 80;
    p.nip.hardness_mpa = 60;
    p.nip.shear_strength_mpa = 45;
    p.nip.tooth_depth_mm = depth_mm;
    p.nip.toothed_sides = sides;
    p.nip.grip_speed_exponent = 0;
    p.nip.wear_per_m = 0;
    p.nip.dent_preload_n = 1000;
    p.fixture.free_length_mm = 10;
    p.spread = (struct model_spread){.repeat = 0.005, .motor_repeat = 0.005};
    return p;
}

/* Run so many tests of a kind on one mounting, one after another, and analyse each as captured. */
static void capture(const struct model_parameters *p, enum plan_test_kind kind, const double *speeds_mm_s,
                    size_t n, double travel_mm, uint64_t seed, struct captured *c)
{
    struct model_state s = {0};
    struct push_settings settings = push_budget_settings(NULL);
    const char *bad = model_check(p);
    memset(c, 0, sizeof *c);
    cr_assert(bad == NULL, "%s", bad);
    c->n = n;
    c->calibration = simulate_exact_calibration(p);
    model_mount(p, &s, seed);
    for (size_t i = 0; i < n; i++) {
        struct simulated_push push = {.speed_mm_s = speeds_mm_s[i],
                                      .travel_mm = travel_mm,
                                      .acceleration_mm_s2 = 400,
                                      .sample_rate_hz = 500,
                                      .rest_s = 1,
                                      .test = kind};
        struct run_columns columns;
        struct err e = {0};
        bool simulated = simulate_push(p, &s, &push, &columns, &c->records[i], NULL);
        cr_assert(simulated);
        c->records[i].number = (int)i + 1;
        c->records[i].order = (int)i + 1;
        c->records[i].block = 1;
        c->records[i].repeat = kind == PLAN_ENDURANCE ? (int)i + 1 : 0;
        static struct run_finding found;
        memset(&found, 0, sizeof found);
        enum err_code code = bench_test_run(&columns, &c->records[i], &c->calibration, &settings, &found, &e);
        run_columns_free(&columns);
        cr_assert_eq(code, ERR_OK, "%s", e.text);
        kept_run(&c->results[i], &c->records[i], &found, code, e.text);
        c->pointers[i] = &c->results[i];
    }
}

static void forget(struct captured *c)
{
    for (size_t i = 0; i < c->n; i++) {
        run_result_free(&c->results[i]);
        run_record_free(&c->records[i]);
    }
}

static const double SLOW[4] = {2, 2, 2, 2};

/* Mean stall force of four pushes, all ended by the same cause. */
static double mean_stall_n(const struct model_parameters *p, enum limited_by cause, uint64_t seed)
{
    static struct captured c;
    double sum = 0;
    capture(p, PLAN_BLOCKED_PUSH, SLOW, 4, 16, seed, &c);
    for (size_t i = 0; i < c.n; i++) {
        const struct run_push *push = &c.results[i].push;
        cr_expect_eq(push->limited_by, cause, "%s: %s, not %s", p->name, LIMITED_NAMES[push->limited_by],
                     LIMITED_NAMES[cause]);
        cr_assert(push->stall_force_n.present && !push->stall_force_n.at_least);
        sum += push->stall_force_n.value;
    }
    forget(&c);
    return sum / (double)c.n;
}

static void summed_up(enum plan_test_kind kind, const struct captured *c, struct outcome *o)
{
    struct push_settings settings = push_budget_settings(NULL);
    static struct feeder_result nothing;
    struct bench_test_context context = {
        .calibration = &c->calibration, .settings = &settings, .feeder = &nothing};
    struct err e = {0};
    enum err_code code = bench_test_sum_up(kind, c->pointers, c->n, &context, o, &e);
    cr_assert_eq(code, ERR_OK, "%s", e.text);
}

static void no_gsl_abort(void)
{
    quantity_init_numerics();
}
TestSuite(trade_facts, .init = no_gsl_abort);

/* Common practice, no source: with one motor, push force falls in inverse proportion to the drive diameter.
 */
Test(trade_facts, gear_of_12_mm_pushes_two_thirds_of_one_of_8_mm)
{
    struct model_parameters small = feeder(8, 0.8, 0.49, 2, 0.35), large = feeder(12, 0.8, 0.49, 2, 0.35);
    double ratio = mean_stall_n(&large, LIMITED_MOTOR, 3) / mean_stall_n(&small, LIMITED_MOTOR, 4);
    cr_expect_float_eq(ratio, 2.0 / 3, 0.01, "%g", ratio);
}

/* Common practice, no source: filament of the 3 mm class moves about three times slower for the same volume
 * and needs about three times the force. By the areas of 2.85 and 1.75 mm it is 2.652 for both. */
Test(trade_facts, filament_of_2_85_mm_needs_2_65_times_the_force_at_the_same_volumetric_rate)
{
    static struct captured thin, thick;
    static const double rates_mm3_s[4] = {2.1, 3.7, 5.3, 7.9};
    double speeds_thin[4], speeds_thick[4];
    struct model_parameters p = feeder(8, 0.8, 0.49, 2, 0.9);
    p.fixture.end = MODEL_END_HOT;
    p.hot_end = (struct model_hot_end){.force_n = 0,
                                       .exponent = 0.45,
                                       .temperature_c = 215,
                                       .reference_c = 215,
                                       .consistency_pa_s_n = 8000,
                                       .nozzle_radius_mm = 0.2,
                                       .nozzle_length_mm = 2};
    for (int i = 0; i < 4; i++) {
        speeds_thin[i] = formulas_feed_mm_s(rates_mm3_s[i], 1.75);
        speeds_thick[i] = formulas_feed_mm_s(rates_mm3_s[i], 2.85);
        cr_expect_float_eq(speeds_thin[i] / speeds_thick[i], 2.6522448980, 1e-9);
    }
    capture(&p, PLAN_MELT_PUSH, speeds_thin, 4, 14, 5, &thin);
    p.fixture.filament_diameter_mm = 2.85;
    capture(&p, PLAN_MELT_PUSH, speeds_thick, 4, 14, 6, &thick);
    for (int i = 0; i < 4; i++) {
        /* Each force at the rate that its own encoder saw: creep takes the rates a little apart. */
        const struct run_quantity *a = thin.results[i].quantities, *b = thick.results[i].quantities;
        cr_assert_str_eq(a[0].key, "force_n");
        double ratio = b[0].q.value / a[0].q.value * pow(a[2].q.value / b[2].q.value, 0.45);
        cr_expect_float_eq(ratio, 2.6522448980, 0.02, "%g at %g mm3/s", ratio, rates_mm3_s[i]);
    }
    forget(&thin);
    forget(&thick);
}

/* Common practice, no source: a gear that grips from both sides outgrips a plain idler. */
Test(trade_facts, teeth_on_both_sides_outgrip_a_plain_idler)
{
    struct model_parameters plain = feeder(8, 0.8, 0.49, 1, 0.9), both = feeder(8, 0.8, 0.49, 2, 0.9);
    double one_n = mean_stall_n(&plain, LIMITED_GRIP, 7), two_n = mean_stall_n(&both, LIMITED_GRIP, 8);
    cr_expect_float_eq(two_n / one_n, 2, 0.04, "%g N and %g N", one_n, two_n);
}

/* And with a motor in between, the plain idler's grip gives way where the other's motor does. */
Test(trade_facts, plain_idler_slips_where_both_sides_stall_the_motor)
{
    struct model_parameters plain = feeder(8, 0.8, 0.49, 1, 0.42), both = feeder(8, 0.8, 0.49, 2, 0.42);
    double one_n = mean_stall_n(&plain, LIMITED_GRIP, 9), two_n = mean_stall_n(&both, LIMITED_MOTOR, 10);
    cr_expect(one_n < 0.85 * two_n, "%g N and %g N", one_n, two_n);
}

/* Common practice, no source: teeth as fine as the thread of M3 clog, as coarse as that of M5 they hold
 * (pitch 0.5 and 0.8 mm, ISO 261; depth of an external thread 0.61 of the pitch). The same debris falls into
 * both. */
Test(trade_facts, fine_teeth_clog_and_coarse_ones_hold)
{
    static struct captured c;
    double speeds[RUNS_MAX], fade[2], low[2], high[2];
    for (int i = 0; i < RUNS_MAX; i++)
        speeds[i] = 5;
    for (int coarse = 0; coarse < 2; coarse++) {
        double pitch_mm = coarse ? 0.8 : 0.5;
        struct model_parameters p = feeder(8, pitch_mm, 0.61 * pitch_mm, 1, 0.9);
        struct outcome o;
        p.nip.preload_n = 150;
        p.nip.debris_mm_per_m = 0.4;
        capture(&p, PLAN_ENDURANCE, speeds, RUNS_MAX, 26, 11 + (uint64_t)coarse, &c);
        summed_up(PLAN_ENDURANCE, &c, &o);
        const struct outcome_quantity *q = outcome_find(&o, "grip_fade_n_per_m", "");
        cr_assert(q != NULL && q->q.present);
        fade[coarse] = q->q.value;
        low[coarse] = q->q.low_95;
        high[coarse] = q->q.high_95;
        outcome_free(&o);
        forget(&c);
    }
    /* Stated as grip lost: above 0 when it fades. */
    cr_expect(low[0] > 5, "fine: %g (%g to %g) N/m", fade[0], low[0], high[0]);
    cr_expect(low[1] < 0 && high[1] > 0, "coarse: %g (%g to %g) N/m", fade[1], low[1], high[1]);
}

/* Common practice, no source: too small a gear has too little contact and grinds. Its motor could push harder
 * than that of a larger one, and its grip does less. */
Test(trade_facts, too_small_gear_grinds)
{
    /* A pitch that is no cycle of the motor with any of these diameters: on 8 mm, one of 0.5 mm is, and then
     * drops alone do not tell teeth from motor. */
    struct model_parameters p[3] = {feeder(5, 0.6, 0.15, 1, 0.375), feeder(8, 0.6, 0.15, 1, 0.375),
                                    feeder(12, 0.6, 0.15, 1, 0.375)};
    double stall_n[3];
    for (int i = 0; i < 3; i++) {
        p[i].nip.preload_n = 200;
        p[i].nip.shear_strength_mpa = 60;
        stall_n[i] = mean_stall_n(&p[i], i == 0 ? LIMITED_GRIP : LIMITED_MOTOR, 20 + (uint64_t)i);
    }
    /* The larger two keep to inverse proportion; the smallest falls far short of it. */
    cr_expect_float_eq(stall_n[2] / stall_n[1], 8.0 / 12, 0.01, "%g and %g N", stall_n[1], stall_n[2]);
    cr_expect(stall_n[0] / stall_n[1] < 0.8 * 8 / 5, "%g and %g N", stall_n[0], stall_n[1]);
}
