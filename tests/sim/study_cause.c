/* Study of what limited a push (motor, grip, a limit, not clear) against the simulator's truth: a confusion
 * matrix over varied runs, with and without encoder, at three levels of noise.
 *
 *     study_cause [--runs N] [--seed S] [--out FILE] [--verbose]
 *
 * N runs are shared out over the levels of noise; each is analysed with its encoder and without. A run is a
 * draw of feeder, speed, sample rate, fixture and cause: the motor gives way, the grip settles, teeth tear,
 * or the travel ends before either. Motor and grip are at least 12 % apart, and a motor's cycle lasts 8
 * samples or more. */
#include "analyze/push.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"
#include "tests/sim/study.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { CAUSES = 3, NOISES = 3 };
static const char *const CAUSE[] = {"motor", "grip", "limit"};
static const double NOISE_N[NOISES] = {0.1, 0.3, 1.0};
static const char *const NOISE[NOISES] = {"0.1 N", "0.3 N", "1 N"};

/* [encoder][noise][true cause][answer] */
static int matrix[2][NOISES][CAUSES][LIMITED_COUNT];
static int refused[2][NOISES], tried[2][NOISES];

static void answer(const struct run_columns *columns, const struct run_record *record,
                   const struct calibration *calibration, bool encoder, int noise, int cause, uint64_t seed,
                   const char *kind, const struct model_truth *truth, bool verbose)
{
    struct run_columns seen = *columns;
    struct calibration with = *calibration;
    struct push_result result;
    struct err e = {0};
    if (!encoder) {
        seen.encoder_counts = NULL;
        with.encoder_mm_per_count = 0;
    }
    tried[encoder][noise]++;
    if (push_analyse(&seen, record, &with, &result, &e) != ERR_OK) {
        refused[encoder][noise]++;
        printf("seed %llu: %s\n", (unsigned long long)seed, e.text);
        return;
    }
    matrix[encoder][noise][cause][result.limited_by]++;
    if (verbose && (int)result.limited_by != cause) {
        printf("%llu enc %d noise %s %s true %s answer %s (%.3f %.3f %.3f) motor %.1f grip %.1f shear %.1f "
               "onset "
               "%.1f events %zu rate %.0f v %.2f i %.0f k %.0f\n",
               (unsigned long long)seed, encoder, NOISE[noise], kind, CAUSE[cause],
               LIMITED_NAMES[result.limited_by], result.probability[0], result.probability[1],
               result.probability[2], truth->motor_limit_n, truth->grip_limit_n, truth->shear_n,
               truth->slip_onset_n, result.event_count, record->sample_rate_hz, record->speed_mm_s,
               record->reduction, truth->stiffness_n_per_mm);
        for (size_t i = 0; i < result.evidence_count; i++)
            printf("      %s\n", result.evidence[i]);
    }
}

