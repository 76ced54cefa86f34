/* Speed sweep: one feeder's pushes over its ladder of speeds, to a mean per speed and a curve of motor
 * torque. No I/O. */
#ifndef ANALYZE_SPEED_SWEEP_H
#define ANALYZE_SPEED_SWEEP_H

#include "analyze/analysis.h"
#include "analyze/push_budget.h"

/* Gather the runs (count pointers, all of one feeder of one series) into one point per commanded speed, in
 * rising order. calibration is the series' own: its uncertainty is common to all runs and is added to the
 * scatter of their mean. */
void speed_sweep_points(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, const struct push_settings *settings,
                        struct feeder_result *feeder);

/* Drive radius over reduction, in m: torque at the motor shaft per newton of push, losses counted to the
 * motor's cost. */
double speed_sweep_torque_per_newton_m(const struct run_record *record,
                                       const struct calibration *calibration);

/* Fit the three torque models to the runs and keep the one with the least AICc. Grip-limited runs, and runs
 * that a limit ended, are lower bounds of the motor's torque. feeder->torque_curve.why_not says why there is
 * no curve. The points must be filled. */
void speed_sweep_torque(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, const struct push_settings *settings,
                        struct feeder_result *feeder);

#endif
