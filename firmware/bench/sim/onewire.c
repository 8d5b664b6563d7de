/* DS18B20 thermometers on one-wire buses, by their data sheet: reset and presence, ROM commands (read, match, skip, search),
 * conversion (750 ms), scratchpad with its CRC-8, 85.0 at power-up.
 *
 * A part is as slow and as strict as the data sheet lets it be: it answers a read slot for just 15 us from the falling edge, it
 * looks at a written bit 30 us behind the edge, and it wants 480 us of reset. What the master does outside of its limits is
 * counted. */
#include "sim.h"

#include <stdio.h>
#include <string.h>

enum { READ_ROM = 0x33, MATCH_ROM = 0x55, SKIP_ROM = 0xCC, SEARCH_ROM = 0xF0 };
enum { CONVERT = 0x44, READ_SCRATCHPAD = 0xBE, WRITE_SCRATCHPAD = 0x4E, COPY = 0x48, RECALL = 0xB8, READ_SUPPLY = 0xB4 };

uint32_t onewire_n_violations;
char onewire_violation[80];

enum state { DEAF, ROM_COMMAND, MATCHING, SEARCHING, FUNCTION, SENDING_ROM, SENDING, RECEIVING, CONVERTING, POWER_BIT };

static struct probe_part {
    uint8_t pin, puller;
    uint8_t rom[8], scratchpad[9];
    int16_t code;
    int fault, n_fault;
    bool is_damaged_now;
    enum state state;
    unsigned n_bits;   /* done of the present stage */
    unsigned search_stage;
    uint8_t shift;
    bool is_converting;
    uint32_t n_conversions;
} probes_of[16];
static unsigned n_probes;

static struct bus {
    uint8_t pin;
    bool is_low;
    uint64_t fell, rose;
    bool is_used;
} buses[8];
static unsigned n_buses;

static void violation(const char *what, double us) {
    onewire_n_violations++;
    snprintf(onewire_violation, sizeof onewire_violation, "%s %.1f us", what, us);
}

/* CRC of the Maxim parts: x^8 + x^5 + x^4 + 1, reflected. */
static uint8_t crc8(const uint8_t *bytes, size_t n) {
    uint8_t crc = 0;
    for (size_t i = 0; i < n; i++)
        for (unsigned j = 0; j < 8; j++) {
            bool mix = (crc ^ bytes[i] >> j) & 1;
            crc = (uint8_t)(crc >> 1);
            if (mix) crc ^= 0x8C;
        }
    return crc;
}

static void put_temperature(struct probe_part *p, int16_t code) {
    p->scratchpad[0] = (uint8_t)code;
    p->scratchpad[1] = (uint8_t)((uint16_t)code >> 8);
    p->scratchpad[8] = crc8(p->scratchpad, 8);
}

static void power_up(struct probe_part *p) {
    static const uint8_t fresh[8] = {0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10};
    memcpy(p->scratchpad, fresh, 8);
    put_temperature(p, 85 * 16);
    p->state = DEAF;
    p->is_converting = false;
}

void ds18b20_power(void) {
    for (unsigned i = 0; i < n_probes; i++) power_up(&probes_of[i]);
}

static void converted(void *param) {
    struct probe_part *p = param;
    if (!p->is_converting) return;
    p->is_converting = false;
    p->n_conversions++;
    put_temperature(p, p->code);
}

static bool is_there(const struct probe_part *p) { return p->fault != PROBE_ABSENT && chip_is_powered; }

static void release(void *param) {
    struct probe_part *p = param;
    pin_pull_low(p->pin, false, p->puller);
}

static void announce(void *param) {
    struct probe_part *p = param;
    pin_pull_low(p->pin, true, p->puller);
    at(now() + from_us(120), release, p);
}

static bool rom_bit(const struct probe_part *p, unsigned n) { return p->rom[n >> 3] >> (n & 7) & 1; }

static void use_up_fault(struct probe_part *p) {
    if (p->n_fault > 0 && --p->n_fault == 0) p->fault = PROBE_FINE;
}

/* The bit that the part puts on the bus in a read slot, or -1 when it lets the bus alone. */
static int bit_to_send(const struct probe_part *p) {
    switch (p->state) {
    case SENDING_ROM: return rom_bit(p, p->n_bits);
    case SEARCHING: return p->search_stage == 0 ? rom_bit(p, p->n_bits) : p->search_stage == 1 ? !rom_bit(p, p->n_bits) : -1;
    case SENDING: {
        if (p->n_bits >= 72) return -1;
        bool b = p->scratchpad[p->n_bits >> 3] >> (p->n_bits & 7) & 1;
        return p->is_damaged_now && p->n_bits == 3 ? !b : b;
    }
    case CONVERTING: return !p->is_converting;
    case POWER_BIT: return 1;
    default: return -1;
    }
}

static void sent(struct probe_part *p) {
    if (p->state == SEARCHING) p->search_stage++;
    else if (p->state == SENDING_ROM && ++p->n_bits == 64) p->state = FUNCTION, p->n_bits = 0;
    else if (p->state == SENDING && ++p->n_bits == 72) use_up_fault(p);
}

static void begin_conversion(struct probe_part *p) {
    p->state = CONVERTING;
    if (p->fault == PROBE_RESETS) { /* its supply dips under the load: back to power-up */
        power_up(p);
        p->state = CONVERTING;
        use_up_fault(p);
        return;
    }
    p->is_converting = true;
    at(now() + from_us(p->fault == PROBE_SLOW ? 1500e3 : 750e3), converted, p);
}

