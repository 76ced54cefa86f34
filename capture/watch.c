#include "capture/watch.h"

#include "capture/rig_client.h"
#include "capture/rig_open.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SILENCE_US      1000000    /* outside world without a sample after which the rig counts as gone */
#define SILENCE_SAMPLES 20         /* sample periods, if that is longer */
#define FLAGS_US        100000     /* rig time for which a flag stays to be seen */
#define NOT_TOLD        "watching" /* as a feeder, for a rig that asks */

struct watch {
    const struct watch_request *request;
    struct link *link;
    struct rig_client *client;
    struct wire_identity rig;
    struct watch_sums *sums;
    double rate_hz;
    double mm_per_step;  /* of the feeder; NAN when it was not measured */
    double mm_per_count; /* of the encoder, by the calibration, else as the rig says; NAN without one */
    bool sampling;       /* the rig was told to */
    bool zeroed;
    double zero_counts;
    bool have_origin; /* of the slip */
    int32_t origin_steps, origin_encoder;
    int64_t frames_missing; /* before the latest pause */
    int64_t heard_us;       /* outside-world time at which samples last came */
    int64_t flag_us[8];     /* rig time at which each flag was last set */
    unsigned flags_ever;
    struct err failure;
};

static const struct calibration *calibration_of(const struct watch *w)
{
    return w->request->calibration;
}

static void fail(struct watch *w, const char *text)
{
    if (w->failure.code == ERR_OK)
        err_set_at(&w->failure, ERR_DEVICE, rig_client_name(w->client), 0, 0, "%s", text);
}

static void take_samples(struct watch *w, const struct raw_sample *samples, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        unsigned flags = samples[i].flags;
        watch_sums_feed(w->sums, &samples[i], 1);
        /* A converter at an end of its range shows it, whether the rig says so or not. */
        if (samples[i].force_counts <= w->rig.counts_min || samples[i].force_counts >= w->rig.counts_max)
            flags |= WIRE_FLAG_OVER_RANGE;
        w->flags_ever |= flags;
        for (unsigned bit = 0; bit < 8; bit++) {
            if ((flags >> bit & 1u) != 0)
                w->flag_us[bit] = watch_sums_last(w->sums)->time_us;
        }
    }
    if (!w->have_origin && count > 0) {
        w->have_origin = true;
        w->origin_steps = samples[0].commanded_steps;
        w->origin_encoder = samples[0].encoder_counts;
    }
}

static void take_report(void *context, const struct rig_report *report)
{
    struct watch *w = context;
    switch (report->kind) {
    case RIG_REPORT_SAMPLES:
        w->heard_us = link_now_us();
        if (w->sampling)
            take_samples(w, report->samples, report->sample_count);
        break;
    case RIG_REPORT_EVENT:
        if (report->event.kind == WIRE_EVENT_WATCHDOG && w->sampling)
            fail(w, "the rig's watchdog: it did not hear this program in time");
        break;
    case RIG_REPORT_RESTART:
        fail(w, "the rig restarted");
        break;
    default:
        break;
    }
}

static enum err_code configure(struct watch *w, double rate_hz, struct err *e)
{
    struct wire_configure m = {.sample_rate_millihertz = (uint32_t)llround(rate_hz * 1000)};
    snprintf(m.feeder, sizeof m.feeder, "%s", w->request->feeder != NULL ? w->request->feeder : NOT_TOLD);
    return rig_client_configure(w->client, &m, e);
}

static enum err_code start_sampling(struct watch *w, struct err *e)
{
    /* A host before us may have died with the rig armed. */
    enum err_code code = rig_client_cut(w->client, e);
    if (code != ERR_OK)
        return code;
    rig_client_keep_alive(w->client, true);
    rig_client_reset_counts(w->client);
    w->heard_us = link_now_us();
    w->sampling = true;
    return configure(w, w->rate_hz, e);
}

static enum err_code check_rig(struct watch *w, struct err *e)
{
    const struct calibration *c = calibration_of(w);
    double most_hz = w->rig.sample_rate_max_millihertz / 1000.0;
    if (c != NULL && c->rig_serial[0] != 0 && strcmp(c->rig_serial, w->rig.serial) != 0)
        return err_set(e, ERR_DEVICE, "this calibration is of rig %s, but the rig at %s is %s", c->rig_serial,
                       w->request->port, w->rig.serial);
    if (w->request->rate_hz > most_hz)
        return err_set(e, ERR_USAGE, "--rate %g is too much for this rig; it samples up to %g times a second",
                       w->request->rate_hz, most_hz);
    w->rate_hz = w->request->rate_hz > 0 ? w->request->rate_hz : fmin(WATCH_RATE_HZ, most_hz);
    if (!(w->rate_hz > 0))
        return err_set_at(e, ERR_DEVICE, w->request->port, 0, 0, "the rig has no sample rate");
    return ERR_OK;
}

