/* The chip and its pins: all that a port to another board replaces, together with board_avr.c. What stands
 * above this header knows no register. README.md says which pin does what and how to port.
 *
 * "Interrupts" are those that board_lock holds off. The board calls the functions named rig_on_*,
 * stepper_on_step and encoder_on_edge from them; everything else here is called by the program. */
#ifndef RIG_FIRMWARE_BOARD_H
#define RIG_FIRMWARE_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ---- what is on this rig; change to suit ---- */

#define BOARD_FULL_STEPS_PER_REV   200u
#define BOARD_MICROSTEPS           16u
#define BOARD_ENCODER_NM_PER_COUNT 5000u  /* 0: no encoder */
#define BOARD_CONVERTER_MILLIHERTZ 80000u /* conversions a second, nominal: the greatest sample rate */
/* Clock pulses of one reading, 24 for the bits and the rest for the next one: 25 is channel A with a gain of
 * 128, 26 channel B with 32, 27 channel A with 64. */
#define BOARD_CONVERTER_PULSES 25u

/* ---- time ---- */

/* Steps are timed by a counter of 16 bits that runs at this rate and never stops. Motion is planned in ticks
 * of BOARD_TICK_CYCLES, which must divide 65536. */
#define BOARD_TIMER_HZ    16000000u
#define BOARD_TICK_CYCLES 16384u
/* As fast as this chip can go: an interrupt for each step must fit between two, with all others beside it. */
#define BOARD_STEPS_S_MAX 20000ul

/* Brings up pins, counter, line, interrupts and the chip's own watchdog. Coils are off before it and after
 * it. */
void board_start(void);
/* Counted in memory that outlives power: another number at each call, so call it once. */
uint32_t board_next_boot(void);
/* The rig's serial number, zero-terminated; size includes the zero. */
void board_serial(char *text, size_t size);
/* Microseconds since the start, wrapping. Also from interrupts. */
uint32_t board_clock_us(void);
/* Must be called again and again, else the chip starts anew; so it does when the ticks stop. */
void board_alive(void);

/* Hold off interrupts, and put them back as they were. */
uint8_t board_lock(void);
void board_unlock(uint8_t before);

/* ---- line ---- */

/* The next byte from the host; false when there is none. Bytes that nobody fetched in time are lost. */
bool board_receive(uint8_t *byte);
/* Queues all bytes or, when there is no room, none and returns false. */
bool board_transmit(const uint8_t *bytes, size_t length);

/* ---- motor ---- */

void board_coils(bool on);
void board_direction(bool forward);
/* Raise the step output when the counter reaches time, exactly then; soon when that has just gone by. The
 * board ends the pulse by itself and calls stepper_on_step. At most half of the counter's range ahead. Call
 * with interrupts held off, and not before the step asked for last is done. */
void board_step_at(uint16_t time);
/* No further step. True when an edge has gone out of which stepper_on_step was not told yet. With interrupts
 * held off. */
bool board_step_off(void);

/* ---- inputs ---- */

#define BOARD_INPUT_EMERGENCY_STOP 1u
#define BOARD_INPUT_LIMIT_SWITCH   2u
#define BOARD_INPUT_DRIVER_FAULT   4u
/* What is active now, unfiltered. */
uint8_t board_inputs(void);

/* One clock pulse to the converter, 0.2 to 50 us high; returns the level of its data line in the pulse. */
bool board_converter_pulse(void);
/* Level of the data line: low means that a conversion is ready. */
bool board_converter_data(void);
/* Call rig_on_conversion once, as soon as the data line is low. */
void board_converter_watch(void);

#endif
