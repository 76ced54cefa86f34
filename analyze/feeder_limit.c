#include "analyze/feeder_limit.h"

#include "analyze/speed_sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Motor and grip are told apart where they differ by more than so many of their standard errors together. */
#define APART_ERRORS 2.0
/* Different speeds, and pushes, that a grip falling with speed takes to be seen. */
#define POWER_SPEEDS_LEAST 3
#define POWER_PUSHES_LEAST 6
#define SPEED_RELATIVE     1e-6

static bool is_push(const struct run_result *run)
{
    return run->analysed && run->push.stall_force_n.present &&
           (run->record->test == PLAN_BLOCKED_PUSH || run->record->test == PLAN_SPEED_SWEEP);
}

static double aicc(const struct linear_fit *fit)
{
    double n = (double)fit->n, k = (double)fit->p + 1;
    if (n - k - 1 <= 0 || !(fit->residual_sum > 0))
        return INFINITY;
    return n * log(fit->residual_sum / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

static size_t different(const double *values, size_t n)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        size_t j = 0;
        while (j < i && fabs(values[j] - values[i]) > SPEED_RELATIVE)
            j++;
        count += j == i;
    }
    return count;
}

/* A level, or a power of the speed where the pushes ask for it. */
static void fit_grip(const double *log_speed, const double *log_force, size_t n, struct feeder_limit *limit)
{
    struct linear_fit power;
    if (n < FEEDER_LIMIT_GRIP_LEAST || linear_fit_polynomial(log_speed, log_force, NULL, n, 0, true, false,
                                                             &limit->grip_fit, NULL) != ERR_OK)
        return;
    limit->grip = true;
    if (n >= POWER_PUSHES_LEAST && different(log_speed, n) >= POWER_SPEEDS_LEAST &&
        linear_fit_polynomial(log_speed, log_force, NULL, n, 1, true, false, &power, NULL) == ERR_OK &&
        aicc(&power) < aicc(&limit->grip_fit))
        limit->grip_fit = power;
}

/* Logarithms of speed and stall force of the pushes that stalled by grip, or by whatever it was; returns how
 * many.
 */
static size_t take_stalls(const struct session *session, size_t feeder, bool any_cause, double *log_speed,
                          double *log_force)
{
    size_t n = 0;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        const struct run_push *p = &run->push;
        if (run->feeder != feeder || run->series != session->feeders[feeder].series || !is_push(run) ||
            p->stall_force_n.at_least || !(p->stall_force_n.value > 0) || !(run->record->speed_mm_s > 0) ||
            (!any_cause && p->limited_by != LIMITED_GRIP))
            continue;
        log_speed[n] = log(run->record->speed_mm_s);
        log_force[n++] = log(p->stall_force_n.value);
    }
    return n;
}

static void count_pushes(const struct session *session, size_t feeder, struct feeder_limit *limit)
{
    size_t series = session->feeders[feeder].series;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        double speed = run->record->speed_mm_s;
        if (run->feeder != feeder || run->series != series || !is_push(run) || !(speed > 0))
            continue;
        limit->push_count++;
        limit->low_speed_mm_s = fmin(limit->low_speed_mm_s, speed);
        limit->high_speed_mm_s = fmax(limit->high_speed_mm_s, speed);
        limit->torque_per_newton_m =
            speed_sweep_torque_per_newton_m(run->record, &session->series[series]->calibration);
        if (run->push.limited_by == LIMITED_MOTOR) {
            limit->motor_count++;
            limit->motor_least_n = fmin(limit->motor_least_n, run->push.stall_force_n.value);
        }
    }
}