static void one(uint64_t seed, int noise, bool verbose)
{
    static const char *const kinds[] = {"motor", "settles", "tears"};
    static const double rates_hz[] = {1000, 1000, 500, 200, 80};
    struct model_random r = {seed};
    int what = (int)draw_between(&r, 0, 3.999);
    bool cut_short = what == 3;
    enum draw_kind kind = cut_short ? (enum draw_kind)(int)draw_between(&r, 0, 2.999) : (enum draw_kind)what;
    struct model_parameters p = draw_feeder(&r, kind, model_random_uniform(&r) < 0.4);
    struct simulated_push push = {.acceleration_mm_s2 = 400, .rest_s = 1};
    struct run_columns columns;
    struct run_record record;
    struct model_state s = {0};
    struct model_truth truth;
    double k = model_stiffness_n_per_mm(&p.fixture);
    double cycle_mm = 4 * 3.141592653589793 * p.gear.drive_diameter_mm / (200 * p.gear.reduction);
    p.sensor.noise_n = NOISE_N[noise];
    p.sensor.encoder = true;
    push.sample_rate_hz = rates_hz[(int)draw_between(&r, 0, 4.999)];
    push.speed_mm_s = draw_between(&r, 0.4, 1) * fmin(20, cycle_mm * push.sample_rate_hz / 8);
    model_mount(&p, &s, seed);
    double stall_n = model_truth_nominal(&p, 0, push.speed_mm_s).stall_force_n;
    if (cut_short)
        push.travel_mm = p.fixture.gap_mm + draw_between(&r, 0.4, 0.8) * stall_n / k;
    else
        push.travel_mm = 60 / k + 6 + 2 * stall_n / k;
    push.speed_mm_s = fmin(push.speed_mm_s, push.travel_mm * push.sample_rate_hz / 60);
    push.acceleration_mm_s2 =
        fmax(push.acceleration_mm_s2, 4 * push.speed_mm_s * push.speed_mm_s / push.travel_mm);
    if (model_check(&p) != NULL || !simulate_push(&p, &s, &push, &columns, &record, &truth)) {
        printf("seed %llu: cannot be simulated\n", (unsigned long long)seed);
        refused[0][noise]++;
        refused[1][noise]++;
        return;
    }
    int cause = cut_short ? 2 : truth.limited_by == MODEL_LIMIT_MOTOR ? 0 : 1;
    struct calibration calibration = simulate_exact_calibration(&p);
    for (int encoder = 0; encoder < 2; encoder++)
        answer(&columns, &record, &calibration, encoder, noise, cause, seed, kinds[kind], &truth, verbose);
    run_columns_free(&columns);
    run_record_free(&record);
}

static void print_matrix(int encoder)
{
    printf("\n%s encoder, runs by what was true and what was answered\n%-8s %-8s",
           encoder ? "with" : "without", "noise", "true");
    for (int k = 0; k < LIMITED_COUNT; k++)
        printf("%9s", LIMITED_NAMES[k]);
    printf("\n");
    for (int n = 0; n < NOISES; n++) {
        for (int c = 0; c < CAUSES; c++) {
            printf("%-8s %-8s", NOISE[n], CAUSE[c]);
            for (int k = 0; k < LIMITED_COUNT; k++)
                printf("%9d", matrix[encoder][n][c][k]);
            printf("\n");
        }
    }
}

int main(int argc, char **argv)
{
    struct study study;
    struct study_options o = {.runs = 300, .seed = 20261125};
    if (!study_options_read(argc, argv, &o))
        return 2;
    quantity_init_numerics();
    study_begin(&study, &o);
    for (int i = 0; i < o.runs; i++)
        one(o.seed + (uint64_t)i, i % NOISES, o.verbose);
    for (int encoder = 1; encoder >= 0; encoder--) {
        const char *with = encoder ? "with" : "without";
        int right = 0, wrong = 0, all = 0, none = 0;
        print_matrix(encoder);
        for (int n = 0; n < NOISES; n++) {
            int right_here = 0, here = 0;
            char name[80];
            for (int c = 0; c < CAUSES; c++) {
                for (int k = 0; k < LIMITED_COUNT; k++) {
                    int count = matrix[encoder][n][c][k];
                    here += count;
                    right_here += k == c ? count : 0;
                    wrong += k != c && k != LIMITED_UNCLEAR ? count : 0;
                }
            }
            none += refused[encoder][n];
            snprintf(name, sizeof name, "right %s encoder, noise %s", with, NOISE[n]);
            study_share(&study, name, right_here, here + refused[encoder][n], encoder ? 0.98 : 0.90, 1);
            right += right_here;
            all += here + refused[encoder][n];
        }
        char name[80];
        snprintf(name, sizeof name, "right %s encoder", with);
        study_share(&study, name, right, all, encoder ? 0.98 : 0.90, 1);
        snprintf(name, sizeof name, "wrong and sure %s encoder", with);
        study_share(&study, name, wrong, all, 0, 0.01);
        snprintf(name, sizeof name, "without an answer %s encoder", with);
        study_share(&study, name, none, all, 0, 0.01);
    }
    return study_end(&study);
}
