/* Verdicts on either side of each threshold, of runs made by hand. */
#include "analyze/data_quality.h"

#include "analyze/numerics/quantity.h"
#include "analyze/push_motion.h"
#include "tests/analyze/good_run.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct series series;
static struct run_record record;
static struct run_gap gaps[3];
static struct run_result run;

/* A push that is good in all: 0.3 N of noise, 0.2 N of uncertainty, 100 N/s. */
static void begin(void)
{
    quantity_init_numerics();
    series = (struct series){.runs = &record, .run_count = 1};
    series.calibration = (struct calibration){.degree = 1, .coefficients = {0, 4000}, .load_high_n = 200};
    series.plan.zero_drift_limit_n = 0.3;
    record = (struct run_record){.number = 7, .speed_mm_s = 4, .mm_per_microstep = 0.01};
    good_run_record(&record);
    run = (struct run_result){.record = &record, .analysed = true};
    run.push.noise_n = 0.3;
    run.push.stall_force_n = quantity_from(90, 0.2, 30, 20);
    run.push.stiffness_n_per_mm = quantity_from(25, 0.1, 30, 1);
    run.push.zero_drift_n = 0.02;
    run.quality = good_run_quality();
}

TestSuite(data_quality, .init = begin);

static struct data_quality of(enum data_quality_aspect aspect)
{
    static struct data_quality quality[DATA_QUALITY_ASPECTS];
    data_quality_of_run(&run, &series, quality);
    return quality[aspect];
}

static bool same_number(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

/* Without its text it is the same. */
static void expect_unworded(enum data_quality_aspect aspect, const struct data_quality *q)
{
    struct data_quality bare[DATA_QUALITY_ASPECTS];
    data_quality_verdicts(&run, &series, bare);
    cr_expect(bare[aspect].verdict == q->verdict && same_number(bare[aspect].rank, q->rank) &&
                  same_number(bare[aspect].share, q->share) && same_number(bare[aspect].value_n, q->value_n),
              "%s: %s", DATA_QUALITY_KINDS[aspect].key, q->text);
    cr_expect(bare[aspect].text[0] == 0 && !bare[aspect].worded && q->worded);
}

static void expect(enum data_quality_aspect aspect, enum data_quality_verdict verdict, const char *words)
{
    struct data_quality q = of(aspect);
    static const char *const begins[] = {"good: ", "cannot be told: ", "usable, but ", "spoils "};
    cr_expect(q.verdict == verdict && strstr(q.text, words) != NULL &&
                  strncmp(q.text, begins[verdict], strlen(begins[verdict])) == 0,
              "%s: %s; expected %s, '%s'", DATA_QUALITY_KINDS[aspect].key, q.text,
              DATA_QUALITY_VERDICT_NAMES[verdict], words);
    cr_expect(strlen(q.text) < sizeof q.text - 1, "cut short: %s", q.text);
    expect_unworded(aspect, &q);
}

Test(data_quality, a_good_run_is_good_in_all)
{
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        cr_expect_eq(of((enum data_quality_aspect)k).verdict, DATA_QUALITY_GOOD, "%s",
                     of((enum data_quality_aspect)k).text);
}

Test(data_quality, a_run_that_was_not_read_has_no_verdict)
{
    run.quality.present = false;
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        expect((enum data_quality_aspect)k, DATA_QUALITY_UNKNOWN, "not analysed");
}

/* c against r: the share is c^2/(c^2 + r^2), a tenth at c = r/3 and a half at c = r. */
Test(data_quality, jitter_is_weighed_in_newtons)
{
    run.quality.jitter_us = 990; /* 0.099 N of 0.3 N */
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "0.099 N where the force rises by 100 N/s");
    run.quality.jitter_us = 1010;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_USABLE, "against the noise of a reading, 0.3 N");
    cr_expect(fabs(of(DATA_QUALITY_JITTER).share - 0.101 * 0.101 / (0.101 * 0.101 + 0.09)) < 1e-6);
    run.quality.jitter_us = 2990;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_USABLE, "");
    run.quality.jitter_us = 3010;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_SPOILS, "0.3 N");
    run.push.stall_force_n = quantity_from(90, 2, 30, 20); /* more than the noise */
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "standard uncertainty of the stall force, 2 N");
    run.quality.interval_us = 1e5F;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "rows come every 100 ms and");
    run.quality.jitter_us = NAN;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_UNKNOWN, "too few rows");
}

/* Where no force rises: against the rounding of positions, 10 um / root 12. */
Test(data_quality, jitter_without_a_rise_is_weighed_by_the_feed)
{
    run.push.stiffness_n_per_mm = quantity_absent();
    run.quality.jitter_us = 230;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "0.92 µm of feed");
    run.quality.jitter_us = 250;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_USABLE, "steps of 10 µm");
    run.quality.jitter_us = 25000;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_USABLE, "");
}

static void lose(size_t at, int64_t time_us, int64_t samples)
{
    gaps[at] = (struct run_gap){time_us, 1, 1, samples};
    record.link_gaps = gaps;
    record.link.gap_count = at + 1;
    record.gaps++;
    record.link.samples_missing += samples;
}

