#include "rig/simulator/rig_log.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HEADER "rig_us,outside_us,sequence,force_counts,commanded_steps,encoder_counts,flags\n"

struct rig_log {
    const char *log_path;
    const char *samples_path;
    int log;       /* -1: not kept */
    FILE *samples; /* NULL: not kept */
    int64_t time_us[2];
    int64_t outside_us[2];
    int64_t told_us;    /* latest time outside in the log */
    int64_t sampled_us; /* and of a sample */
    struct err failure; /* the first; code ERR_OK: none */
};

static void fail(struct rig_log *log, const char *path)
{
    if (log->failure.code == ERR_OK)
        err_set_at(&log->failure, ERR_SYSTEM, path, 0, 0, "cannot be written: %s", strerror(errno));
}

enum err_code rig_log_open(const char *log_path, const char *samples_path, struct rig_log **log,
                           struct err *e)
{
    struct rig_log *l = calloc(1, sizeof *l);
    if (l == NULL)
        return err_set(e, ERR_MEMORY, "no memory for the log");
    l->log_path = log_path;
    l->samples_path = samples_path;
    l->log = -1;
    if (log_path != NULL) {
        l->log = open(log_path, O_WRONLY | O_CREAT | O_TRUNC | O_APPEND | O_CLOEXEC, 0666);
        if (l->log < 0)
            fail(l, log_path);
    }
    if (samples_path != NULL) {
        l->samples = fopen(samples_path, "we");
        if (l->samples == NULL || fputs(HEADER, l->samples) < 0 || fflush(l->samples) != 0)
            fail(l, samples_path);
    }
    if (l->failure.code != ERR_OK)
        return rig_log_close(l, e);
    *log = l;
    return ERR_OK;
}

enum err_code rig_log_close(struct rig_log *log, struct err *e)
{
    if (log == NULL)
        return ERR_OK;
    if (log->log >= 0 && close(log->log) != 0)
        fail(log, log->log_path);
    if (log->samples != NULL && fclose(log->samples) != 0)
        fail(log, log->samples_path);
    const struct err failure = log->failure;
    free(log);
    if (failure.code != ERR_OK)
        *e = failure;
    return failure.code;
}

void rig_log_look(struct rig_log *log, const int64_t time_us[2], const int64_t outside_us[2])
{
    memcpy(log->time_us, time_us, sizeof log->time_us);
    memcpy(log->outside_us, outside_us, sizeof log->outside_us);
}

static int64_t outside_of(const struct rig_log *log, int64_t time_us, int64_t *latest_us)
{
    const int64_t span_us = log->time_us[1] - log->time_us[0];
    int64_t outside_us = log->outside_us[1];
    if (span_us > 0 && time_us < log->time_us[1]) {
        const double part = (double)(time_us - log->time_us[0]) / (double)span_us;
        outside_us = log->outside_us[0] + (int64_t)(part * (double)(log->outside_us[1] - log->outside_us[0]));
    }
    if (outside_us > *latest_us)
        *latest_us = outside_us;
    return *latest_us;
}

/* ---- what happened ---- */

static const char *const WHAT[] = {[RIG_POWER_ON] = "power-on",
                                   [RIG_CONFIGURED] = "configured",
                                   [RIG_SAMPLING_ENDED] = "sampling-ended",
                                   [RIG_ARMED] = "armed",
                                   [RIG_MOVE] = "move",
                                   [RIG_STOP] = "stop",
                                   [RIG_STANDING] = "standing",
                                   [RIG_CUT] = "cut",
                                   [RIG_FAULT] = "fault"};

static json_t *begin_line(struct rig_log *log, int64_t time_us, int64_t rig_us, const char *what)
{
    return json_pack("{s:I,s:I,s:s}", "rig_us", (json_int_t)rig_us, "outside_us",
                     (json_int_t)outside_of(log, time_us, &log->told_us), "what", what);
}

/* Adds what pack has made to the line and takes it over; false when there was no memory. */
static bool add(json_t *line, json_t *more)
{
    const bool added = line != NULL && more != NULL && json_object_update(line, more) == 0;
    json_decref(more);
    return added;
}

static bool add_turned(json_t *line, const struct rig_happening *h)
{
    json_t *const turned = h->turned_us == RIG_NEVER_US ? json_null() : json_integer(h->turned_us);
    return json_object_set_new(line, "turned_us", turned) == 0;
}

static bool add_fault(json_t *line, const struct rig_happening *h)
{
    bool added = add(line, json_pack("{s:s}", "fault", h->word));
    if (h->phase != RIG_PHASE_NONE)
        return added &&
               add(line, json_pack("{s:s,s:i}", "phase", h->phase == RIG_PHASE_BEGINS ? "begins" : "ends",
                                   "next_sequence", (int)h->sequence));
    if (h->has_sequence)
        added = added &&
                add(line, json_pack("{s:i}", h->host_frame ? "host_sequence" : "sequence", (int)h->sequence));
    if (h->host_frame)
        added = added && add(line, json_pack("{s:i}", "type", (int)h->type));
    if (h->noise_bytes > 0)
        added = added && add(line, json_pack("{s:i}", "bytes", (int)h->noise_bytes));
    return added && add(line, json_pack("{s:i}", "arrived", (int)h->arrived));
}

