#include "tests/firmware/chip.h"

#include "tests/firmware/counter.h"

#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define QUEUE          65536u
#define PAINT          0xC5
#define CONVERSION     (CHIP_HZ / 80u)
#define ENCODER_CYCLES 200u

struct chip {
    avr_t *avr;
    struct counter counter;
    avr_irq_t *pins[3]; /* of ports B, C and D, eight each */
    avr_irq_t *line;
    struct chip_world world;
    struct chip_figures figures;
    uint32_t ram_begin; /* first address behind the program's data */
    uint8_t queue[QUEUE];
    unsigned queue_in, queue_out;
    bool sending;
    bool held; /* no transmit interrupts */
    avr_io_write_t write_line_control;
    void *line_control;
    bool line_full; /* the simulator takes no byte now */
    bool forward, clock_high;
    uint64_t step_at, direction_at, clock_at;
    bool turned;
    uint32_t pace;
    bool ready;
    unsigned bit;
    uint32_t bits;
    int32_t encoder_at, encoder_to;
    bool turning;
    uint8_t driven[2], levels[2]; /* pins of ports C and D that something outside holds */
};

/* The simulator keeps what it has allocated when a chip ends. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libsimavr.so";
}
const char *__lsan_default_options(void);
const char *__lsan_default_options(void)
{
    return "print_suppressions=0";
}

static avr_irq_t *pin(struct chip *chip, char port, int number)
{
    return chip->pins[port - 'B'] + number;
}

/* Hold an input at a level: without the first call a write to the port's pull-ups would change it. */
static void drive(struct chip *chip, char port, int number, bool high)
{
    const unsigned i = port == 'C' ? 0 : 1;
    chip->driven[i] |= (uint8_t)(1u << number);
    chip->levels[i] = (uint8_t)((chip->levels[i] & ~(1u << number)) | ((unsigned)high << number));
    avr_ioport_external_t held = {
        .name = (unsigned char)port & 0x7Fu, .mask = chip->driven[i], .value = chip->levels[i]};
    avr_ioctl(chip->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &held);
    avr_raise_irq(pin(chip, port, number), high);
}

/* ---- outputs ---- */

static void on_step(void *context, bool high)
{
    struct chip *chip = context;
    const uint64_t now = chip->avr->cycle;
    struct chip_figures *f = &chip->figures;
    if (!high) {
        if (now - chip->step_at < f->pulse_least_cycles)
            f->pulse_least_cycles = now - chip->step_at;
        return;
    }
    chip->step_at = now;
    if (!f->coils) {
        f->steps_off++;
        return;
    }
    if (chip->turned && now - chip->direction_at < f->direction_least_cycles)
        f->direction_least_cycles = now - chip->direction_at;
    chip->turned = false;
    f->steps++;
    f->position += chip->forward ? 1 : -1;
    if (chip->world.step != NULL)
        chip->world.step(chip->world.context, now, chip->forward);
}

static void on_direction(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct chip *chip = param;
    const bool forward = (value & 1u) != 0;
    if (forward == chip->forward)
        return;
    chip->forward = forward;
    chip->direction_at = chip->avr->cycle;
    chip->turned = true;
}

static void set_coils(struct chip *chip, bool on)
{
    if (on == chip->figures.coils)
        return;
    chip->figures.coils = on;
    if (chip->world.coils != NULL)
        chip->world.coils(chip->world.context, chip->avr->cycle, on);
}

static void on_enable(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    set_coils(param, (value & 1u) == 0);
}

/* ---- converter ---- */

static void data_line(struct chip *chip, bool high)
{
    drive(chip, 'D', 4, high);
}

static avr_cycle_count_t on_conversion(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    struct chip *chip = param;
    if (chip->pace == 0)
        return when + CONVERSION;
    if (chip->bit > 0)
        return when + chip->pace; /* being read: this conversion is lost, as on the part itself */
    const int32_t counts = chip->world.convert == NULL ? 0 : chip->world.convert(chip->world.context, when);
    chip->bits = (uint32_t)counts & 0xFFFFFFu;
    if (chip->ready)
        data_line(chip, true);
    chip->ready = true;
    data_line(chip, false);
    return when + chip->pace;
}

