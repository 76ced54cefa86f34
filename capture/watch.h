/* Watching a rig: a connection that samples and moves nothing, and what it shows at any moment. The rig is
 * never armed; one that a host before us has left armed is cut. */
#ifndef CAPTURE_WATCH_H
#define CAPTURE_WATCH_H

#include "capture/link.h"
#include "capture/watch_sums.h"
#include "datasets/format/calibration.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WATCH_RATE_HZ 1000.0 /* when no rate is asked for and the rig can do as many */

struct watch_request {
    const char *port;
    int baud;
    enum link_way way;
    const char *feeder;                    /* what is mounted; NULL: not told */
    const struct calibration *calibration; /* NULL: counts */
    double rate_hz;                        /* 0: the least of WATCH_RATE_HZ and what the rig can do */
};

/* Why there is no slip. */
enum watch_slip { WATCH_SLIP_KNOWN, WATCH_SLIP_NO_ENCODER, WATCH_SLIP_NO_CALIBRATION, WATCH_SLIP_NO_FEED };

/* What is there to be shown. Forces are in newtons when in_newtons, else in counts. NAN: not known (yet). */
struct watch_reading {
    const char *port, *rig, *feeder; /* feeder "" when not told */
    double time_s;                   /* rig time since watching began */
    bool in_newtons;
    double force; /* mean over the span asked for, above the last zero */
    double zero;  /* what the last zero took off; 0 before */
    double noise; /* standard deviation over the last second */
    enum watch_pickup_state pickup_state;
    double pickup, pickup_hz, pickup_detectable; /* see struct watch_pickup */
    bool pickup_can_be_seen[WATCH_SUMS_MAINS_COUNT];
    double range_low, range_high; /* of the converter, or of the calibration */
    double range_at;              /* the force within it, whatever zero was taken */
    int32_t commanded_steps;
    double commanded_mm, speed_steps_s, speed_mm_s; /* in mm only with a measured feed of the feeder */
    bool has_encoder;
    int32_t encoder_counts;
    double encoder_mm;
    enum watch_slip slip_state;
    double slip_mm; /* commanded minus measured feed since the last zero, or since watching began */
    double rate_hz;
    int64_t frames_missing; /* since watching began, late ones taken off */
    unsigned flags;         /* enum wire_flag of the last tenth of a second */
};

struct watch;

/* request stays the caller's and must outlive the watch. ERR_DEVICE and ERR_BYTES as the rig client, also
 * when the calibration is of another rig; ERR_USAGE for a rate that the rig cannot do. */
enum err_code watch_open(const struct watch_request *request, struct watch **watch, struct err *e);

/* Leave the rig quiet, if it is still there. NULL is fine. */
void watch_close(struct watch *w);

/* Take in what the rig sends within timeout_us, or less. ERR_DEVICE when it is gone, has restarted, or sends
 * no more samples. */
enum err_code watch_pump(struct watch *w, int64_t timeout_us, struct err *e);

/* Before this program is stopped for a while: tell the rig to send nothing. After it, and after any other
 * time in which the rig heard nothing from us: begin to sample again. */
void watch_pause(struct watch *w);
enum err_code watch_resume(struct watch *w, struct err *e);

/* Whether there is a sample to be shown. */
bool watch_has_sample(const struct watch *w);

/* Count force and slip from now on. The force of the last second, or of what there is of it, is the zero. */
void watch_zero(struct watch *w);

/* What there is to show, the force being the mean of the last span_us. Only when there is a sample. */
void watch_read(const struct watch *w, int64_t span_us, struct watch_reading *r);

/* The last minute in at most columns steps (see watch_sums_history), in the unit and above the zero of the
 * readings. Returns how many. */
size_t watch_history(const struct watch *w, size_t columns, double *forces);

#endif
