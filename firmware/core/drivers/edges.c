/* Watched pins: each edge is stamped by an interrupt. The infrared receiver's intervals are decoded there and then (NEC: a
 * mark of 9 ms and a space of 4.5, then 32 bits, each a mark of 0.56 ms and a space of 0.56 for 0 or 1.69 for 1; the
 * receiver's output is low during a mark). Interrupts may be 75 us late while one-wire has a slot; what tells 0 from 1
 * is 0.56 ms from either. */
#include "drivers.h"

#include "port.h"
#include "wiring.h"

enum kind { PULSES, ECHO, REMOTE };

struct watched {
    uint8_t pin;
    uint8_t kind; /* enum kind */
    bool was_high;
    uint16_t n_pulses;
};

static struct watched watched[PORT_WATCHED_PINS];
static volatile uint8_t n_watched;

/* Intervals between beginnings of marks, in stamps of 4 us. */
#define US(us) ((us) / 4u)
#define LEADER_SHORTEST US(12500u)
#define LEADER_LONGEST US(14500u)
#define BIT_LONGEST US(2800u)
#define ONE_SHORTEST US(1690u)

#define IDLE 33u /* no frame comes; 32 bits are a frame that waits */
static volatile uint8_t n_frame_bits;
static uint32_t frame_bits;
static uint16_t mark_at;

static uint8_t echo_pin;
static volatile uint16_t echo_began;
static volatile uint16_t echo_lasted;

static void watch(uint8_t pin, uint8_t kind)
{
    if (n_watched < PORT_WATCHED_PINS && port_watch(pin)) {
        struct watched *place = &watched[n_watched];
        place->pin = pin;
        place->kind = kind;
        place->was_high = port_pin_is_high(pin);
        place->n_pulses = 0;
        n_watched++;
    }
}

void edges_start(void)
{
    n_watched = 0;
    n_frame_bits = IDLE;
    for (uint8_t i = 0; i < wiring.n_numbers; i++) {
        struct number_entry entry;
        wiring_number(i, &entry);
        if (entry.driver == PULSE_FLOW) {
            port_pin_input(entry.pin, true);
            watch(entry.pin, PULSES);
        } else if (entry.driver == ULTRASONIC) {
            port_pin_output(entry.pin, false);
            port_pin_input(entry.second, false);
            watch(entry.second, ECHO);
        }
    }
    for (uint8_t i = 0; i < wiring.n_devices; i++) {
        struct device_entry entry;
        wiring_device(i, &entry);
        if (entry.kind == INFRARED_RECEIVER) {
            port_pin_input(entry.address, true);
            watch(entry.address, REMOTE);
        }
    }
}

static void mark_began(uint16_t now)
{
    uint16_t interval = (uint16_t)(now - mark_at);
    mark_at = now;
    if (n_frame_bits == 32) {
        return; /* the frame before has not been fetched */
    }
    if (interval >= LEADER_SHORTEST && interval <= LEADER_LONGEST) {
        n_frame_bits = 0;
    } else if (n_frame_bits < 32 && interval <= BIT_LONGEST) {
        frame_bits >>= 1;
        if (interval >= ONE_SHORTEST) {
            frame_bits |= 0x80000000u;
        }
        n_frame_bits++;
    } else {
        n_frame_bits = IDLE;
    }
}

void edges_changed(void)
{
    uint16_t now = port_stamp();
    for (uint8_t i = 0; i < n_watched; i++) {
        struct watched *place = &watched[i];
        bool is_high = port_pin_is_high(place->pin);
        if (is_high == place->was_high) {
            continue;
        }
        place->was_high = is_high;
        if (place->kind == ECHO) {
            if (place->pin == echo_pin) {
                if (is_high) {
                    echo_began = now;
                } else {
                    echo_lasted = (uint16_t)(now - echo_began);
                }
            }
        } else if (!is_high) {
            if (place->kind == REMOTE) {
                mark_began(now);
            } else {
                place->n_pulses++;
            }
        }
    }
}

uint16_t edges_pulses(uint8_t pin)
{
    uint16_t n = 0;
    uint8_t state = port_lock();
    for (uint8_t i = 0; i < n_watched; i++) {
        if (watched[i].pin == pin) {
            n = watched[i].n_pulses;
            watched[i].n_pulses = 0;
        }
    }
    port_unlock(state);
    return n;
}

void echo_await(uint8_t pin)
{
    uint8_t state = port_lock();
    echo_pin = pin;
    echo_lasted = 0;
    port_unlock(state);
}

uint16_t echo_us(void)
{
    uint8_t state = port_lock();
    uint16_t lasted = echo_lasted;
    port_unlock(state);
    return lasted > INT16_MAX / 4 ? INT16_MAX : (uint16_t)(lasted * 4u); /* beyond 32 ms there was no echo */
}

bool infrared_frame(uint32_t *frame)
{
    if (n_frame_bits != 32) {
        return false;
    }
    *frame = frame_bits;
    n_frame_bits = IDLE;
    return true;
}
