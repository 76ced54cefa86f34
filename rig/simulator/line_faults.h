/* The line between a simulated rig and its host, with the faults that hit single frames. Pure: frames and
 * times come in as arguments, bursts of bytes go out to a callback. What it draws for a frame depends on the
 * seed, the fault and the frame's number alone, so that one more fault does not change which frames another
 * one hits. */
#ifndef RIG_SIMULATOR_LINE_FAULTS_H
#define RIG_SIMULATOR_LINE_FAULTS_H

#include "rig/simulator/fault_words.h"
#include "rig/simulator/rig_happening.h"
#include "rig/wire/frame.h"

#define LINE_NOISE_MAX 200
/* A frame twice, one byte longer when corrupted, with noise before it, and the same of one held back. */
#define LINE_BURST_MAX (2 * (2 * (WIRE_ENCODED_MAX + 1) + LINE_NOISE_MAX))
#define LINE_CUTS_MAX  6

/* Bytes that go out to the host together, whole or not at all. */
struct line_burst {
    const uint8_t *bytes;
    size_t length;
    size_t samples; /* that an intact line would carry; 0 with any other frame among them */
    /* Pauses of the outside world within the burst, in order: gap_us before byte at. */
    struct {
        size_t at;
        uint32_t gap_us;
    } cuts[LINE_CUTS_MAX];
    size_t cut_count;
};

struct line_ends {
    void *context;
    /* To the host. False when there was no room for the whole burst. */
    bool (*send)(void *context, const struct line_burst *burst);
    /* To the rig. */
    void (*deliver)(void *context, const uint8_t *bytes, size_t length);
    /* A frame was hit; only the fields of a fault are filled, the times are the receiver's to add. */
    void (*hit)(void *context, struct rig_happening *h);
};

struct line_faults;

/* plan must outlive the line. NULL when out of memory. */
struct line_faults *line_faults_new(const struct fault_plan *plan, uint64_t seed,
                                    const struct line_ends *ends);
void line_faults_free(struct line_faults *line);

/* Nothing reaches the host from now on, for the reason that word (static) names; NULL: it does again. A frame
 * held back is lost. fresh: the host's end begins anew, so that nothing before it can spoil a frame. */
void line_faults_block(struct line_faults *line, const char *word, bool fresh);

/* One encoded frame of the rig. False when there was no room for it. */
bool line_faults_to_host(struct line_faults *line, const uint8_t *frame, size_t length, size_t samples);

/* Bytes of the host. They go on at once, but frames that a fault may hit are first gathered whole. */
void line_faults_to_rig(struct line_faults *line, const uint8_t *bytes, size_t length);

#endif
