/* I2C and one-wire, byte by byte. */
#include <avr/io.h>
#include <util/delay.h>

#include "internal.h"
#include "port.h"

#if defined(__AVR_ATmega328P__)
#define SDA_PIN (2u * 8 + 4) /* PC4, PC5 */
#define SCL_PIN (2u * 8 + 5)
#else
#define SDA_PIN (3u * 8 + 1) /* PD1, PD0 */
#define SCL_PIN (3u * 8 + 0)
#endif

/* 100 kHz from 16 MHz (data sheet: 16 + 2 TWBR). */
#define BIT_RATE ((F_CPU / 100000UL - 16) / 2)

/* One step of the bus; its status, 0 when it hung for 1 ms. */
static uint8_t step(uint8_t control)
{
    TWCR = (uint8_t)(control | _BV(TWINT) | _BV(TWEN));
    uint8_t left = 255;
    while ((TWCR & _BV(TWINT)) == 0) {
        if (--left == 0) {
            return 0;
        }
        _delay_us(4);
    }
    return TWSR & 0xF8u;
}

/* A part that lost count in the middle of a byte holds the data line: nine clocks let it end, then a stop. Lines are only ever
 * pulled low or let go. */
static void clear_bus(void)
{
    TWCR = 0;
    port_pin_input(SDA_PIN, true);
    for (uint8_t n = 9; n != 0; n--) {
        port_pin_output(SCL_PIN, false);
        _delay_us(5);
        port_pin_input(SCL_PIN, true);
        _delay_us(5);
    }
    port_pin_output(SDA_PIN, false);
    _delay_us(5);
    port_pin_input(SDA_PIN, true);
}

/* Statuses of the two-wire interface as a master (data sheet). */
enum { STARTED = 0x08, STARTED_AGAIN = 0x10, WRITES = 0x18, WRITTEN = 0x28, READS = 0x40, READ = 0x50, READ_LAST = 0x58 };

bool port_i2c(uint8_t address, const uint8_t *out, uint8_t n_out, uint8_t *in, uint8_t n_in)
{
    TWBR = BIT_RATE;
    uint8_t status = step(_BV(TWSTA));
    bool is_done = false;
    for (;;) {
        uint8_t control = 0;
        if (status == STARTED || status == STARTED_AGAIN) {
            TWDR = (uint8_t)(address << 1 | (n_out == 0));
        } else if (status == WRITES || status == WRITTEN) {
            if (n_out != 0) {
                TWDR = *out++;
                n_out--;
            } else if (n_in != 0) {
                control = _BV(TWSTA);
            } else {
                is_done = true;
                break;
            }
        } else if (status == READS || status == READ || status == READ_LAST) {
            if (status != READS) {
                *in++ = TWDR;
                n_in--;
            }
            if (n_in == 0) {
                is_done = true;
                break;
            }
            if (n_in != 1) {
                control = _BV(TWEA);
            }
        } else {
            break;
        }
        status = step(control);
    }
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    uint8_t left = 25;
    while ((TWCR & _BV(TWSTO)) != 0 && --left != 0) {
        _delay_us(4);
    }
    if (left == 0 || status == 0) {
        clear_bus();
    }
    return is_done;
}

__attribute__((noinline)) bool port_onewire_reset(uint8_t pin)
{
    COUNTS_CYCLES;
    port_pin_input(pin, false);
    if (!port_pin_is_high(pin)) {
        return false; /* a short, or no pull-up: nobody can answer */
    }
    port_pin_output(pin, false);
    _delay_us(480);
    uint8_t state = port_lock();
    port_pin_input(pin, false);
    _delay_us(68);
    bool is_present = !port_pin_is_high(pin);
    port_unlock(state);
    _delay_us(412);
    return is_present;
}

__attribute__((noinline)) uint8_t port_onewire_byte(uint8_t pin, uint8_t byte)
{
    COUNTS_CYCLES;
    volatile uint8_t *registers = pin_registers(pin);
    uint8_t mask = pin_mask(pin);
    for (uint8_t n = 8; n != 0; n--) {
        bool is_one = (byte & 1u) != 0;
        byte >>= 1;
        uint8_t state = port_lock();
        registers[PIN_DIRECTION] |= mask;
        _delay_us(3);
        if (is_one) {
            registers[PIN_DIRECTION] &= (uint8_t)~mask;
        }
        _delay_us(9); /* read before 15 us are over */
        if ((registers[PIN_LEVEL] & mask) != 0) {
            byte |= 0x80u;
        }
        if (is_one) {
            port_unlock(state); /* a high line may wait longer */
            _delay_us(50);
        } else {
            _delay_us(50);
            registers[PIN_DIRECTION] &= (uint8_t)~mask;
            port_unlock(state);
        }
        _delay_us(4);
    }
    return byte;
}
