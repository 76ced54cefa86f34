/* The rig of the protocol in rig/wire/README.md: commands, refusals, events, samples, limits and watchdog. It
 * knows the hardware by rig/firmware/board.h alone. */
#ifndef RIG_FIRMWARE_RIG_H
#define RIG_FIRMWARE_RIG_H

#include <stdint.h>

/* Once, after board_start: the rig is disarmed, and says that it has started. */
void rig_start(void);
/* Again and again: does what is due. */
void rig_poll(void);

/* Called by the board from an interrupt once a tick, with the counter's value at its start and further
 * interrupts allowed. */
void rig_on_tick(uint16_t now);

#endif
