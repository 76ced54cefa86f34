#include "analyze/data_quality.h"

#include "analyze/bench_test.h"
#include "analyze/numerics/mains_pickup.h"
#include "analyze/run_quality.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* More missing samples than this share are worth a word, wherever they are. Common practice, no source. */
#define MISSING_SHARE 0.01
/* Room that the greatest reading keeps to the end of the range, in standard deviations of the noise: normal
 * noise reaches that far once in 10^9 readings. */
#define ROOM_SDS 6.0
/* Steps hide noise of less than half a step: readings then repeat, and their mean is no finer than one. */
#define STEP_HIDES 0.5

const char *const DATA_QUALITY_VERDICT_NAMES[DATA_QUALITY_VERDICTS] = {"good", "unknown", "usable", "spoils"};

const struct data_quality_kind DATA_QUALITY_KINDS[DATA_QUALITY_ASPECTS] = {
    [DATA_QUALITY_JITTER] =
        {"jitter", "Sample jitter",
         "The standard deviation of the time from one row to the next (holes left out), times how fast the "
         "force rises: what a reading would be off by if every time stamp were wrong by as much. Where no "
         "loading rate is known, times the speed, against the rounding of positions to whole counts.",
         "Let the rig stamp its samples with a timer of its own instead of when they are sent; read a gauge "
         "by "
         "its own steady output rather than by asking; take other load off the computer and its serial "
         "line. A slower push makes the same jitter smaller in newtons."},
    [DATA_QUALITY_GAPS] =
        {"gaps", "Gaps",
         "A gap hides what the force does meanwhile: at the loading rate, a rectangle (JCGM 100, 4.3.7) as "
         "wide as the rise in the longest gap of the motion. Besides, more than 1 % of the samples missing "
         "is "
         "worth looking into (common practice, no source).",
         "Shorten the serial cable, use a shielded one with a sound plug, lay it away from the motor's "
         "leads; "
         "lower the sample rate or raise the line speed; do not share the adapter's hub; repeat the runs "
         "with a gap near their peak."},
    [DATA_QUALITY_SATURATION] =
        {"saturation", "Saturation",
         "A reading at the end of the range is a lower bound, not a value: one in the motion spoils it. "
         "The greatest reading should stay six standard deviations of the noise away from the end, which "
         "normal noise passes once in 10⁹ readings.",
         "Lower the gain of the amplifier or fit a load cell of greater range, then calibrate again; look "
         "for "
         "a zero that sits far off the middle; set the force limit of the plan below the end of the range."},
    [DATA_QUALITY_MAINS] =
        {"mains", "Mains pick-up",
         "Amplitude at 50, 60, 100 and 120 Hz at rest before the motion, held against the noise at "
         "neighbouring frequencies (F test; in one run of a hundred without any, noise alone passes for "
         "it). "
         "A sinusoid of amplitude A has a standard deviation of A/√2.",
         "Shorten the load cell's cable, twist the pairs, shield it and ground the shield at one end; keep "
         "it "
         "away from mains leads, power supplies and the motor's leads; feed the amplifier from a quiet "
         "supply; set the converter to a rate whose filter suppresses the mains."},
    [DATA_QUALITY_DRIFT] =
        {"zero_drift", "Zero drift",
         "Unloaded reading after the run less the one before. Beyond the plan's limit it is no slow drift, "
         "and is not corrected. Within it, it is taken off as a straight line, and a rectangle of half of "
         "it either way stays in the budget: a word is said where that is more than half of the variance.",
         "Let the rig warm up for half an hour; keep draughts and the motor's heat away from the load cell; "
         "see that nothing rests on the cell, that the filament is free after the push, and that no screw "
         "is "
         "loose. A cell that was overloaded does not return: weigh again."},
    [DATA_QUALITY_RESOLUTION] =
        {"resolution", "Resolution",
         "The step of the readings (one count, the last digit of a gauge, or what all of them are multiples "
         "of), in newtons: q. Its standard uncertainty is q/√12 "
         "(JCGM 100, F.2.2.1). Noise below half a step is hidden by it, and averaging then gains nothing.",
         "Raise the gain of the amplifier or use a load cell whose range fits the forces; of a gauge take "
         "the "
         "output with the most digits; more repeats help only where noise is more than half a step."},
};

