/* The pool of states: numbers first, for their alignment. */
#include "states.h"

#include <string.h>

#include "port.h"
#include "wiring.h"

static union {
    struct number_state numbers[PORT_STATE_BYTES / sizeof(struct number_state)];
    uint8_t bytes[PORT_STATE_BYTES];
} pool;

struct number_state *const number_states = pool.numbers;
uint8_t *bit_states;
uint8_t *output_states;
uint8_t *device_states;
uint8_t *seen;

bool states_lay(void)
{
    memset(&pool, 0, sizeof pool);
    uint8_t *at = (uint8_t *)(pool.numbers + wiring.n_numbers);
    bit_states = at;
    at += wiring.n_bits;
    output_states = at;
    at += wiring.n_outputs;
    device_states = at;
    at += wiring.n_devices;
    seen = at;
    return at <= pool.bytes + PORT_STATE_BYTES;
}

bool states_fit(const struct vm_sizes *program)
{
    return seen + program->n_procedures + program->n_trips + program->n_alarms + program->n_drives
        <= pool.bytes + PORT_STATE_BYTES;
}
