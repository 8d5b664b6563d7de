/* Pins as levels, and the interrupts on their edges. */
#include "internal.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "drivers.h"
#include "port.h"

static volatile uint8_t nowhere[3];

volatile uint8_t *pin_registers(uint8_t pin)
{
    uint8_t port = pin / 8u; /* A is 0 */
#if defined(__AVR_ATmega2560__)
    if (port >= 7) { /* H, then J without an I, K, L */
        if (port == 8 || port > 11) {
            return nowhere;
        }
        return &PINH + 3 * (port == 7 ? 0 : port - 8);
    }
#elif defined(__AVR_ATmega32U4__)
    if (port < 1 || port > 5) {
        return nowhere;
    }
#else
    if (port < 1 || port > 3) {
        return nowhere;
    }
#endif
    return &PINB + 3 * (int8_t)(port - 1);
}

uint8_t pin_mask(uint8_t pin)
{
    uint8_t mask = 1;
    for (pin &= 7u; pin != 0; pin--) {
        mask = (uint8_t)(mask << 1);
    }
    return mask;
}

static void put(volatile uint8_t *place, uint8_t mask, bool is_one)
{
    uint8_t byte = *place | mask;
    if (!is_one) {
        byte ^= mask;
    }
    *place = byte;
}

void port_pin_input(uint8_t pin, bool with_pull_up)
{
    volatile uint8_t *registers = pin_registers(pin);
    uint8_t mask = pin_mask(pin);
    pwm_end(pin);
    put(&registers[PIN_DIRECTION], mask, false);
    put(&registers[PIN_DRIVE], mask, with_pull_up);
}

void port_pin_output(uint8_t pin, bool is_high)
{
    volatile uint8_t *registers = pin_registers(pin);
    uint8_t mask = pin_mask(pin);
    put(&registers[PIN_DRIVE], mask, is_high);
    put(&registers[PIN_DIRECTION], mask, true);
    pwm_end(pin);
}

bool port_pin_is_high(uint8_t pin)
{
    return (pin_registers(pin)[PIN_LEVEL] & pin_mask(pin)) != 0;
}

#if defined(__AVR_ATmega328P__)

bool port_watch(uint8_t pin)
{
    uint8_t port = pin / 8u;
    if (port < 1 || port > 3) {
        return false;
    }
    port--;
    (&PCMSK0)[port] |= pin_mask(pin);
    PCICR = 7; /* the masks alone tell whose edges count */
    return true;
}

#else

/* Pin-change groups and external interrupts of the larger chips (their data sheets, pin configurations). */
bool port_watch(uint8_t pin)
{
    uint8_t port = pin / 8u;
    uint8_t line = pin & 7u;
    if (port == 1) {
        PCMSK0 |= pin_mask(pin);
        PCICR |= 1u;
        return true;
    }
    if (port == 3 && line < 4) { /* PD0..PD3: INT0..INT3, both edges */
        EICRA = (uint8_t)(EICRA | 1u << (2 * line));
        EIMSK |= pin_mask(line);
        return true;
    }
#if defined(__AVR_ATmega2560__)
    if (port == 4 && line >= 4) { /* PE4..PE7: INT4..INT7 */
        EICRB = (uint8_t)(EICRB | 1u << (2 * (line - 4)));
        EIMSK |= pin_mask(line);
        return true;
    }
    if (port == 9 && line < 7) { /* PJ0..PJ6: PCINT9..15 */
        PCMSK1 = (uint8_t)(PCMSK1 | 2u << line);
        PCICR |= 2u;
        return true;
    }
    if (port == 10) { /* PK: PCINT16..23 */
        PCMSK2 |= pin_mask(pin);
        PCICR |= 4u;
        return true;
    }
#else
    if (pin == 4 * 8 + 6) { /* PE6: INT6 */
        EICRB |= (uint8_t)(1u << 4);
        EIMSK |= (uint8_t)(1u << 6);
        return true;
    }
#endif
    return false;
}

ISR(INT0_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT1_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT2_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT3_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT6_vect, ISR_ALIASOF(PCINT0_vect));
#if defined(__AVR_ATmega2560__)
ISR(INT4_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT5_vect, ISR_ALIASOF(PCINT0_vect));
ISR(INT7_vect, ISR_ALIASOF(PCINT0_vect));
#endif

#endif

ISR(PCINT0_vect)
{
    edges_changed();
}
#if !defined(__AVR_ATmega32U4__)
ISR(PCINT1_vect, ISR_ALIASOF(PCINT0_vect));
ISR(PCINT2_vect, ISR_ALIASOF(PCINT0_vect));
#endif
