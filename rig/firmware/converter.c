#include "rig/firmware/converter.h"

#include "rig/firmware/board.h"

#define BITS 24u

bool converter_read(int32_t *counts)
{
    uint32_t bits = 0;
    for (uint8_t i = 0; i < BITS; i++)
        bits = bits << 1 | (board_converter_pulse() ? 1u : 0u);
    for (uint8_t i = BITS; i < BOARD_CONVERTER_PULSES; i++)
        board_converter_pulse();
    if (bits & 0x800000u)
        bits |= 0xFF000000u;
    *counts = (int32_t)bits;
    return *counts > CONVERTER_COUNTS_MIN && *counts < CONVERTER_COUNTS_MAX && board_converter_data();
}