static void on_clock(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct chip *chip = param;
    const bool high = (value & 1u) != 0;
    if (high == chip->clock_high)
        return;
    chip->clock_high = high;
    if (!high) {
        const uint64_t width = chip->avr->cycle - chip->clock_at;
        if (width > chip->figures.clock_high_most_cycles)
            chip->figures.clock_high_most_cycles = width;
        return;
    }
    chip->clock_at = chip->avr->cycle;
    if (chip->bit == 0)
        chip->figures.readings++;
    chip->bit++;
    chip->figures.pulses = chip->bit;
    if (chip->bit <= 24 && chip->ready) {
        data_line(chip, (chip->bits >> (24 - chip->bit)) & 1u);
    } else {
        data_line(chip, true);
        chip->ready = false;
    }
}

/* A reading is over when the clock has been still for longer than between two pulses. */
static avr_cycle_count_t on_clock_look(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct chip *chip = param;
    if (chip->bit >= 25 && !chip->clock_high && avr->cycle - chip->clock_at > CHIP_MS(2))
        chip->bit = 0;
    return when + CHIP_MS(1);
}

/* ---- encoder ---- */

static void encoder_lines(struct chip *chip)
{
    const unsigned place = (uint32_t)chip->encoder_at & 3u;
    drive(chip, 'C', 0, place == 1 || place == 2);
    drive(chip, 'C', 1, place >= 2);
}

static avr_cycle_count_t on_encoder(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    struct chip *chip = param;
    if (chip->encoder_at == chip->encoder_to) {
        chip->turning = false;
        return 0;
    }
    chip->encoder_at += chip->encoder_to > chip->encoder_at ? 1 : -1;
    encoder_lines(chip);
    return when + ENCODER_CYCLES;
}

void chip_turn_encoder(struct chip *chip, int32_t count)
{
    chip->encoder_to = count;
    if (chip->turning || count == chip->encoder_at)
        return;
    chip->turning = true;
    avr_cycle_timer_register(chip->avr, 1, on_encoder, chip);
}

/* ---- line ---- */

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct chip *chip = param;
    if (chip->world.byte != NULL)
        chip->world.byte(chip->world.context, chip->avr->cycle, (uint8_t)value);
}

static avr_cycle_count_t on_line(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    struct chip *chip = param;
    if (chip->line_full)
        return when + CHIP_BYTE_CYCLES;
    if (chip->queue_in == chip->queue_out) {
        chip->sending = false;
        return 0;
    }
    avr_raise_irq(chip->line, chip->queue[chip->queue_out++ % QUEUE]);
    return when + CHIP_BYTE_CYCLES;
}

static void on_line_full(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct chip *chip = param;
    if (value)
        chip->line_full = true;
}

static void on_line_free(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct chip *chip = param;
    if (value)
        chip->line_full = false;
}

static void on_line_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct chip *chip = param;
    if (chip->held)
        value &= (uint8_t)~0x20u; /* UDRIE0 */
    chip->write_line_control(avr, address, value, chip->line_control);
}

void chip_hold_line(struct chip *chip, bool held)
{
    chip->held = held;
}

void chip_send(struct chip *chip, uint8_t byte)
{
    chip->queue[chip->queue_in++ % QUEUE] = byte;
    if (chip->sending)
        return;
    chip->sending = true;
    avr_cycle_timer_register(chip->avr, CHIP_BYTE_CYCLES, on_line, chip);
}

/* ---- the chip ---- */

static void quiet(avr_t *avr, const int level, const char *format, va_list words)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)words;
}

static void sleep_without_waiting(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long;
}

static void put_on_pins(struct chip *chip)
{
    avr_t *avr = chip->avr;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_POLL_SLEEP | AVR_UART_FLAG_STDIO);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    chip_set(chip, CHIP_EMERGENCY_STOP, false);
    chip_set(chip, CHIP_LIMIT_SWITCH, false);
    chip_set(chip, CHIP_DRIVER_FAULT, false);
    encoder_lines(chip);
    data_line(chip, !chip->ready);
    /* The stack is painted, to see later how deep it went. */
    memset(avr->data + chip->ram_begin, PAINT, avr->ramend + 1u - chip->ram_begin);
}