bool feeder_limit_find(const struct session *session, size_t feeder, struct feeder_limit *limit, char *why,
                       size_t size)
{
    const struct feeder_result *f = &session->feeders[feeder];
    double *speeds = calloc(2 * (session->run_count + 1), sizeof *speeds), *forces;
    *limit = (struct feeder_limit){.low_speed_mm_s = INFINITY, .motor_least_n = INFINITY};
    if (speeds == NULL) {
        snprintf(why, size, "not enough memory");
        return false;
    }
    forces = speeds + session->run_count + 1;
    count_pushes(session, feeder, limit);
    limit->motor = f->torque_curve.present;
    limit->curve = &f->torque_curve;
    size_t n = limit->grip_count = take_stalls(session, feeder, false, speeds, forces);
    fit_grip(speeds, forces, n, limit);
    if (!limit->motor && !limit->grip) {
        n = take_stalls(session, feeder, true, speeds, forces);
        fit_grip(speeds, forces, n, limit);
        limit->cause_unknown = limit->grip;
    }
    /* Where the motor is not known, the limit is known at the speeds of the pushes of the fit alone. */
    if (!limit->motor && limit->grip) {
        limit->low_speed_mm_s = limit->high_speed_mm_s = exp(speeds[0]);
        for (size_t i = 1; i < n; i++) {
            limit->low_speed_mm_s = fmin(limit->low_speed_mm_s, exp(speeds[i]));
            limit->high_speed_mm_s = fmax(limit->high_speed_mm_s, exp(speeds[i]));
        }
    }
    free(speeds);
    if (limit->push_count == 0)
        snprintf(why, size, "there are no blocked pushes of this feeder: what it can push is not known");
    else if (!limit->motor && !limit->grip)
        snprintf(why, size,
                 "what the feeder can push at each speed is not known: no torque curve (%.100s), and %zu "
                 "pushes with "
                 "a stall force",
                 f->torque_curve.why_not, n);
    else if (!(limit->high_speed_mm_s > limit->low_speed_mm_s * (1 + SPEED_RELATIVE)))
        snprintf(why, size, "what the feeder can push is known at one speed only, %.4g mm/s",
                 limit->low_speed_mm_s);
    else
        return true;
    return false;
}

/* Torque curve between its points. */
static void motor_at(const struct feeder_limit *limit, double speed, double *force, double *error,
                     double *degrees)
{
    const struct torque_curve *c = limit->curve;
    double step = c->speed_mm_s[1] - c->speed_mm_s[0], at = step > 0 ? (speed - c->speed_mm_s[0]) / step : 0;
    size_t i = at <= 0 ? 0 : at >= CURVE_POINTS - 1 ? CURVE_POINTS - 2 : (size_t)at;
    double part = fmin(fmax(at - (double)i, 0), 1), per = limit->torque_per_newton_m;
    const double *e = c->standard_error_nm;
    *force = (c->torque_nm[i] + part * (c->torque_nm[i + 1] - c->torque_nm[i])) / per;
    if (c->degrees_of_freedom > 0) {
        *error = (e[i] + part * (e[i + 1] - e[i])) / per;
        *degrees = c->degrees_of_freedom;
    } else {
        *error = (c->high_95_nm[i] - c->low_95_nm[i]) / (2 * quantity_t_975(INFINITY)) / per;
        *degrees = INFINITY;
    }
}

static void grip_at(const struct feeder_limit *limit, double speed, double *force, double *error,
                    double *degrees)
{
    const struct linear_fit *fit = &limit->grip_fit;
    double l = log(speed), slope = fit->p > 1 ? fit->coefficients[1] : 0, variance = fit->covariance[0][0];
    if (fit->p > 1)
        variance += 2 * l * fit->covariance[0][1] + l * l * fit->covariance[1][1];
    *force = exp(fit->coefficients[0] + slope * l);
    *error = *force * sqrt(fmax(0, variance));
    *degrees = fit->degrees_of_freedom;
}

struct feeder_limit_value feeder_limit_at(const struct feeder_limit *limit, double speed_mm_s)
{
    double motor = INFINITY, motor_error = 0, motor_degrees = INFINITY;
    double grip = INFINITY, grip_error = 0, grip_degrees = INFINITY;
    struct feeder_limit_value v = {0};
    if (limit->motor)
        motor_at(limit, speed_mm_s, &motor, &motor_error, &motor_degrees);
    if (limit->grip)
        grip_at(limit, speed_mm_s, &grip, &grip_error, &grip_degrees);
    bool by_motor = motor <= grip;
    v.force_n = by_motor ? motor : grip;
    v.standard_error_n = by_motor ? motor_error : grip_error;
    v.degrees_of_freedom = by_motor ? motor_degrees : grip_degrees;
    struct quantity q = quantity_from(v.force_n, v.standard_error_n, v.degrees_of_freedom, 1);
    v.low_95_n = q.low_95;
    v.high_95_n = q.high_95;
    v.by = by_motor ? LIMITED_MOTOR : LIMITED_GRIP;
    if (limit->cause_unknown)
        v.by = LIMITED_UNCLEAR;
    if (limit->motor && limit->grip && fabs(motor - grip) < APART_ERRORS * hypot(motor_error, grip_error))
        v.by = LIMITED_UNCLEAR;
    return v;
}
