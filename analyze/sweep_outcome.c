#include "analyze/sweep_outcome.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char WHOLE_TEST[] = "";

/* q and budget in a unit that is factor times as large. */
static void scale(struct quantity *q, struct budget *b, double factor, const char *unit)
{
    q->value *= factor;
    q->standard_uncertainty *= factor;
    q->low_95 *= factor;
    q->high_95 *= factor;
    for (size_t i = 0; i < b->count; i++) {
        b->components[i].standard_uncertainty *= factor;
        b->components[i].contribution *= factor;
        snprintf(b->components[i].unit, sizeof b->components[i].unit, "%s", unit);
    }
}

/* A parameter of the motor; absent where it cannot be told. */
static enum err_code add(struct outcome *o, const struct motor_parameters *m, enum motor_parameter which,
                         double factor, const char *key, const char *label, const char *unit, bool compared,
                         struct err *e)
{
    struct quantity q = m->values[which].q;
    struct budget b = m->values[which].budget;
    if (!m->values[which].determined || !(factor > 0)) {
        q = quantity_absent();
        return outcome_add(o, key, WHOLE_TEST, label, unit, &q, NULL, compared, e);
    }
    scale(&q, &b, factor, unit);
    return outcome_add(o, key, WHOLE_TEST, label, unit, &q, &b, compared, e);
}

static void say_model(struct outcome *o, const struct torque_curve *curve)
{
    double next = INFINITY;
    const char *name = "";
    for (int i = 0; i < TORQUE_MODELS; i++) {
        if (i != (int)curve->model && curve->aicc[i] < next) {
            next = curve->aicc[i];
            name = TORQUE_MODEL_NAMES[i];
        }
    }
    if (isfinite(next))
        outcome_say(o, "of the torque curves, %s fits best: its AICc is lower by %.1f than that of %s",
                    TORQUE_MODEL_NAMES[curve->model], next - curve->aicc[curve->model], name);
    else
        outcome_say(o, "only one torque curve can be fitted to so few pushes: %s",
                    TORQUE_MODEL_NAMES[curve->model]);
    if (curve->censored_count > 0)
        outcome_say(o,
                    "%zu of %zu pushes were ended by grip or a limit before the motor gave way: they bound "
                    "its torque from below",
                    curve->censored_count, curve->fitted_count);
    outcome_say(o, "torque is push force times half the drive diameter over the reduction: losses of the "
                   "reduction are counted as the motor's");
}

static void say_corner(struct outcome *o, const struct torque_curve *curve)
{
    const struct motor_parameters *m = &curve->motor;
    if (curve->model == TORQUE_CONSTANT)
        outcome_say(o,
                    "no fall of the torque is shown up to %.3g mm/s: the corner lies above that, or the fall "
                    "is lost in the scatter",
                    curve->speed_mm_s[CURVE_POINTS - 1]);
    else if (curve->model == TORQUE_DROOP)
        outcome_say(o, "the torque falls evenly: no corner is told by these speeds");
    else if (m->corner_open_below && m->corner_open_above)
        outcome_say(o, "these speeds do not tell where the corner lies");
    else if (m->corner_open_below)
        outcome_say(o, "the corner lies below %.3g mm/s: no flat part is shown, slower pushes would tell",
                    m->corner_high_mm_s);
    else if (m->corner_open_above)
        outcome_say(o, "the corner lies above %.3g mm/s: faster pushes would tell", m->corner_low_mm_s);
    else
        outcome_say(o,
                    "the corner lies between %.3g and %.3g mm/s: up to there the set current limits the "
                    "torque, above it the supply voltage",
                    m->corner_low_mm_s, m->corner_high_mm_s);
}