/* What a disturbance is held against. */
struct rest {
    double n;           /* NAN: nothing is known */
    double noise_n;     /* where it is the noise of a reading */
    const char *result; /* of what it is the standard uncertainty; NULL: it is that noise */
    bool in_result_n;   /* it is the uncertainty of the force that the run gives, budget and all */
};

/* Two digits; what is too small to matter without its many zeros. */
static const char *small(double value, char text[24])
{
    if (value != 0 && fabs(value) < 1e-4)
        snprintf(text, 24, "less than 0.0001");
    else
        snprintf(text, 24, fabs(value) < 100 ? "%.2g" : "%.0f", value);
    return text;
}

/* Standard uncertainty of the force that the run gives, N; NAN without one. */
static double result_uncertainty_n(const struct run_result *run, const char **name)
{
    static const char *const keys[] = {"feed_force_n", "force_n", "greatest_force_n"};
    const struct quantity *stall = &run->push.stall_force_n, *onset = &run->push.slip_onset_n;
    if (!run->analysed)
        return NAN;
    *name = "stall force";
    if (stall->present && !stall->at_least)
        return stall->standard_uncertainty;
    *name = "slip onset";
    if (onset->present && !onset->at_least)
        return onset->standard_uncertainty;
    *name = "force";
    for (size_t k = 0; k < run->quantity_count; k++) {
        for (size_t j = 0; j < sizeof keys / sizeof keys[0]; j++) {
            const struct quantity *q = &run->quantities[k].q;
            if (strcmp(run->quantities[k].key, keys[j]) == 0 && q->present && !q->at_least)
                return q->standard_uncertainty;
        }
    }
    return NAN;
}

/* Noise of a reading, N; 0 where all at rest are alike, NAN where none are known. */
static double noise_n(const struct run_result *run)
{
    return run->analysed ? run->push.noise_n : run->quality.mains_noise_n;
}

static struct rest rest_of_result(const struct run_result *run)
{
    struct rest r = {.in_result_n = true};
    r.n = result_uncertainty_n(run, &r.result);
    return r;
}

/* noise: of one reading, N. */
static struct rest rest_of_noise(double noise)
{
    return (struct rest){.n = noise > 0 ? noise : NAN, .noise_n = noise};
}

/* "the noise of a reading, 0.3 N" */
static const char *words(const struct rest *rest, char text[100])
{
    char number[24];
    if (rest->result != NULL)
        snprintf(text, 100, "the standard uncertainty of the %s, %s N", rest->result, small(rest->n, number));
    else
        snprintf(text, 100, "the noise of a reading, %s N", small(rest->noise_n, number));
    return text;
}

/* The greater of the two. */
static struct rest rest_of_either(const struct run_result *run, double noise)
{
    struct rest result = rest_of_result(run);
    return result.n > 0 && !(noise > result.n) ? result : rest_of_noise(noise);
}

/* The result, or where the run gives no force, the noise. */
static struct rest rest_of_all(const struct run_result *run)
{
    struct rest result = rest_of_result(run);
    return result.n > 0 ? result : rest_of_noise(noise_n(run));
}

/* Share of the variance; inside: the rest holds the disturbance already. */
static double share_of(double value_n, const struct rest *rest, bool inside)
{
    double square = value_n * value_n, others = rest->n * rest->n;
    if (!(rest->n > 0) || isnan(value_n))
        return NAN;
    return inside ? fmin(1, square / others) : square / (square + others);
}

static enum data_quality_verdict verdict_of(double share)
{
    return share <= DATA_QUALITY_SHARE_GOOD     ? DATA_QUALITY_GOOD
           : share <= DATA_QUALITY_SHARE_SPOILS ? DATA_QUALITY_USABLE
                                                : DATA_QUALITY_SPOILS;
}