Test(data_quality, gaps_are_weighed_by_what_they_hide)
{
    lose(0, 400000, 50);
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_GOOD,
           "50 of 9050 samples are missing, in 1 place, none of them while");
    lose(1, 3000000, 1); /* 2 ms: 0.2 N / root 12 = 0.058 N, of 0.2 N */
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_GOOD, "2 ms, in which the force may rise by 0.2 N");
    lose(2, 5000000, 3); /* 4 ms: 0.115 N */
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_USABLE, "2 of them while it moved; the longest takes 4 ms");
    gaps[2].samples = 9;
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_SPOILS, "a peak that falls into it");
    run.push.stiffness_n_per_mm = quantity_absent();
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_USABLE, "the longest takes 10 ms");
    record.link_recorded = false;
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_USABLE, "does not say where");
}

Test(data_quality, many_missing_samples_are_told_wherever_they_are)
{
    lose(0, 400000, 95);
    expect(DATA_QUALITY_GAPS, DATA_QUALITY_USABLE, "none of them while it moved");
}

Test(data_quality, saturation_spoils_in_the_motion_alone)
{
    run.quality.over_range_rows = 3;
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_USABLE, "3 readings were at the end of the range, none");
    run.quality.over_range_in_motion = 2;
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_SPOILS, "2 readings");
    run.quality.over_range_in_motion = run.quality.over_range_rows = 0;
    run.quality.range_used = 0.9981F; /* 1.9 N left of 1000 N: six times the noise is 1.8 N */
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_GOOD, "99.8 %");
    run.quality.range_used = 0.9983F;
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_USABLE, "leaves 1.7 N");
    run.quality.range_used = NAN;
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_UNKNOWN, "");
}

/* A sinusoid of amplitude A has a standard deviation of A / root 2. */
Test(data_quality, mains_is_weighed_as_a_sinusoid)
{
    run.quality.mains = RUN_MAINS_FOUND;
    run.quality.mains_hz = 50;
    run.quality.mains_standard_uncertainty_n = 0.011F;
    run.quality.mains_n = (float)(0.099 * M_SQRT2);
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_GOOD, "0.14 N of 50 Hz");
    run.quality.mains_n = (float)(0.101 * M_SQRT2);
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_USABLE, "standard uncertainty 0.011 N");
    run.quality.mains_n = (float)(0.31 * M_SQRT2);
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_SPOILS, "0.44 N of 50 Hz");
    run.quality.mains = RUN_MAINS_NONE;
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_GOOD, "more than 0.05 N would have been");
    run.quality.mains_detectable_n = 0.2F;
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_USABLE, "up to 0.2 N may be there");
    run.quality.mains = RUN_MAINS_UNKNOWN;
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_UNKNOWN, "too short a rest");
    record.sample_rate_hz = 10;
    expect(DATA_QUALITY_MAINS, DATA_QUALITY_UNKNOWN, "10 readings a second cannot show 50 Hz");
}

Test(data_quality, drift_is_held_against_the_plan)
{
    run.push.zero_drift_n = -0.299;
    expect(DATA_QUALITY_DRIFT, DATA_QUALITY_GOOD, "moved by -0.3 N, of 0.3 N");
    run.push.stall_force_n = quantity_from(90, 0.1, 30, 20); /* 0.086 N of doubt */
    expect(DATA_QUALITY_DRIFT, DATA_QUALITY_USABLE, "makes 75 % of the variance");
    run.push.zero_drift_n = 0.301;
    expect(DATA_QUALITY_DRIFT, DATA_QUALITY_SPOILS, "the plan allows");
    run.quality.zero_seen_after = false;
    expect(DATA_QUALITY_DRIFT, DATA_QUALITY_UNKNOWN, "no reading at rest");
}

/* Errors of rounding to steps of q scatter by q / root 12, whatever was rounded. */
Test(data_quality, a_step_is_worth_what_rounding_to_it_scatters)
{
    double square = 0, q = 0.37;
    series.calibration.coefficients[1] = 1 / q;
    for (int i = 0; i < 20000; i++) {
        double x = 0.7391 * i, off = q * nearbyint(x / q) - x;
        square += off * off / 20000;
    }
    cr_expect(fabs(of(DATA_QUALITY_RESOLUTION).value_n / sqrt(square) - 1) < 0.01, "%g %g",
              of(DATA_QUALITY_RESOLUTION).value_n, sqrt(square));
}

