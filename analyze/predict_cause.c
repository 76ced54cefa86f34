#include "analyze/predict_cause.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Factors that are looked at: past these no cause is likely. */
#define FACTOR_LOW  0.4
#define FACTOR_HIGH 2.5
/* What a formula of ideal motors leaves open, as a share of the force (common practice, no source): measured
 * forces are not held against it more closely. */
#define FORMULA_RELATIVE 0.01
/* Two causes whose misfits differ by less are as likely: then in the order of the table. */
#define AS_LIKELY 1.0

/* In the order of common practice (no source) for those that fit as well as each other. */
static const struct candidate {
    enum predict_input input;
    double high; /* greatest factor that makes sense */
    const char *below, *above, *measure;
} CANDIDATES[] = {
    {PREDICT_SET_CURRENT_A, FACTOR_HIGH, "the phase current is lower than the setting says",
     "the phase current is higher than the setting says",
     "measure the peak phase current at a slow feed with a current probe, and read what the driver's setting "
     "means: peak or rms"},
    {PREDICT_SUPPLY_V, FACTOR_HIGH, "the supply sags under load", "the supply voltage is higher than stated",
     "measure the voltage at the driver while the feeder pushes at the fastest speed"},
    {PREDICT_EFFICIENCY, FACTOR_HIGH, "losses in reduction, bearings or idler are greater than stated",
     "losses in the reduction are smaller than stated",
     "push at a slow feed with the reduction and without it, or measure the torque that turns it unloaded"},
    {PREDICT_DRIVE_DIAMETER_MM, FACTOR_HIGH, "the effective drive diameter is smaller than stated",
     "the effective drive diameter is larger than stated",
     "measure the feed of a known number of steps (nipbench-capture measure-feed)"},
    {PREDICT_INDUCTANCE_H, FACTOR_HIGH, "the phase inductance is lower than stated",
     "the phase inductance is higher than stated", "measure the inductance of a phase at 1 kHz"},
    {PREDICT_RESISTANCE_OHM, FACTOR_HIGH, "the phase resistance is lower than stated",
     "the phase resistance is higher than stated: warm windings, leads or connectors",
     "measure the resistance of a phase at the driver's terminals, cold and just after a push"},
    {PREDICT_HOLDING_TORQUE_NM, FACTOR_HIGH, "the motor holds less than its data sheet says",
     "the motor holds more than its data sheet says",
     "turn the motor at a known speed with open leads and measure the voltage of a phase, which gives the "
     "flux "
     "linkage"},
};
#define CANDIDATES_COUNT (sizeof CANDIDATES / sizeof CANDIDATES[0])

struct job {
    const struct predict_motor *motor;
    const struct predict_drive *drive;
    const struct predict_measured *measured;
    size_t n;
};

static double weight_sd(const struct predict_measured *m)
{
    double own = isfinite(m->force_n.standard_uncertainty) ? m->force_n.standard_uncertainty : 0;
    return hypot(m->bound ? 0 : own, FORMULA_RELATIVE * m->force_n.value);
}

static double misfit_of(const struct predict_measured *m, double predicted_n)
{
    double u = (m->force_n.value - predicted_n) / weight_sd(m);
    return m->bound && u < 0 ? 0 : u * u;
}

static double misfit(const struct job *job, enum predict_input input, double factor)
{
    double factors[PREDICT_INPUTS], sum = 0;
    for (int i = 0; i < PREDICT_INPUTS; i++)
        factors[i] = 1;
    factors[input] = factor;
    for (size_t i = 0; i < job->n; i++)
        sum += misfit_of(&job->measured[i], predict_force_n(job->motor, job->drive, factors,
                                                            job->measured[i].speed_mm_s, NULL, NULL));
    return sum;
}

