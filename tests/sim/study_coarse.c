/* Study of pushes seen by few readings: each simulated push is read at 100, 80, 40, 20 and 10 Hz by a gauge
 * of 0.01 or 0.1 N beside a controller whose feed is worked out from its commands, and one in four at the
 * same rates by a rig of one piece. Against the simulator's truth: how often the intervals of stall force and
 * slip onset hold it, how wide they are, and how often a wrong cause is named.
 *
 *     study_coarse [--runs N] [--seed S] [--out FILE] [--verbose]
 *
 * A run is a draw of feeder, speed, cause (the motor gives way, the grip settles, teeth tear, the travel ends
 * first), noise, latencies, their errors within their stated uncertainties, and jitter of every time stamp.
 */
#include "analyze/push.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"
#include "tests/sim/study.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
/* Of the model: the readings are taken from it. */
#define FINE_HZ  2000.0
#define RATES    5
#define RUNS_MAX 4096
static const double RATE_HZ[RATES] = {100, 80, 40, 20, 10};
/* Half of the interval of a stall force over it that is still of use, as a median: a judgement. */
static const double WIDEST[RATES] = {0.02, 0.02, 0.03, 0.08, 0.15};
static const char *const CAUSE[] = {"motor", "grip", "limit"};

struct tally {
    int tried, refused;           /* with a reason */
    struct coverage stall, onset; /* of pushes that stalled, and of those with an onset before */
    int bounds, bounds_wrong, onset_none, onset_false;
    int cause[3][LIMITED_COUNT];
    /* Half of the interval over the true stall force. */
    int stall_count, onset_count;
    double stall_width[RUNS_MAX], onset_width[RUNS_MAX];
};
static struct tally tallies[RATES];

/* How one bench of two instruments differs from what it says of itself. */
struct bench {
    bool separate;
    double resolution_n, shift_s, jitter_s, phase;
    struct run_separate says;
};

static double normal(struct model_random *r)
{
    return sqrt(-2 * log(fmax(1e-300, model_random_uniform(r)))) * cos(2 * PI * model_random_uniform(r));
}

static struct bench draw_bench(struct model_random *r, bool separate, double interval_s)
{
    struct bench b = {.separate = separate, .phase = model_random_uniform(r)};
    double jitter_s = interval_s * draw_between(r, 0.005, 0.08);
    double force_u_s = draw_between(r, 0.001, 0.01), feed_u_s = draw_between(r, 0.002, 0.02);
    b.resolution_n = model_random_uniform(r) < 0.5 ? 0.01 : 0.1;
    b.shift_s = separate ? force_u_s * normal(r) + feed_u_s * normal(r) : 0;
    b.jitter_s = separate ? jitter_s : 0;
    b.says = (struct run_separate){interval_s,    sqrt(2) * jitter_s,          draw_between(r, 0.02, 0.1),
                                   force_u_s,     draw_between(r, 0.01, 0.05), feed_u_s,
                                   b.resolution_n};
    return b;
}

/* What that bench would have recorded of the push. */
static struct run_columns read_by(const struct bench *b, const struct run_columns *fine, double interval_s,
                                  const struct calibration *calibration, struct model_random *r)
{
    double step = interval_s * FINE_HZ;
    size_t room = (size_t)((double)fine->n / step) + 1;
    struct run_columns c = {.time_us = malloc(room * sizeof *c.time_us),
                            .force_counts = malloc(room * sizeof *c.force_counts),
                            .commanded_steps = malloc(room * sizeof *c.commanded_steps),
                            .flags = malloc(room)};
    for (size_t i = 0; i < room; i++) {
        size_t at = (size_t)(((double)i + b->phase) * step);
        if (at >= fine->n)
            break;
        /* A reading never overtakes the one before it. */
        double late_s = fmax(-0.4 * interval_s, fmin(0.4 * interval_s, b->jitter_s * normal(r)));
        double stamp = fmax(0, (double)at + (b->shift_s + late_s) * FINE_HZ);
        size_t fed = (size_t)fmin((double)fine->n - 1, floor(stamp + 0.5));
        c.time_us[c.n] = (int64_t)floor(stamp * 1e6 / FINE_HZ);
        c.force_counts[c.n] = fine->force_counts[at];
        if (b->separate)
            c.force_counts[c.n] = (int32_t)floor(
                calibration_force_n(calibration, fine->force_counts[at], 0) / b->resolution_n + 0.5);
        c.commanded_steps[c.n] = fine->commanded_steps[fed];
        c.flags[c.n++] = fine->flags[at];
    }
    return c;
}

