#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

Test(model_check, defaults_can_be_simulated)
{
    struct model_parameters p = model_default();
    cr_expect_null(model_check(&p), "%s", model_check(&p));
    struct model_truth t = model_truth_nominal(&p, 0, 5);
    cr_expect_float_eq(t.motor_limit_n, 85, 1);
    cr_expect_float_eq(t.grip_limit_n, 130, 2);
    cr_expect_eq(t.limited_by, MODEL_LIMIT_MOTOR);
    cr_expect_not(t.onset_reached);
    cr_expect_float_eq(t.creep_per_n, 0.0006, 1e-5);
    cr_expect_float_eq(t.stiffness_n_per_mm, 30, 0.1);
    cr_expect_float_eq(model_truth_nominal(&p, 0, 20).motor_limit_n, 85, 1);
    cr_expect_lt(model_truth_nominal(&p, 0, 50).motor_limit_n, 60);
    cr_expect_lt(model_truth_nominal(&p, 0, 100).motor_limit_n, 30);
}

#define FIELD(member) offsetof(struct model_parameters, member)

Test(model_check, each_bad_number_is_named_in_words)
{
    static const struct {
        size_t offset;
        double bad;
        const char *word;
    } cases[] = {
        {FIELD(motor.holding_torque_nm), 0, "holding torque"},
        {FIELD(motor.flux_linkage_wb), -0.01, "flux linkage"},
        {FIELD(motor.resistance_ohm), 0, "resistance"},
        {FIELD(motor.inductance_h), 0, "inductance"},
        {FIELD(motor.supply_v), -12, "supply"},
        {FIELD(motor.torque_scatter), 0.4, "torque scatter"},
        {FIELD(gear.drive_diameter_mm), 0, "drive diameter"},
        {FIELD(gear.eccentricity_mm), 2, "eccentricity"},
        {FIELD(gear.tooth_ripple_mm), 0.3, "tooth ripple"},
        {FIELD(gear.motor_turn_ripple_mm), -0.1, "motor turn ripple"},
        {FIELD(gear.full_step_ripple_mm), -0.1, "full step ripple"},
        {FIELD(gear.full_step_ripple_mm), 0.0099, "ripples"},
        {FIELD(gear.backlash_mm), -0.1, "backlash"},
        {FIELD(gear.reduction), 0, "reduction"},
        {FIELD(gear.efficiency), 1.01, "efficiency"},
        {FIELD(nip.preload_n), -1, "preload"},
        {FIELD(nip.creep_floor_per_n), -1e-4, "creep floor"},
        {FIELD(nip.creep_extra_per_n), 0.08, "creep alone"},
        {FIELD(nip.creep_preload_n), 0, "creep preload"},
        {FIELD(nip.grip_coefficient), 0, "grip coefficient"},
        {FIELD(nip.saturation_preload_n), 0, "saturation"},
        {FIELD(nip.grip_speed_exponent), -0.1, "speed exponent"},
        {FIELD(nip.onset_fraction), 1, "onset fraction"},
        {FIELD(nip.shear_fraction), 0.65, "shear fraction"},
        {FIELD(nip.shear_slip_mm), -1, "shear slip"},
        {FIELD(nip.shear_scatter), 1.1, "shear scatter"},
        {FIELD(nip.wear_per_m), -1, "wear"},
        {FIELD(nip.dent_preload_n), -1, "dent preload"},
        {FIELD(nip.dent_mm_per_n), -1, "dent"},
        {FIELD(nip.fade_per_m), -1, "fade"},
        {FIELD(nip.hardness_mpa), -1, "hardness"},
        {FIELD(nip.hardness_mpa), 50, "shear strength"},
        {FIELD(nip.shear_strength_mpa), -1, "shear strength"},
        {FIELD(nip.tooth_depth_mm), -1, "tooth depth"},
        {FIELD(nip.debris_mm_per_m), -1, "debris"},
        {FIELD(fixture.brake_n), -1, "brake load"},
        {FIELD(fixture.brake_repeat), 0.5, "brake repeat"},
        {FIELD(hot_end.temperature_c), -300, "temperature"},
        {FIELD(hot_end.reference_c), 3000, "reference"},
        {FIELD(hot_end.per_kelvin), 1, "per kelvin"},
        {FIELD(hot_end.consistency_pa_s_n), -1, "consistency"},
        {FIELD(hot_end.consistency_pa_s_n), 9000, "nozzle radius"},
        {FIELD(hot_end.nozzle_radius_mm), -1, "nozzle radius"},
        {FIELD(hot_end.nozzle_length_mm), -1, "nozzle length"},
        {FIELD(fixture.filament_diameter_mm), 0, "filament diameter"},
        {FIELD(fixture.filament_modulus_mpa), 0, "modulus"},
        {FIELD(fixture.free_length_mm), 0, "free length"},
        {FIELD(fixture.stiffness_n_per_mm), 0, "stiffness"},
        {FIELD(fixture.gap_mm), -0.1, "gap"},
        {FIELD(tube.bend_rad), -1, "bend"},
        {FIELD(tube.friction), -0.1, "friction"},
        {FIELD(tube.clearance_mm), -0.1, "clearance"},
        {FIELD(hot_end.force_n), -1, "hot end force"},
        {FIELD(hot_end.coefficient), -1, "hot end coefficient"},
        {FIELD(hot_end.exponent), 0.01, "hot end exponent"},
        {FIELD(sensor.gain_counts_per_n), 0, "gain"},
        {FIELD(sensor.zero_counts), 1e12, "zero"},
        {FIELD(sensor.noise_n), -0.1, "noise"},
        {FIELD(sensor.drift_n_per_min), 1e6, "drift"},
        {FIELD(sensor.drift_walk_n), -1, "drift walk"},
        {FIELD(sensor.mains_n), -1, "mains"},
        {FIELD(sensor.mains_hz), -50, "mains frequency"},
        {FIELD(sensor.full_scale_n), 0, "full scale"},
        {FIELD(sensor.nonlinearity_n), 21, "nonlinearity"},
        {FIELD(sensor.hysteresis_n), -0.1, "hysteresis"},
        {FIELD(sensor.encoder_mm_per_count), 0, "encoder"},
        {FIELD(spread.refit), 0.5, "refit"},
        {FIELD(spread.repeat), -0.1, "repeat"},
        {FIELD(spread.motor_repeat), 0.5, "motor repeat"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        for (int nan_too = 0; nan_too < 2; nan_too++) {
            struct model_parameters p = model_default();
            double value = nan_too ? (double)NAN : cases[i].bad;
            memcpy((char *)&p + cases[i].offset, &value, sizeof value);
            const char *said = model_check(&p);
            cr_expect_not_null(said, "%s: %g accepted", cases[i].word, value);
            if (said != NULL && !nan_too)
                cr_expect(strstr(said, cases[i].word) != NULL, "%s: said '%s'", cases[i].word, said);
        }
    }
}

Test(model_check, whole_numbers_and_combinations_are_checked)
{
    struct model_parameters p = model_default();
    p.motor.full_steps_per_rev = 202;
    cr_expect_str_eq(model_check(&p), "full steps per revolution must be a multiple of 4");
    p = model_default();
    p.motor.microsteps = 0;
    cr_expect(strstr(model_check(&p), "microsteps") != NULL);
    p = model_default();
    p.gear.teeth = -1;
    cr_expect(strstr(model_check(&p), "teeth") != NULL);
    p = model_default();
    p.gear.teeth = 0;
    cr_expect_null(model_check(&p));
    p.nip.shear_fraction = 0.9;
    cr_expect(strstr(model_check(&p), "without teeth") != NULL);
    p.nip.shear_slip_mm = 0.8;
    cr_expect_null(model_check(&p));
    p = model_default();
    p.tube.bend_rad = 30;
    p.tube.friction = 0.5;
    cr_expect(strstr(model_check(&p), "friction times bend") != NULL);
    p = model_default();
    p.hot_end.exponent = 0.5;
    cr_expect(strstr(model_check(&p), "coefficient") != NULL);
    p.hot_end.coefficient = 5;
    cr_expect_null(model_check(&p));
    p.hot_end.reference_c = 800;
    p.hot_end.per_kelvin = 0.15;
    cr_expect(strstr(model_check(&p), "at its temperature") != NULL);
    p = model_default();
    p.fixture.end = MODEL_END_BRAKE;
    cr_expect(strstr(model_check(&p), "brake load") != NULL);
    p.fixture.end = (enum model_end)4;
    cr_expect(strstr(model_check(&p), "end must be") != NULL);
    p = model_default();
    p.nip.toothed_sides = 3;
    cr_expect(strstr(model_check(&p), "sides") != NULL);
    p.nip.toothed_sides = 2;
    p.nip.hardness_mpa = 60;
    p.nip.shear_strength_mpa = 40;
    cr_expect_null(model_check(&p));
    p.gear.teeth = 0;
    cr_expect(strstr(model_check(&p), "needs gear teeth") != NULL);
    p = model_default();
    p.sensor.counts_min = p.sensor.counts_max;
    cr_expect(strstr(model_check(&p), "counts") != NULL);
    p = model_default();
    memset(p.name, 'x', sizeof p.name);
    cr_expect(strstr(model_check(&p), "name") != NULL);
}
