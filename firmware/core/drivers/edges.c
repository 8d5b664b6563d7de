/* Watched pins: each edge is stamped by an interrupt. The infrared receiver's intervals are decoded there and then (NEC: a
 * mark of 9 ms and a space of 4.5, then 32 bits, each a mark of 0.56 ms and a space of 0.56 for 0 or 1.69 for 1; the
 * receiver's output is low during a mark). Interrupts may be 75 us late while one-wire has a slot; what tells 0 from 1
 * is 0.56 ms from either. */
#include "drivers.h"

#include "port.h"
#include "small.h"
#include "wiring.h"

struct watched {
    uint8_t pin;
    uint8_t kind; /* enum watched_kind */
    bool was_high;
    uint16_t count; /* pulses; how long an echo lasted */
    uint16_t began; /* an echo */
};

static struct watched watched[PORT_WATCHED_PINS];
static volatile uint8_t n_watched;

/* Intervals between beginnings of marks, in stamps of 4 us. */
#define US(us) ((us) / 4u)
#define LEADER_SHORTEST US(12500u)
#define LEADER_LONGEST US(14500u)
#define BIT_LONGEST US(2800u)
#define ONE_SHORTEST US(1690u)

enum { WHOLE = 32, NO_FRAME = 33 }; /* bits that have come */
static struct frame {
    uint32_t bits;
    uint16_t mark_at;
    volatile uint8_t n_bits;
} frame;

void edges_start(void)
{
    ON_RESTART(n_watched = 0);
    frame.n_bits = NO_FRAME;
}

void edges_watch(uint8_t pin, uint8_t kind)
{
    port_pin_input(pin, kind != WATCH_ECHO);
    uint8_t n = n_watched;
    if (n < PORT_WATCHED_PINS && port_watch(pin)) {
        struct watched *place = &watched[n];
        place->pin = pin;
        place->kind = kind;
        place->was_high = kind != WATCH_ECHO;
        place->count = 0;
        n_watched = (uint8_t)(n + 1u);
    }
}

static void mark_began(uint16_t now)
{
    struct frame *coming = &frame;
    BY_POINTER(coming);
    uint16_t interval = (uint16_t)(now - coming->mark_at);
    coming->mark_at = now;
    uint8_t n = coming->n_bits;
    if (n == WHOLE) {
        return; /* the frame before has not been fetched */
    }
    if (interval <= BIT_LONGEST && n < WHOLE) {
        coming->bits >>= 1;
        if (interval >= ONE_SHORTEST) {
            coming->bits |= 0x80000000u;
        }
        n++;
    } else {
        n = interval >= LEADER_SHORTEST && interval <= LEADER_LONGEST ? 0 : NO_FRAME;
    }
    coming->n_bits = n;
}

void edges_changed(void)
{
    uint16_t now = port_stamp();
    struct watched *place = watched;
    for (uint8_t n = n_watched; n != 0; n--, place++) {
        bool is_high = port_pin_is_high(place->pin);
        if (is_high == place->was_high) {
            continue;
        }
        place->was_high = is_high;
        if (place->kind == WATCH_ECHO) {
            if (is_high) {
                place->began = now;
            } else {
                place->count = (uint16_t)(now - place->began);
            }
        } else if (!is_high) {
            if (PORT_HAS_PANEL && place->kind == WATCH_REMOTE) {
                mark_began(now);
            } else {
                place->count++;
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
            n = watched[i].count;
            watched[i].count = 0;
        }
    }
    port_unlock(state);
    return n;
}

bool infrared_frame(uint32_t *bits)
{
    if (frame.n_bits != WHOLE) {
        return false;
    }
    *bits = frame.bits;
    frame.n_bits = NO_FRAME;
    return true;
}
