/* Quadrature of the filament encoder: every edge of both lines counts. Forward, A leads B. */
#ifndef RIG_FIRMWARE_ENCODER_H
#define RIG_FIRMWARE_ENCODER_H

#include <stdint.h>

/* The lines as they are at the start; the count is 0. Bit 0: A, bit 1: B. */
void encoder_start(uint8_t lines);
/* The lines as they are after an edge; called by the board from an interrupt. */
void encoder_on_edge(uint8_t lines);
/* With interrupts held off. */
int32_t encoder_count(void);

#endif