/* r NULL: the push was refused. */
static void count(struct tally *t, const struct push_result *r, const struct model_truth *truth, int cause)
{
    const struct quantity *stall = r != NULL ? &r->stall_force_n : NULL;
    const struct quantity *onset = r != NULL ? &r->slip_onset_n : NULL;
    bool has_onset = truth->onset_reached && truth->slip_onset_n < 0.99 * truth->stall_force_n;
    bool stalled = cause != 2;
    t->tried++;
    t->refused += r == NULL;
    if (stalled)
        coverage_count(&t->stall, stall, truth->stall_force_n);
    if (stalled && has_onset)
        coverage_count(&t->onset, onset, truth->slip_onset_n);
    if (r == NULL)
        return;
    t->cause[cause][r->limited_by]++;
    t->bounds += stall->at_least;
    t->bounds_wrong += stall->at_least && stall->value > truth->stall_force_n;
    t->onset_none += stalled && !has_onset;
    t->onset_false += stalled && !has_onset && onset->present;
    if (stalled && !stall->at_least)
        t->stall_width[t->stall_count++] = (stall->high_95 - stall->low_95) / 2 / truth->stall_force_n;
    if (stalled && has_onset && onset->present)
        t->onset_width[t->onset_count++] = (onset->high_95 - onset->low_95) / 2 / truth->stall_force_n;
}

static void say(uint64_t seed, double rate_hz, const struct run_record *record, const struct push_result *r,
                const struct model_truth *truth, int cause)
{
    const struct quantity *stall = &r->stall_force_n, *onset = &r->slip_onset_n;
    bool inside = stall->low_95 <= truth->stall_force_n && truth->stall_force_n <= stall->high_95;
    printf(
        "%llu %3.0f Hz %s v %5.2f k %4.1f i %.0f | stall %s%7.2f u %6.2f true %7.2f n %2zu %s | onset %6.2f "
        "u %5.2f "
        "true %6.2f | %s true %s%s (%.2f %.2f %.2f) settled %d\n",
        (unsigned long long)seed, rate_hz, record->separate ? "two" : "one", record->speed_mm_s,
        truth->stiffness_n_per_mm, record->reduction, stall->at_least ? ">" : "", stall->value,
        stall->standard_uncertainty, truth->stall_force_n, r->event_count,
        stall->at_least ? "bound"
        : inside        ? "in"
                        : "OUT",
        onset->present ? onset->value : 0, onset->present ? onset->standard_uncertainty : 0,
        truth->onset_reached ? truth->slip_onset_n : 0, LIMITED_NAMES[r->limited_by], CAUSE[cause],
        (int)r->limited_by != cause && r->limited_by != LIMITED_UNCLEAR ? " WRONG" : "", r->probability[0],
        r->probability[1], r->probability[2], r->settled);
    for (size_t i = 0; i < r->evidence_count; i++)
        printf("      %s\n", r->evidence[i]);
    for (size_t i = 0; i < r->flag_count; i++)
        printf("      ! %s\n", r->flags[i]);
}

static void one(uint64_t seed, bool verbose)
{
    struct model_random r = {seed};
    int what = (int)draw_between(&r, 0, 3.999);
    bool cut_short = what == 3, separate = model_random_uniform(&r) < 0.75;
    enum draw_kind kind = cut_short ? (enum draw_kind)(int)draw_between(&r, 0, 2.999) : (enum draw_kind)what;
    struct model_parameters p = draw_feeder(&r, kind, model_random_uniform(&r) < 0.4);
    struct simulated_push push = {.acceleration_mm_s2 = 200, .sample_rate_hz = FINE_HZ, .rest_s = 6};
    struct run_columns fine;
    struct run_record record;
    struct model_state s = {0};
    struct model_truth truth;
    double k = model_stiffness_n_per_mm(&p.fixture);
    p.sensor.noise_n = draw_between(&r, 0, 0.3);
    p.sensor.encoder = false;
    push.speed_mm_s = 0.3 * pow(20, model_random_uniform(&r));
    model_mount(&p, &s, seed);
    double stall_n = model_truth_nominal(&p, 0, push.speed_mm_s).stall_force_n;
    push.travel_mm = cut_short ? p.fixture.gap_mm + draw_between(&r, 0.4, 0.8) * stall_n / k
                               : 60 / k + 6 + 2 * stall_n / k;
    if (model_check(&p) != NULL || !simulate_push(&p, &s, &push, &fine, &record, &truth)) {
        printf("seed %llu: cannot be simulated\n", (unsigned long long)seed);
        for (int i = 0; i < RATES; i++)
            tallies[i].tried++, tallies[i].refused++;
        return;
    }
    int cause = cut_short ? 2 : truth.limited_by == MODEL_LIMIT_MOTOR ? 0 : 1;
    for (int i = 0; i < RATES; i++) {
        double interval_s = 1 / RATE_HZ[i];
        struct calibration exact = simulate_exact_calibration(&p), seen = exact;
        struct bench b = draw_bench(&r, separate, interval_s);
        struct run_columns c = read_by(&b, &fine, interval_s, &exact, &r);
        struct push_result result;
        struct err e = {0};
        record.sample_rate_hz = RATE_HZ[i];
        record.rows = (int64_t)c.n;
        record.separate = separate ? &b.says : NULL;
        if (separate) {
            seen.coefficients[0] = 0;
            seen.coefficients[1] = 1 / b.resolution_n;
        }
        if (push_analyse(&c, &record, &seen, &result, &e) != ERR_OK) {
            count(&tallies[i], NULL, &truth, cause);
            if (verbose)
                printf("%llu %3.0f Hz v %.2f: %s\n", (unsigned long long)seed, RATE_HZ[i], push.speed_mm_s,
                       e.text);
        } else {
            count(&tallies[i], &result, &truth, cause);
            if (verbose)
                say(seed, RATE_HZ[i], &record, &result, &truth, cause);
        }
        run_columns_free(&c);
    }
    run_columns_free(&fine);
    run_record_free(&record);
}

