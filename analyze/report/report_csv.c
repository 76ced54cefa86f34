#include "analyze/report/report_csv.h"

#include "analyze/bench_test.h"
#include "analyze/data_quality.h"
#include "analyze/report/json_quality.h"
#include "analyze/report/run_settings.h"
#include "analyze/report/text_format.h"
#include "analyze/run_quality.h"
#include "analyze/run_result.h"
#include "datasets/format/series_calibration.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* value, standard uncertainty, interval and whether the value is only a lower bound. */
static void put_quantity(FILE *out, const struct quantity *q, bool ok)
{
    bool present = ok && q->present, bounded = present && !q->at_least;
    fputc(',', out);
    text_csv_number(out, present ? q->value : NAN);
    fputc(',', out);
    text_csv_number(out, bounded ? q->standard_uncertainty : NAN);
    fputc(',', out);
    text_csv_number(out, bounded ? q->low_95 : NAN);
    fputc(',', out);
    text_csv_number(out, bounded ? q->high_95 : NAN);
    fprintf(out, ",%s", !present ? "" : q->at_least ? "true" : "false");
}

static void put_number(FILE *out, double value, bool ok)
{
    fputc(',', out);
    text_csv_number(out, ok ? value : NAN);
}

static void put_text(FILE *out, const char *text)
{
    fputc(',', out);
    text_csv(out, text);
}

static void put_flags(FILE *out, const struct run_result *run)
{
    char joined[PUSH_FLAGS_MAX * 164] = "";
    size_t used = 0;
    if (!run->analysed) {
        put_text(out, run->why_not != NULL ? run->why_not : "");
        return;
    }
    for (size_t i = 0; i < run->push.flags.count && used < sizeof joined; i++)
        used += (size_t)snprintf(joined + used, sizeof joined - used, "%s%s", i > 0 ? "; " : "",
                                 run_text(&run->push.flags, i));
    put_text(out, joined);
}

/* Keys of the quantities that runs of the tests other than pushes give, each a column and one for its
 * standard uncertainty. What the session holds beyond these follows them. */
static const char *const KEYS[] = {
    /* loaded-feed */
    "brake_load_n", "feed_force_n", "lost_share", "stall_force_n",
    /* reversal */
    "greatest_force_n", "lost_motion_mm", "lost_motion_drive_mm", "lost_motion_tube_mm", "hysteresis_mj",
    "force_ratio", "guide_tube_friction", "stiffness_n_per_mm",
    /* free-run */
    "eccentricity_um", "tooth_ripple_um", "motor_turn_ripple_um", "full_step_ripple_um", "runout_um",
    "effective_feed_ratio", "noise_n", "mains_50_n", "mains_60_n", "zero_drift_n_per_min", "false_alarm_um",
    /* melt-push */
    "force_n", "commanded_rate_mm3_s", "rate_mm3_s", "settling_mm"};
#define KEYS_FIXED (sizeof KEYS / sizeof KEYS[0])
#define KEYS_MAX   128

struct columns {
    const char *key[KEYS_MAX];
    size_t count;
};

static void find_columns(const struct session *session, struct columns *columns)
{
    columns->count = 0;
    for (size_t i = 0; i < KEYS_FIXED; i++)
        columns->key[columns->count++] = KEYS[i];
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        for (size_t k = 0; run->analysed && k < run->quantity_count; k++) {
            size_t j = 0;
            while (j < columns->count && strcmp(columns->key[j], run->quantities[k].key) != 0)
                j++;
            if (j == columns->count && columns->count < KEYS_MAX)
                columns->key[columns->count++] = run->quantities[k].key;
        }
    }
}

static void put_quantities(FILE *out, const struct run_result *run, const struct columns *columns)
{
    for (size_t j = 0; j < columns->count; j++) {
        const struct quantity *q = NULL;
        for (size_t k = 0; run->analysed && k < run->quantity_count; k++) {
            if (strcmp(columns->key[j], run->quantities[k].key) == 0)
                q = &run->quantities[k].q;
        }
        put_number(out, q != NULL && q->present ? q->value : NAN, true);
        put_number(out, q != NULL && q->present && !q->at_least ? q->standard_uncertainty : NAN, true);
    }
}

static void put_settings(FILE *out, const struct run_record *r)
{
    for (int i = 0; i < RUN_SETTINGS; i++) {
        double value;
        bool stated = run_settings_number(r, i, &value);
        put_number(out, stated ? value : NAN, true);
    }
    put_number(out, r->repeat, r->repeat > 0);
    fprintf(out, ",%s", r->repeat <= 0 ? "" : r->cleaned ? "true" : "false");
}

