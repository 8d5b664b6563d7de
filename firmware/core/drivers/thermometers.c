/* DS18B20 thermometers, any number on a pin: one conversion for each bus, then each scratchpad, a byte in each idle slot
 * (commands, times and scratchpad from the part's data sheet). */
#include "port.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

enum command { SKIP_ROM = 0xCC, MATCH_ROM = 0x55, CONVERT = 0x44, READ_SCRATCHPAD = 0xBE };

/* 750 ms for 12 bits at most. */
#define CONVERSION_MS 755u
#define SCRATCHPAD_BYTES 9u

enum phase { RESTING, CONVERTING, WAITING, READING };

static struct {
    uint8_t phase;
    uint8_t input;
    uint8_t at; /* byte of the exchange, 0 is the reset */
    uint8_t crc;
    uint8_t all; /* of the scratchpad's bytes or'ed: a bus that fell low reads zeros, whose checksum is right */
    bool is_retry;
    uint16_t raw;
    uint16_t since;
} now_doing;

void thermometers_start(void)
{
    now_doing.phase = RESTING;
}

void thermometers_begin(void)
{
    if (now_doing.phase == RESTING) {
        now_doing.phase = CONVERTING;
        now_doing.input = 0;
        now_doing.at = 0;
    }
}

bool thermometers_are_read(void)
{
    return now_doing.phase == RESTING;
}

/* CRC-8 of the part, x^8 + x^5 + x^4 + 1, reflected. */
static uint8_t crc8_add(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t n = 8; n != 0; n--) {
        bool is_odd = (crc & 1u) != 0;
        crc >>= 1;
        if (is_odd) {
            crc ^= 0x8Cu;
        }
    }
    return crc;
}

static void next(void)
{
    now_doing.input++;
    now_doing.at = 0;
    now_doing.is_retry = false;
}

/* Whether an earlier thermometer stands on the same pin: its conversion was this one's too. */
static bool has_begun(uint8_t pin)
{
    for (uint8_t i = 0; i < now_doing.input; i++) {
        struct number_entry other;
        wiring_number(i, &other);
        if (other.driver == DS18B20 && other.pin == pin) {
            return true;
        }
    }
    return false;
}

static void convert(uint8_t pin)
{
    uint8_t at = now_doing.at++;
    if (at == 0) {
        if (has_begun(pin) || !port_onewire_reset(pin)) {
            next();
        }
    } else if (at == 1) {
        port_onewire_byte(pin, SKIP_ROM);
    } else {
        port_onewire_byte(pin, CONVERT);
        next();
    }
}

static void fail(void)
{
    if (now_doing.is_retry) {
        next();
    } else {
        now_doing.at = 0;
        now_doing.is_retry = true;
    }
}

/* Reset; MATCH_ROM and eight bytes, or SKIP_ROM; READ_SCRATCHPAD; nine bytes. */
enum { AT_ROM = 2, AT_READ = 10, AT_SCRATCHPAD = 11 };

static void read(const struct number_entry *entry)
{
    uint8_t pin = entry->pin;
    uint8_t at = now_doing.at++;
    if (at == 0) {
        now_doing.crc = 0;
        now_doing.all = 0;
        if (!port_onewire_reset(pin)) {
            fail();
        }
    } else if (at == 1) {
        uint8_t rom = 0;
        for (uint8_t i = 0; i < 8; i++) {
            rom |= wiring_byte((uint16_t)(entry->rom_at + i));
        }
        if (rom == 0) {
            now_doing.at = AT_READ;
        }
        port_onewire_byte(pin, rom == 0 ? SKIP_ROM : MATCH_ROM);
    } else if (at < AT_READ) {
        port_onewire_byte(pin, wiring_byte((uint16_t)(entry->rom_at + at - AT_ROM)));
    } else if (at == AT_READ) {
        port_onewire_byte(pin, READ_SCRATCHPAD);
    } else {
        uint8_t byte = port_onewire_byte(pin, 0xFF);
        now_doing.crc = crc8_add(now_doing.crc, byte);
        now_doing.all |= byte;
        if (at == AT_SCRATCHPAD) {
            now_doing.raw = byte;
        } else if (at == AT_SCRATCHPAD + 1) {
            now_doing.raw |= (uint16_t)(byte << 8);
        } else if (at == AT_SCRATCHPAD + SCRATCHPAD_BYTES - 1) {
            if (now_doing.crc != 0 || now_doing.all == 0) {
                fail();
            } else {
                number_read(now_doing.input, now_doing.raw);
                next();
            }
        }
    }
}

void thermometers_idle(void)
{
    if (now_doing.phase == RESTING) {
        return;
    }
    if (now_doing.phase == WAITING) {
        if ((uint16_t)(port_ms() - now_doing.since) >= CONVERSION_MS) {
            now_doing.phase = READING;
            now_doing.input = 0;
        }
        return;
    }
    struct number_entry entry;
    for (; now_doing.input < wiring.n_numbers; now_doing.input++) {
        wiring_number(now_doing.input, &entry);
        if (entry.driver == DS18B20) {
            break;
        }
    }
    if (now_doing.input == wiring.n_numbers) {
        now_doing.since = port_ms();
        now_doing.phase = now_doing.phase == CONVERTING ? WAITING : RESTING;
    } else if (now_doing.phase == CONVERTING) {
        convert(entry.pin);
    } else {
        read(&entry);
    }
}
