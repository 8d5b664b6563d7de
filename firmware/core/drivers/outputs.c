/* Outputs: off together and at once, on one each 20 ms; every pin read back; what does not follow three scans in a row is kept in
 * its safe state and tried again in each scan, for the microseconds that reading it back takes. */
#include "events.h"
#include "panel.h"
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

#define STAGGER_MS 20u
/* From here on a modulated drive on a plain output counts as on. */
#define HALF_PERMILLE 500u

static uint8_t waiting;      /* the first output that may wait to go on; n_outputs when none does */
static uint16_t last_on;
static uint8_t buzzer;       /* the output, n_outputs without one */
static uint16_t buzzer_tone;

static bool does_not_follow(uint8_t output)
{
    return (output_states[output] & OUTPUT_MISSES) == OUTPUT_MISSES;
}

/* What the program wants, in permille; nothing of an output that is no drive's. */
static uint16_t wanted(uint8_t output, const struct output_entry *entry)
{
    if (output >= vm.n_drives) {
        return 0;
    }
    uint16_t value = (uint16_t)vm_output(output);
    if (!vm_is_modulated(output)) {
        return value != 0 ? 1000u : 0;
    }
    if (entry->driver == OUTPUT_PWM) {
        return value;
    }
    return value >= HALF_PERMILLE ? 1000u : 0;
}

bool output_is_high(uint8_t output, bool active_low, bool on_when_safe)
{
    bool is_on = (output_states[output] & OUTPUT_ON) != 0;
    if (!runtime_is_running() || output >= vm.n_drives) {
        is_on = on_when_safe;
    }
    return is_on != active_low;
}

void output_checked(uint8_t output, bool follows)
{
    uint8_t state = output_states[output];
    if (follows) {
        state &= (uint8_t)~OUTPUT_MISSES;
    } else if (!does_not_follow(output)) {
        state = (uint8_t)(state + OUTPUT_MISS);
        output_states[output] = state;
        if (does_not_follow(output)) {
            runtime_event(EVENT_SELF_TEST, (uint16_t)((uint16_t)output << 8 | 3u));
        }
    }
    output_states[output] = state;
}

bool outputs_follow(void)
{
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        if (does_not_follow(i)) {
            return false;
        }
    }
    return true;
}

/* Puts the pin to what its state says; and looks whether it follows. */
static void drive_pin(uint8_t output, const struct output_entry *entry, bool is_checked)
{
    bool is_high = output_is_high(output, entry->active_low, entry->on_when_safe);
    if (entry->driver == OUTPUT_PWM && (output_states[output] & OUTPUT_ON) != 0 && runtime_is_running()) {
        uint16_t permille = wanted(output, entry);
        if (permille < 1000u) {
            if (port_pwm(entry->pin, entry->active_low ? 1000u - permille : permille)) {
                return;
            }
            is_high = (permille >= HALF_PERMILLE) != entry->active_low;
        }
    }
    port_pin_output(entry->pin, is_high);
    if (is_checked) {
        port_wait_us(2);
        output_checked(output, port_pin_is_high(entry->pin) == is_high);
        if (does_not_follow(output)) {
            port_pin_output(entry->pin, entry->on_when_safe != entry->active_low);
        }
    }
}

void outputs_start(void)
{
    waiting = wiring.n_outputs;
    buzzer = wiring.n_outputs;
    buzzer_tone = 0;
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        struct output_entry entry;
        wiring_output(i, &entry);
        if (entry.on_when_safe) {
            output_states[i] = OUTPUT_ON;
        }
        if (entry.driver == OUTPUT_BUZZER) {
            buzzer = i;
        }
        if (entry.driver != OUTPUT_EXPANDER) {
            drive_pin(i, &entry, false);
        }
    }
    expanders_write(false);
}

void outputs_write(void)
{
    uint8_t n = runtime_is_running() ? vm.n_drives : 0;
    struct output_entry entry;
    for (uint8_t i = 0; i < n; i++) {
        wiring_output(i, &entry);
        if (wanted(i, &entry) == 0 && (output_states[i] & OUTPUT_ON) != 0) {
            output_states[i] &= (uint8_t)~OUTPUT_ON;
            if (entry.driver != OUTPUT_EXPANDER && i != buzzer) {
                drive_pin(i, &entry, false);
            }
        }
    }
    expanders_write(true);
    for (uint8_t i = 0; i < wiring.n_outputs; i++) {
        wiring_output(i, &entry);
        if (entry.driver != OUTPUT_EXPANDER && i != buzzer) {
            drive_pin(i, &entry, true);
        }
    }
    waiting = 0;
}

static void sound(void)
{
    if (buzzer == wiring.n_outputs) {
        return;
    }
    struct output_entry entry;
    uint16_t hz = 0;
    if (buzzer >= vm.n_drives || (output_states[buzzer] & OUTPUT_ON) != 0) {
        hz = panel_tone();
    }
    if (hz != buzzer_tone) {
        buzzer_tone = hz;
        wiring_output(buzzer, &entry);
        port_tone(entry.pin, hz);
        if (hz == 0) {
            port_pin_output(entry.pin, entry.active_low);
        }
    }
}

void outputs_idle(void)
{
    sound();
    uint16_t now = port_ms();
    if (!runtime_is_running() || waiting == wiring.n_outputs || (uint16_t)(now - last_on) < STAGGER_MS) {
        return;
    }
    for (; waiting < vm.n_drives; waiting++) {
        struct output_entry entry;
        wiring_output(waiting, &entry);
        if (wanted(waiting, &entry) != 0 && (output_states[waiting] & OUTPUT_ON) == 0) {
            output_states[waiting] |= OUTPUT_ON;
            last_on = now;
            if (entry.driver == OUTPUT_EXPANDER) {
                expander_refresh(entry.pin, false);
            } else if (waiting != buzzer) {
                drive_pin(waiting, &entry, false);
            }
            return;
        }
    }
    waiting = wiring.n_outputs;
}
