/* What comes to pins by itself: presses, pulses of flow meters, frames of a remote (NEC), echoes of an ultrasonic sensor. */
#include "sim.h"

#include <string.h>

/* ---- a row of levels, each for a time, on a pin ---- */

static struct row {
    uint8_t pin;
    bool is_busy;
    unsigned n, at;
    struct { uint8_t drive; uint32_t us; } steps[4096];
    uint8_t then;
} rows[N_PINS];

static void next_step(void *param) {
    struct row *row = param;
    if (row->at == row->n) {
        row->is_busy = false;
        row->n = row->at = 0;
        pin_drive(row->pin, row->then);
        return;
    }
    pin_drive(row->pin, row->steps[row->at].drive);
    at(now() + from_us(row->steps[row->at].us), next_step, row);
    row->at++;
}

static bool add_step(struct row *row, uint8_t drive, uint32_t us) {
    if (row->n == 4096) return false;
    row->steps[row->n].drive = drive;
    row->steps[row->n++].us = us;
    return true;
}

static void play(struct row *row, uint8_t pin, uint8_t then) {
    row->pin = pin;
    row->then = then;
    if (!row->is_busy) {
        row->is_busy = true;
        next_step(row);
    }
}

bool press(uint8_t pin, bool level, uint32_t us, uint8_t then) {
    return add_step(&rows[pin], level ? DRIVE_HIGH : DRIVE_LOW, us) && (play(&rows[pin], pin, then), true);
}

bool pulses_send(uint8_t pin, uint32_t n, uint32_t spacing_us) {
    for (uint32_t i = 0; i < n; i++)
        if (!add_step(&rows[pin], DRIVE_LOW, spacing_us / 2) || !add_step(&rows[pin], DRIVE_HIGH, spacing_us - spacing_us / 2))
            return false;
    play(&rows[pin], pin, DRIVE_HIGH);
    return true;
}

/* A frame as the receiver's output has it, low while the carrier is on: 9 ms and 4.5 ms, 32 bits least significant first (562.5 us
 * low, then 562.5 or 1687.5 us), a last low; a repeat each 110 ms is 9 ms, 2.25 ms, a last low. Times by common practice of
 * this code; `code` holds the four bytes, the first sent lowest. */
bool infrared_send(uint8_t pin, uint32_t code, unsigned n_repeats) {
    struct row *row = &rows[pin];
    bool ok = add_step(row, DRIVE_LOW, 9000) && add_step(row, DRIVE_HIGH, 4500);
    uint32_t sum = 13500;
    for (unsigned i = 0; i < 32; i++) {
        uint32_t high = code >> i & 1 ? 1688 : 562;
        ok = ok && add_step(row, DRIVE_LOW, 563) && add_step(row, DRIVE_HIGH, high);
        sum += 563 + high;
    }
    ok = ok && add_step(row, DRIVE_LOW, 563) && add_step(row, DRIVE_HIGH, 110000 - sum - 563);
    for (unsigned i = 0; i < n_repeats; i++)
        ok = ok && add_step(row, DRIVE_LOW, 9000) && add_step(row, DRIVE_HIGH, 2250) && add_step(row, DRIVE_LOW, 563) &&
             add_step(row, DRIVE_HIGH, 110000 - 9000 - 2250 - 563);
    if (ok) play(row, pin, DRIVE_HIGH);
    return ok;
}

/* ---- ultrasonic: a trigger of 10 us, then, 460 us behind it, an echo pin high for the time of flight; without an echo
 * high for 38 ms (common practice of such modules, no source) ---- */

static struct sonar { uint8_t trigger, echo; uint32_t us; uint64_t rose; } sonars[4];
static unsigned n_sonars;

static void echo_ends(void *param) { pin_drive(((struct sonar *)param)->echo, DRIVE_LOW); }

static void echo_begins(void *param) {
    struct sonar *s = param;
    pin_drive(s->echo, DRIVE_HIGH);
    at(now() + from_us(s->us ? s->us : 38000), echo_ends, s);
}

static void triggered(void *param, bool level) {
    struct sonar *s = param;
    if (level) {
        s->rose = now();
    } else if (s->rose && now() - s->rose >= from_us(9.5) && s->us != UINT32_MAX) {
        s->rose = 0;
        at(now() + from_us(460), echo_begins, s);
    }
}

bool echo_add(uint8_t trigger, uint8_t echo) {
    if (n_sonars == 4) return false;
    struct sonar *s = &sonars[n_sonars++];
    *s = (struct sonar){trigger, echo, 1000, 0};
    pin_drive(echo, DRIVE_LOW);
    pin_listen(trigger, triggered, s);
    return true;
}

bool echo_set(uint8_t echo, uint32_t us) {
    for (unsigned i = 0; i < n_sonars; i++)
        if (sonars[i].echo == echo) {
            sonars[i].us = us;
            return true;
        }
    return false;
}
