/* Outputs: off together and at once, on one each 20 ms; each read back. What does not follow three times in a row is kept in its safe
 * state and tried again in each scan, for as long as reading it back takes: microseconds on a pin, a millisecond on an expander. */
#include "events.h"
#include "panel.h"
#include "port.h"
#include "runtime.h"
#include "small.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

#define STAGGER_MS 20u
#define FULL 1000u
/* From here on a modulated drive on a plain output counts as on. */
#define HALF 500u

static uint8_t waiting;  /* the first output that may wait to go on; n_outputs when none does */
static uint8_t buzzer;   /* the output, n_outputs without one */
static uint16_t last_on;
static uint16_t buzzer_tone;

/* The entry asked for last. */
static struct output_entry output;

APART static void ask(uint8_t i)
{
    wiring_output(i, &output);
}

bool output_is_buzzer(uint8_t i)
{
    ask(i);
    return output.driver == OUTPUT_BUZZER;
}

/* What the program wants of `output`, in permille. */
static uint16_t wanted(uint8_t i)
{
    uint16_t value = (uint16_t)vm_output(i);
    if (vm_is_modulated(i)) {
        if (output.driver == OUTPUT_PWM) {
            return value;
        }
        value = value >= HALF;
    }
    return value != 0 ? FULL : 0;
}

static bool is_safe_high(void)
{
    return output.on_when_safe != output.active_low;
}

/* For how much of the time the pin or line of `output` shall be high, in permille. */
static uint16_t high_part(uint8_t i)
{
    uint16_t permille = 0;
    if (!runtime.is_running || i >= vm.n_drives) {
        permille = output.on_when_safe ? FULL : 0;
    } else if ((output_states[i] & OUTPUT_ON) != 0) {
        permille = wanted(i);
    }
    return output.active_low ? FULL - permille : permille;
}

/* What was read back; true when the output is in doubt. */
static bool checked(uint8_t i, bool follows)
{
    uint8_t *state = &output_states[i];
    if (follows) {
        *state &= (uint8_t)~OUTPUT_MISSES;
    } else if ((*state & OUTPUT_MISSES) != OUTPUT_MISSES) {
        *state = (uint8_t)(*state + OUTPUT_MISS);
        if ((*state & OUTPUT_MISSES) == OUTPUT_MISSES) {
            runtime_event(EVENT_SELF_TEST, (uint16_t)((uint16_t)i << 8 | 3u));
        }
    }
    return (*state & OUTPUT_MISSES) == OUTPUT_MISSES;
}

static void drive_pin(uint8_t i)
{
    uint16_t permille = high_part(i);
    if (permille != 0 && permille != FULL && port_pwm(output.pin, permille)) {
        return;
    }
    bool level = permille >= HALF;
    port_pin_output(output.pin, level);
    port_wait_us(2);
    if (checked(i, port_pin_is_high(output.pin) == level)) {
        port_pin_output(output.pin, is_safe_high());
    }
}

/* All outputs on this device, or all pins with NO_DEVICE; what they shall be, and what they are. */
static void write(uint8_t on_device)
{
    uint16_t outputs = 0, high = 0, safe = 0, lines = 0;
    bool is_heard = false;
    if (on_device != NO_DEVICE) {
        device_ask(on_device);
        if (device.kind > PCF8574) {
            return;
        }
    }
    /* Twice, because what an expander's lines are is only known when all of them have been written. */
    for (uint8_t pass = 0; pass < 2; pass++) {
        for (uint8_t i = 0; i < wiring.n_outputs; i++) {
            ask(i);
            if (output.driver != OUTPUT_EXPANDER) {
                if (on_device == NO_DEVICE && i != buzzer) {
                    drive_pin(i);
                }
                continue;
            }
            if (output.pin != on_device) {
                continue;
            }
            uint16_t line = (uint16_t)(1u << output.line);
            if (pass == 0) {
                outputs |= line;
                high |= high_part(i) != 0 ? line : 0;
            } else if (checked(i, ((lines ^ high) & line) == 0)) {
                safe |= line;
                high &= (uint16_t)~line;
                high |= is_safe_high() ? line : 0;
            }
        }
        if (on_device == NO_DEVICE) {
            return;
        }
        if (pass == 0) {
            is_heard = expander_write(outputs, high);
            lines = lines_heard; /* a device that is back is sampled */
            device_heard(on_device, is_heard);
            if (!is_heard) {
                return;
            }
        }
    }
    if (safe != 0) {
        device_ask(on_device); /* for one that is back contacts were sampled, on other expanders too */
        expander_write(outputs, high);
    }
}

static void write_all(void)
{
    write(NO_DEVICE);
    for (uint8_t i = 0; i < wiring.n_devices; i++) {
        write(i);
    }
}

void outputs_start(void)
{
    waiting = wiring.n_outputs;
    buzzer = wiring.n_outputs;
    buzzer_tone = 0;
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        ask(i);
        output_states[i] = output.on_when_safe;
        if (output.driver == OUTPUT_BUZZER) {
            buzzer = i;
            port_pin_output(output.pin, output.active_low);
        }
    }
    write_all();
}

void outputs_write(void)
{
    for (uint8_t i = 0; i < vm.n_drives; i++) {
        ask(i);
        if (wanted(i) == 0) {
            output_states[i] &= (uint8_t)~OUTPUT_ON;
        }
    }
    write_all();
    waiting = 0;
}

static void sound(void)
{
    uint16_t hz = panel_tone();
    if (buzzer != wiring.n_outputs && hz != buzzer_tone) {
        buzzer_tone = hz;
        ask(buzzer);
        port_tone(output.pin, hz);
        if (hz == 0) {
            port_pin_output(output.pin, output.active_low);
        }
    }
}

void outputs_idle(void)
{
    sound();
    if (waiting < vm.n_drives && have_passed(&last_on, STAGGER_MS)) {
        while (waiting < vm.n_drives) {
            uint8_t i = waiting++;
            ask(i);
            if (wanted(i) != 0 && (output_states[i] & OUTPUT_ON) == 0) {
                output_states[i] |= OUTPUT_ON;
                last_on = now_ms;
                if (output.driver == OUTPUT_EXPANDER) {
                    write(output.pin);
                } else if (i != buzzer) {
                    drive_pin(i);
                }
                break;
            }
        }
    }
}

bool outputs_follow(void)
{
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        if ((output_states[i] & OUTPUT_MISSES) == OUTPUT_MISSES) {
            return false;
        }
    }
    return true;
}
