/* The analogue converter: 13 clocks of its own a conversion, the first 25 (data sheet). A test sets what n conversions in a
 * row shall sum to, so that the sums of the twin come out to the count. */
#include "sim.h"

#include <simavr/sim_interrupts.h>

enum { ADCL = 0x78, ADCH = 0x79, ADCSRA = 0x7A, ADCSRB = 0x7B, ADMUX = 0x7C };
enum { ADEN = 0x80, ADSC = 0x40, ADATE = 0x20, ADIF = 0x10, ADIE = 0x08 };

/* `given`: what conversions 0 to at-1 of the present n have taken of the sum. */
static struct channel { uint16_t sum, given; uint8_t n, at; } channels[16];
static uint16_t code;
static bool is_first = true;

static void ready(void *param) {
    (void)param;
    chip->data[ADCSRA] = (uint8_t)((chip->data[ADCSRA] & ~ADSC) | ADIF);
    uint16_t shown = chip->data[ADMUX] & 0x20 ? (uint16_t)(code << 6) : code;
    chip->data[ADCL] = (uint8_t)shown;
    chip->data[ADCH] = (uint8_t)(shown >> 8);
    avr_int_vector_t *vector = chip_vector(ADCSRA, 3);
    if (vector && (chip->data[ADCSRA] & ADIE)) avr_raise_interrupt(chip, vector);
}

static void control(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)param;
    uint8_t old = avr->data[where];
    if (!(v & ADEN)) {
        never(ready, NULL);
        is_first = true;
        avr->data[where] = (uint8_t)(v & ~(ADSC | ADIF));
        return;
    }
    bool starts = (v & ADSC) && !(old & ADSC);
    avr->data[where] = (uint8_t)((v & ~(ADIF | ADSC)) | (old & ADSC) | (starts ? ADSC : 0) | (v & ADIF ? 0 : old & ADIF));
    if (!starts) return;
    unsigned mux = chip->data[ADMUX] & 0x1F;
    if (chip->data[ADCSRB] & 0x08) mux |= 8; /* MUX5 of the 2560: channels 8 to 15 */
    code = 0;
    if (mux < 16) {
        struct channel *c = &channels[mux];
        unsigned n = c->n ? c->n : 1;
        /* Spread evenly over what is left, so that a sum set in the midst of n conversions still comes out if it can. */
        unsigned left = c->sum > c->given ? (unsigned)c->sum - c->given : 0;
        code = (uint16_t)(left / (n - c->at));
        if (code > 1023) code = 1023;
        c->given = (uint16_t)(c->given + code);
        c->at++;
        if (c->at >= n) c->at = 0, c->given = 0;
    }
    unsigned divider = 1u << (v & 7);
    if (divider == 1) divider = 2;
    at(now() + (uint64_t)divider * (is_first ? 25 : 13), ready, NULL);
    is_first = false;
}

bool analog_set(uint8_t channel, uint16_t sum, uint8_t n) {
    if (channel >= 16 || n == 0 || n > 16 || sum > 1023u * n) return false;
    if (channels[channel].n != n) channels[channel].at = 0, channels[channel].given = 0;
    channels[channel].sum = sum;
    channels[channel].n = n;
    return true;
}

void analog_start(void) {
    chip_hook_write(ADCSRA, control, NULL);
    chip_hook_read(ADCL, NULL, NULL);
    chip_hook_read(ADCH, NULL, NULL);
    chip_hook_write(ADCSRB, NULL, NULL);
}

void analog_reset(void) {
    never(ready, NULL);
    is_first = true;
    for (unsigned i = 0; i < 16; i++) channels[i].at = 0, channels[i].given = 0;
}
