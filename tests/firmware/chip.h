/* The firmware's own binary on a simulated chip, with what a rig has on its pins: converter, encoder,
 * contacts, motor driver, and a serial line. Time is virtual, in cycles of the chip; nothing here reads a
 * clock. */
#ifndef TESTS_FIRMWARE_CHIP_H
#define TESTS_FIRMWARE_CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CHIP_HZ            16000000u
#define CHIP_CYCLES_PER_US 16u
#define CHIP_MS(ms)        ((uint64_t)(ms) * (CHIP_HZ / 1000u))
#define CHIP_BYTE_CYCLES   352u /* the simulator sends and takes 11 bits a byte at 500,000 baud */

enum chip_input { CHIP_EMERGENCY_STOP, CHIP_LIMIT_SWITCH, CHIP_DRIVER_FAULT };

/* What is on the pins, all optional. cycle is the chip's time. */
struct chip_world {
    void *context;
    void (*byte)(void *context, uint64_t cycle, uint8_t byte); /* from the chip's line */
    void (*step)(void *context, uint64_t cycle, bool forward); /* an edge of the step output, coils on */
    void (*coils)(void *context, uint64_t cycle, bool on);
    int32_t (*convert)(void *context, uint64_t cycle); /* the converter's counts, 24 bits */
};

struct chip;

/* NULL when the ELF file cannot be loaded or memory ends. chip_free(NULL) is fine. */
struct chip *chip_new(const char *elf, const struct chip_world *world);
void chip_free(struct chip *chip);
/* As if power came back: memory is lost, but not the EEPROM. */
void chip_reset(struct chip *chip);

uint64_t chip_cycle(const struct chip *chip);
/* Run until that time. False when the chip has crashed. */
bool chip_run(struct chip *chip, uint64_t until);

/* Queue a byte for the chip; bytes arrive one behind the other as fast as the line carries them. At most
 * 65,536 may wait. */
void chip_send(struct chip *chip, uint8_t byte);

/* While held, the chip is not told that its line is free, so that its transmit buffer fills. */
void chip_hold_line(struct chip *chip, bool held);

void chip_set(struct chip *chip, enum chip_input input, bool active);
/* Put the encoder's count there, by as many edges as it takes, 200 cycles apart. */
void chip_turn_encoder(struct chip *chip, int32_t count);
/* A converter of another pace (default 200,000 cycles a conversion); 0: it is silent. */
void chip_pace_converter(struct chip *chip, uint32_t cycles);

struct chip_figures {
    int64_t position;                /* steps forward less steps backward, coils on */
    uint64_t steps;                  /* edges with the coils on */
    uint64_t steps_off;              /* and with the coils off */
    uint64_t pulse_least_cycles;     /* width of a step pulse */
    uint64_t direction_least_cycles; /* from a change of direction to the next step */
    uint64_t clock_high_most_cycles; /* of the converter's clock */
    uint64_t readings;               /* of the converter */
    unsigned pulses;                 /* of the last reading */
    bool coils;
};
/* The position is 0 from here, as it is for the rig at arming. */
void chip_count_from_zero(struct chip *chip);
struct chip_figures chip_figures(const struct chip *chip);
/* The most that the stack ever held. */
unsigned chip_stack_bytes(const struct chip *chip);

#endif