/* spoilt: what it spoils. */
static void put_text(struct data_quality *q, const char *spoilt, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
static void put_text(struct data_quality *q, const char *spoilt, const char *format, ...)
{
    va_list arguments;
    int used;
    if (q->verdict == DATA_QUALITY_SPOILS)
        used = snprintf(q->text, sizeof q->text, "spoils %s: ", spoilt);
    else
        used = snprintf(q->text, sizeof q->text, "%s",
                        q->verdict == DATA_QUALITY_GOOD     ? "good: "
                        : q->verdict == DATA_QUALITY_USABLE ? "usable, but "
                                                            : "cannot be told: ");
    va_start(arguments, format);
    vsnprintf(q->text + used, sizeof q->text - (size_t)used, format, arguments);
    va_end(arguments);
}

/* The verdict, and where texts are wanted its words: numbers are put into words for those only. */
#define SAY(q, is, ...)                                                                                      \
    do {                                                                                                     \
        (q)->verdict = (is);                                                                                 \
        if ((q)->worded)                                                                                     \
            put_text(q, __VA_ARGS__);                                                                        \
    } while (0)

/* How fast the force rises, N/s; NAN where no stiffness is known. */
static double loading_n_s(const struct run_result *run)
{
    const struct quantity *stiffness = &run->push.stiffness_n_per_mm;
    if (!run->analysed)
        return NAN;
    for (size_t k = 0; !stiffness->present && k < run->quantity_count; k++) {
        if (strcmp(run->quantities[k].key, "stiffness_n_per_mm") == 0)
            stiffness = &run->quantities[k].q;
    }
    return stiffness->present ? fabs(stiffness->value * run->record->speed_mm_s) : NAN;
}

/* From one row to the next, in a unit that needs no exponent. */
static const char *interval(const struct run_quality *rows, char text[24])
{
    double us = rows->interval_us;
    snprintf(text, 24, us < 1e4 ? "%.5g µs" : "%.5g ms", us < 1e4 ? us : us / 1000);
    return text;
}

/* What late stamps do to the feed, where they do nothing to a force: against the rounding of positions. */
static void judge_feed_jitter(const struct run_result *run, const struct series *series,
                              struct data_quality *q)
{
    const struct run_quality *rows = &run->quality;
    double feed_um = 1e-3 * run->record->speed_mm_s * rows->jitter_us;
    double count_um =
        1000 * fmax(run->record->mm_per_microstep, fabs(series->calibration.encoder_mm_per_count));
    struct rest rest = {.n = count_um / sqrt(12.0)};
    char jitter[24], feed[24], count[24], every[24];
    q->share = share_of(feed_um, &rest, false);
    SAY(q, q->share <= DATA_QUALITY_SHARE_GOOD ? DATA_QUALITY_GOOD : DATA_QUALITY_USABLE, "",
        "rows come every %s and stray from that by %s µs, which is %s µm of feed, against positions in "
        "steps of %s µm",
        interval(rows, every), small(rows->jitter_us, jitter), small(feed_um, feed), small(count_um, count));
}

static void judge_jitter(const struct run_result *run, const struct series *series, struct data_quality *q)
{
    const struct run_quality *rows = &run->quality;
    double rate_n_s = loading_n_s(run);
    struct rest rest = rest_of_either(run, noise_n(run));
    char jitter[24], force[24], rate[24], every[24], against[100];
    if (isnan(rows->interval_us) || isnan(rows->jitter_us)) {
        SAY(q, DATA_QUALITY_UNKNOWN, "", "too few rows");
        return;
    }
    if (isnan(rate_n_s) || isnan(rest.n)) {
        judge_feed_jitter(run, series, q);
        return;
    }
    q->value_n = rate_n_s * rows->jitter_us * 1e-6;
    q->share = share_of(q->value_n, &rest, run->record->separate != NULL && rest.in_result_n);
    SAY(q, verdict_of(q->share), "the time of readings",
        "rows come every %s and stray from that by %s µs, which is %s N where the force rises by %s "
        "N/s, against %s",
        interval(rows, every), small(rows->jitter_us, jitter), small(q->value_n, force),
        small(rate_n_s, rate), words(&rest, against));
}

/* Places in the motion, and the samples that the longest of them may hold. */
static int64_t gaps_in_motion(const struct run_record *r, int64_t *longest)
{
    int64_t places = 0;
    *longest = 0;
    for (size_t i = 0; i < r->link.gap_count; i++) {
        const struct run_gap *gap = &r->link_gaps[i];
        double end_us = (double)gap->time_us + 1e6 * (double)(gap->samples + 1) / r->sample_rate_hz;
        if (gap->time_us > r->push_end_us || (gap->places == 1 && end_us < (double)r->push_start_us))
            continue;
        places += gap->places;
        *longest = gap->samples > *longest ? gap->samples : *longest;
    }
    return places;
}

static double missing_share(const struct run_record *r)
{
    double missing = (double)r->link.samples_missing, all = missing + (double)r->rows;
    return all > 0 ? missing / all : 0;
}

static void judge_gaps(const struct run_result *run, struct data_quality *q)
{
    const struct run_record *r = run->record;
    struct rest rest = rest_of_all(run);
    double share = missing_share(r);
    double rate_n_s = loading_n_s(run), longest_s;
    int64_t longest, moving = gaps_in_motion(r, &longest);
    char missing[80], hidden[24], length[24], against[100];
    longest_s = (double)(longest + 1) / r->sample_rate_hz;
    if (r->gaps == 0 && (!r->link_recorded || r->link.samples_missing == 0)) {
        SAY(q, DATA_QUALITY_GOOD, "", "nothing is missing between %lld rows", (long long)r->rows);
        return;
    }
    if (!r->link_recorded) {
        SAY(q, DATA_QUALITY_USABLE, "", "there are %lld gaps, and the record does not say where",
            (long long)r->gaps);
        return;
    }
    snprintf(missing, sizeof missing, "%lld of %lld samples are missing, in %lld place%s",
             (long long)r->link.samples_missing, (long long)r->rows + (long long)r->link.samples_missing,
             (long long)r->gaps, r->gaps == 1 ? "" : "s");
    if (moving == 0 || longest == 0) {
        SAY(q, share > MISSING_SHARE ? DATA_QUALITY_USABLE : DATA_QUALITY_GOOD, "",
            "%s, none of them while it moved", missing);
        return;
    }
    if (isnan(rate_n_s) || isnan(rest.n)) {
        SAY(q, DATA_QUALITY_USABLE, "", "%s, %lld of them while it moved; the longest takes %s ms", missing,
            (long long)moving, small(1000 * longest_s, length));
        return;
    }
    q->value_n = rate_n_s * longest_s / sqrt(12.0);
    q->share = share_of(q->value_n, &rest, false);
    enum data_quality_verdict verdict = verdict_of(q->share);
    if (verdict == DATA_QUALITY_GOOD && share > MISSING_SHARE)
        verdict = DATA_QUALITY_USABLE;
    SAY(q, verdict, "a peak that falls into it",
        "%s, %lld of them while it moved; the longest takes %s ms, in which the force may rise by %s N, "
        "against %s",
        missing, (long long)moving, small(1000 * longest_s, length), small(rate_n_s * longest_s, hidden),
        words(&rest, against));
}

static void judge_saturation(const struct run_result *run, const struct series *series,
                             struct data_quality *q)
{
    const struct run_quality *rows = &run->quality;
    const struct calibration *c = &series->calibration;
    double noise = noise_n(run), room_n = NAN;
    char room[24], sd[24];
    if (rows->range_used <= 1)
        room_n = (1 - rows->range_used) *
                 run_quality_step_n(&(struct run_quality){.step_counts = 1}, run->record, c) *
                 ((double)run->record->counts_max - (double)run->record->counts_min) / 2;
    if (rows->over_range_in_motion > 0)
        SAY(q, DATA_QUALITY_SPOILS, "the force",
            "%u reading%s at the end of the range while it moved, and the force beyond is not known",
            rows->over_range_in_motion, rows->over_range_in_motion == 1 ? " was" : "s were");
    else if (rows->over_range_rows > 0)
        SAY(q, DATA_QUALITY_USABLE, "", "%u reading%s at the end of the range, none while it moved",
            rows->over_range_rows, rows->over_range_rows == 1 ? " was" : "s were");
    else if (isnan(rows->range_used))
        SAY(q, DATA_QUALITY_UNKNOWN, "", "no reading says that it was at an end, and the range is not known");
    else if (room_n < ROOM_SDS * noise)
        SAY(q, DATA_QUALITY_USABLE, "",
            "the greatest reading takes %.3g %% of the range and leaves %s N, less than %g times the noise "
            "of %s N",
            100 * (double)rows->range_used, small(room_n, room), ROOM_SDS, small(noise, sd));
    else
        SAY(q, DATA_QUALITY_GOOD, "", "the greatest reading takes %.3g %% of the range",
            100 * (double)rows->range_used);
}

static void judge_mains(const struct run_result *run, struct data_quality *q)
{
    const struct run_quality *rows = &run->quality;
    struct rest rest = rest_of_either(run, rows->mains_noise_n);
    char amplitude[24], u[24], against[100];
    if (rows->mains == RUN_MAINS_UNKNOWN) {
        if (run->record->sample_rate_hz <= 2 * MAINS_PICKUP_HZ[0] + 10)
            SAY(q, DATA_QUALITY_UNKNOWN, "", "%.3g readings a second cannot show %g Hz",
                run->record->sample_rate_hz, MAINS_PICKUP_HZ[0]);
        else
            SAY(q, DATA_QUALITY_UNKNOWN, "", "too short a rest before the motion");
        return;
    }
    if (rows->mains == RUN_MAINS_FOUND) {
        q->value_n = rows->mains_n / sqrt(2.0);
        q->share = share_of(q->value_n, &rest, false);
        SAY(q, isnan(q->share) ? DATA_QUALITY_SPOILS : verdict_of(q->share), "single readings",
            "%s N of %d Hz (amplitude; standard uncertainty %s N), against %s",
            small(rows->mains_n, amplitude), rows->mains_hz, small(rows->mains_standard_uncertainty_n, u),
            rest.n > 0 ? words(&rest, against) : "no noise at all");
        return;
    }
    double hidden_n = rows->mains_detectable_n / sqrt(2.0);
    q->share = share_of(hidden_n, &rest, false);
    if (q->share > DATA_QUALITY_SHARE_GOOD)
        SAY(q, DATA_QUALITY_USABLE, "", "up to %s N may be there and not be found, against %s",
            small(rows->mains_detectable_n, amplitude), words(&rest, against));
    else
        SAY(q, DATA_QUALITY_GOOD, "", "none found, and more than %s N would have been",
            small(rows->mains_detectable_n, amplitude));
}

static void judge_drift(const struct run_result *run, const struct series *series, struct data_quality *q)
{
    double drift_n = run->push.zero_drift_n, limit_n = series->plan.zero_drift_limit_n;
    struct rest rest = rest_of_all(run);
    char drift[24], limit[24], against[100];
    if (!run->quality.zero_seen_after) {
        SAY(q, DATA_QUALITY_UNKNOWN, "", "%s",
            run->analysed ? "no reading at rest after the motion"
                          : "no zero was taken of a run without an answer");
        return;
    }
    q->value_n = fabs(drift_n) / 2 / sqrt(3.0);
    q->share = share_of(q->value_n, &rest, rest.in_result_n);
    if (fabs(drift_n) > limit_n) {
        q->value_n = fabs(drift_n) / sqrt(3.0);
        q->share = share_of(q->value_n, &rest, rest.in_result_n);
        SAY(q, DATA_QUALITY_SPOILS, "the zero",
            "it moved by %s N, more than the %s N that the plan allows; it is not corrected, and the "
            "intervals are wider instead",
            small(drift_n, drift), small(limit_n, limit));
    } else if (q->share > DATA_QUALITY_SHARE_SPOILS) {
        SAY(q, DATA_QUALITY_USABLE, "",
            "it moved by %s N (the plan allows %s N); half of it is in doubt, and makes %.0f %% of the "
            "variance, against %s",
            small(drift_n, drift), small(limit_n, limit), 100 * q->share, words(&rest, against));
    } else {
        SAY(q, DATA_QUALITY_GOOD, "", "it moved by %s N, of %s N that the plan allows", small(drift_n, drift),
            small(limit_n, limit));
    }
}

static void judge_resolution(const struct run_result *run, const struct series *series,
                             struct data_quality *q)
{
    double step_n = run_quality_step_n(&run->quality, run->record, &series->calibration);
    /* As in the budget: of a gauge both the reading and its zero were rounded. */
    double u_n = step_n / sqrt(12.0) * (run->record->separate != NULL ? sqrt(2.0) : 1);
    double beside_n = run->quality.mains == RUN_MAINS_UNKNOWN ? noise_n(run) : run->quality.mains_noise_n;
    struct rest rest = rest_of_either(run, noise_n(run));
    bool wide = run->quality.step_counts > 1;
    char what[48] = "one count is";
    enum data_quality_verdict verdict;
    char step[24], u[24], against[100];
    q->value_n = u_n;
    /* The budget has one count, not the steps that are seen. */
    q->share = share_of(u_n, &rest, !wide);
    if (wide)
        snprintf(what, sizeof what, "readings go in steps of %d counts, which is", run->quality.step_counts);
    else if (run->record->separate != NULL)
        snprintf(what, sizeof what, "the last digit of the gauge is");
    if (isnan(q->share) && isnan(noise_n(run))) {
        SAY(q, DATA_QUALITY_UNKNOWN, "", "%s %s N, and no rest tells the noise beside it", what,
            small(step_n, step));
        return;
    }
    if (isnan(q->share)) {
        SAY(q, DATA_QUALITY_USABLE, "", "%s %s N, and the readings at rest show no noise beside it", what,
            small(step_n, step));
        return;
    }
    verdict = verdict_of(q->share);
    /* Where no force is worked out, the noise hidden by a step is the worst that can be said. */
    if (verdict == DATA_QUALITY_SPOILS && !rest.in_result_n)
        verdict = DATA_QUALITY_USABLE;
    if (verdict == DATA_QUALITY_GOOD && beside_n < STEP_HIDES * step_n)
        verdict = DATA_QUALITY_USABLE;
    SAY(q, verdict, "small differences", "%s %s N (standard uncertainty %s N), against %s%s", what,
        small(step_n, step), small(u_n, u), words(&rest, against),
        verdict != DATA_QUALITY_GOOD && beside_n < STEP_HIDES * step_n ? "; it hides the noise" : "");
}

static void judge(const struct run_result *run, const struct series *series,
                  struct data_quality quality[DATA_QUALITY_ASPECTS], bool worded)
{
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
        quality[k] = (struct data_quality){.value_n = NAN, .share = NAN, .worded = worded};
        if (!run->quality.present)
            SAY(&quality[k], DATA_QUALITY_UNKNOWN, "", "the run is not analysed");
    }
    if (!run->quality.present)
        return;
    judge_jitter(run, series, &quality[DATA_QUALITY_JITTER]);
    judge_gaps(run, &quality[DATA_QUALITY_GAPS]);
    judge_saturation(run, series, &quality[DATA_QUALITY_SATURATION]);
    judge_mains(run, &quality[DATA_QUALITY_MAINS]);
    judge_drift(run, series, &quality[DATA_QUALITY_DRIFT]);
    judge_resolution(run, series, &quality[DATA_QUALITY_RESOLUTION]);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        quality[k].rank = isnan(quality[k].share) ? 0 : quality[k].share;
    if (run->quality.range_used > 0)
        quality[DATA_QUALITY_SATURATION].rank = run->quality.range_used;
    quality[DATA_QUALITY_GAPS].rank = fmax(quality[DATA_QUALITY_GAPS].rank, missing_share(run->record));
}

