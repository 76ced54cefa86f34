#include "analyze/report/json_quality.h"

#include "analyze/run_quality.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

double json_quality_digits(double value)
{
    char text[32];
    snprintf(text, sizeof text, "%.6g", value);
    return isfinite(value) ? strtod(text, NULL) : NAN;
}

static void put(struct json_build *b, json_t *object, const char *key, double value)
{
    json_build_set(b, object, key, json_build_number(json_quality_digits(value)));
}

static json_t *aspect_object(struct json_build *b, const struct data_quality *q)
{
    json_t *object = json_object();
    json_build_set(b, object, "verdict", json_string(DATA_QUALITY_VERDICT_NAMES[q->verdict]));
    json_build_set(b, object, "text", json_build_text(q->text));
    put(b, object, "disturbance_n", q->value_n);
    put(b, object, "share_of_variance", q->share);
    return object;
}

json_t *json_quality_run(struct json_build *b, const struct session *session, const struct run_result *run)
{
    const struct run_quality *rows = &run->quality;
    const struct run_record *r = run->record;
    const struct series *series = session->series[run->series];
    struct data_quality quality[DATA_QUALITY_ASPECTS];
    bool mains = rows->mains == RUN_MAINS_FOUND, drift = rows->zero_seen_after;
    json_t *object, *aspect[DATA_QUALITY_ASPECTS];
    if (!rows->present)
        return json_null();
    data_quality_of_run(run, series, quality);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        aspect[k] = aspect_object(b, &quality[k]);
    put(b, aspect[DATA_QUALITY_JITTER], "interval_us", rows->interval_us);
    put(b, aspect[DATA_QUALITY_JITTER], "jitter_us", rows->jitter_us);
    json_build_set(b, aspect[DATA_QUALITY_GAPS], "places", json_integer(r->gaps));
    json_build_set(b, aspect[DATA_QUALITY_GAPS], "samples_missing",
                   r->link_recorded ? json_integer(r->link.samples_missing) : json_null());
    json_build_set(b, aspect[DATA_QUALITY_SATURATION], "rows", json_integer(rows->over_range_rows));
    json_build_set(b, aspect[DATA_QUALITY_SATURATION], "rows_in_motion",
                   json_integer(rows->over_range_in_motion));
    put(b, aspect[DATA_QUALITY_SATURATION], "range_used", rows->range_used);
    json_build_set(b, aspect[DATA_QUALITY_MAINS], "frequency_hz",
                   mains ? json_integer(rows->mains_hz) : json_null());
    put(b, aspect[DATA_QUALITY_MAINS], "amplitude_n", mains ? rows->mains_n : NAN);
    put(b, aspect[DATA_QUALITY_MAINS], "standard_uncertainty_n",
        mains ? rows->mains_standard_uncertainty_n : NAN);
    put(b, aspect[DATA_QUALITY_MAINS], "detectable_n", rows->mains_detectable_n);
    put(b, aspect[DATA_QUALITY_DRIFT], "drift_n", drift ? run->push.zero_drift_n : NAN);
    put(b, aspect[DATA_QUALITY_DRIFT], "limit_n", series->plan.zero_drift_limit_n);
    put(b, aspect[DATA_QUALITY_RESOLUTION], "step_n", run_quality_step_n(rows, r, &series->calibration));
    object = json_object();
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        json_build_set(b, object, DATA_QUALITY_KINDS[k].key, aspect[k]);
    return object;
}

json_t *json_quality_sum(struct json_build *b, const struct session *session,
                         const struct data_quality_sum *sum)
{
    json_t *object;
    if (sum->runs == 0)
        return json_null();
    object = json_object();
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
        const struct run_result *worst = &session->runs[sum->worst[k]];
        enum data_quality_verdict verdict = data_quality_worst(sum, (enum data_quality_aspect)k);
        json_t *aspect = json_object(), *runs = json_object();
        for (int v = 0; v < DATA_QUALITY_VERDICTS; v++)
            json_build_set(b, runs, DATA_QUALITY_VERDICT_NAMES[v], json_build_count(sum->count[k][v]));
        json_build_set(b, aspect, "verdict", json_string(DATA_QUALITY_VERDICT_NAMES[verdict]));
        json_build_set(b, aspect, "runs", runs);
        json_build_set(b, aspect, "worst_series", json_build_count(worst->series + 1));
        json_build_set(b, aspect, "worst_run", json_integer(worst->record->number));
        json_build_set(b, object, DATA_QUALITY_KINDS[k].key, aspect);
    }
    return object;
}
