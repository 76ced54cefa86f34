/* The board layer for an 8-bit AVR with one 16-bit timer, pin-change interrupts and one serial line, at 16
 * MHz. README.md has the table of pins. */
#include "rig/firmware/board.h"

#include "rig/firmware/encoder.h"
#include "rig/firmware/rig.h"
#include "rig/firmware/sampling.h"
#include "rig/firmware/stepper.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

/* Port B */
#define DIRECTION _BV(PB0) /* high: forward */
#define STEP      _BV(PB1) /* OC1A: a rising edge is a step */
#define ENABLE    _BV(PB2) /* low: coils on; a resistor keeps it high while the chip resets */
/* Port C */
#define ENCODER_LINES (_BV(PC0) | _BV(PC1)) /* A, B */
#define DRIVER_FAULT  _BV(PC2)              /* low: fault */
/* Port D; 0 and 1 are the serial line */
#define CONVERTER_DATA  _BV(PD4) /* PCINT20 */
#define CONVERTER_CLOCK _BV(PD5)
#define EMERGENCY_STOP                                                                                       \
    _BV(PD6)                  /* a contact to ground that opens: high is pressed, and so is a broken wire    \
                               */
#define LIMIT_SWITCH _BV(PD7) /* the same */

#define BAUD_DIVISOR 1 /* 16 MHz / (16 (1 + 1)) = 500,000 baud, exactly */

#define STEP_ON_MATCH (_BV(COM1A1) | _BV(COM1A0))
#define LOW_ON_MATCH  _BV(COM1A1)
/* From the interrupt to the end of the pulse, and the least time ahead for which a match is set: more than
 * the instructions in between take, in cycles. */
#define MATCH_AHEAD 40u
#define PULSE_END   16u

/* One byte of each is never used. A power of two, so that places wrap by themselves or by one mask. */
#define RECEIVE_BYTES  128u
#define TRANSMIT_BYTES 256u

static volatile uint8_t received[RECEIVE_BYTES];
static volatile uint8_t received_in, received_out;
static volatile uint8_t transmit[TRANSMIT_BYTES];
static volatile uint8_t transmit_in, transmit_out;

static volatile uint32_t wraps; /* of the counter: 4096 us each */
static volatile uint8_t ticks;

/* Memory that outlives power: the boot number, then the serial number, which erased memory does not have. */
static uint32_t EEMEM stored_boot;
static char EEMEM stored_serial[32];

/* ---- start ---- */

/* The chip's watchdog outlives a reset, with its shortest time: it must be off before memory is cleared. */
__attribute__((naked, used, section(".init3"))) static void watchdog_off(void)
{
    MCUSR = 0;
    wdt_disable();
}

void board_start(void)
{
    PORTB = ENABLE;
    DDRB = ENABLE | STEP | DIRECTION;
    PORTC = ENCODER_LINES | DRIVER_FAULT;
    PORTD = CONVERTER_DATA | EMERGENCY_STOP | LIMIT_SWITCH | _BV(PD0);
    DDRD = CONVERTER_CLOCK | _BV(PD1);

    TCCR1A = LOW_ON_MATCH;
    TCCR1B = _BV(CS10);
    OCR1B = BOARD_TICK_CYCLES;
    TIMSK1 = _BV(OCIE1B) | _BV(TOIE1);

    UCSR0A = 0;
    UBRR0 = BAUD_DIVISOR;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    encoder_start(PINC & ENCODER_LINES);
    PCMSK1 = ENCODER_LINES;
    PCICR = _BV(PCIE1) | _BV(PCIE2);

    wdt_enable(WDTO_250MS);
    sei();
}

uint32_t board_next_boot(void)
{
    const uint32_t boot = eeprom_read_dword(&stored_boot) + 1;
    eeprom_update_dword(&stored_boot, boot);
    return boot;
}

void board_serial(char *text, size_t size)
{
    static const char none[] = "no serial number";
    const char *from = none;
    size_t length = 0;
    eeprom_read_block(text, stored_serial, size - 1);
    while (length < size - 1 && text[length] >= ' ' && text[length] <= '~')
        length++;
    if (length == 0)
        while (length < size - 1 && *from != '\0')
            text[length++] = *from++;
    text[length] = '\0';
}

void board_alive(void)
{
    static uint8_t seen;
    if (ticks != seen) {
        seen = ticks;
        wdt_reset();
    }
}

uint8_t board_lock(void)
{
    const uint8_t before = SREG;
    cli();
    return before;
}

void board_unlock(uint8_t before)
{
    SREG = before;
}

/* ---- time ---- */

uint32_t board_clock_us(void)
{
    const uint8_t before = board_lock();
    const uint16_t low = TCNT1;
    uint32_t high = wraps;
    if ((TIFR1 & _BV(TOV1)) && low < 0x8000u)
        high++;
    board_unlock(before);
    return high << 12 | low >> 4;
}