static void find_scales(struct watch *w)
{
    const struct calibration *c = calibration_of(w);
    w->mm_per_step = w->mm_per_count = NAN;
    if (c != NULL && w->request->feeder != NULL) {
        for (size_t i = 0; i < c->feed_count; i++) {
            if (strcmp(c->feeds[i].feeder, w->request->feeder) == 0)
                w->mm_per_step = c->feeds[i].mm_per_microstep;
        }
    }
    if ((w->rig.channels & WIRE_CHANNEL_ENCODER) == 0)
        return;
    if (c != NULL && c->encoder_mm_per_count > 0)
        w->mm_per_count = c->encoder_mm_per_count;
    else if (w->rig.encoder_nm_per_count > 0)
        w->mm_per_count = w->rig.encoder_nm_per_count * 1e-6;
}

static enum err_code open_rig(struct watch *w, struct err *e)
{
    enum err_code code;
    if ((code = rig_open(w->request->port, w->request->baud, w->request->way, &w->link, e)) != ERR_OK ||
        (code = rig_client_new(w->link, &w->client, e)) != ERR_OK ||
        (code = rig_client_identify(w->client, &w->rig, e)) != ERR_OK || (code = check_rig(w, e)) != ERR_OK ||
        (code = watch_sums_new(w->rate_hz, &w->sums, e)) != ERR_OK)
        return code;
    find_scales(w);
    rig_client_set_handler(w->client, take_report, w);
    return start_sampling(w, e);
}

