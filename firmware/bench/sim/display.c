/* A text display (HD44780) behind a PCF8574 in the usual order of lines: RS, RW, E, light, D4 to D7. By the data sheet: 4-bit
 * interface after its set-up sequence, 40 ms from power-up to the first act, 4.1 ms and 100 us between the first three, 1.52 ms
 * for clear and home, 37 us for the rest. Whatever comes too early is lost and counted. */
#include "sim.h"

#include <stdio.h>
#include <string.h>

static struct display {
    uint8_t address, columns, rows;
    uint8_t latch;
    uint8_t memory[128];
    uint8_t cursor;
    bool is_4_bit, has_high, is_on, is_character_memory;
    uint8_t high;
    unsigned n_set_up; /* of the first three function sets */
    uint64_t ready_at;
    uint32_t n_violations, n_acts;
} displays[2];
static unsigned n_displays;

static void fresh(struct display *d) {
    memset(d->memory, ' ', sizeof d->memory);
    d->is_4_bit = d->has_high = d->is_on = d->is_character_memory = false;
    d->n_set_up = 0;
    d->cursor = 0;
    d->latch = 0xFF;
    d->ready_at = now() + from_us(40e3);
}

static void act(struct display *d, bool is_data, uint8_t byte) {
    d->n_acts++;
    d->ready_at = now() + from_us(37);
    if (is_data) {
        if (!d->is_character_memory) d->memory[d->cursor & 0x7F] = byte;
        d->cursor++;
        if (!d->is_character_memory) {
            if (d->cursor == 0x28) d->cursor = 0x40;
            else if (d->cursor == 0x68) d->cursor = 0;
        }
        d->ready_at = now() + from_us(41);
        return;
    }
    if (byte & 0x80) {
        d->cursor = byte & 0x7F;
        d->is_character_memory = false;
    } else if (byte & 0x40) {
        d->is_character_memory = true;
    } else if (byte & 0x20) {
        d->is_4_bit = !(byte & 0x10);
    } else if (byte & 0x08) {
        d->is_on = byte & 4;
    } else if (byte & 0x02) {
        d->cursor = 0;
        d->is_character_memory = false;
        d->ready_at = now() + from_us(1520);
    } else if (byte & 0x01) {
        memset(d->memory, ' ', sizeof d->memory);
        d->cursor = 0;
        d->is_character_memory = false;
        d->ready_at = now() + from_us(1520);
    }
}

/* E falls: four bits are taken. */
static void nibble(struct display *d, bool is_data, uint8_t bits) {
    if (now() < d->ready_at) {
        d->n_violations++;
        return;
    }
    if (!d->is_4_bit) {
        if (is_data) return;
        if (bits == 3 && d->n_set_up < 3) {
            d->n_set_up++;
            d->n_acts++;
            d->ready_at = now() + from_us(d->n_set_up == 1 ? 4100 : 100);
        } else {
            if (d->n_set_up < 3) d->n_violations++;
            act(d, false, (uint8_t)(bits << 4));
        }
        return;
    }
    if (!d->has_high) {
        d->high = bits;
        d->has_high = true;
        return;
    }
    d->has_high = false;
    act(d, is_data, (uint8_t)(d->high << 4 | bits));
}

static bool begin(struct i2c_part *part, bool is_read) {
    (void)part, (void)is_read;
    return true;
}

static bool write_byte(struct i2c_part *part, uint8_t byte) {
    struct display *d = part->state;
    bool fell = (d->latch & 4) && !(byte & 4);
    /* Data and RS must stand before E falls: they are those of the byte with E high. */
    if (fell && !(d->latch & 2)) nibble(d, d->latch & 1, d->latch >> 4);
    d->latch = byte;
    return true;
}

static uint8_t read_byte(struct i2c_part *part) {
    const struct display *d = part->state;
    return d->latch;
}

static void powered(struct i2c_part *part) { fresh(part->state); }

bool display_add(uint8_t address, uint8_t columns, uint8_t rows) {
    if (n_displays == 2 || columns > 40 || rows > 4) return false;
    struct i2c_part *part = i2c_add(address);
    if (!part) return false;
    struct display *d = &displays[n_displays++];
    d->address = address;
    d->columns = columns;
    d->rows = rows;
    fresh(d);
    part->state = d;
    part->begin = begin;
    part->write = write_byte;
    part->read = read_byte;
    part->power = powered;
    return true;
}

/* Rows with a bar between them; other than printable characters as {xx}. */
bool display_text(uint8_t address, char *out, size_t size) {
    for (unsigned i = 0; i < n_displays; i++) {
        const struct display *d = &displays[i];
        if (d->address != address) continue;
        size_t n = 0;
        if (!d->is_on) {
            snprintf(out, size, "off");
            return true;
        }
        for (unsigned row = 0; row < d->rows; row++) {
            unsigned start = (row & 1 ? 0x40u : 0) + (row & 2 ? d->columns : 0u);
            if (row && n + 1 < size) out[n++] = '|';
            for (unsigned column = 0; column < d->columns && n + 5 < size; column++) {
                uint8_t c = d->memory[start + column];
                if (c >= ' ' && c < 0x7F) out[n++] = (char)c;
                else n += (size_t)snprintf(out + n, size - n, "{%02x}", c);
            }
        }
        out[n] = 0;
        return true;
    }
    return false;
}

uint32_t display_violations(uint8_t address) {
    for (unsigned i = 0; i < n_displays; i++)
        if (displays[i].address == address) return displays[i].n_violations;
    return 0;
}
