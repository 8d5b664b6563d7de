/* Expanders on the two-wire bus: MCP23008 and MCP23017 (banks as after power-up, sequential addresses) and PCF8574, by their
 * data sheets. A line that the chip's side makes an output reads its latch; others read what the test drives, with the
 * part's pull-up as a high level. */
#include "sim.h"

#include <string.h>

enum { IODIR = 0, IPOL = 1, GPPU = 6, GPIO = 9, OLAT = 10 }; /* registers of one port */

static struct expander {
    uint8_t kind, address;
    uint16_t outside; /* levels that the test drives on inputs */
    uint8_t registers[2][11];
    uint8_t pointer;
    bool has_pointer;
    uint8_t latch; /* PCF8574 */
} expanders[8];
static unsigned n_expanders;

static struct expander *find(uint8_t address) {
    for (unsigned i = 0; i < n_expanders; i++)
        if (expanders[i].address == address) return &expanders[i];
    return NULL;
}

static void forget(struct expander *e) {
    memset(e->registers, 0, sizeof e->registers);
    e->registers[0][IODIR] = e->registers[1][IODIR] = 0xFF;
    e->latch = 0xFF;
    e->pointer = 0;
}

static uint8_t port_level(const struct expander *e, unsigned port) {
    uint8_t in = (uint8_t)(e->outside >> (8 * port)), direction = e->registers[port][IODIR];
    return (uint8_t)((in & direction) | (e->registers[port][OLAT] & ~direction));
}

static void split(const struct expander *e, unsigned *port, unsigned *reg) {
    if (e->kind == 17) {
        *port = e->pointer & 1;
        *reg = (unsigned)(e->pointer >> 1);
    } else {
        *port = 0;
        *reg = e->pointer;
    }
}

static void step(struct expander *e) {
    e->pointer++;
    if (e->pointer >= (e->kind == 17 ? 22 : 11)) e->pointer = 0;
}

static bool begin(struct i2c_part *part, bool is_read) {
    struct expander *e = part->state;
    if (!is_read) e->has_pointer = false;
    return true;
}

static bool write_byte(struct i2c_part *part, uint8_t byte) {
    struct expander *e = part->state;
    if (e->kind == 74) {
        e->latch = byte;
        return true;
    }
    if (!e->has_pointer) {
        e->has_pointer = true;
        e->pointer = byte;
        return true;
    }
    unsigned port, reg;
    split(e, &port, &reg);
    if (reg <= 10) e->registers[port][reg == GPIO ? OLAT : reg] = byte;
    step(e);
    return true;
}

static uint8_t read_byte(struct i2c_part *part) {
    struct expander *e = part->state;
    if (e->kind == 74) return (uint8_t)(e->latch & e->outside);
    unsigned port, reg;
    split(e, &port, &reg);
    uint8_t v = reg == GPIO ? port_level(e, port) ^ (e->registers[port][IPOL] & e->registers[port][IODIR])
              : reg <= 10   ? e->registers[port][reg]
                            : 0;
    step(e);
    return v;
}

static void powered(struct i2c_part *part) { forget(part->state); }

bool expander_add(uint8_t kind, uint8_t address) {
    if (n_expanders == 8 || (kind != 8 && kind != 17 && kind != 74)) return false;
    struct i2c_part *part = i2c_add(address);
    if (!part) return false;
    struct expander *e = &expanders[n_expanders++];
    e->kind = kind;
    e->address = address;
    e->outside = 0xFFFF;
    forget(e);
    part->state = e;
    part->begin = begin;
    part->write = write_byte;
    part->read = read_byte;
    part->power = powered;
    return true;
}

bool expander_set(uint8_t address, uint16_t levels) {
    struct expander *e = find(address);
    if (e) e->outside = levels;
    return e != NULL;
}

bool expander_get(uint8_t address, uint16_t *levels, uint16_t *directions, uint16_t *latches) {
    const struct expander *e = find(address);
    if (!e) return false;
    if (e->kind == 74) {
        *levels = (uint16_t)(e->latch & e->outside & 0xFF);
        *directions = *latches = e->latch;
        return true;
    }
    *levels = (uint16_t)(port_level(e, 0) | port_level(e, 1) << 8);
    *directions = (uint16_t)(e->registers[0][IODIR] | e->registers[1][IODIR] << 8);
    *latches = (uint16_t)(e->registers[0][OLAT] | e->registers[1][OLAT] << 8);
    return true;
}

bool expander_forget(uint8_t address) {
    struct expander *e = find(address);
    if (e) forget(e);
    return e != NULL;
}

bool expander_poke(uint8_t address, uint8_t reg, uint8_t value) {
    struct expander *e = find(address);
    if (!e) return false;
    if (e->kind == 74) {
        e->latch = value;
        return true;
    }
    unsigned port = e->kind == 17 ? reg & 1u : 0, of_port = e->kind == 17 ? reg >> 1 : reg;
    if (of_port > 10) return false;
    e->registers[port][of_port] = value;
    return true;
}
