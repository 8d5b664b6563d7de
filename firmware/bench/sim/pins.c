/* Pins: what the chip drives, what parts drive, and what level comes of it.
 *
 * libsimavr's ports glitch: writing PORT raises each pulled-up pin for a moment even while a part holds it low, and that
 * sets pin-change interrupts off. So DDR, PORT and PIN are handled here, and only true changes of level are passed on to
 * libsimavr, which serves the interrupts. */
#include "sim.h"

#include <simavr/avr_ioport.h>
#include <string.h>

struct port {
    char name;
    uint8_t index; /* 'A' is 0 */
    avr_ioport_t *model;
};
static struct port ports[12];
static unsigned n_ports;
static struct port *port_of[12];

static struct pin {
    uint8_t drive;
    bool level, is_watched;
    uint32_t pullers;
    struct { listener_t call; void *param; } listeners[4];
    unsigned n_listeners;
} pins[N_PINS];

#define N_EDGES 4096
static struct edge edges[N_EDGES];
static size_t n_edges;
uint32_t pin_n_conflicts;

uint8_t pin_of(const char *name) {
    if (name[0] != 'P' || name[1] < 'A' || name[1] > 'L' || name[2] < '0' || name[2] > '7' || name[3]) return NO_PIN;
    unsigned index = (unsigned)(name[1] - 'A');
    return port_of[index] ? (uint8_t)(index * 8 + (unsigned)(name[2] - '0')) : NO_PIN;
}

static bool bit(avr_io_addr_t address, uint8_t pin) { return chip->data[address] >> (pin & 7) & 1; }
static avr_ioport_t *model(uint8_t pin) { return port_of[pin >> 3] ? port_of[pin >> 3]->model : NULL; }

bool pin_is_output(uint8_t pin) { return model(pin) && bit(model(pin)->r_ddr, pin); }

bool pin_is_pulled_up(uint8_t pin) {
    return pins[pin].drive == DRIVE_PULL_UP || (!pin_is_output(pin) && bit(model(pin)->r_port, pin));
}

static bool level_of(uint8_t pin) {
    const struct pin *p = &pins[pin];
    if (p->drive == DRIVE_SHORT_LOW || p->drive == DRIVE_SHORT_HIGH) return p->drive == DRIVE_SHORT_HIGH;
    bool is_pulled_low = p->pullers != 0 || p->drive == DRIVE_LOW;
    if (chip_is_powered && pin_is_output(pin)) {
        bool level = bit(model(pin)->r_port, pin);
        if (level ? is_pulled_low : p->drive == DRIVE_HIGH) pin_n_conflicts++;
        return level;
    }
    if (is_pulled_low) return false;
    if (p->drive == DRIVE_HIGH) return true;
    return chip_is_powered ? pin_is_pulled_up(pin) : p->drive == DRIVE_PULL_UP;
}

static void update(uint8_t pin) {
    avr_ioport_t *port = model(pin);
    if (!port) return;
    struct pin *p = &pins[pin];
    uint8_t mask = (uint8_t)(1u << (pin & 7));
    bool level = level_of(pin);
    /* So that libsimavr's own look at the port, when a timer drives a pin of it, finds the same. */
    port->external.pull_mask = 0xFF;
    port->external.pull_value = (uint8_t)((port->external.pull_value & ~mask) | (level ? mask : 0));
    if (chip_is_powered) avr_raise_irq(port->io.irq + (pin & 7), level);
    if (level == p->level) return;
    p->level = level;
    if (p->is_watched && n_edges < N_EDGES) edges[n_edges++] = (struct edge){now(), pin, level};
    for (unsigned i = 0; i < p->n_listeners; i++) p->listeners[i].call(p->listeners[i].param, level);
}

static void update_port(const struct port *port) {
    for (unsigned i = 0; i < 8; i++) {
        update((uint8_t)(port->index * 8 + i));
        onewire_direction((uint8_t)(port->index * 8 + i));
    }
}

static void write_register(struct avr_t *avr, avr_io_addr_t address, uint8_t v, void *param) {
    struct port *port = param;
    if (avr->data[address] == v) return;
    avr->data[address] = v;
    update_port(port);
}

static void write_pin(struct avr_t *avr, avr_io_addr_t address, uint8_t v, void *param) {
    (void)address;
    struct port *port = param;
    avr->data[port->model->r_port] ^= v;
    update_port(port);
}

static uint8_t read_pin(struct avr_t *avr, avr_io_addr_t address, void *param) {
    (void)avr, (void)address;
    struct port *port = param;
    uint8_t v = 0;
    for (unsigned i = 0; i < 8; i++)
        if (pins[port->index * 8 + i].level) v |= (uint8_t)(1u << i);
    return v;
}

void pins_start(void) {
    for (avr_io_t *io = chip->io_port; io; io = io->next) {
        if (strcmp(io->kind, "port") != 0 || n_ports == 12) continue;
        struct port *port = &ports[n_ports++];
        port->model = (avr_ioport_t *)io;
        port->name = port->model->name;
        port->index = (uint8_t)(port->name - 'A');
        port_of[port->index] = port;
        chip_hook_write(port->model->r_port, write_register, port);
        chip_hook_write(port->model->r_ddr, write_register, port);
        chip_hook_write(port->model->r_pin, write_pin, port);
        chip_hook_read(port->model->r_pin, read_pin, port);
    }
}

void pins_reset(void) {
    for (unsigned i = 0; i < n_ports; i++) update_port(&ports[i]);
}

bool pin_level(uint8_t pin) { return pins[pin].level; }

void pin_drive(uint8_t pin, uint8_t drive) {
    pins[pin].drive = drive;
    update(pin);
}

