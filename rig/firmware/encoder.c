#include "rig/firmware/encoder.h"

#include "rig/firmware/board.h"

static uint8_t before;
static int32_t count;

void encoder_start(uint8_t lines)
{
    before = lines;
    count = 0;
}

void encoder_on_edge(uint8_t lines)
{
    const uint8_t changed = lines ^ before;
    /* Forward the lines go 00, 01, 11, 10: then the line that changed is the one for which the new level of
     * the other differs, for A, or agrees, for B, with its own. Two changes at once are an edge that was
     * missed and say nothing of the direction. */
    if (changed == 1 || changed == 2) {
        const bool differ = (lines & 1u) != (lines >> 1);
        if ((changed == 1) == differ)
            count++;
        else
            count--;
    }
    before = lines;
}

int32_t encoder_count(void)
{
    return count;
}