static void say_motor(struct outcome *o, const struct motor_parameters *m, double supply_v)
{
    const struct motor_parameter_value *v = m->values;
    bool resistance = v[MOTOR_RESISTANCE_PER_VOLT2].determined,
         inductance = v[MOTOR_INDUCTANCE_PER_VOLT2].determined, flux = v[MOTOR_FLUX_PER_VOLT].determined;
    if (!(supply_v > 0))
        outcome_say(o, "the supply voltage is not stated: flux linkage, resistance and inductance cannot be "
                       "worked out");
    else if (resistance && inductance && flux)
        outcome_say(o, "resistance and inductance hold for a reduction without losses: multiply both by the "
                       "efficiency where there are any");
    else if (v[MOTOR_TIME_CONSTANT_S].determined || v[MOTOR_HIGH_SPEED_TORQUE].determined)
        outcome_say(o, "%s cannot be told apart from these speeds (only %s%s%s)",
                    resistance || inductance || flux ? "flux linkage, resistance and inductance"
                                                     : "resistance and inductance",
                    v[MOTOR_TIME_CONSTANT_S].determined ? "the electrical time constant" : "",
                    v[MOTOR_TIME_CONSTANT_S].determined && v[MOTOR_HIGH_SPEED_TORQUE].determined ? " and "
                                                                                                 : "",
                    v[MOTOR_HIGH_SPEED_TORQUE].determined ? "torque times speed far above the corner" : "");
    else
        outcome_say(o, "resistance and inductance cannot be told apart from these speeds (only the torque at "
                       "them)");
}

enum err_code sweep_outcome_sum_up(const struct run_result *const *runs, size_t count,
                                   const struct bench_test_context *context, struct outcome *o, struct err *e)
{
    const struct torque_curve *curve = &context->feeder->torque_curve;
    const struct motor_parameters *m = &curve->motor;
    const struct conditions *c = &context->feeder->conditions;
    double v = c->stated[CONDITION_SUPPLY_VOLTAGE_V] ? c->number[CONDITION_SUPPLY_VOLTAGE_V] : 0;
    enum err_code code;
    for (size_t i = 0; i < count; i++)
        o->used_count += runs[i]->analysed && runs[i]->push.stall_force_n.present &&
                         runs[i]->push.limited_by != LIMITED_UNCLEAR;
    if (!curve->present)
        return err_set(e, ERR_NO_ANSWER, "%s", curve->why_not);
    code = add(o, m, MOTOR_FLAT_TORQUE_NM, 1, "flat_torque_nm", "torque of the flat part", "N m", true, e);
    if (code == ERR_OK)
        code =
            outcome_add(o, "corner_speed_mm_s", WHOLE_TEST, "corner speed", "mm/s", &curve->corner_speed_mm_s,
                        curve->corner_speed_mm_s.present ? &m->corner_budget : NULL, true, e);
    if (code == ERR_OK)
        code = add(o, m, MOTOR_FLUX_PER_VOLT, v, "flux_linkage_wb", "flux linkage", "Wb", false, e);
    if (code == ERR_OK)
        code = add(o, m, MOTOR_RESISTANCE_PER_VOLT2, v * v, "resistance_ohm", "phase resistance", "ohm",
                   false, e);
    if (code == ERR_OK)
        code =
            add(o, m, MOTOR_INDUCTANCE_PER_VOLT2, v * v, "inductance_h", "phase inductance", "H", false, e);
    if (code == ERR_OK)
        code = add(o, m, MOTOR_TIME_CONSTANT_S, 1, "electrical_time_constant_s", "electrical time constant",
                   "s", false, e);
    if (code == ERR_OK)
        code = add(o, m, MOTOR_HIGH_SPEED_TORQUE, 1, "high_speed_torque_speed",
                   "torque times electrical speed far above the corner", "N m rad/s", false, e);
    if (code != ERR_OK)
        return code;
    say_corner(o, curve);
    if (curve->model == TORQUE_PULL_OUT)
        say_motor(o, m, v);
    say_model(o, curve);
    if (!c->stated[CONDITION_SUPPLY_VOLTAGE_V])
        outcome_warn(o, "the supply voltage is not among the conditions of this feeder");
    if (context->feeder->conditions_vary)
        outcome_warn(o, "the conditions differ from run to run: the curve mixes them");
    return ERR_OK;
}
