#include "tests/sim/simulate.h"

#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct model_parameters quiet(void)
{
    struct model_parameters p = model_default();
    memset(&p.spread, 0, sizeof p.spread);
    p.sensor.noise_n = p.sensor.mains_n = p.sensor.drift_walk_n = p.sensor.drift_n_per_min = 0;
    p.gear.eccentricity_mm = p.gear.tooth_ripple_mm = 0;
    p.nip.creep_floor_per_n = p.nip.creep_extra_per_n = 0;
    return p;
}

struct made {
    struct run_columns columns;
    struct run_record record;
};

static struct made make(const struct model_parameters *p, struct model_state *s,
                        const struct simulated_push *push)
{
    struct made m;
    cr_assert(simulate_push(p, s, push, &m.columns, &m.record, NULL));
    return m;
}

static void forget(struct made *m)
{
    run_columns_free(&m->columns);
    run_record_free(&m->record);
}

static double force_n(const struct model_parameters *p, const struct made *m, size_t i)
{
    return (m->columns.force_counts[i] - p->sensor.zero_counts) / p->sensor.gain_counts_per_n;
}

Test(simulate, cycles_go_forward_and_back_as_trapezoids)
{
    struct model_parameters p = quiet();
    struct model_state s = {0};
    model_mount(&p, &s, 7);
    struct simulated_push push = {.speed_mm_s = 3.7,
                                  .travel_mm = 2.31,
                                  .acceleration_mm_s2 = 90,
                                  .sample_rate_hz = 1000,
                                  .rest_s = 0.35,
                                  .cycles = 3,
                                  .test = PLAN_REVERSAL};
    struct made m = make(&p, &s, &push);
    double way_s = 3.7 / 90 + 2.31 / 3.7;
    double mm = m.record.mm_per_microstep;
    cr_expect_float_eq((double)(m.record.push_end_us - m.record.push_start_us) * 1e-6, 6 * way_s, 0.0015);
    int turns = 0;
    for (size_t i = 1; i < m.columns.n; i++) {
        int32_t step = m.columns.commanded_steps[i] - m.columns.commanded_steps[i - 1];
        cr_assert(fabs(step * mm) <= 3.7e-3 + mm, "row %zu: never faster than the speed", i);
        turns += m.columns.commanded_steps[i] * mm > 2.31 - mm &&
                 m.columns.commanded_steps[i - 1] * mm <= 2.31 - mm;
    }
    cr_expect_eq(turns, 3);
    cr_expect_eq(m.columns.commanded_steps[m.columns.n - 1], 0);
    for (int way = 1; way <= 6; way++) {
        size_t i = 350 + (size_t)lround(way * way_s * 1000);
        cr_expect_float_eq(m.columns.commanded_steps[i] * mm, way % 2 == 1 ? 2.31 : 0, 0.002);
        cr_expect_float_eq(force_n(&p, &m, i), way % 2 == 1 ? 52.9 : 0, 1.5);
    }
    cr_expect_eq(m.record.test, PLAN_REVERSAL);
    cr_expect_eq(m.record.cycles, 3);
    cr_expect_float_eq(m.record.travel_mm, 2.31, 1e-12);
    forget(&m);
}

Test(simulate, the_record_states_what_the_parameters_settle)
{
    struct model_parameters p = quiet();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 33.5;
    p.fixture.brake_repeat = 0.03;
    p.tube.bend_rad = 1.5707963267948966;
    p.sensor.at_feeder = true;
    struct model_state s = {0};
    model_mount(&p, &s, 7);
    struct simulated_push push = {.speed_mm_s = 3.7,
                                  .travel_mm = 7,
                                  .acceleration_mm_s2 = 90,
                                  .sample_rate_hz = 500,
                                  .rest_s = 0.3,
                                  .preload_n = 72.5,
                                  .test = PLAN_LOADED_FEED};
    struct made m = make(&p, &s, &push);
    const struct conditions *c = m.record.conditions;
    cr_expect(c->stated[CONDITION_BRAKE_LOAD_N] && c->number[CONDITION_BRAKE_LOAD_N] == 33.5);
    cr_expect(c->stated[CONDITION_NIP_PRELOAD_N] && c->number[CONDITION_NIP_PRELOAD_N] == 72.5);
    cr_expect_float_eq(c->number[CONDITION_GUIDE_TUBE_BEND_DEG], 90, 1e-9);
    cr_expect_eq(c->number[CONDITION_FILAMENT_DIAMETER_MM], 1.75);
    cr_expect_eq(c->number[CONDITION_FREE_LENGTH_MM], 50);
    cr_expect_eq(c->number[CONDITION_FILAMENT_MODULUS_MPA], 2500);
    cr_expect_str_eq(conditions_word(c, CONDITION_LOAD_CELL_SEAT), "feeder");
    cr_expect_not(c->stated[CONDITION_HOT_END_TEMPERATURE_C]);
    cr_expect_eq(m.record.event_count, 1);
    cr_expect_str_eq(m.record.events[0].text, "motor cut");
    cr_expect_eq(m.record.events[0].time_us, m.record.push_end_us);
    cr_expect_eq(m.record.rate_mm3_s, 0);
    cr_expect_eq(m.record.cycles, 0);
    /* The cell shows the load as it turned out, with the belt ratio of no friction. */
    size_t last = m.columns.n - 1 - 150;
    cr_expect_float_eq(force_n(&p, &m, last), 33.5 * s.brake_factor, 1e-3);
    cr_expect_neq(s.brake_factor, 1);
    cr_expect_float_eq(force_n(&p, &m, m.columns.n - 1), 0, 1e-3, "cut, the filament springs back");
    forget(&m);

    p.fixture.end = MODEL_END_HOT;
    p.sensor.at_feeder = false;
    p.hot_end = (struct model_hot_end){.force_n = 5, .coefficient = 6, .exponent = 0.5, .temperature_c = 214};
    push.test = PLAN_MELT_PUSH;
    m = make(&p, &s, &push);
    c = m.record.conditions;
    cr_expect_eq(c->number[CONDITION_HOT_END_TEMPERATURE_C], 214);
    cr_expect_not(c->stated[CONDITION_BRAKE_LOAD_N]);
    cr_expect_str_eq(conditions_word(c, CONDITION_LOAD_CELL_SEAT), "end");
    cr_expect_float_eq(m.record.rate_mm3_s, 3.7 * 2.405281875, 1e-6);
    forget(&m);
}

Test(simulate, metres_fed_carry_on_from_run_to_run_until_the_gear_is_cleaned)
{
    struct model_parameters p = quiet();
    p.fixture.end = MODEL_END_FREE;
    struct model_state s = {0};
    model_mount(&p, &s, 7);
    struct simulated_push push = {.speed_mm_s = 40,
                                  .travel_mm = 125,
                                  .acceleration_mm_s2 = 900,
                                  .sample_rate_hz = 500,
                                  .rest_s = 0.1,
                                  .test = PLAN_ENDURANCE};
    for (int i = 0; i < 4; i++) {
        if (i == 2)
            model_clean(&s);
        struct made m = make(&p, &s, &push);
        cr_expect_float_eq(model_fed_since_cleaning_m(&s), 0.125 * (i % 2), 1e-9, "run %d", i);
        forget(&m);
    }
}