ISR(TIMER1_OVF_vect)
{
    wraps++;
}

ISR(TIMER1_COMPB_vect)
{
    static bool inside;
    const uint16_t now = OCR1B;
    OCR1B = now + BOARD_TICK_CYCLES;
    ticks++;
    if (inside)
        return;
    inside = true;
    sei(); /* steps and bytes do not wait for a plan */
    rig_on_tick(now);
    cli();
    inside = false;
}

/* ---- motor ---- */

void board_coils(bool on)
{
    if (on)
        PORTB &= (uint8_t)~ENABLE;
    else
        PORTB |= ENABLE;
}

void board_direction(bool forward)
{
    if (forward)
        PORTB |= DIRECTION;
    else
        PORTB &= (uint8_t)~DIRECTION;
}

/* The output goes high by the compare unit alone, so that no interrupt can delay an edge. */
static void match_at(uint16_t time)
{
    const uint16_t soonest = TCNT1 + MATCH_AHEAD;
    OCR1A = (int16_t)(time - soonest) < 0 ? soonest : time;
    TCCR1A = STEP_ON_MATCH;
    TIFR1 = _BV(OCF1A);
}

void board_step_at(uint16_t time)
{
    match_at(time);
    TIMSK1 |= _BV(OCIE1A);
}

bool board_step_off(void)
{
    TCCR1A = LOW_ON_MATCH; /* from here on no edge goes out */
    TIMSK1 &= (uint8_t)~_BV(OCIE1A);
    /* The interrupt ends each pulse, so one that still stands is one that it has not seen. */
    const bool untold = (PINB & STEP) != 0;
    TCCR1C = _BV(FOC1A); /* low at once */
    return untold;
}

ISR(TIMER1_COMPA_vect)
{
    uint16_t next;
    TCCR1A = LOW_ON_MATCH;
    const uint16_t low_at = TCNT1 + PULSE_END;
    OCR1A = low_at;
    const bool more = stepper_on_step(&next);
    while ((int16_t)(TCNT1 - low_at) < 2)
        ;
    if (more)
        match_at(next);
    else
        TIMSK1 &= (uint8_t)~_BV(OCIE1A);
}

/* ---- inputs ---- */

uint8_t board_inputs(void)
{
    const uint8_t d = PIND;
    return (d & EMERGENCY_STOP ? BOARD_INPUT_EMERGENCY_STOP : 0) |
           (d & LIMIT_SWITCH ? BOARD_INPUT_LIMIT_SWITCH : 0) |
           (PINC & DRIVER_FAULT ? 0 : BOARD_INPUT_DRIVER_FAULT);
}

ISR(PCINT1_vect)
{
    encoder_on_edge(PINC & ENCODER_LINES);
}

bool board_converter_data(void)
{
    return (PIND & CONVERTER_DATA) != 0;
}

bool board_converter_pulse(void)
{
    const uint8_t before = board_lock(); /* 60 us high would send the converter to sleep */
    PORTD |= CONVERTER_CLOCK;
    __builtin_avr_delay_cycles(8);
    const bool high = board_converter_data();
    PORTD &= (uint8_t)~CONVERTER_CLOCK;
    board_unlock(before);
    return high;
}

/* With interrupts held off. */
static void look_at_converter(void)
{
    if (board_converter_data())
        return;
    PCMSK2 = 0; /* bits on the data line are no further conversions */
    rig_on_conversion();
}

void board_converter_watch(void)
{
    const uint8_t before = board_lock();
    PCMSK2 = CONVERTER_DATA;
    PCIFR = _BV(PCIF2);
    look_at_converter();
    board_unlock(before);
}

ISR(PCINT2_vect)
{
    look_at_converter();
}

/* ---- line ---- */

bool board_receive(uint8_t *byte)
{
    const uint8_t out = received_out;
    if (out == received_in)
        return false;
    *byte = received[out];
    received_out = (out + 1u) % RECEIVE_BYTES;
    return true;
}

ISR(USART_RX_vect)
{
    const uint8_t byte = UDR0;
    const uint8_t in = received_in;
    const uint8_t next = (in + 1u) % RECEIVE_BYTES;
    if (next == received_out)
        return;
    received[in] = byte;
    received_in = next;
}

bool board_transmit(const uint8_t *bytes, size_t length)
{
    const uint8_t used = transmit_in - transmit_out;
    if (length > TRANSMIT_BYTES - 1u - used)
        return false;
    uint8_t in = transmit_in;
    for (size_t i = 0; i < length; i++)
        transmit[in++] = bytes[i];
    transmit_in = in;
    const uint8_t before = board_lock();
    UCSR0B |= _BV(UDRIE0);
    board_unlock(before);
    return true;
}

ISR(USART_UDRE_vect)
{
    const uint8_t out = transmit_out;
    if (out == transmit_in) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = transmit[out];
    transmit_out = out + 1u;
}
