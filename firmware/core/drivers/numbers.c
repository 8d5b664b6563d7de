/* Number inputs: what is due between scans, one input after the other, and the latch that makes readings the program's inputs. */
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "store.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

/* A head that hears nothing ends its echo after 38 ms (common practice, no source); after this long it is not there. */
#define ECHO_MS 60u

static struct {
    uint8_t input;  /* whose turn it is; n_numbers when all are done */
    uint8_t n;      /* conversions summed; 1 while an echo is awaited */
    uint16_t sum;
    uint16_t since; /* millisecond of the last conversion, or of the trigger */
} turn;

void numbers_start(void)
{
    turn.input = wiring.n_numbers;
    edges_start();
    thermometers_start();
    numbers_begin();
}

void numbers_begin(void)
{
    if (turn.input == wiring.n_numbers) {
        turn.input = 0;
        turn.n = 0;
    }
    thermometers_begin();
}

bool numbers_are_read(void)
{
    return turn.input == wiring.n_numbers && thermometers_are_read();
}

void number_read(uint8_t input, uint16_t raw)
{
    number_states[input].raw = (int16_t)raw;
    number_states[input].age = 0;
}

void numbers_idle(void)
{
    thermometers_idle();
    if (turn.input == wiring.n_numbers) {
        return;
    }
    struct number_entry entry;
    wiring_number(turn.input, &entry);
    uint16_t now = port_ms();
    uint16_t elapsed = (uint16_t)(now - turn.since);
    if (entry.driver == ULTRASONIC) {
        if (turn.n == 0) {
            echo_await(entry.second);
            port_pin_output(entry.pin, true);
            port_wait_us(12); /* the head wants 10 us (common practice, no source) */
            port_pin_output(entry.pin, false);
            turn.n = 1;
            turn.since = now;
            return;
        }
        uint16_t us = echo_us();
        if (us == 0 && elapsed < ECHO_MS) {
            return;
        }
        number_read(turn.input, us);
    } else if (entry.driver >= TMP36 && entry.driver <= LEVEL) {
        /* One a millisecond: 16 of them last nearly a period of the mains, whose hum so falls out. */
        if (turn.n == 0) {
            turn.sum = 0;
        } else if (elapsed == 0) {
            return;
        }
        turn.since = now;
        turn.sum = (uint16_t)(turn.sum + port_adc(entry.pin));
        if (++turn.n < entry.second) {
            return;
        }
        number_read(turn.input, turn.sum);
    }
    turn.input++;
    turn.n = 0;
}

/* Reading to value, or the age of what there is. */
static void latch(uint8_t input, const struct number_entry *entry)
{
    struct number_state *state = &number_states[input];
    uint8_t old_quality = vm_number(input).quality;
    struct sample sample = vm_number(input);
    if (entry->driver == PULSE_FLOW) {
        number_read(input, edges_pulses(entry->pin));
    } else if (entry->driver == PARAMETER) {
        state->age = 0;
    }
    if (state->age == 0) {
        struct sample temperature = {0, BAD};
        if (entry->temperature < vm.n_number_inputs) {
            temperature = vm_number(entry->temperature);
        }
        struct correction correction;
        store_correction(input, &correction);
        sample = wiring_convert(entry, state->raw, &correction, temperature, vm.period_ms);
    } else if (state->age == AGE_NONE || (int32_t)(state->age * (uint32_t)vm.period_ms) > entry->age_limit_ms) {
        sample.value = 0;
        sample.quality = BAD;
    }
    if (state->age != AGE_NONE) {
        state->age++;
    }
    vm_set_number(input, sample);
    runtime_quality(input, old_quality, sample.quality);
}

void numbers_latch(void)
{
    /* Those that others are compensated with come first. */
    for (uint8_t pass = 0; pass < 2; pass++) {
        for (uint8_t i = 0; i < vm.n_number_inputs; i++) {
            struct number_entry entry;
            wiring_number(i, &entry);
            if ((entry.temperature != 0xFF) == (pass != 0)) {
                latch(i, &entry);
            }
        }
    }
}