void data_quality_of_run(const struct run_result *run, const struct series *series,
                         struct data_quality quality[DATA_QUALITY_ASPECTS])
{
    judge(run, series, quality, true);
}

void data_quality_verdicts(const struct run_result *run, const struct series *series,
                           struct data_quality quality[DATA_QUALITY_ASPECTS])
{
    judge(run, series, quality, false);
}

const char *data_quality_detail(const struct data_quality *quality)
{
    return quality->verdict == DATA_QUALITY_GOOD ? quality->text + strlen("good: ") : quality->text;
}

static bool tells_more(enum data_quality_verdict a, enum data_quality_verdict b)
{
    /* What cannot be told is of less interest than any verdict; else the worse one. */
    int of_a = a == DATA_QUALITY_UNKNOWN ? -1 : (int)a, of_b = b == DATA_QUALITY_UNKNOWN ? -1 : (int)b;
    return of_a > of_b;
}

static void add_run(struct data_quality_sum *sum, size_t run,
                    const struct data_quality quality[DATA_QUALITY_ASPECTS])
{
    bool good = true;
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
        enum data_quality_verdict held = data_quality_worst(sum, (enum data_quality_aspect)k);
        good =
            good && (quality[k].verdict == DATA_QUALITY_GOOD || quality[k].verdict == DATA_QUALITY_UNKNOWN);
        if (sum->runs == 0 || tells_more(quality[k].verdict, held) ||
            (quality[k].verdict == held && quality[k].rank > sum->worst_rank[k])) {
            sum->worst[k] = run;
            sum->worst_rank[k] = quality[k].rank;
        }
        sum->count[k][quality[k].verdict]++;
    }
    sum->runs++;
    sum->good += good;
}

