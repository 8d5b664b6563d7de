/* The pool of states: numbers first, for their alignment. */
#include "states.h"

#include <string.h>

#include "port.h"
#include "wiring.h"

static union {
    struct number_state numbers[PORT_STATE_BYTES / sizeof(struct number_state)];
    uint8_t bytes[PORT_STATE_BYTES];
} pool;

struct number_state *number_states;
uint8_t *bit_states;
uint8_t *output_states;
uint8_t *device_states;
uint8_t *seen;

bool states_lay(void)
{
    memset(&pool, 0, sizeof pool);
    number_states = pool.numbers;
    uint16_t at = (uint16_t)(wiring.n_numbers * sizeof(struct number_state));
    uint16_t end = (uint16_t)(at + wiring.n_bits + wiring.n_outputs + wiring.n_devices);
    if (end > PORT_STATE_BYTES) {
        return false;
    }
    bit_states = pool.bytes + at;
    output_states = bit_states + wiring.n_bits;
    device_states = output_states + wiring.n_outputs;
    seen = device_states + wiring.n_devices;
    for (uint8_t i = 0; i < wiring.n_numbers; i++) {
        number_states[i].age = AGE_NONE;
    }
    return true;
}

bool states_fit(const struct vm_sizes *program)
{
    uint16_t n = (uint16_t)(program->n_procedures + (program->n_trips + program->n_alarms + 7) / 8);
    return n <= (uint16_t)(pool.bytes + PORT_STATE_BYTES - seen);
}
