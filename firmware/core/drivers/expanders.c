/* MCP23008, MCP23017 and PCF8574 expanders, inputs and outputs on one part.
 *
 * All that a part must hold is written to it in each scan, levels before directions, so a part that has lost its power or
 * its mind is right again within a scan; before that its directions are read, which tells that it did; after that its lines. */
#include "events.h"
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

/* Registers of the MCP23008 (data sheet); the MCP23017 has each twice, at double the number (its bank bit 0). */
enum { IODIR = 0x00, GPPU = 0x06, GPIO = 0x09, OLAT = 0x0A };

void device_heard(uint8_t device, bool is_heard)
{
    uint8_t misses = device_states[device];
    bool was_lost = misses >= DEVICE_LOST_AT;
    if (is_heard) {
        device_states[device] = 0;
        if (was_lost) {
            bits_sample(device);
            runtime_event(EVENT_DEVICE_BACK, device);
        }
    } else if (!was_lost) {
        misses++;
        device_states[device] = misses;
        if (misses == DEVICE_LOST_AT) {
            runtime_event(EVENT_DEVICE_LOST, device);
        }
    }
}

bool device_is_lost(uint8_t device)
{
    return device_states[device] >= DEVICE_LOST_AT;
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

static uint8_t n_ports(const struct device_entry *entry)
{
    return entry->kind == MCP23017 ? 2 : 1;
}

static bool get(const struct device_entry *entry, uint8_t reg, uint16_t *lines)
{
    uint8_t n = n_ports(entry);
    uint8_t bytes[2];
    bytes[0] = (uint8_t)(reg * n);
    uint8_t n_out = entry->kind == PCF8574 ? 0 : 1;
    bytes[1] = 0;
    uint8_t in[2] = {0, 0};
    bool is_heard = port_i2c(entry->address, bytes, n_out, in, n);
    *lines = (uint16_t)(in[0] | (uint16_t)(in[1] << 8));
    return is_heard;
}

static bool put(const struct device_entry *entry, uint8_t reg, uint16_t lines)
{
    uint8_t n = n_ports(entry);
    uint8_t bytes[3] = {(uint8_t)(reg * n), (uint8_t)lines, (uint8_t)(lines >> 8)};
    if (entry->kind == PCF8574) {
        return port_i2c(entry->address, bytes + 1, 1, bytes, 0);
    }
    return port_i2c(entry->address, bytes, (uint8_t)(n + 1u), bytes, 0);
}

bool expander_lines(uint8_t device, uint16_t *lines)
{
    struct device_entry entry;
    wiring_device(device, &entry);
    if (device_is_lost(device)) {
        return false;
    }
    bool is_heard = get(&entry, GPIO, lines);
    device_heard(device, is_heard);
    return is_heard;
}

struct duty {
    uint16_t outputs; /* lines that are outputs */
    uint16_t high;    /* those that shall be high */
    uint16_t safe;    /* those that are high in their safe state */
};

static void duty_of(uint8_t device, struct duty *duty)
{
    duty->outputs = 0;
    duty->high = 0;
    duty->safe = 0;
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        struct output_entry entry;
        wiring_output(i, &entry);
        if (entry.driver != OUTPUT_EXPANDER || entry.pin != device) {
            continue;
        }
        uint16_t line = (uint16_t)(1u << entry.line);
        duty->outputs |= line;
        if (output_is_high(i, entry.active_low, entry.on_when_safe)) {
            duty->high |= line;
        }
        if (entry.on_when_safe != entry.active_low) {
            duty->safe |= line;
        }
    }
}

/* Levels, then directions and pull-ups. Lines of a PCF8574 that are inputs are written high. */
static bool write_levels(const struct device_entry *entry, const struct duty *duty, uint16_t high)
{
    if (entry->kind == PCF8574) {
        return put(entry, 0, (uint16_t)(high | (uint16_t)~duty->outputs));
    }
    return put(entry, OLAT, high);
}

/* Looks at each output of the device; those that do not follow for the third time get their safe level. */
static bool check(uint8_t device, const struct device_entry *entry, const struct duty *duty)
{
    uint16_t lines;
    if (!get(entry, GPIO, &lines)) {
        return false;
    }
    uint16_t wrong = 0;
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        struct output_entry output;
        wiring_output(i, &output);
        if (output.driver == OUTPUT_EXPANDER && output.pin == device) {
            uint16_t line = (uint16_t)(1u << output.line);
            output_checked(i, ((lines ^ duty->high) & line) == 0);
            if ((output_states[i] & OUTPUT_MISSES) == OUTPUT_MISSES) {
                wrong |= line;
            }
        }
    }
    if (wrong == 0) {
        return true;
    }
    return write_levels(entry, duty, (uint16_t)((duty->high & (uint16_t)~wrong) | (duty->safe & wrong)));
}

void expander_refresh(uint8_t device, bool is_checked)
{
    struct device_entry entry;
    wiring_device(device, &entry);
    if (entry.kind > PCF8574) {
        return;
    }
    struct duty duty;
    duty_of(device, &duty);
    uint16_t inputs = (uint16_t)~duty.outputs;
    bool is_heard = write_levels(&entry, &duty, duty.high);
    if (is_heard && entry.kind != PCF8574) {
        uint16_t directions = 0;
        is_heard = get(&entry, IODIR, &directions) && put(&entry, IODIR, inputs) && put(&entry, GPPU, inputs);
        uint16_t known = n_ports(&entry) == 2 ? 0xFFFFu : 0x00FFu;
        if (is_heard && is_checked && ((directions ^ inputs) & known) != 0) {
            /* It had forgotten its directions: its outputs floated. */
            runtime_event(EVENT_DEVICE_LOST, device);
            runtime_event(EVENT_DEVICE_BACK, device);
        }
    }
    if (is_heard && is_checked) {
        is_heard = check(device, &entry, &duty);
    }
    device_heard(device, is_heard);
}

void expanders_write(bool are_checked)
{
    for (uint8_t i = 0; i < wiring.n_devices; i++) {
        expander_refresh(i, are_checked);
    }
}
