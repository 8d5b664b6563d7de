/* The serial port: bytes out as the chip shifts them, bytes in one after another at the chip's own baud rate. The receiver
 * holds two bytes and loses what comes on top, as the part does; libsimavr's holds 64 and would hide that. */
#include "sim.h"

#include <simavr/sim_interrupts.h>
#include <string.h>

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, DOR = 0x08, U2X = 0x02 };
enum { RXCIE = 7, TXCIE = 6, UDRIE = 5, RXEN = 4, TXEN = 3 };
static uint16_t UCSRA, UCSRB, UBRRL, UDR;

static uint8_t in[8192], out[65536];
static size_t n_in, in_at, n_out;
static uint8_t held[2];
static unsigned n_held;
static bool is_shifting, has_next;
static uint8_t next;
uint32_t serial_n_overruns;
bool serial_stop_at_zero;

static uint64_t byte_cycles(void) {
    uint32_t divider = (uint32_t)(chip->data[UBRRL] | (chip->data[UBRRL + 1] & 15) << 8) + 1;
    return 10ull * divider * (chip->data[UCSRA] & U2X ? 8 : 16);
}

static void raise(uint8_t enable) {
    avr_int_vector_t *vector = chip_vector(UCSRB, enable);
    if (vector && (chip->data[UCSRB] >> enable & 1)) avr_raise_interrupt(chip, vector);
}

static void shifted(void *param) {
    (void)param;
    if (has_next) {
        has_next = false;
        if (n_out < sizeof out) out[n_out++] = next;
        if (serial_stop_at_zero && next == 0) chip_stop_now();
        chip->data[UCSRA] |= UDRE;
        at(now() + byte_cycles(), shifted, NULL);
        raise(UDRIE);
    } else {
        is_shifting = false;
        chip->data[UCSRA] |= TXC;
        raise(TXCIE);
    }
}

static void data_out(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)where, (void)param;
    if (!(avr->data[UCSRB] >> TXEN & 1)) return;
    if (is_shifting) {
        next = v;
        has_next = true;
        avr->data[UCSRA] &= (uint8_t)~UDRE;
        return;
    }
    is_shifting = true;
    if (n_out < sizeof out) out[n_out++] = v;
    if (serial_stop_at_zero && v == 0) chip_stop_now();
    at(now() + byte_cycles(), shifted, NULL);
    raise(UDRIE);
}

static uint8_t data_in(struct avr_t *avr, avr_io_addr_t where, void *param) {
    (void)where, (void)param;
    uint8_t v = held[0];
    if (n_held) {
        held[0] = held[1];
        n_held--;
    }
    avr->data[UCSRA] &= (uint8_t)~DOR;
    if (n_held == 0) avr->data[UCSRA] &= (uint8_t)~RXC;
    else raise(RXCIE);
    return v;
}

static void status(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)param;
    uint8_t kept = (uint8_t)(avr->data[where] & ~(v & TXC) & (RXC | TXC | UDRE | DOR));
    avr->data[where] = (uint8_t)(kept | (v & (U2X | 1)));
}

static void enables(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)param;
    avr->data[where] = v;
    if (avr->data[UCSRA] & UDRE) raise(UDRIE);
    if (avr->data[UCSRA] & RXC) raise(RXCIE);
}

static void arrives(void *param) {
    (void)param;
    if (in_at < n_in) {
        uint8_t byte = in[in_at++];
        if (chip_is_powered && (chip->data[UCSRB] >> RXEN & 1)) {
            if (n_held == 2) {
                serial_n_overruns++;
                chip->data[UCSRA] |= DOR;
            } else {
                held[n_held++] = byte;
                chip->data[UCSRA] |= RXC;
                raise(RXCIE);
            }
        }
    }
    if (in_at < n_in) at(now() + byte_cycles(), arrives, NULL);
    else in_at = n_in = 0;
}

void serial_give(const uint8_t *bytes, size_t n) {
    bool was_idle = n_in == 0;
    if (n > sizeof in - n_in) n = sizeof in - n_in;
    memcpy(in + n_in, bytes, n);
    n_in += n;
    if (was_idle && n) at(now() + byte_cycles(), arrives, NULL);
}

size_t serial_waiting(void) { return n_in - in_at; }

size_t serial_take(uint8_t *bytes, size_t most) {
    size_t n = n_out < most ? n_out : most;
    memcpy(bytes, out, n);
    memmove(out, out + n, n_out - n);
    n_out -= n;
    return n;
}

void serial_start(void) {
    bool is_1 = strcmp(chip_name, "atmega32u4") == 0; /* it has no USART0 */
    UCSRA = is_1 ? 0xC8 : 0xC0;
    UCSRB = (uint16_t)(UCSRA + 1);
    UBRRL = (uint16_t)(UCSRA + 4);
    UDR = (uint16_t)(UCSRA + 6);
    chip_hook_write(UCSRA, status, NULL);
    chip_hook_read(UCSRA, NULL, NULL);
    chip_hook_write(UCSRB, enables, NULL);
    chip_hook_write(UBRRL, NULL, NULL);
    chip_hook_write((uint16_t)(UBRRL + 1), NULL, NULL);
    chip_hook_write((uint16_t)(UCSRA + 2), NULL, NULL);
    chip_hook_write(UDR, data_out, NULL);
    chip_hook_read(UDR, data_in, NULL);
}

void serial_reset(void) {
    never(shifted, NULL);
    is_shifting = has_next = false;
    n_held = 0;
    chip->data[UCSRA] = UDRE;
}
