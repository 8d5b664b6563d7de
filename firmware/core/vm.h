/* The control program: loader, storage and one scan, as docs/control-program.md says. Written from that page and compared
 * with the reference VM bit for bit.
 *
 * One program is loaded at a time; its slots stand in one pool whose size the port fixes (VM_POOL_BYTES). Contract: only what
 * vm_load accepted runs, and what it accepted cannot leave the pool nor take more than its operations' time. No heap, no
 * floats, no recursion. */
#ifndef VM_H
#define VM_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"

enum quality { GOOD, UNCERTAIN, BAD };

struct sample {
    int32_t value;
    uint8_t quality;
};

/* Why a program is refused, in the order of the table "What a loader rejects". VM_SOUND is 0. */
enum vm_verdict {
    VM_SOUND,
    VM_SIZE,
    VM_MAGIC,
    VM_FORMAT,
    VM_FLAGS,
    VM_LENGTH,
    VM_CHECKSUM,
    VM_PERIOD,
    VM_ZONE,
    VM_TRUNCATED,
    VM_NUMBER,
    VM_RANGE,
    VM_OPERATION,
    VM_VARIANT,
    VM_OPERAND,
    VM_TOO_MANY,
    VM_PROCEDURE,
    VM_WIRING,  /* compiled for another wiring table */
    VM_BOARD,   /* more inputs or drives than the wiring table has */
    VM_MEMORY   /* does not fit the pool */
};

/* What a loaded program has. */
struct vm_sizes {
    uint16_t n_numbers, n_bits, n_cells, n_ops;
    uint8_t n_number_inputs, n_bit_inputs;
    uint8_t n_drives, n_trips, n_alarms, n_procedures;
    uint16_t period_ms;
    uint16_t pool_bytes; /* used of VM_POOL_BYTES */
    uint8_t retained_bytes; /* of a retained state of this program, section 9, from `day` up to the CRC */
    uint32_t crc;        /* the program's identity: its last four bytes */
};

/* Checks everything and changes nothing: for a trial before it is named. `sizes` may be null. */
uint8_t vm_check(const struct code *code, struct vm_sizes *sizes);

/* Checks, then makes this the running program with all slots at 0. On refusal nothing runs (vm_scan does nothing). */
uint8_t vm_load(const struct code *code);
/* The running program's bytes still have their checksum: a scan sees only what no loader would accept. Some ms. */
bool vm_is_whole(void);

extern struct vm_sizes vm;

/* Runs the program once. Inputs and clock are set before, outputs are read after. False when no program is loaded, or when
 * its bytes are no longer those that were checked: nothing has left the pool, but the results are not to be used. */
bool vm_scan(void);

/* Inputs of the next scan. A bad input has the value 0, whatever is given; a bad clock keeps its last reading. */
void vm_set_number(uint8_t input, struct sample sample);
void vm_set_bit(uint8_t input, bool value, uint8_t quality);
void vm_set_clock(uint32_t utc_s, uint8_t quality); /* quality GOOD or BAD */

/* What people do (section 7); false when there is no such part. Time in ms, cut to the longest hand time; 0 gives back. */
bool vm_hand(uint8_t drive, int16_t value, int32_t time_ms);
bool vm_reset_trip(uint8_t trip);
enum vm_procedure_command { VM_START = 1, VM_CONFIRM, VM_STOP };
bool vm_procedure(uint8_t procedure, uint8_t command);

/* Results, valid after a scan. */
struct sample vm_number(uint16_t slot);
uint8_t vm_bit(uint16_t slot);           /* value in bit 0, quality in bits 1 and 2 */
int16_t vm_output(uint8_t drive);        /* 0 or 1 switched, 0 to 1000 modulated */
bool vm_is_modulated(uint8_t drive);
int32_t vm_hand_left_ms(uint8_t drive);
uint8_t vm_trip(uint8_t trip);           /* 1 while it stands */
uint8_t vm_alarm(uint8_t alarm);         /* as vm_bit; priority in bits 4 and 5 */
uint8_t vm_step(uint8_t procedure);      /* 0 when it does not run */
uint32_t vm_day(void);
bool vm_is_blocked(uint8_t drive);       /* in the last scan its permissive or its trip decided */
int32_t vm_cell(uint16_t cell);          /* in the order of section 5, for the records of the link */

/* Retained state (docs/control-program.md, section 9) between `day` and the CRC, vm.retained_bytes long. */
void vm_keep(uint8_t *out);
void vm_restore(const uint8_t *kept);

#endif
