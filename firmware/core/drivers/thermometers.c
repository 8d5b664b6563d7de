/* DS18B20 thermometers, any number on a pin: one conversion for each bus, then each scratchpad, a byte at each call
 * (commands, times and scratchpad from the part's data sheet). */
#include "port.h"
#include "small.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

enum command { SKIP_ROM = 0xCC, MATCH_ROM = 0x55, CONVERT = 0x44, READ_SCRATCHPAD = 0xBE };

/* 750 ms for 12 bits at most. */
#define CONVERSION_MS 755u

/* An exchange: reset; MATCH_ROM and eight bytes, or SKIP_ROM; a command; nine bytes of the scratchpad. */
enum { AT_RESET, AT_SELECT, AT_ROM, AT_COMMAND = AT_ROM + 8, AT_SCRATCHPAD, AT_END = AT_SCRATCHPAD + 9 };

enum phase { RESTING, CONVERTING, WAITING, READING };

static struct exchange {
    uint8_t phase;
    uint8_t input;
    uint8_t at;
    uint8_t crc;
    uint8_t all; /* of the scratchpad's bytes or'ed: a bus that fell low reads zeros, whose checksum is right */
    bool is_retry;
    uint8_t last_pin, pin_before; /* buses told last; more than two that take turns are told twice, which does no harm */
    uint8_t raw[2];
    uint16_t since;
} exchange;

void thermometers_start(void)
{
    exchange.phase = RESTING;
    thermometers_begin();
}

void thermometers_begin(void)
{
    if (thermometers_are_read()) {
        exchange.phase = CONVERTING;
        exchange.input = 0;
        exchange.last_pin = exchange.pin_before = NO_PIN;
    }
}

bool thermometers_are_read(void)
{
    return exchange.phase == RESTING;
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

/* One byte of the exchange with `number`; false when it has ended, well or not. */
static bool step(struct exchange *now)
{
    uint8_t pin = number.pin;
    uint8_t at = now->at++;
    if (at == AT_RESET) {
        now->crc = 0;
        now->all = 0;
        return port_onewire_reset(pin);
    }
    uint8_t byte = 0xFF;
    bool is_all = now->phase == CONVERTING;
    if (at == AT_SELECT) {
        uint8_t rom = 0;
        for (uint8_t i = 0; i < 8; i++) {
            rom |= wiring_byte((uint16_t)(number.rom_at + i));
        }
        byte = MATCH_ROM;
        if (is_all || rom == 0) {
            byte = SKIP_ROM;
            now->at = AT_COMMAND;
        }
    } else if (at < AT_COMMAND) {
        byte = wiring_byte((uint16_t)(number.rom_at + at - AT_ROM));
    } else if (at == AT_COMMAND) {
        byte = is_all ? CONVERT : READ_SCRATCHPAD;
    }
    byte = port_onewire_byte(pin, byte);
    if (at >= AT_SCRATCHPAD) {
        now->crc = crc8_add(now->crc, byte);
        now->all |= byte;
        at = (uint8_t)(at - AT_SCRATCHPAD);
        if (at < sizeof now->raw) {
            now->raw[at] = byte;
        }
    }
    return now->at != AT_END && !(is_all && now->at == AT_SCRATCHPAD);
}

APART void thermometers_idle(void)
{
    struct exchange *now = &exchange;
    BY_POINTER(now);
    if (now->phase == RESTING) {
        return;
    }
    if (now->phase == WAITING) {
        if (have_passed(&now->since, CONVERSION_MS)) {
            now->phase = READING;
            now->input = 0;
        }
        return;
    }
    if (now->input == wiring.n_numbers) {
        now->since = now_ms;
        now->phase = (uint8_t)((now->phase + 1u) & 3u);
        return;
    }
    number_ask(now->input);
    bool is_converting = now->phase == CONVERTING;
    if (number.driver == DS18B20 && !(is_converting && (number.pin == now->last_pin || number.pin == now->pin_before))) {
        if (step(now)) {
            return;
        }
        if (is_converting) {
            now->pin_before = now->last_pin;
            now->last_pin = number.pin;
        } else if (now->at == AT_END && now->crc == 0 && now->all != 0) {
            number_read(now->input, (uint16_t)(now->raw[0] | (uint16_t)now->raw[1] << 8));
        } else if (!now->is_retry) {
            now->is_retry = true;
            now->at = AT_RESET;
            return;
        }
    }
    now->is_retry = false;
    now->at = AT_RESET;
    now->input++;
}
