/* Number inputs: what is due between scans, one input after the other, and the latch that makes readings the program's inputs. */
#include "port.h"
#include "runtime.h"
#include "small.h"
#include "states.h"
#include "store.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

/* A head that hears nothing ends its echo after 38 ms (common practice, no source); after this long it is not there. */
#define ECHO_MS 60u

static struct turn {
    uint8_t input; /* whose turn it is; n_numbers when all are done */
    uint8_t n;     /* conversions summed, milliseconds that an echo was awaited */
    uint16_t sum;
} turn;

struct number_entry number;

APART void number_ask(uint8_t input)
{
    wiring_number(input, &number);
}

void numbers_start(void)
{
    ON_RESTART(turn = (struct turn){0});
    edges_start();
    for (uint8_t i = 0; i < wiring.n_numbers; i++) {
        number_ask(i);
        if (number.driver == PULSE_FLOW) {
            edges_watch(number.pin, WATCH_PULSES);
        } else if (number.driver == ULTRASONIC) {
            port_pin_output(number.pin, false);
            edges_watch(number.second, WATCH_ECHO);
        }
    }
    if (PORT_HAS_PANEL && device_find(INFRARED_RECEIVER, INFRARED_RECEIVER) < wiring.n_devices) {
        edges_watch(device.address, WATCH_REMOTE);
    }
    thermometers_start();
}

void numbers_begin(void)
{
    if (turn.input == wiring.n_numbers) {
        turn.input = 0;
    }
    thermometers_begin();
}

bool numbers_are_read(void)
{
    return turn.input == wiring.n_numbers && thermometers_are_read();
}

APART void number_read(uint8_t input, uint16_t raw)
{
    struct number_state *state = &number_states[input];
    state->raw = (int16_t)raw;
    state->age = 1;
}

void numbers_idle(void)
{
    /* Twice: three thermometers, told and read, else take up nearly all that a conversion leaves of a second. */
    thermometers_idle();
    thermometers_idle();
    struct turn *now = &turn;
    BY_POINTER(now);
    if (now->input == wiring.n_numbers) {
        return;
    }
    number_ask(now->input);
    uint8_t driver = number.driver;
    uint8_t n = now->n;
    uint8_t next = (uint8_t)(n + 1u);
    if (driver == ULTRASONIC) {
        uint16_t stamps = edges_pulses(number.second);
        if (n == 0) {
            port_pin_output(number.pin, true);
            port_wait_us(12); /* the head wants 10 us (common practice, no source) */
            port_pin_output(number.pin, false);
            stamps = 0;
        }
        if (stamps == 0 && n < ECHO_MS) {
            now->n = next;
            return;
        }
        /* Beyond 32 ms there was no echo. */
        number_read(now->input, stamps > INT16_MAX / 4 ? INT16_MAX : (uint16_t)(stamps * 4u));
    } else if (driver >= TMP36 && driver <= LEVEL) {
        /* One a millisecond: 16 of them last nearly a period of the mains, whose hum so falls out. */
        now->sum = (uint16_t)(now->sum + port_adc(number.pin));
        if (next < number.second) {
            now->n = next;
            return;
        }
        number_read(now->input, now->sum);
        now->sum = 0;
    }
    now->n = 0;
    now->input++;
}

/* Reading to value, or the age of what there is. */
APART static void latch(uint8_t input)
{
    struct number_state *state = &number_states[input];
    if (number.driver == PULSE_FLOW) {
        uint16_t n = edges_pulses(number.pin);
        if (runtime.n_scans != 0) { /* what came before the first scan is no period's */
            number_read(input, n);
        }
    } else if (number.driver == PARAMETER) {
        state->age = 1;
    }
    uint16_t age = state->age;
    if (age != 0) {
        state->age++;
        age--;
        if (age != 0 && (int32_t)(age * (uint32_t)vm.period_ms) <= number.age_limit_ms) {
            return; /* the last value stays */
        }
        age = age == 0;
    }
    struct sample sample = {0, BAD};
    if (age != 0) {
        if (number.temperature < vm.n_number_inputs) {
            sample = vm_number(number.temperature);
        }
        struct correction correction;
        store_correction(input, &correction);
        sample = wiring_convert(&number, state->raw, &correction, sample, vm.period_ms);
    }
    uint8_t old_quality = vm_number(input).quality;
    vm_set_number(input, sample);
    if (number.driver != PULSE_FLOW) { /* its first scan is no news */
        runtime_quality(input, old_quality, sample.quality);
    }
}

void numbers_latch(void)
{
    /* Those that others are compensated with come first. */
    for (uint8_t pass = 0; pass < 2; pass++) {
        for (uint8_t i = 0; i < vm.n_number_inputs; i++) {
            number_ask(i);
            if ((number.temperature != 0xFF) == pass) {
                latch(i);
            }
        }
    }
}
