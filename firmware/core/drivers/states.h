/* What drivers and runtime remember, in one pool whose size the port fixes: so a board with many contacts needs no room for
 * thermometers it does not have. */
#ifndef STATES_H
#define STATES_H

#include <stdbool.h>
#include <stdint.h>

#include "vm.h"

struct number_state {
    int16_t raw;  /* last reading */
    uint16_t age; /* scans since it was latched, and one; 1: not latched yet; 0: never read, or 65 535 scans ago */
};

/* A bit's byte: the debounced contact is closed; a press waits for the scan; samples in a row that differ. */
enum { BIT_CLOSED = 0x80, BIT_PRESSED = 0x40, BIT_COUNT = 0x7F, BUTTON_COUNT = 0x3F };

/* An output's byte: it is switched on; times in a row that it did not follow; the last hand was by a remote key. */
enum { OUTPUT_ON = 0x01, OUTPUT_MISSES = 0x06, OUTPUT_MISS = 0x02, OUTPUT_BY_KEY = 0x80 };

/* A device's byte: times in a row that it did not answer. */
enum { DEVICE_LOST_AT = 3 };

extern struct number_state *const number_states;
extern uint8_t *bit_states;
extern uint8_t *output_states;
extern uint8_t *device_states;

/* What the last scan left of the program: a byte for each procedure (its step), trip, alarm and drive (hand). */
extern uint8_t *seen;

/* Lays the pool out for the open wiring table and empties it; false when the table does not fit, and then nothing fits. */
bool states_lay(void);
/* What a program needs beside the table's. */
bool states_fit(const struct vm_sizes *program);

#endif