struct chip *chip_new(const char *elf, const struct chip_world *world)
{
    struct chip *chip = calloc(1, sizeof *chip);
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (chip == NULL)
        return NULL;
    avr_global_logger_set(quiet);
    if (elf_read_firmware(elf, &firmware) != 0) {
        free(chip);
        return NULL;
    }
    chip->avr = avr_make_mcu_by_name("atmega328p");
    avr_init(chip->avr);
    firmware.frequency = CHIP_HZ;
    avr_load_firmware(chip->avr, &firmware);
    for (int i = 0; i < 3; i++)
        chip->pins[i] = avr_io_getirq(chip->avr, AVR_IOCTL_IOPORT_GETIRQ('B' + i), 0);
    chip->line = avr_io_getirq(chip->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    chip->avr->sleep = sleep_without_waiting;
    chip->ram_begin = 0x100u + firmware.datasize + firmware.bsssize;
    free(firmware.flash);
    chip->world = *world;
    chip->pace = CONVERSION;
    chip->figures.pulse_least_cycles = UINT64_MAX;
    chip->figures.direction_least_cycles = UINT64_MAX;
    avr_irq_register_notify(pin(chip, 'B', 0), on_direction, chip);
    counter_install(&chip->counter, chip->avr, chip, on_step);
    avr_irq_register_notify(pin(chip, 'B', 2), on_enable, chip);
    avr_irq_register_notify(pin(chip, 'D', 5), on_clock, chip);
    avr_irq_register_notify(avr_io_getirq(chip->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte,
                            chip);
    chip->write_line_control = chip->avr->io[AVR_DATA_TO_IO(0xC1)].w.c; /* UCSR0B */
    chip->line_control = chip->avr->io[AVR_DATA_TO_IO(0xC1)].w.param;
    chip->avr->io[AVR_DATA_TO_IO(0xC1)].w.c = on_line_control;
    chip->avr->io[AVR_DATA_TO_IO(0xC1)].w.param = chip;
    avr_irq_register_notify(chip->line - UART_IRQ_INPUT + UART_IRQ_OUT_XOFF, on_line_full, chip);
    avr_irq_register_notify(chip->line - UART_IRQ_INPUT + UART_IRQ_OUT_XON, on_line_free, chip);
    avr_cycle_timer_register(chip->avr, CONVERSION, on_conversion, chip);
    avr_cycle_timer_register(chip->avr, CHIP_MS(1), on_clock_look, chip);
    put_on_pins(chip);
    return chip;
}

void chip_free(struct chip *chip)
{
    if (chip == NULL)
        return;
    avr_terminate(chip->avr);
    free(chip->avr);
    free(chip);
}

void chip_reset(struct chip *chip)
{
    avr_reset(chip->avr);
    counter_reset(&chip->counter);
    set_coils(chip, false); /* the pins let go, and a resistor holds the driver off */
    put_on_pins(chip);
}

uint64_t chip_cycle(const struct chip *chip)
{
    return chip->avr->cycle;
}

bool chip_run(struct chip *chip, uint64_t until)
{
    while (chip->avr->cycle < until) {
        const int state = avr_run(chip->avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return false;
    }
    return true;
}

void chip_set(struct chip *chip, enum chip_input input, bool active)
{
    switch (input) {
    case CHIP_EMERGENCY_STOP:
        drive(chip, 'D', 6, active);
        break;
    case CHIP_LIMIT_SWITCH:
        drive(chip, 'D', 7, active);
        break;
    case CHIP_DRIVER_FAULT:
        drive(chip, 'C', 2, !active);
        break;
    }
}

void chip_pace_converter(struct chip *chip, uint32_t cycles)
{
    chip->pace = cycles;
}

void chip_count_from_zero(struct chip *chip)
{
    chip->figures.position = 0;
}

struct chip_figures chip_figures(const struct chip *chip)
{
    return chip->figures;
}

unsigned chip_stack_bytes(const struct chip *chip)
{
    uint32_t at = chip->ram_begin;
    while (at <= chip->avr->ramend && chip->avr->data[at] == PAINT)
        at++;
    return chip->avr->ramend + 1u - at;
}