/* Factor of least misfit: a grid, then golden sections. */
static double fit_factor(const struct job *job, const struct candidate *c, double *least)
{
    enum { COUNT = 61 };
    double high = c->high, low = log(FACTOR_LOW), step, best = 0, x0, x1;
    if (c->input == PREDICT_EFFICIENCY)
        high = fmin(high, 1 / job->motor->values[PREDICT_EFFICIENCY]);
    step = (log(high) - low) / (COUNT - 1);
    *least = misfit(job, c->input, 1);
    for (int i = 0; i < COUNT; i++) {
        double value = misfit(job, c->input, exp(low + i * step));
        if (value < *least) {
            *least = value;
            best = low + i * step;
        }
    }
    x0 = best - step;
    x1 = fmin(best + step, log(high));
    for (int i = 0; i < 40; i++) {
        double a = x1 - 0.618034 * (x1 - x0), b = x0 + 0.618034 * (x1 - x0);
        *(misfit(job, c->input, exp(a)) < misfit(job, c->input, exp(b)) ? &x1 : &x0) =
            misfit(job, c->input, exp(a)) < misfit(job, c->input, exp(b)) ? b : a;
    }
    best = (x0 + x1) / 2;
    *least = fmin(*least, misfit(job, c->input, exp(best)));
    return exp(best);
}

static void list_causes(const struct job *job, struct predict_verdict *v)
{
    double misfits[CANDIDATES_COUNT], factors[CANDIDATES_COUNT], none = misfit(job, PREDICT_SUPPLY_V, 1);
    bool used[CANDIDATES_COUNT] = {false};
    for (size_t i = 0; i < CANDIDATES_COUNT; i++)
        factors[i] = fit_factor(job, &CANDIDATES[i], &misfits[i]);
    for (size_t k = 0; k < CANDIDATES_COUNT && none > 0; k++) {
        size_t next = CANDIDATES_COUNT;
        struct predict_cause *cause = &v->causes[v->cause_count];
        const struct candidate *c;
        double least = INFINITY;
        for (size_t i = 0; i < CANDIDATES_COUNT; i++)
            least = used[i] ? least : fmin(least, misfits[i]);
        for (size_t i = CANDIDATES_COUNT; i-- > 0;)
            next = !used[i] && misfits[i] <= least + AS_LIKELY ? i : next;
        if (next == CANDIDATES_COUNT)
            break;
        used[next] = true;
        c = &CANDIDATES[next];
        if (1 - misfits[next] / none < 0.5 || fabs(factors[next] - 1) < 0.002)
            continue;
        cause->factor = factors[next];
        cause->explained = 1 - misfits[next] / none;
        snprintf(cause->what, sizeof cause->what, "%s: it would be %.2f times the stated %s",
                 factors[next] < 1 ? c->below : c->above, factors[next], PREDICT_INPUT_KINDS[c->input].label);
        if (factors[next] > 0.99 * c->high || factors[next] < 1.01 * FACTOR_LOW)
            snprintf(cause->what, sizeof cause->what, "%s: even %.1f times the stated %s would not quite do",
                     factors[next] < 1 ? c->below : c->above, factors[next],
                     PREDICT_INPUT_KINDS[c->input].label);
        if (c->input == PREDICT_SET_CURRENT_A && fabs(factors[next] * M_SQRT2 - 1) < 0.06 &&
            job->motor->current_is_rms)
            snprintf(
                cause->what, sizeof cause->what,
                "the setting is a peak value that was taken for rms: the current would be %.2f times the "
                "stated one",
                factors[next]);
        if (c->input == PREDICT_SET_CURRENT_A && fabs(factors[next] / M_SQRT2 - 1) < 0.06 &&
            !job->motor->current_is_rms)
            snprintf(cause->what, sizeof cause->what,
                     "the setting is an rms value that was taken for peak: the current would be %.2f times "
                     "the stated one",
                     factors[next]);
        snprintf(cause->measure, sizeof cause->measure, "%s", c->measure);
        v->cause_count++;
    }
}

/* Shapes that the relative deviations may have over the speeds. */
enum shape { SHAPE_ALIKE, SHAPE_FASTER, SHAPE_SLOW, SHAPE_FAST, SHAPES };
static const char *const SHAPE_TEXTS[SHAPES] = {"at all speeds alike", "the more the faster it feeds",
                                                "at low speeds only, where the set current limits",
                                                "at high speeds only, where the supply voltage limits"};

