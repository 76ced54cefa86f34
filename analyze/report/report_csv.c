#include "analyze/report/report_csv.h"

#include "analyze/report/text_format.h"

#include <math.h>

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
        put_text(out, run->why_not);
        return;
    }
    for (size_t i = 0; i < run->push.flag_count && used < sizeof joined; i++)
        used += (size_t)snprintf(joined + used, sizeof joined - used, "%s%s", i > 0 ? "; " : "",
                                 run->push.flags[i]);
    put_text(out, joined);
}

static void put_row(FILE *out, const struct session *session, const struct run_result *run)
{
    const struct run_record *r = run->record;
    const struct push_result *push = &run->push;
    bool ok = run->analysed;
    fprintf(out, "%zu,%d", run->series + 1, r->number);
    put_text(out, session->feeders[run->feeder].name);
    put_text(out, PLAN_TEST_NAMES[r->test]);
    put_number(out, r->speed_mm_s, true);
    fprintf(out, ",%d,%d", r->block, r->order);
    put_text(out, r->start_time);
    put_text(out, RUN_END_NAMES[r->ended]);
    fprintf(out, ",%s,%s", r->simulated ? "true" : "false", ok ? "true" : "false");
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
    put_number(out, push->zero_drift_n, ok);
    put_number(out, push->noise_n, ok);
    put_number(out, push->probability[0], ok);
    put_number(out, push->probability[1], ok);
    put_number(out, push->probability[2], ok);
    put_flags(out, run);
    fputs("\r\n", out);
}

void report_csv_write(const struct session *session, FILE *out)
{
    fputs("series,run,feeder,test,speed_mm_s,block,order,start_time,ended,simulated,analysed,limited_by,"
          "stall_force_n,stall_force_standard_uncertainty_n,stall_force_low_95_n,stall_force_high_95_n,stall_"
          "force_censored,"
          "slip_onset_n,slip_onset_standard_uncertainty_n,slip_onset_low_95_n,slip_onset_high_95_n,slip_"
          "onset_censored,"
          "creep_per_n,creep_standard_uncertainty_per_n,stiffness_n_per_mm,stiffness_standard_uncertainty_n_"
          "per_mm,"
          "drop_period_mm,drops,greatest_force_n,zero_drift_n,noise_n,"
          "probability_motor,probability_grip,probability_neither,flags\r\n",
          out);
    for (size_t i = 0; i < session->run_count; i++)
        put_row(out, session, &session->runs[i]);
}
