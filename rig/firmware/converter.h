/* The load cell's 24-bit converter on two wires. It converts at its own pace and pulls its data line low when
 * a conversion is ready; clock pulses then bring out the bits, the greatest first, in two's complement, and
 * how many come after them chooses channel and gain of the next conversion. */
#ifndef RIG_FIRMWARE_CONVERTER_H
#define RIG_FIRMWARE_CONVERTER_H

#include <stdbool.h>
#include <stdint.h>

#define CONVERTER_COUNTS_MIN (-8388608)
#define CONVERTER_COUNTS_MAX 8388607

/* Read the conversion that is ready. False when the force is not known: the converter stands at an end of its
 * range, or its data line did not go high behind the last bit, as it does on a converter that is there. */
bool converter_read(int32_t *counts);

#endif