static void received(struct probe_part *p, bool bit) {
    switch (p->state) {
    case SEARCHING:
        if (p->search_stage != 2) return;
        p->search_stage = 0;
        if (bit != rom_bit(p, p->n_bits)) p->state = DEAF;
        else if (++p->n_bits == 64) p->state = FUNCTION, p->n_bits = 0;
        return;
    case MATCHING:
        if (bit != rom_bit(p, p->n_bits)) p->state = DEAF;
        else if (++p->n_bits == 64) p->state = FUNCTION, p->n_bits = 0, p->shift = 0;
        return;
    case ROM_COMMAND:
    case FUNCTION:
    case RECEIVING: break;
    default: return;
    }
    p->shift = (uint8_t)(p->shift >> 1 | (bit ? 0x80 : 0));
    if (++p->n_bits % 8) return;
    uint8_t byte = p->shift;
    if (p->state == RECEIVING) {
        p->scratchpad[1 + p->n_bits / 8] = byte; /* TH, TL, configuration */
        p->scratchpad[8] = crc8(p->scratchpad, 8);
        if (p->n_bits == 24) p->state = DEAF;
        return;
    }
    p->n_bits = 0;
    p->shift = 0;
    if (p->state == ROM_COMMAND) {
        p->state = byte == READ_ROM ? SENDING_ROM : byte == MATCH_ROM ? MATCHING : byte == SKIP_ROM ? FUNCTION
                 : byte == SEARCH_ROM ? SEARCHING : DEAF;
        p->search_stage = 0;
        return;
    }
    switch (byte) {
    case CONVERT: begin_conversion(p); break;
    case READ_SCRATCHPAD:
        p->state = SENDING;
        p->is_damaged_now = p->fault == PROBE_DAMAGED;
        break;
    case WRITE_SCRATCHPAD: p->state = RECEIVING; break;
    case READ_SUPPLY: p->state = POWER_BIT; break;
    default: p->state = DEAF; break;
    }
}

/* 30 us behind a falling edge the parts look at the bus. */
static void look(void *param) {
    struct bus *bus = param;
    bool is_master_low = pin_is_output(bus->pin) && !pin_level(bus->pin);
    for (unsigned i = 0; i < n_probes; i++) {
        struct probe_part *p = &probes_of[i];
        if (p->pin != bus->pin || !is_there(p)) continue;
        if (bit_to_send(p) >= 0) sent(p);
        else received(p, !is_master_low);
    }
}

static void fell(struct bus *bus) {
    double us = (double)(now() - bus->rose) * 1e6 / chip->frequency;
    if (bus->is_used && us < 1) violation("recovery of", us);
    bus->fell = now();
    bus->is_used = true;
    for (unsigned i = 0; i < n_probes; i++) {
        struct probe_part *p = &probes_of[i];
        if (p->pin != bus->pin || !is_there(p) || bit_to_send(p) != 0) continue;
        pin_pull_low(p->pin, true, p->puller);
        at(now() + from_us(15), release, p);
    }
    at(now() + from_us(30), look, bus);
}

static void rose(struct bus *bus) {
    double us = (double)(now() - bus->fell) * 1e6 / chip->frequency;
    bus->rose = now();
    if (us >= 400) {
        never(look, bus);
        if (us < 480) violation("reset of", us);
        for (unsigned i = 0; i < n_probes; i++) {
            struct probe_part *p = &probes_of[i];
            if (p->pin != bus->pin || !is_there(p)) continue;
            never(release, p);
            pin_pull_low(p->pin, false, p->puller);
            p->state = ROM_COMMAND;
            p->n_bits = 0;
            p->shift = 0;
            at(now() + from_us(30), announce, p);
        }
    } else if (us > 120) {
        violation("slot of", us);
    } else if (us > 15.5 && us < 60) {
        violation("neither one nor zero, low for", us);
    }
}

/* The master alone: whether the chip pulls the bus low. Parts that pull do not start slots. */
static void changed(void *param, bool level) {
    (void)level;
    struct bus *bus = param;
    bool is_low = pin_is_output(bus->pin) && !level;
    if (is_low == bus->is_low) return;
    bus->is_low = is_low;
    if (is_low) fell(bus);
    else rose(bus);
}

/* A part that still pulls when the master lets go hides that edge from `changed`; each release looks again. */
void onewire_direction(uint8_t pin) {
    for (unsigned i = 0; i < n_buses; i++)
        if (buses[i].pin == pin) changed(&buses[i], pin_level(pin));
}

int ds18b20_add(uint8_t pin, const uint8_t *rom7) {
    if (n_probes == 16) return -1;
    struct bus *bus = NULL;
    for (unsigned i = 0; i < n_buses; i++)
        if (buses[i].pin == pin) bus = &buses[i];
    if (!bus) {
        if (n_buses == 8) return -1;
        bus = &buses[n_buses++];
        bus->pin = pin;
        pin_drive(pin, DRIVE_PULL_UP);
        pin_listen(pin, changed, bus);
    }
    struct probe_part *p = &probes_of[n_probes];
    p->pin = pin;
    p->puller = (uint8_t)(1 + n_probes);
    memcpy(p->rom, rom7, 7);
    p->rom[7] = crc8(rom7, 7);
    p->code = 25 * 16;
    power_up(p);
    return (int)n_probes++;
}

bool ds18b20_set(int probe, int16_t code, int fault, int n_times) {
    if (probe < 0 || (unsigned)probe >= n_probes) return false;
    struct probe_part *p = &probes_of[probe];
    p->code = code;
    p->fault = fault;
    p->n_fault = n_times;
    if (fault == PROBE_ABSENT) {
        never(release, p);
        never(announce, p);
        pin_pull_low(p->pin, false, p->puller);
        p->state = DEAF;
    }
    return true;
}

uint32_t ds18b20_conversions(int probe) {
    return probe >= 0 && (unsigned)probe < n_probes ? probes_of[probe].n_conversions : 0;
}
