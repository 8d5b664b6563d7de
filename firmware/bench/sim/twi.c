/* The two-wire bus: the chip's interface as its data sheet has it (status codes of chapter "2-wire Serial Interface"), and
 * parts that answer. A part may hold SDA low; then no start and no stop ever ends, until somebody clocks SCL by hand. */
#include "sim.h"

#include <simavr/sim_interrupts.h>
#include <string.h>

enum { TWBR = 0xB8, TWSR = 0xB9, TWAR = 0xBA, TWDR = 0xBB, TWCR = 0xBC };
enum { TWIE = 1, TWEN = 4, TWWC = 8, TWSTO = 0x10, TWSTA = 0x20, TWEA = 0x40, TWINT = 0x80 };

static struct i2c_part parts[16];
static unsigned n_parts;
static uint8_t sda, scl;
static unsigned hung_for; /* clocks until SDA is let go */
uint32_t i2c_n_bytes, i2c_n_recovered;

static enum { BUS_IDLE, BUS_ADDRESS, BUS_WRITE, BUS_READ } bus;
static struct i2c_part *talking;
static uint8_t next_status;
static uint8_t next_data;

struct i2c_part *i2c_part(uint8_t address) {
    for (unsigned i = 0; i < n_parts; i++)
        if (parts[i].address == address) return &parts[i];
    return NULL;
}

struct i2c_part *i2c_add(uint8_t address) {
    if (n_parts == 16 || i2c_part(address)) return NULL;
    struct i2c_part *part = &parts[n_parts++];
    memset(part, 0, sizeof *part);
    part->address = address;
    part->is_powered = true;
    return part;
}

bool i2c_is_hung(void) { return hung_for != 0; }

static void clocked(void *param, bool level) {
    (void)param;
    if (level || !hung_for) return;
    if (--hung_for == 0) {
        pin_pull_low(sda, false, 0);
        i2c_n_recovered++;
    }
}

void i2c_hang(unsigned n_clocks) {
    hung_for = n_clocks;
    pin_pull_low(sda, n_clocks != 0, 0);
}

static void finish(void *param) {
    (void)param;
    uint8_t *control = &chip->data[TWCR];
    if (!(*control & TWEN)) return;
    chip->data[TWSR] = (uint8_t)(next_status | (chip->data[TWSR] & 3));
    if (bus == BUS_READ) chip->data[TWDR] = next_data;
    *control |= TWINT;
    avr_int_vector_t *vector = chip_vector(TWCR, 0);
    if (vector && (*control & TWIE)) avr_raise_interrupt(chip, vector);
}

static uint64_t bits(unsigned n) {
    static const unsigned prescale[4] = {1, 4, 16, 64};
    return (uint64_t)n * (16u + 2u * chip->data[TWBR] * prescale[chip->data[TWSR] & 3]);
}

static void stopped(void *param) {
    (void)param;
    chip->data[TWCR] &= (uint8_t)~TWSTO;
}

static void control(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)where, (void)param;
    uint8_t old = avr->data[TWCR];
    bool is_go = v & TWINT;
    avr->data[TWCR] = (uint8_t)((v & (TWIE | TWEN | TWSTA | TWEA)) | (is_go ? 0 : old & TWINT) | (v & TWSTO));
    if (!(v & TWEN)) {
        never(finish, NULL);
        never(stopped, NULL);
        avr->data[TWCR] &= (uint8_t)~(TWINT | TWSTO);
        bus = BUS_IDLE;
        return;
    }
    if (!is_go) {
        if ((v & TWIE) && (avr->data[TWCR] & TWINT)) {
            avr_int_vector_t *vector = chip_vector(TWCR, 0);
            if (vector) avr_raise_interrupt(chip, vector);
        }
        return;
    }
    if (hung_for) return; /* waits for a free bus that never comes */
    if (v & TWSTO) {
        bus = BUS_IDLE;
        talking = NULL;
        avr->data[TWSR] = (uint8_t)(0xF8 | (avr->data[TWSR] & 3));
        at(now() + bits(1), stopped, NULL);
        if (!(v & TWSTA)) return;
    }
    if (v & TWSTA) {
        next_status = bus == BUS_IDLE ? 0x08 : 0x10;
        bus = BUS_ADDRESS;
        at(now() + bits(2), finish, NULL);
        return;
    }
    i2c_n_bytes++;
    switch (bus) {
    case BUS_IDLE: return;
    case BUS_ADDRESS: {
        uint8_t byte = avr->data[TWDR];
        struct i2c_part *part = i2c_part(byte >> 1);
        bool is_read = byte & 1;
        talking = part && part->is_powered && part->begin(part, is_read) ? part : NULL;
        next_status = is_read ? (talking ? 0x40 : 0x48) : (talking ? 0x18 : 0x20);
        bus = is_read ? BUS_READ : BUS_WRITE;
        next_data = byte;
        break;
    }
    case BUS_WRITE: next_status = talking && talking->is_powered && talking->write(talking, avr->data[TWDR]) ? 0x28 : 0x30; break;
    case BUS_READ:
        next_data = talking && talking->is_powered ? talking->read(talking) : 0xFF;
        next_status = v & TWEA ? 0x50 : 0x58;
        break;
    }
    at(now() + bits(9), finish, NULL);
}

/* A chip that polls for the end of an act would ask the same some thirty times a byte; here it asks again when something is about to
 * happen. That is a third of the time of a long run. */
static uint8_t polled(struct avr_t *avr, avr_io_addr_t where, void *param) {
    (void)param;
    uint8_t v = avr->data[where];
    if ((v & TWEN) && !(v & TWINT) && !hung_for && !chip_is_exact) chip_skip();
    return v;
}

void twi_start(void) {
    bool is_small = strcmp(chip_name, "atmega328p") == 0;
    sda = pin_of(is_small ? "PC4" : "PD1");
    scl = pin_of(is_small ? "PC5" : "PD0");
    pin_drive(sda, DRIVE_PULL_UP);
    pin_drive(scl, DRIVE_PULL_UP);
    pin_listen(scl, clocked, NULL);
    chip_hook_write(TWCR, control, NULL);
    chip_hook_read(TWCR, polled, NULL);
    chip_hook_write(TWDR, NULL, NULL);
    chip_hook_read(TWDR, NULL, NULL);
}

void twi_reset(void) {
    never(finish, NULL);
    never(stopped, NULL);
    bus = BUS_IDLE;
    talking = NULL;
    chip->data[TWSR] = 0xF8;
}
