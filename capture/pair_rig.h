/* A rig made of two separate instruments: on one side it speaks the rig protocol (rig/wire/README.md) to our
 * own client, on the other the languages of a force gauge and of a motion controller. A machine of bytes and
 * time: no port, no clock and no thread of its own.
 *
 * Its clock is the computer's (time scale 1). There is a sample for each reading of the gauge, at the time
 * when its last byte arrived less the gauge's latency; force counts are steps of the gauge's resolution. A
 * microstep is one of the controller's own (bench file: microsteps_per_mm), so that commanded steps mean what
 * they mean on any rig. They are worked out from what the controller was told, begun when the first line was
 * written and the measured latency had passed.
 *
 * What it cannot do, it does not pretend. There are no coils to take off: a cut stops feeding at once and
 * sends the stop word and the word that releases the motor, where the controller has them; what the
 * controller has in its hands by then, it may still carry out where it has no stop word. There is no encoder.
 * A new move while one is under way is refused. Motion is handed out only for GCODE_AHEAD_S in advance,
 * without a stop word for GCODE_AHEAD_SHORT_S, and never past 500 ms after the host was last heard, so that
 * the feed stands by then whatever happens to this program. */
#ifndef CAPTURE_PAIR_RIG_H
#define CAPTURE_PAIR_RIG_H

#include "capture/bench_file.h"
#include "capture/force_text.h"
#include "datasets/format/run_record.h"

#include <stdint.h>

#define PAIR_WATCHDOG_US 500000

/* Where things go. A line for an instrument comes without its end. */
struct pair_ends {
    void *context;
    void (*to_host)(void *context, const uint8_t *bytes, size_t length);
    void (*to_force)(void *context, const char *line);
    void (*to_feed)(void *context, const char *line);
};

struct pair_setup {
    const struct bench_file *bench; /* outlives the rig */
    struct run_separate separate;   /* as measured at the start */
    uint32_t rate_millihertz;       /* of the gauge, as measured */
    uint32_t boot;
    struct pair_ends ends;
};

struct pair_rig;

enum err_code pair_rig_new(const struct pair_setup *setup, int64_t now_us, struct pair_rig **rig,
                           struct err *e);
void pair_rig_free(struct pair_rig *rig); /* NULL is fine */

/* Bytes that came, at now_us of a monotonic clock that never goes back; what is due then waits for
 * pair_rig_advance. The gauge's port is to be looked at before each of those, and what came handed in even
 * when it is nothing (length 0, now_us from before the look): a program that was held up does not take for
 * silence what it has not read yet. */
void pair_rig_from_host(struct pair_rig *rig, int64_t now_us, const uint8_t *bytes, size_t length);
void pair_rig_from_force(struct pair_rig *rig, int64_t now_us, const char *bytes, size_t length);
void pair_rig_from_feed(struct pair_rig *rig, int64_t now_us, const char *bytes, size_t length);
/* What is due at now_us. */
void pair_rig_advance(struct pair_rig *rig, int64_t now_us);
/* When something is due next. */
int64_t pair_rig_due_us(const struct pair_rig *rig);

/* The host has gone: stop feeding. */
void pair_rig_host_gone(struct pair_rig *rig, int64_t now_us);
/* Why this bench cannot go on (an instrument has failed; the feed has been stopped), NULL while it can. */
const char *pair_rig_failure(const struct pair_rig *rig);
/* An instrument's port has failed. */
void pair_rig_fail(struct pair_rig *rig, int64_t now_us, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
