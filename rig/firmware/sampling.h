/* Samples, one for each conversion of the load cell's converter: its time, and position and encoder at that
 * time. */
#ifndef RIG_FIRMWARE_SAMPLING_H
#define RIG_FIRMWARE_SAMPLING_H

#include "rig/wire/message.h"

#include <stdbool.h>

void sampling_start(void);

/* The next sample, without its flags but WIRE_FLAG_OVER_RANGE; false when none is ready. A converter that has
 * gone silent yields samples all the same, over range, because the force is not known. */
bool sampling_take(struct wire_sample *sample);

/* Called by the board from an interrupt as a conversion becomes ready. */
void rig_on_conversion(void);

#endif