static void put_quality(FILE *out, const struct session *session, const struct run_result *run)
{
    const struct run_quality *rows = &run->quality;
    const struct series *series = session->series[run->series];
    bool ok = rows->present, mains = ok && rows->mains == RUN_MAINS_FOUND;
    struct data_quality quality[DATA_QUALITY_ASPECTS];
    data_quality_verdicts(run, series, quality);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        put_text(out, ok ? DATA_QUALITY_VERDICT_NAMES[quality[k].verdict] : "");
    put_number(out, json_quality_digits(rows->interval_us), ok);
    put_number(out, json_quality_digits(rows->jitter_us), ok);
    put_number(out, (double)run->record->link.samples_missing, ok && run->record->link_recorded);
    put_number(out, rows->over_range_rows, ok);
    put_number(out, json_quality_digits(rows->range_used), ok);
    put_number(out, rows->mains_hz, mains);
    put_number(out, json_quality_digits(rows->mains_n), mains);
    put_number(out, json_quality_digits(rows->mains_detectable_n), ok);
    put_number(out, json_quality_digits(run_quality_step_n(rows, run->record, &series->calibration)), ok);
}

/* Of the calibration that forces come from: its own hash tells a table of another one from that of the series
 * as it was recorded. */
static void put_calibration(FILE *out, const struct series *series)
{
    put_text(out, series->other != NULL ? series->other->hash : series->calibration_hash);
    fprintf(out, ",%s", series->other != NULL || series->calibration_replaced ? "true" : "false");
}

static void put_row(FILE *out, const struct session *session, const struct run_result *run,
                    const struct columns *columns)
{
    const struct run_record *r = run->record;
    const struct run_push *push = &run->push;
    bool ok = run->analysed && bench_test_is_push(r->test);
    fprintf(out, "%zu,%d", run->series + 1, r->number);
    put_text(out, session->feeders[run->feeder].name);
    put_text(out, PLAN_TEST_NAMES[r->test]);
    put_number(out, r->speed_mm_s, true);
    fprintf(out, ",%d,%d", r->block, r->order);
    put_text(out, r->start_time);
    put_text(out, RUN_END_NAMES[r->ended]);
    fprintf(out, ",%s,%s", r->simulated ? "true" : "false", run->analysed ? "true" : "false");
    put_text(out, ok ? LIMITED_NAMES[push->limited_by] : "");
    put_quantity(out, &push->stall_force_n, ok);
    put_quantity(out, &push->slip_onset_n, ok);
    put_number(out, push->creep_per_n.present ? push->creep_per_n.value : NAN, ok);
    put_number(out, push->creep_per_n.present ? push->creep_per_n.standard_uncertainty : NAN, ok);
    put_number(out, push->stiffness_n_per_mm.present ? push->stiffness_n_per_mm.value : NAN, ok);
    put_number(out, push->stiffness_n_per_mm.present ? push->stiffness_n_per_mm.standard_uncertainty : NAN,
               ok);
    put_number(out, push->drop_period_mm.present ? push->drop_period_mm.value : NAN, ok);
    put_number(out, (double)push->event_count, ok);
    put_number(out, push->greatest_force_n, ok);
    put_number(out, push->zero_drift_n, run->analysed);
    put_number(out, push->noise_n, run->analysed);
    put_number(out, push->probability[0], ok);
    put_number(out, push->probability[1], ok);
    put_number(out, push->probability[2], ok);
    put_flags(out, run);
    put_settings(out, r);
    put_number(out, run->fed_mm, run->analysed);
    put_quantities(out, run, columns);
    put_quality(out, session, run);
    put_calibration(out, session->series[run->series]);
    fputs("\r\n", out);
}

void report_csv_write(const struct session *session, FILE *out)
{
    struct columns columns;
    find_columns(session, &columns);
    /* Flags hold characters such as the plus-minus sign. Some spreadsheets read a file without this mark in
     * the code page of the machine, and show something else, without a word. */
    fputs("\xEF\xBB\xBF", out);
    fputs("series,run,feeder,test,speed_mm_s,block,order,start_time,ended,simulated,analysed,limited_by,"
          "stall_force_n,stall_force_standard_uncertainty_n,stall_force_low_95_n,stall_force_high_95_n,stall_"
          "force_censored,"
          "slip_onset_n,slip_onset_standard_uncertainty_n,slip_onset_low_95_n,slip_onset_high_95_n,slip_"
          "onset_censored,"
          "creep_per_n,creep_standard_uncertainty_per_n,stiffness_n_per_mm,stiffness_standard_uncertainty_n_"
          "per_mm,"
          "drop_period_mm,drops,greatest_force_n,zero_drift_n,noise_n,"
          "probability_motor,probability_grip,probability_neither,flags",
          out);
    for (int i = 0; i < RUN_SETTINGS; i++)
        fprintf(out, ",%s", RUN_SETTING_KINDS[i].key);
    fputs(",repeat,cleaned,fed_mm", out);
    /* Some of these keys are columns of pushes as well: prefixed, no name is there twice. */
    for (size_t i = 0; i < columns.count; i++)
        fprintf(out, ",run_%s,run_%s_standard_uncertainty", columns.key[i], columns.key[i]);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        fprintf(out, ",quality_%s", DATA_QUALITY_KINDS[k].key);
    fputs(",sample_interval_us,sample_jitter_us,samples_missing,over_range_rows,range_used,mains_hz,mains_n,"
          "mains_detectable_n,resolution_n,calibration,other_calibration\r\n",
          out);
    for (size_t i = 0; i < session->run_count; i++)
        put_row(out, session, &session->runs[i], &columns);
}
