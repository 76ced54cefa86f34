/* A scripted host in virtual time: sends commands to the chip over rig/wire and keeps what comes back. */
#ifndef TESTS_FIRMWARE_HOST_H
#define TESTS_FIRMWARE_HOST_H

#include "rig/model/model.h"
#include "rig/wire/message.h"
#include "tests/firmware/chip.h"

#define HOST_EVENTS  256u
#define HOST_SAMPLES 8192u
#define HOST_STEPS   40000u
#define HOST_EVER    UINT64_MAX

struct host_step {
    uint64_t cycle;
    bool forward;
};

struct host {
    struct chip *chip;
    struct wire_decoder decoder;
    uint8_t buffer[WIRE_ENCODED_MAX];
    uint16_t sequence;
    bool keep_alive; /* every 100 ms */
    uint64_t alive_at;
    uint64_t digest; /* of every byte and step and its time, FNV-1a */

    unsigned frames, broken, missing;
    bool begun;
    uint16_t next_sequence;
    unsigned acks;
    struct wire_ack ack; /* the last one */
    unsigned identities;
    struct wire_identity identity;
    unsigned statuses;
    struct wire_status status;
    unsigned event_count;
    struct wire_event events[HOST_EVENTS];
    uint64_t event_cycles[HOST_EVENTS];
    unsigned sample_count;
    struct wire_sample samples[HOST_SAMPLES];
    uint64_t sample_cycles[HOST_SAMPLES];
    unsigned step_count; /* all; the first HOST_STEPS of them are kept */
    struct host_step steps[HOST_STEPS];
    uint64_t coils_off_cycle;

    struct model_random draws; /* set its state to the seed of the test */

    int32_t counts; /* what the converter shows, when counts_at is NULL */
    int32_t (*counts_at)(struct host *host, uint64_t cycle);
    unsigned encoder_every; /* one encoder count for so many steps; 0: it does not turn */
};

/* A chip that has just got power, with its boot behind it. Fails the test when it does not start. */
struct host *host_new(void);
void host_free(struct host *host);

/* A random whole number from 0 to below - 1. */
unsigned host_draw(struct host *host, unsigned below);
/* Print a figure and, where the environment names a file in NIPBENCH_FIGURES, add it there as one line of
 * JSON: what was asked of it is low to high. The test asserts by itself. */
void host_figure(const char *name, double value, const char *unit, double low, double high);
/* Let time pass. */
void host_wait_ms(struct host *host, unsigned ms);
void host_wait_until(struct host *host, uint64_t cycle);
/* Queue a frame; returns its sequence number. */
uint16_t host_send(struct host *host, uint8_t type, const uint8_t *body, size_t length);
/* Send it and wait for its acknowledgement, which must come within 20 ms: the reason. */
uint8_t host_command(struct host *host, uint8_t type, const uint8_t *body, size_t length);
uint8_t host_configure(struct host *host, uint32_t rate_millihertz);
uint8_t host_arm(struct host *host, int32_t low, int32_t high, uint32_t travel, uint32_t time_ms);
uint8_t host_arm_freely(struct host *host);
uint8_t host_move(struct host *host, int32_t speed_millisteps_s, uint32_t acceleration, uint32_t travel);
/* Wait at most ms for one more event, of any kind; NULL when there is none. */
const struct wire_event *host_event(struct host *host, unsigned ms);

#endif
