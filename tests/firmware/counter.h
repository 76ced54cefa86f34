/* The chip's 16-bit counter with its two compare units, as the data sheet has them in normal mode without
 * prescaler, in place of the simulator's own (version 1.6). That one moves the compare output at overflows
 * and whenever a compare register is written, forgets matches that fall on such a moment, and clears all
 * flags when one is to be cleared. */
#ifndef TESTS_FIRMWARE_COUNTER_H
#define TESTS_FIRMWARE_COUNTER_H

#include <simavr/sim_avr.h>

#include <stdbool.h>
#include <stdint.h>

struct avr_timer_t;

struct counter {
    avr_t *avr;
    struct avr_timer_t *simulated; /* its interrupt vectors are used */
    avr_cycle_count_t base;        /* when it was 0 */
    bool running;
    bool latch; /* of compare unit A: what its pin shows while connected */
    bool output;
    struct counter_unit {
        struct counter *counter;
        unsigned number;
    } units[2];
    avr_io_read_t read_pins; /* the simulator's own, of the port with the output */
    void *pins;
    void *context;
    void (*on_output)(void *context, bool high); /* the pin of compare unit A changes */
};

/* Takes the place of the simulator's counter in avr. All pointers must outlive it. */
void counter_install(struct counter *counter, avr_t *avr, void *context, void (*on_output)(void *, bool));
/* The chip is reset: the counter stands. */
void counter_reset(struct counter *counter);

#endif
