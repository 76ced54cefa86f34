#include "tests/firmware/counter.h"

#include <simavr/avr_timer.h>

#include <string.h>

#define TURN 65536u

/* Registers of the counter in the chip's data space. */
enum {
    PIN_B = 0x23,
    FLAGS = 0x36,
    CONTROL_A = 0x80,
    CONTROL_B = 0x81,
    CONTROL_C = 0x82,
    COUNT = 0x84,
    COMPARE_A = 0x88,
    COMPARE_B = 0x8A
};

static unsigned connection(const struct counter *c)
{
    return c->avr->data[CONTROL_A] >> 6; /* 0: none, 2: cleared on a match, 3: set on a match */
}

static void show(struct counter *c)
{
    const bool high = connection(c) != 0 && c->latch; /* else the port, which is low */
    if (high == c->output)
        return;
    c->output = high;
    c->on_output(c->context, high);
}

static void match_output(struct counter *c)
{
    if (connection(c) == 2)
        c->latch = false;
    else if (connection(c) == 3)
        c->latch = true;
    show(c);
}

static avr_cycle_count_t on_match(avr_t *avr, avr_cycle_count_t when, void *param)
{
    const struct counter_unit *unit = param;
    struct counter *c = unit->counter;
    avr_raise_interrupt(avr, &c->simulated->comp[unit->number].interrupt);
    if (unit->number == 0)
        match_output(c);
    return when + TURN;
}

static avr_cycle_count_t on_overflow(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct counter *c = param;
    avr_raise_interrupt(avr, &c->simulated->overflow);
    return when + TURN;
}

/* The flag goes up one cycle behind the one in which counter and register are equal. */
static void arm(struct counter_unit *unit)
{
    struct counter *c = unit->counter;
    const unsigned address = unit->number == 0 ? COMPARE_A : COMPARE_B;
    const unsigned at = c->avr->data[address] | (unsigned)c->avr->data[address + 1] << 8;
    avr_cycle_timer_cancel(c->avr, on_match, unit);
    if (!c->running)
        return;
    const uint64_t ahead = (at - (c->avr->cycle - c->base)) % TURN;
    avr_cycle_timer_register(c->avr, ahead + 1, on_match, unit);
}

static void write_compare(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
    arm(param);
}

static void write_control_a(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
    show(param);
}

static void write_control_b(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct counter *c = param;
    avr->data[address] = value;
    if ((value & 7u) != 1 || c->running)
        return;
    c->running = true;
    c->base = avr->cycle;
    avr_cycle_timer_register(avr, TURN, on_overflow, c);
    arm(&c->units[0]);
    arm(&c->units[1]);
}

/* Forces a match of the output alone. */
static void write_control_c(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    if (value & 0x80u)
        match_output(param);
}

static uint8_t read_count(avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct counter *c = param;
    const unsigned count = c->running ? (unsigned)((avr->cycle - c->base) % TURN) : 0;
    avr->data[address + 1] = (uint8_t)(count >> 8); /* held until it is read */
    return (uint8_t)count;
}

/* The output reads as it is driven. */
static uint8_t read_pins(avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct counter *c = param;
    const uint8_t pins = c->read_pins(avr, address, c->pins);
    return (uint8_t)((pins & ~2u) | (c->output ? 2u : 0));
}

/* Flags that are written as 1 are cleared. */
static void write_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct counter *c = param;
    avr_int_vector_t *vectors[] = {&c->simulated->overflow, &c->simulated->comp[0].interrupt,
                                   &c->simulated->comp[1].interrupt};
    for (unsigned i = 0; i < 3; i++)
        if (value & (1u << i)) {
            avr_clear_interrupt(avr, vectors[i]);
            avr->data[address] &= (uint8_t) ~(1u << i);
        }
}

static void on_write(struct counter *c, unsigned address, avr_io_write_t write, void *param)
{
    c->avr->io[AVR_DATA_TO_IO(address)].w.c = write;
    c->avr->io[AVR_DATA_TO_IO(address)].w.param = param;
}

void counter_reset(struct counter *c)
{
    avr_cycle_timer_cancel(c->avr, on_match, &c->units[0]);
    avr_cycle_timer_cancel(c->avr, on_match, &c->units[1]);
    avr_cycle_timer_cancel(c->avr, on_overflow, c);
    c->running = false;
    c->latch = false;
    show(c);
}

void counter_install(struct counter *c, avr_t *avr, void *context, void (*on_output)(void *, bool))
{
    memset(c, 0, sizeof *c);
    c->avr = avr;
    c->context = context;
    c->on_output = on_output;
    c->simulated = avr->io[AVR_DATA_TO_IO(FLAGS)].w.param;
    c->units[0] = (struct counter_unit){c, 0};
    c->units[1] = (struct counter_unit){c, 1};
    on_write(c, COMPARE_A, write_compare, &c->units[0]);
    on_write(c, COMPARE_B, write_compare, &c->units[1]);
    on_write(c, CONTROL_A, write_control_a, c);
    on_write(c, CONTROL_B, write_control_b, c);
    on_write(c, CONTROL_C, write_control_c, c);
    on_write(c, FLAGS, write_flags, c);
    c->read_pins = avr->io[AVR_DATA_TO_IO(PIN_B)].r.c;
    c->pins = avr->io[AVR_DATA_TO_IO(PIN_B)].r.param;
    avr->io[AVR_DATA_TO_IO(PIN_B)].r.c = read_pins;
    avr->io[AVR_DATA_TO_IO(PIN_B)].r.param = c;
    avr->io[AVR_DATA_TO_IO(COUNT)].r.c = read_count;
    avr->io[AVR_DATA_TO_IO(COUNT)].r.param = c;
}