void pin_pull_low(uint8_t pin, bool is_low, unsigned puller) {
    if (is_low) pins[pin].pullers |= 1u << puller;
    else pins[pin].pullers &= ~(1u << puller);
    update(pin);
}

void pin_listen(uint8_t pin, listener_t call, void *param) {
    struct pin *p = &pins[pin];
    if (p->n_listeners == 4) return;
    p->listeners[p->n_listeners].call = call;
    p->listeners[p->n_listeners++].param = param;
}

void pin_watch(uint8_t pin, bool on) { pins[pin].is_watched = on; }

size_t edges_take(struct edge *out, size_t most) {
    size_t n = n_edges < most ? n_edges : most;
    memcpy(out, edges, n * sizeof *edges);
    memmove(edges, edges + n, (n_edges - n) * sizeof *edges);
    n_edges -= n;
    return n;
}

/* Where a timer's comparator comes out, and the registers that say what it does (data sheets of the three chips). */
struct comparator {
    const char *chip;
    char pin[4];
    uint8_t timer; /* number */
    uint16_t tccra, tccrb, ocr, icr;
    uint8_t com_bit; /* upper bit of its COM pair in TCCRA */
    bool is_16_bit;
};
static const struct comparator comparators[] = {
    {"atmega328p", "PD6", 0, 0x44, 0x45, 0x47, 0, 7, false},      {"atmega328p", "PD5", 0, 0x44, 0x45, 0x48, 0, 5, false},
    {"atmega328p", "PB1", 1, 0x80, 0x81, 0x88, 0x86, 7, true},    {"atmega328p", "PB2", 1, 0x80, 0x81, 0x8A, 0x86, 5, true},
    {"atmega328p", "PB3", 2, 0xB0, 0xB1, 0xB3, 0, 7, false},      {"atmega328p", "PD3", 2, 0xB0, 0xB1, 0xB4, 0, 5, false},
    {"atmega32u4", "PB5", 1, 0x80, 0x81, 0x88, 0x86, 7, true},    {"atmega32u4", "PB6", 1, 0x80, 0x81, 0x8A, 0x86, 5, true},
    {"atmega32u4", "PB7", 1, 0x80, 0x81, 0x8C, 0x86, 3, true},    {"atmega32u4", "PC6", 3, 0x90, 0x91, 0x98, 0x96, 7, true},
    {"atmega2560", "PB5", 1, 0x80, 0x81, 0x88, 0x86, 7, true},    {"atmega2560", "PB6", 1, 0x80, 0x81, 0x8A, 0x86, 5, true},
    {"atmega2560", "PB7", 1, 0x80, 0x81, 0x8C, 0x86, 3, true},    {"atmega2560", "PB4", 2, 0xB0, 0xB1, 0xB3, 0, 7, false},
    {"atmega2560", "PH6", 2, 0xB0, 0xB1, 0xB4, 0, 5, false},      {"atmega2560", "PE3", 3, 0x90, 0x91, 0x98, 0x96, 7, true},
};

static uint32_t word_at(uint16_t address) { return chip->data[address] | (uint32_t)chip->data[address + 1] << 8; }

void pin_pwm(uint8_t pin, uint32_t *permille, uint32_t *hz) {
    *hz = 0;
    *permille = pins[pin].level ? 1000 : 0;
    for (size_t i = 0; i < sizeof comparators / sizeof *comparators; i++) {
        const struct comparator *c = &comparators[i];
        if (strcmp(c->chip, chip_name) != 0 || pin_of(c->pin) != pin || !pin_is_output(pin)) continue;
        uint8_t a = chip->data[c->tccra], b = chip->data[c->tccrb];
        uint8_t com = (uint8_t)(a >> (c->com_bit - 1) & 3);
        if (com == 0) continue;
        static const uint16_t usual[8] = {0, 1, 8, 64, 256, 1024, 0, 0};
        static const uint16_t of_timer_2[8] = {0, 1, 8, 32, 64, 128, 256, 1024};
        uint32_t divider = c->timer == 2 ? of_timer_2[b & 7] : usual[b & 7];
        if (divider == 0) continue;
        uint32_t ocr = c->is_16_bit ? word_at(c->ocr) : chip->data[c->ocr];
        uint32_t wgm = (uint32_t)(a & 3) | (uint32_t)(b >> 1 & 0xC);
        uint32_t f = chip->frequency;
        bool is_toggling = false, is_both_slopes = false;
        uint32_t top = 255;
        if (c->is_16_bit) {
            switch (wgm) {
            case 14: top = word_at(c->icr); break;
            case 10: case 8: top = word_at(c->icr); is_both_slopes = true; break;
            case 15: top = word_at(c->ocr); break;
            case 4: case 12: is_toggling = true; top = wgm == 4 ? ocr : word_at(c->icr); break;
            case 5: is_both_slopes = true; break;
            case 0: continue;
            default: top = wgm == 6 || wgm == 2 ? 511 : wgm == 7 || wgm == 3 ? 1023 : 255; break;
            }
        } else {
            uint32_t mode = (uint32_t)(a & 3) | (uint32_t)(b >> 1 & 4);
            if (mode == 2) is_toggling = true, top = ocr;
            else if (mode == 7 || mode == 5) top = chip->data[c->ocr], is_toggling = com == 1;
            else if (mode == 0) continue;
        }
        if (is_toggling) {
            *hz = f / (2 * divider * (top + 1));
            *permille = 500;
        } else {
            *hz = is_both_slopes ? f / (2 * divider * top) : f / (divider * (top + 1));
            uint32_t high = is_both_slopes ? ocr * 1000 / (top ? top : 1) : (ocr + 1) * 1000 / (top + 1);
            *permille = com == 3 ? 1000 - high : high;
        }
        return;
    }
}
