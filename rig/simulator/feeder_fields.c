#include "rig/simulator/feeder_fields.h"

// clang-format off
#define FIELD(kind, section, key, low, high, unit) /* NOLINTNEXTLINE(bugprone-macro-parentheses) */ \
    {#section, #key, kind, offsetof(struct model_parameters, section.key), low, high, unit}
// clang-format on
#define DOUBLE(section, key, low, high, unit) FIELD(FEEDER_DOUBLE, section, key, low, high, unit)

/* The wire carries force as signed 24 bits and the microsteps as unsigned 16. */
const struct feeder_field feeder_fields[] = {
    FIELD(FEEDER_INT, motor, full_steps_per_rev, 4, 10000, ""),
    FIELD(FEEDER_INT, motor, microsteps, 1, 1024, ""),
    DOUBLE(motor, holding_torque_nm, 0, 100, "N m"),
    DOUBLE(motor, flux_linkage_wb, 0, 10, "Wb"),
    DOUBLE(motor, resistance_ohm, 0, 1000, "ohm"),
    DOUBLE(motor, inductance_h, 0, 10, "H"),
    DOUBLE(motor, supply_v, 0, 1000, "V"),
    DOUBLE(motor, torque_scatter, 0, 1, ""),
    DOUBLE(gear, drive_diameter_mm, 0.1, 1000, "mm"),
    FIELD(FEEDER_INT, gear, teeth, 0, 10000, ""),
    DOUBLE(gear, eccentricity_mm, 0, 100, "mm"),
    DOUBLE(gear, tooth_ripple_mm, 0, 100, "mm"),
    DOUBLE(gear, motor_turn_ripple_mm, 0, 100, "mm"),
    DOUBLE(gear, full_step_ripple_mm, 0, 100, "mm"),
    DOUBLE(gear, backlash_mm, 0, 100, "mm"),
    DOUBLE(gear, reduction, 0.001, 1000, ""),
    DOUBLE(gear, efficiency, 0, 1, ""),
    DOUBLE(nip, preload_n, 0, 10000, "N"),
    DOUBLE(nip, creep_floor_per_n, 0, 1, "1/N"),
    DOUBLE(nip, creep_extra_per_n, 0, 1, "1/N"),
    DOUBLE(nip, creep_preload_n, 0, 10000, "N"),
    DOUBLE(nip, grip_coefficient, 0, 100, ""),
    DOUBLE(nip, saturation_preload_n, 0, 10000, "N"),
    DOUBLE(nip, grip_speed_exponent, 0, 1, ""),
    DOUBLE(nip, onset_fraction, 0, 1, ""),
    DOUBLE(nip, shear_fraction, 0, 1, ""),
    DOUBLE(nip, shear_slip_mm, 0, 100, "mm"),
    DOUBLE(nip, shear_scatter, 0, 1, ""),
    DOUBLE(nip, wear_per_m, 0, 1000, "1/m"),
    DOUBLE(nip, dent_preload_n, 0, 1e9, "N"),
    DOUBLE(nip, dent_mm_per_n, 0, 1, "mm/N"),
    DOUBLE(nip, fade_per_m, 0, 10, "1/m"),
    DOUBLE(nip, hardness_mpa, 0, 1e5, "MPa"),
    DOUBLE(nip, shear_strength_mpa, 0, 1e5, "MPa"),
    DOUBLE(nip, tooth_depth_mm, 0, 100, "mm"),
    FIELD(FEEDER_INT, nip, toothed_sides, 0, 2, ""),
    DOUBLE(nip, debris_mm_per_m, 0, 100, "mm/m"),
    FIELD(FEEDER_END, fixture, end, MODEL_END_BLOCKED, MODEL_END_HOT, ""),
    DOUBLE(fixture, brake_n, 0, 10000, "N"),
    DOUBLE(fixture, brake_repeat, 0, 1, ""),
    DOUBLE(fixture, filament_diameter_mm, 0.1, 10, "mm"),
    DOUBLE(fixture, filament_modulus_mpa, 0.1, 1e6, "MPa"),
    DOUBLE(fixture, free_length_mm, 0, 10000, "mm"),
    DOUBLE(fixture, stiffness_n_per_mm, 0.001, 1e6, "N/mm"),
    DOUBLE(fixture, gap_mm, 0, 10000, "mm"),
    DOUBLE(tube, bend_rad, 0, 1000, "rad"),
    DOUBLE(tube, friction, 0, 10, ""),
    DOUBLE(tube, clearance_mm, 0, 100, "mm"),
    DOUBLE(hot_end, force_n, 0, 10000, "N"),
    DOUBLE(hot_end, coefficient, 0, 10000, "N/(mm3/s)^n"),
    DOUBLE(hot_end, exponent, 0, 10, ""),
    DOUBLE(hot_end, temperature_c, -273.15, 2000, "C"),
    DOUBLE(hot_end, reference_c, -273.15, 2000, "C"),
    DOUBLE(hot_end, per_kelvin, -1, 1, "1/K"),
    DOUBLE(hot_end, consistency_pa_s_n, 0, 1e9, "Pa s^n"),
    DOUBLE(hot_end, nozzle_radius_mm, 0, 100, "mm"),
    DOUBLE(hot_end, nozzle_length_mm, 0, 1000, "mm"),
    FIELD(FEEDER_BOOL, sensor, at_feeder, 0, 1, ""),
    DOUBLE(sensor, gain_counts_per_n, -1e6, 1e6, "counts/N"),
    DOUBLE(sensor, zero_counts, -8388608, 8388607, "counts"),
    DOUBLE(sensor, noise_n, 0, 1000, "N"),
    DOUBLE(sensor, drift_n_per_min, -1000, 1000, "N/min"),
    DOUBLE(sensor, drift_walk_n, 0, 1000, "N"),
    DOUBLE(sensor, mains_n, 0, 1000, "N"),
    DOUBLE(sensor, mains_hz, 0, 1000, "Hz"),
    DOUBLE(sensor, full_scale_n, 0.1, 100000, "N"),
    DOUBLE(sensor, nonlinearity_n, -10000, 10000, "N"),
    DOUBLE(sensor, hysteresis_n, 0, 10000, "N"),
    FIELD(FEEDER_INT32, sensor, counts_min, -8388608, 8388606, "counts"),
    FIELD(FEEDER_INT32, sensor, counts_max, -8388607, 8388607, "counts"),
    FIELD(FEEDER_BOOL, sensor, encoder, 0, 1, ""),
    FIELD(FEEDER_BOOL, sensor, encoder_at_end, 0, 1, ""),
    DOUBLE(sensor, encoder_mm_per_count, 0, 10, "mm/count"),
    DOUBLE(spread, refit, 0, 1, ""),
    DOUBLE(spread, repeat, 0, 1, ""),
    DOUBLE(spread, motor_repeat, 0, 1, ""),
};

const size_t feeder_field_count = sizeof feeder_fields / sizeof feeder_fields[0];

double *feeder_field_double(struct model_parameters *p, const struct feeder_field *f)
{
    return (double *)(void *)((char *)p + f->offset);
}

int *feeder_field_int(struct model_parameters *p, const struct feeder_field *f)
{
    return (int *)(void *)((char *)p + f->offset);
}

int32_t *feeder_field_int32(struct model_parameters *p, const struct feeder_field *f)
{
    return (int32_t *)(void *)((char *)p + f->offset);
}

bool *feeder_field_bool(struct model_parameters *p, const struct feeder_field *f)
{
    return (bool *)(void *)((char *)p + f->offset);
}

enum model_end *feeder_field_end(struct model_parameters *p, const struct feeder_field *f)
{
    return (enum model_end *)(void *)((char *)p + f->offset);
}
