/* Bit inputs: contacts on pins and expanders, sampled each 5 ms and debounced; buttons and keys, whose press waits for the
 * scan. */
#include "port.h"
#include "runtime.h"
#include "small.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

/* The entry asked for last. */
static struct bit_entry contact;

APART static void ask(uint8_t i)
{
    wiring_bit(i, &contact);
}

static bool is_on_pin(void)
{
    return contact.driver == CONTACT_PIN || contact.driver == BUTTON;
}

void bits_start(void)
{
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        ask(i);
        if (is_on_pin()) {
            port_pin_input(contact.pin, true);
        }
    }
    port_wait_us(100); /* the pull-ups charge the cables */
    bits_sample(EVERY_DEVICE);
}

void bits_sample(uint8_t first_of)
{
    uint8_t known = NO_DEVICE; /* whose lines these are */
    bool are_known = false;
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        ask(i);
        bool is_closed;
        bool is_first = first_of == EVERY_DEVICE;
        if (is_on_pin()) {
            is_closed = !port_pin_is_high(contact.pin);
        } else if (contact.driver == CONTACT_EXPANDER) {
            if (contact.pin != known) {
                known = contact.pin;
                are_known = expander_lines(known);
            }
            if (!are_known) {
                continue;
            }
            is_closed = ((uint16_t)(lines_heard >> contact.line) & 1u) == 0;
            is_first = is_first || first_of == known;
        } else {
            continue;
        }
        uint8_t count = contact.driver == BUTTON ? BUTTON_COUNT : BIT_COUNT;
        uint8_t needed = contact.n_debounce < count ? contact.n_debounce : count;
        uint8_t state = bit_states[i];
        if (is_first) {
            state = is_closed ? BIT_CLOSED : 0;
        } else if (is_closed == ((state & BIT_CLOSED) != 0)) {
            state &= (uint8_t)~count;
        } else {
            state++;
            if ((state & count) >= needed) {
                state = (uint8_t)((state ^ BIT_CLOSED) & (uint8_t)~count);
                if (contact.driver == BUTTON && is_closed != contact.normally_closed) {
                    state |= BIT_PRESSED;
                }
            }
        }
        bit_states[i] = state;
    }
}

void bits_key(uint32_t code)
{
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        ask(i);
        if (contact.driver == REMOTE_KEY && contact.key == code) {
            bit_states[i] |= BIT_PRESSED;
        }
    }
}

void bits_latch(void)
{
    for (uint8_t i = 0; i < vm.n_bit_inputs; i++) {
        ask(i);
        uint8_t *state = &bit_states[i];
        uint8_t quality = GOOD;
        bool value;
        if (contact.driver >= BUTTON) {
            value = (*state & BIT_PRESSED) != 0;
            *state &= (uint8_t)~BIT_PRESSED;
        } else {
            value = ((*state & BIT_CLOSED) != 0) != contact.normally_closed;
            if (contact.driver == CONTACT_EXPANDER && device_is_lost(contact.pin)) {
                quality = BAD;
            }
        }
        uint8_t old_quality = (vm_bit((uint16_t)(2 + i)) >> 1) & 3u;
        vm_set_bit(i, value, quality);
        runtime_quality(0x0100u | i, old_quality, quality);
    }
}