enum err_code watch_open(const struct watch_request *request, struct watch **watch, struct err *e)
{
    struct watch *w = calloc(1, sizeof *w);
    enum err_code code;
    *watch = NULL;
    if (w == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    w->request = request;
    code = open_rig(w, e);
    if (code != ERR_OK) {
        w->sampling = false; /* whatever it understood, there is nobody to talk to */
        watch_close(w);
        return code;
    }
    *watch = w;
    return ERR_OK;
}

void watch_pause(struct watch *w)
{
    if (!w->sampling || w->failure.code != ERR_OK)
        return;
    w->sampling = false;
    configure(w, 0, NULL);
    rig_client_keep_alive(w->client, false);
}

void watch_close(struct watch *w)
{
    if (w == NULL)
        return;
    watch_pause(w);
    rig_client_free(w->client);
    link_close(w->link);
    watch_sums_free(w->sums);
    free(w);
}

enum err_code watch_resume(struct watch *w, struct err *e)
{
    struct wire_identity rig;
    int64_t silent_us = link_now_us() - w->heard_us;
    struct rig_counts counts = rig_client_counts(w->client);
    enum err_code code;
    w->sampling = false;
    w->failure.code = ERR_OK;
    w->frames_missing += counts.frames_missing - counts.frames_late;
    code = rig_client_identify(w->client, &rig, e);
    if (code != ERR_OK)
        return code;
    if (rig.boot != w->rig.boot)
        return err_set_at(e, ERR_DEVICE, rig_client_name(w->client), 0, 0, "the rig restarted");
    watch_sums_resume(w->sums, (int64_t)((double)silent_us * rig_client_time_scale(w->client)));
    return start_sampling(w, e);
}

enum err_code watch_pump(struct watch *w, int64_t timeout_us, struct err *e)
{
    int64_t silence_us = rig_client_outside_us(w->client, (int64_t)(SILENCE_SAMPLES * 1e6 / w->rate_hz));
    if (silence_us < SILENCE_US)
        silence_us = SILENCE_US;
    if (w->failure.code == ERR_OK)
        rig_client_pump(w->client, timeout_us, &w->failure);
    if (link_now_us() - w->heard_us > silence_us)
        fail(w, "the rig has stopped sending samples");
    if (w->failure.code != ERR_OK)
        *e = w->failure;
    return w->failure.code;
}

bool watch_has_sample(const struct watch *w)
{
    return watch_sums_last(w->sums) != NULL && !isnan(watch_sums_mean_counts(w->sums, WATCH_SUMS_WINDOW_US));
}

void watch_zero(struct watch *w)
{
    const struct raw_sample *last = watch_sums_last(w->sums);
    double mean_counts = watch_sums_mean_counts(w->sums, WATCH_SUMS_WINDOW_US);
    if (last == NULL || isnan(mean_counts))
        return;
    w->zeroed = true;
    w->zero_counts = mean_counts;
    w->origin_steps = last->commanded_steps;
    w->origin_encoder = last->encoder_counts;
}

/* Force above the last zero in the unit of the readings. */
static double force_of(const struct watch *w, double counts)
{
    const struct calibration *c = calibration_of(w);
    if (c == NULL)
        return counts - w->zero_counts;
    return calibration_force_n(c, counts, w->zeroed ? w->zero_counts : c->coefficients[0]);
}

/* A difference of counts about a reading, in the unit of the readings. */
static double difference_of(const struct watch *w, double about_counts, double counts)
{
    if (calibration_of(w) == NULL)
        return counts;
    return fabs(force_of(w, about_counts + counts / 2) - force_of(w, about_counts - counts / 2));
}

static void read_force(const struct watch *w, int64_t span_us, struct watch_reading *r)
{
    const struct calibration *c = calibration_of(w);
    double mean_counts = watch_sums_mean_counts(w->sums, span_us);
    struct watch_pickup pickup = watch_sums_pickup(w->sums);
    r->in_newtons = c != NULL;
    r->force = force_of(w, mean_counts);
    r->noise = difference_of(w, mean_counts, watch_sums_sd_counts(w->sums));
    r->pickup_state = pickup.state;
    r->pickup_hz = pickup.frequency_hz;
    r->pickup = difference_of(w, mean_counts, pickup.amplitude_counts);
    r->pickup_detectable = difference_of(w, mean_counts, pickup.detectable_counts);
    for (int i = 0; i < WATCH_SUMS_MAINS_COUNT; i++)
        r->pickup_can_be_seen[i] = pickup.can_be_seen[i];
    if (c == NULL) {
        r->zero = w->zero_counts;
        r->range_low = w->rig.counts_min;
        r->range_high = w->rig.counts_max;
        r->range_at = mean_counts;
    } else {
        r->zero = w->zeroed ? calibration_force_n(c, w->zero_counts, c->coefficients[0]) : 0;
        r->range_low = c->load_low_n;
        r->range_high = c->load_high_n;
        r->range_at = calibration_force_n(c, mean_counts, c->coefficients[0]);
    }
}

static void read_feed(const struct watch *w, const struct raw_sample *last, struct watch_reading *r)
{
    r->commanded_steps = last->commanded_steps;
    r->commanded_mm = last->commanded_steps * w->mm_per_step;
    r->speed_steps_s = watch_sums_speed_steps_s(w->sums);
    r->speed_mm_s = r->speed_steps_s * w->mm_per_step;
    r->has_encoder = (w->rig.channels & WIRE_CHANNEL_ENCODER) != 0;
    r->encoder_counts = last->encoder_counts;
    r->encoder_mm = r->has_encoder ? last->encoder_counts * w->mm_per_count : NAN;
    r->slip_mm = NAN;
    if (!r->has_encoder)
        r->slip_state = WATCH_SLIP_NO_ENCODER;
    else if (calibration_of(w) == NULL || !(calibration_of(w)->encoder_mm_per_count > 0))
        r->slip_state = WATCH_SLIP_NO_CALIBRATION;
    else if (isnan(w->mm_per_step))
        r->slip_state = WATCH_SLIP_NO_FEED;
    else
        r->slip_mm = ((double)last->commanded_steps - w->origin_steps) * w->mm_per_step -
                     ((double)last->encoder_counts - w->origin_encoder) * w->mm_per_count;
}

void watch_read(const struct watch *w, int64_t span_us, struct watch_reading *r)
{
    const struct raw_sample *last = watch_sums_last(w->sums);
    struct rig_counts counts = rig_client_counts(w->client);
    *r = (struct watch_reading){.port = w->request->port,
                                .rig = w->rig.serial,
                                .feeder = w->request->feeder != NULL ? w->request->feeder : ""};
    r->time_s = (double)watch_sums_elapsed_us(w->sums) * 1e-6;
    read_force(w, span_us, r);
    read_feed(w, last, r);
    r->rate_hz = watch_sums_rate_hz(w->sums);
    r->frames_missing = w->frames_missing + counts.frames_missing - counts.frames_late;
    for (unsigned bit = 0; bit < 8; bit++) {
        if ((w->flags_ever >> bit & 1u) != 0 && last->time_us - w->flag_us[bit] < FLAGS_US)
            r->flags |= 1u << bit;
    }
}

size_t watch_history(const struct watch *w, size_t columns, double *forces)
{
    size_t count = watch_sums_history(w->sums, columns, forces);
    for (size_t i = 0; i < count; i++)
        forces[i] = force_of(w, forces[i]);
    return count;
}