enum err_code data_quality_sum_up(const struct session *session, struct data_quality_sums *sums,
                                  struct err *e)
{
    *sums = (struct data_quality_sums){.session = {.runs = 0}};
    sums->series = calloc(session->series_count + 1, sizeof *sums->series);
    sums->feeders = calloc(session->feeder_count + 1, sizeof *sums->feeders);
    if (sums->series == NULL || sums->feeders == NULL) {
        data_quality_free(sums);
        return err_set(e, ERR_MEMORY, "not enough memory for the quality of %zu feeders",
                       session->feeder_count);
    }
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        struct data_quality quality[DATA_QUALITY_ASPECTS];
        if (!run->quality.present || run->record->repeated_by > 0)
            continue;
        data_quality_verdicts(run, session->series[run->series], quality);
        add_run(&sums->session, i, quality);
        add_run(&sums->series[run->series], i, quality);
        add_run(&sums->feeders[run->feeder], i, quality);
    }
    return ERR_OK;
}

void data_quality_free(struct data_quality_sums *sums)
{
    free(sums->series);
    free(sums->feeders);
    sums->series = sums->feeders = NULL;
}

enum data_quality_verdict data_quality_worst(const struct data_quality_sum *sum,
                                             enum data_quality_aspect aspect)
{
    const size_t *count = sum->count[aspect];
    return count[DATA_QUALITY_SPOILS] > 0   ? DATA_QUALITY_SPOILS
           : count[DATA_QUALITY_USABLE] > 0 ? DATA_QUALITY_USABLE
           : count[DATA_QUALITY_GOOD] > 0   ? DATA_QUALITY_GOOD
                                            : DATA_QUALITY_UNKNOWN;
}
