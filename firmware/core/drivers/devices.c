/* Devices on the I2C bus, and of them the expanders MCP23008, MCP23017 and PCF8574, inputs and outputs on one part.
 *
 * All that an expander must hold is written to it in each scan, levels before directions, so a part that has lost its power or
 * its mind is right again within a scan. */
#include "events.h"
#include "port.h"
#include "runtime.h"
#include "small.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

/* Registers of the MCP23008 (data sheet); the MCP23017 has each twice, at double the number (its bank bit 0). */
enum { IODIR = 0x00, IPOL = 0x01, IOCON = 0x05, GPPU = 0x06, GPIO = 0x09, OLAT = 0x0A };

struct device_entry device;
uint8_t bus[BUS_OUT + BUS_IN];
uint16_t lines_heard;
static uint8_t asked;

void device_ask(uint8_t number)
{
    asked = number;
    wiring_device(number, &device);
}

uint8_t device_find(uint8_t first_kind, uint8_t last_kind)
{
    uint8_t i = 0;
    for (; i < wiring.n_devices; i++) {
        device_ask(i);
        if (device.kind >= first_kind && device.kind <= last_kind) {
            break;
        }
    }
    return i;
}

bool bus_do(uint8_t n_out, uint8_t n_in)
{
    return port_i2c(device.address, bus, n_out, bus_in, n_in);
}

void device_heard(uint8_t number, bool is_heard)
{
    uint8_t *misses = &device_states[number];
    bool was_lost = *misses == DEVICE_LOST_AT;
    if (is_heard) {
        *misses = 0;
        if (was_lost) {
            bits_sample(number);
            runtime_event(EVENT_DEVICE_BACK, number);
        }
    } else if (!was_lost) {
        (*misses)++;
        if (device_is_lost(number)) {
            runtime_event(EVENT_DEVICE_LOST, number);
        }
    }
}

APART bool device_is_lost(uint8_t number)
{
    return device_states[number] == DEVICE_LOST_AT;
}

bool devices_answer(void)
{
    for (uint8_t i = 0; i < wiring.n_devices; i++) {
        if (device_is_lost(i)) {
            return false;
        }
    }
    return true;
}

static uint8_t n_ports(void)
{
    return device.kind == MCP23017 ? 2 : 1;
}

static bool get(uint8_t reg)
{
    uint8_t n = n_ports();
    bus[0] = (uint8_t)(reg * n);
    bus_in[1] = 0xFF; /* lines that a smaller part does not have are inputs, and high */
    bool is_heard = bus_do(device.kind != PCF8574, n);
    lines_heard = (uint16_t)(bus_in[0] | (uint16_t)((uint16_t)bus_in[1] << 8));
    return is_heard;
}

static bool put(uint8_t reg, uint16_t lines)
{
    uint8_t n = n_ports();
    uint8_t n_out = 0;
    if (device.kind != PCF8574) {
        bus[n_out++] = (uint8_t)(reg * n);
    }
    bus[n_out] = (uint8_t)lines;
    bus[n_out + 1] = (uint8_t)(lines >> 8);
    return bus_do((uint8_t)(n_out + n), 0);
}

bool expander_lines(uint8_t number)
{
    if (device_is_lost(number)) {
        return false;
    }
    device_ask(number);
    bool is_heard = get(GPIO);
    device_heard(number, is_heard);
    return is_heard;
}

bool expander_write(uint16_t outputs, uint16_t high)
{
    uint16_t inputs = (uint16_t)~outputs;
    if (device.kind == PCF8574) {
        return put(0, high | inputs) && get(0);
    }
    if (!get(IODIR)) {
        return false;
    }
    bool had_forgotten = lines_heard != inputs;
    if (had_forgotten) {
        bus[0] = IOCON; /* from the other bank, where the registers stand in another order */
        bus[1] = 0;
        bus_do(2, 0);
    }
    uint8_t tries = 2;
    do {
        if (!(put(IOCON, 0) && put(IPOL, 0) && put(OLAT, high) && put(IODIR, inputs) && put(GPPU, inputs) && get(IODIR))) {
            return false;
        }
        if (tries-- == 0) { /* what does not keep its directions is lost, though it answers */
            if (!device_is_lost(asked)) {
                device_states[asked] = DEVICE_LOST_AT - 1;
            }
            return false;
        }
    } while (lines_heard != inputs);
    if (had_forgotten && runtime.n_scans != 0 && !device_is_lost(asked)) {
        runtime_event(EVENT_DEVICE_BACK, asked);
    }
    return get(GPIO);
}

void expanders_release(void)
{
    bus[0] = IODIR;
    bus[1] = bus[2] = 0xFF;
    for (device.address = 0x20; device.address < 0x28; device.address++) {
        bus_do(3, 0);
    }
}