static double shape_at(enum shape shape, const struct predict_measured *m, double top_mm_s)
{
    switch (shape) {
    case SHAPE_FASTER:
        return m->speed_mm_s / top_mm_s;
    case SHAPE_SLOW:
        return m->predicted.current_limited ? 1 : 0;
    case SHAPE_FAST:
        return m->predicted.current_limited ? 0 : 1;
    default:
        return 1;
    }
}

/* Least squares of the size of one shape; returns the sum of squares that is left. */
static double fit_shape(enum shape shape, const struct predict_measured *m, size_t n, double *size)
{
    double cross = 0, squares = 0, all = 0, top = 0;
    for (size_t i = 0; i < n; i++)
        top = fmax(top, m[i].speed_mm_s);
    for (size_t i = 0; i < n; i++) {
        double p = fmax(1e-9, m[i].predicted.force_n.value), d = m[i].force_n.value / p - 1;
        double sd = weight_sd(&m[i]) / p, x = shape_at(shape, &m[i], top);
        if (m[i].bound && d < 0)
            continue;
        cross += x * d / sd / sd;
        squares += x * x / sd / sd;
        all += d * d / sd / sd;
    }
    *size = squares > 0 ? cross / squares : 0;
    return all - *size * cross;
}

static void see_pattern(const struct predict_measured *m, size_t n, struct predict_verdict *v)
{
    double best = INFINITY, size = 0;
    int pattern = 0;
    for (int k = 0; k < SHAPES; k++) {
        double own, rest = fit_shape((enum shape)k, m, n, &own);
        if (rest + 1e-9 * (1 + fabs(rest)) < best && own != 0) {
            best = rest;
            size = own;
            pattern = k;
        }
    }
    if (isfinite(best))
        snprintf(v->pattern, sizeof v->pattern, "measured is %s predicted %s, by %s%.0f %% of it",
                 size < 0 ? "below" : "above", SHAPE_TEXTS[pattern], pattern == SHAPE_FASTER ? "up to " : "",
                 100 * fabs(size));
}

/* The two are independent, and neither interval need be symmetric. */
static struct quantity difference_of(const struct predict_measured *m)
{
    const struct quantity *p = &m->predicted.force_n, *q = &m->force_n;
    bool bound = m->bound || q->at_least;
    double own = bound ? 0 : q->standard_uncertainty;
    struct quantity d =
        quantity_from(q->value - p->value, hypot(own, p->standard_uncertainty), INFINITY, bound ? 1 : q->n);
    d.low_95 = d.value - hypot(bound ? 0 : q->value - q->low_95, p->high_95 - p->value);
    d.high_95 = bound ? INFINITY : d.value + hypot(q->high_95 - q->value, p->value - p->low_95);
    d.at_least = bound;
    return d;
}

enum err_code predict_judge(const struct predict_motor *motor, const struct predict_drive *drive,
                            struct predict_measured *measured, size_t n, struct predict_verdict *v,
                            struct err *e)
{
    const struct job job = {motor, drive, measured, n};
    memset(v, 0, sizeof *v);
    for (size_t i = 0; i < n; i++) {
        struct predict_measured *m = &measured[i];
        const struct quantity *p = &m->predicted.force_n, *q = &m->force_n;
        double own, of_prediction;
        bool above;
        enum err_code code = predict_at(motor, drive, m->speed_mm_s, &m->predicted, e);
        if (code != ERR_OK)
            return code;
        above = q->value > p->value;
        own = m->bound || q->at_least ? 0 : above ? q->value - q->low_95 : q->high_95 - q->value;
        of_prediction = above ? p->high_95 - p->value : p->value - p->low_95;
        m->joint_n = hypot(own, of_prediction);
        m->differs = fabs(q->value - p->value) > m->joint_n && (above || !m->bound);
        m->difference_n = difference_of(m);
        v->compared++;
        v->bounds += m->bound;
        v->differing += m->differs;
    }
    if (v->differing == 0)
        return ERR_OK;
    see_pattern(measured, n, v);
    list_causes(&job, v);
    return ERR_OK;
}
