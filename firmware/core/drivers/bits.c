/* Bit inputs: contacts on pins and expanders, sampled each 5 ms and debounced; buttons and keys, whose press waits for the
 * scan. */
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

void bits_start(void)
{
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        struct bit_entry entry;
        wiring_bit(i, &entry);
        if (entry.driver == CONTACT_PIN || entry.driver == BUTTON) {
            port_pin_input(entry.pin, true);
        }
    }
    port_wait_us(100); /* the pull-ups charge the cables */
    bits_sample(EVERY_DEVICE);
}

/* One sample of a contact; the byte of states.h. */
static uint8_t debounced(uint8_t state, bool is_closed, uint8_t needed, uint8_t count_mask)
{
    uint8_t count = 0;
    if (is_closed != ((state & BIT_CLOSED) != 0)) {
        count = (uint8_t)((state & count_mask) + 1u);
        if (count >= needed) {
            state ^= BIT_CLOSED;
            count = 0;
        }
    }
    return (uint8_t)((state & (uint8_t)~count_mask) | count);
}

void bits_sample(uint8_t first_of)
{
    uint8_t device = NO_DEVICE; /* whose lines these are */
    uint16_t lines = 0;
    bool are_known = false;
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        struct bit_entry entry;
        wiring_bit(i, &entry);
        bool is_high;
        bool is_first = first_of == EVERY_DEVICE;
        if (entry.driver == CONTACT_EXPANDER) {
            if (entry.pin != device) {
                device = entry.pin;
                are_known = expander_lines(device, &lines);
            }
            if (!are_known) {
                continue;
            }
            is_high = (lines >> entry.line & 1u) != 0;
            is_first = is_first || first_of == device;
        } else if (entry.driver == REMOTE_KEY) {
            continue;
        } else {
            is_high = port_pin_is_high(entry.pin);
        }
        /* Contacts close to ground. */
        uint8_t state = bit_states[i];
        if (is_first) {
            state = is_high ? 0 : BIT_CLOSED;
        } else if (entry.driver == BUTTON) {
            uint8_t needed = entry.n_debounce > BUTTON_COUNT ? BUTTON_COUNT : entry.n_debounce;
            state = debounced(state, !is_high, needed, BUTTON_COUNT);
            bool is_pressed = ((state & BIT_CLOSED) != 0) != entry.normally_closed;
            bool was_pressed = ((bit_states[i] & BIT_CLOSED) != 0) != entry.normally_closed;
            if (is_pressed && !was_pressed) {
                state |= BIT_PRESSED;
            }
        } else {
            state = debounced(state, !is_high, entry.n_debounce, BIT_COUNT);
        }
        bit_states[i] = state;
    }
}

void bits_key(uint32_t code)
{
    for (uint8_t i = 0; i < wiring.n_bits; i++) {
        struct bit_entry entry;
        wiring_bit(i, &entry);
        if (entry.driver == REMOTE_KEY && entry.key == code) {
            bit_states[i] |= BIT_PRESSED;
        }
    }
}

void bits_latch(void)
{
    for (uint8_t i = 0; i < vm.n_bit_inputs; i++) {
        struct bit_entry entry;
        wiring_bit(i, &entry);
        uint8_t state = bit_states[i];
        uint8_t quality = GOOD;
        bool value;
        if (entry.driver == BUTTON || entry.driver == REMOTE_KEY) {
            value = (state & BIT_PRESSED) != 0;
            bit_states[i] = (uint8_t)(state & (uint8_t)~BIT_PRESSED);
        } else {
            value = ((state & BIT_CLOSED) != 0) != entry.normally_closed;
            if (entry.driver == CONTACT_EXPANDER && device_is_lost(entry.pin)) {
                value = false;
                quality = BAD;
            }
        }
        uint8_t old_quality = vm_bit(2u + i) >> 1 & 3u;
        vm_set_bit(i, value, quality);
        runtime_quality(0x0100u | i, old_quality, quality);
    }
}