static bool add_details(json_t *line, const struct rig_happening *h)
{
    switch (h->kind) {
    case RIG_POWER_ON:
        return add(line, json_pack("{s:I}", "boot", (json_int_t)h->boot));
    case RIG_CONFIGURED:
        return add(line, json_pack("{s:s,s:f,s:i}", "feeder", h->feeder, "rate_hz",
                                   h->sample_rate_millihertz * 1e-3, "sequence", (int)h->sequence));
    case RIG_SAMPLING_ENDED:
        return add(line, json_pack("{s:s}", "why", h->word));
    case RIG_ARMED:
        return add(line, json_pack("{s:i,s:i,s:I,s:I,s:i}", "force_limit_low_counts",
                                   (int)h->limits.force_limit_low_counts, "force_limit_high_counts",
                                   (int)h->limits.force_limit_high_counts, "travel_limit_microsteps",
                                   (json_int_t)h->limits.travel_limit_microsteps, "time_limit_ms",
                                   (json_int_t)h->limits.time_limit_ms, "sequence", (int)h->sequence));
    case RIG_MOVE:
        return add(line,
                   json_pack("{s:f,s:I,s:I,s:i,s:i}", "speed_steps_s", h->move.speed_millisteps_s * 1e-3,
                             "acceleration_steps_s2", (json_int_t)h->move.acceleration_steps_s2,
                             "travel_microsteps", (json_int_t)h->move.travel_microsteps, "commanded_steps",
                             (int)h->commanded_steps, "sequence", (int)h->sequence));
    case RIG_STOP:
        return add(line, json_pack("{s:i,s:i}", "commanded_steps", (int)h->commanded_steps, "sequence",
                                   (int)h->sequence));
    case RIG_STANDING:
        return add(line,
                   json_pack("{s:s,s:i}", "why", h->word, "commanded_steps", (int)h->commanded_steps)) &&
               add_turned(line, h);
    case RIG_CUT:
        return add(line, json_pack("{s:s,s:b,s:b,s:i}", "why", h->word, "armed", (int)h->was_armed, "moving",
                                   (int)h->was_moving, "commanded_steps", (int)h->commanded_steps)) &&
               add_turned(line, h);
    case RIG_FAULT:
        return add_fault(line, h);
    }
    return false;
}

/* One write for the whole line, so that a reader never sees a part of it. Takes line over. */
static void write_line(struct rig_log *log, json_t *line, bool complete)
{
    char *const text = complete ? json_dumps(line, JSON_COMPACT | JSON_REAL_PRECISION(12)) : NULL;
    json_decref(line);
    if (text == NULL) {
        errno = ENOMEM;
        fail(log, log->log_path);
        return;
    }
    const size_t length = strlen(text);
    text[length] = '\n'; /* in place of the terminator */
    ssize_t written;
    do
        written = write(log->log, text, length + 1);
    while (written < 0 && errno == EINTR);
    if (written >= 0 && (size_t)written != length + 1)
        errno = ENOSPC;
    if (written != (ssize_t)(length + 1))
        fail(log, log->log_path);
    free(text);
}

void rig_log_happened(struct rig_log *log, const struct rig_happening *h)
{
    if (log->log < 0)
        return;
    json_t *const line = begin_line(log, h->time_us, h->rig_us, WHAT[h->kind]);
    write_line(log, line, line != NULL && add_details(line, h));
}

void rig_log_port(struct rig_log *log, int64_t time_us, int64_t rig_us, const char *path)
{
    if (log->log < 0)
        return;
    json_t *const line = begin_line(log, time_us, rig_us, "port");
    write_line(log, line, add(line, json_pack("{s:s}", "path", path)));
}

/* ---- samples ---- */

void rig_log_sampled(struct rig_log *log, const struct rig_samples *s)
{
    char sequence[8] = "";
    if (log->samples == NULL)
        return;
    if (s->framed)
        snprintf(sequence, sizeof sequence, "%" PRIu16, s->sequence);
    for (size_t i = 0; i < s->count; i++) {
        const struct wire_sample *const one = &s->samples[i];
        const int64_t after_us = (uint32_t)(one->time_us - s->samples[0].time_us);
        fprintf(log->samples, "%" PRId64 ",%" PRId64 ",%s,%" PRId32 ",%" PRId32 ",%" PRId32 ",%u\n",
                s->rig_us + after_us, outside_of(log, s->time_us + after_us, &log->sampled_us), sequence,
                one->force_counts, one->commanded_steps, one->encoder_counts, (unsigned)one->flags);
    }
    if (ferror(log->samples) || fflush(log->samples) != 0)
        fail(log, log->samples_path);
}