Test(data_quality, resolution_is_weighed_within_the_budget)
{
    series.calibration.coefficients[1] = 1 / 0.32; /* q / root 12 is 0.092 N of 0.3 N */
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_GOOD, "one count is 0.32 N");
    series.calibration.coefficients[1] = 1 / 0.34; /* 0.098 N: 10.7 % */
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_USABLE, "");
    series.calibration.coefficients[1] = 1 / 0.017; /* the same by what is seen: 0.34 N, not in the budget */
    run.quality.step_counts = 20;
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_GOOD, "steps of 20 counts, which is 0.34 N");
    run.quality.step_counts = 21;
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_USABLE, "steps of 21 counts");
    run.quality.step_counts = 1;
    series.calibration.coefficients[1] = 1 / 0.12;
    run.quality.mains_noise_n = 0.05F;
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_USABLE, "it hides the noise");
    record.separate =
        &(struct run_separate){.force_resolution_n = 0.5}; /* and its zero was rounded as well */
    run.push.stall_force_n = quantity_from(90, 0.27, 30, 20);
    run.push.noise_n = 0.15;
    cr_expect(fabs(of(DATA_QUALITY_RESOLUTION).value_n - 0.5 / sqrt(6)) < 1e-9);
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_SPOILS, "last digit of the gauge is 0.5 N");
    run.push.stall_force_n = quantity_absent(); /* no force to spoil */
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_USABLE, "noise of a reading, 0.15 N");
    run.push.noise_n = 0;
    run.quality.mains_noise_n = 0;
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_USABLE, "show no noise");
}

/* A run whose rows were read but that gave no answer: what the rows say is told, and no more. */
Test(data_quality, a_run_without_an_answer_is_judged_by_its_rows)
{
    run = (struct run_result){.record = &record, .quality = run.quality};
    run.quality.zero_seen_after = false;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "µm of feed");
    expect(DATA_QUALITY_SATURATION, DATA_QUALITY_GOOD, "");
    expect(DATA_QUALITY_DRIFT, DATA_QUALITY_UNKNOWN, "no zero was taken");
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_GOOD, "noise of a reading, 0.3 N");
    run.quality.mains = RUN_MAINS_UNKNOWN;
    run.quality.mains_noise_n = NAN;
    expect(DATA_QUALITY_RESOLUTION, DATA_QUALITY_UNKNOWN, "one count is 0.00025 N, and no rest tells");
}

/* Other tests bring their force as a quantity. */
Test(data_quality, the_force_of_another_test_counts)
{
    struct run_quantity q = {"feed_force_n", "feed force", "N", quantity_from(40, 1.5, 30, 1)};
    run.push.stall_force_n = quantity_at_least(90); /* a bound has no uncertainty */
    run.quality.jitter_us = 1010;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_USABLE, "noise of a reading");
    run.quantities = &q;
    run.quantity_count = 1;
    expect(DATA_QUALITY_JITTER, DATA_QUALITY_GOOD, "standard uncertainty of the force, 1.5 N");
}

Test(data_quality, sums_name_the_worst_run)
{
    struct run_result runs[5];
    struct series *all[] = {&series};
    struct feeder_result feeders[2] = {0};
    struct session session = {.series = all,
                              .series_count = 1,
                              .runs = runs,
                              .run_count = 5,
                              .feeders = feeders,
                              .feeder_count = 2};
    struct data_quality_sums sums;
    struct err e = {0};
    for (size_t i = 0; i < 4; i++) {
        runs[i] = run;
        runs[i].feeder = i % 2;
    }
    /* This one was repeated: bad as it is, it is none of those that count. */
    struct run_record repeated = record;
    repeated.repeated_by = 8;
    runs[4] = run;
    runs[4].record = &repeated;
    runs[4].quality.jitter_us = 1700;
    runs[4].quality.over_range_in_motion = runs[4].quality.over_range_rows = 1;
    runs[1].quality.jitter_us = 1500;
    runs[2].quality.jitter_us = 1200;
    runs[3].quality.jitter_us = 1400;
    runs[0].quality.mains = runs[2].quality.mains = RUN_MAINS_UNKNOWN;
    runs[3].quality.range_used = 0.7F;
    runs[2].quality.over_range_in_motion = runs[2].quality.over_range_rows = 1;
    cr_assert_eq(data_quality_sum_up(&session, &sums, &e), ERR_OK);
    cr_expect(sums.session.runs == 4 && sums.session.good == 1);
    cr_expect(sums.feeders[0].runs == 2 && sums.series[0].runs == 4);
    cr_expect_eq(sums.session.worst[DATA_QUALITY_JITTER], 1);
    cr_expect_eq(sums.feeders[0].worst[DATA_QUALITY_JITTER], 2);
    cr_expect_eq(sums.session.count[DATA_QUALITY_JITTER][DATA_QUALITY_USABLE], 3);
    cr_expect_eq(data_quality_worst(&sums.session, DATA_QUALITY_JITTER), DATA_QUALITY_USABLE);
    cr_expect_eq(sums.session.worst[DATA_QUALITY_SATURATION], 2);
    cr_expect_eq(data_quality_worst(&sums.feeders[0], DATA_QUALITY_SATURATION), DATA_QUALITY_SPOILS);
    cr_expect_eq(sums.feeders[1].worst[DATA_QUALITY_SATURATION], 3,
                 "of the good ones the nearest to the end");
    cr_expect_eq(data_quality_worst(&sums.session, DATA_QUALITY_MAINS), DATA_QUALITY_GOOD);
    cr_expect_eq(sums.session.worst[DATA_QUALITY_MAINS], 1, "what cannot be told is not the worst");
    data_quality_free(&sums);
}
