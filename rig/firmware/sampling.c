#include "rig/firmware/sampling.h"

#include "rig/firmware/board.h"
#include "rig/firmware/converter.h"
#include "rig/firmware/encoder.h"
#include "rig/firmware/stepper.h"

/* Without a conversion for this long, four times what it should take, the converter counts as silent. */
#define SILENT_US (4u * (1000000000u / BOARD_CONVERTER_MILLIHERTZ))
/* Conversions after power-up that have not settled yet. */
#define UNSETTLED 4u

static struct wire_sample moment; /* of the conversion that is ready */
static volatile bool ready;
static uint32_t last_us;
static uint8_t unsettled;

void sampling_start(void)
{
    unsettled = UNSETTLED;
    last_us = board_clock_us();
    board_converter_watch();
}

static void note_moment(void)
{
    moment.time_us = board_clock_us();
    moment.commanded_steps = stepper_position();
    moment.encoder_counts = encoder_count();
}

void rig_on_conversion(void)
{
    note_moment();
    ready = true;
}

bool sampling_take(struct wire_sample *sample)
{
    if (ready) {
        *sample = moment;
        ready = false;
        const bool known = converter_read(&sample->force_counts);
        board_converter_watch();
        last_us = sample->time_us;
        sample->flags = known ? 0 : WIRE_FLAG_OVER_RANGE;
        if (unsettled == 0)
            return true;
        unsettled--;
        return false;
    }
    if (board_clock_us() - last_us < SILENT_US)
        return false;
    const uint8_t before = board_lock();
    const bool silent = !ready;
    if (silent) {
        note_moment();
        *sample = moment;
    }
    board_unlock(before);
    if (!silent)
        return false; /* it has just come after all */
    last_us = sample->time_us;
    unsettled = UNSETTLED; /* it may have been without power */
    sample->force_counts = CONVERTER_COUNTS_MAX;
    sample->flags = WIRE_FLAG_OVER_RANGE;
    return true;
}