static int ascending(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

static double median(double *values, int n)
{
    qsort(values, (size_t)n, sizeof *values, ascending);
    return n > 0 ? values[n / 2] : NAN;
}

int main(int argc, char **argv)
{
    struct study study;
    struct study_options o = {.runs = 300, .seed = 20261128};
    if (!study_options_read(argc, argv, &o))
        return 2;
    if (o.runs > RUNS_MAX) {
        fprintf(stderr, "study_coarse: at most %d runs\n", RUNS_MAX);
        return 2;
    }
    quantity_init_numerics();
    study_begin(&study, &o);
    for (int i = 0; i < o.runs; i++)
        one(o.seed + (uint64_t)i, o.verbose);
    for (int i = 0; i < RATES; i++) {
        struct tally *t = &tallies[i];
        printf("\n%g Hz: %d pushes, %d refused\n"
               "true     answered motor     grip    limit  unclear\n",
               RATE_HZ[i], t->tried, t->refused);
        for (int c = 0; c < 3; c++)
            printf("%-10s%13d%9d%9d%9d\n", CAUSE[c], t->cause[c][0], t->cause[c][1], t->cause[c][2],
                   t->cause[c][3]);
    }
    printf("\n");
    for (int i = 0; i < RATES; i++) {
        struct tally *t = &tallies[i];
        char kind[16], name[120];
        int wrong = 0, answered = 0;
        for (int c = 0; c < 3; c++) {
            for (int k = 0; k < LIMITED_COUNT; k++) {
                answered += t->cause[c][k];
                wrong += k != c && k != LIMITED_UNCLEAR ? t->cause[c][k] : 0;
            }
        }
        snprintf(kind, sizeof kind, "%g Hz", RATE_HZ[i]);
        t->stall.name = "stall force";
        t->onset.name = "slip onset";
        snprintf(name, sizeof name, "%s: pushes refused, with the reason", kind);
        study_share(&study, name, t->refused, t->tried, 0, 0.3);
        coverage_figures(&study, kind, &t->stall, 0.4, 1);
        snprintf(name, sizeof name, "%s: stall force: half of the interval over it, median", kind);
        study_value(&study, name, median(t->stall_width, t->stall_count), "1", 0, WIDEST[i], t->stall_count);
        snprintf(name, sizeof name, "%s: a lower bound above the true stall force", kind);
        study_share(&study, name, t->bounds_wrong, t->bounds, 0, 0.05);
        coverage_figures(&study, kind, &t->onset, 1, 1);
        snprintf(name, sizeof name, "%s: slip onset: half of the interval over the stall force, median",
                 kind);
        study_value(&study, name, median(t->onset_width, t->onset_count), "1", 0, 0.05, t->onset_count);
        snprintf(name, sizeof name, "%g Hz: an onset given where there is none", RATE_HZ[i]);
        study_share(&study, name, t->onset_false, t->onset_none, 0, 0.05);
        snprintf(name, sizeof name, "%g Hz: wrong and sure of what limited the push", RATE_HZ[i]);
        study_share(&study, name, wrong, answered, 0, 0.01);
    }
    return study_end(&study);
}
