/* Between the files of the VM: reading a program operation by operation (vm_read.c), carrying one out (vm_run.c), storage and
 * what others ask (vm.c). Nobody else includes this. */
#ifndef VM_CORE_H
#define VM_CORE_H

#include "calc.h"
#include "vm.h"
#include "zone.h"

/* Codes of operations; docs/control-program.md, section 6. Those from FIRST_NUMBER_OP on give a number. */
enum {
    OP_COMPARE = 0x01, OP_COMPARE_SLOTS, OP_SWITCH, OP_SET_RESET, OP_ALL, OP_ANY, OP_VOTE, OP_DELAY, OP_TRIP, OP_STALL,
    OP_QUALITY_TEST, OP_DISAGREE, OP_WINDOW, OP_SUBSTITUTE_BIT, OP_ALARM, OP_DRIVE, OP_DOSE, OP_SHORT_ALARM,
    LAST_BIT_OP = OP_SHORT_ALARM,
    FIRST_NUMBER_OP = 0x20,
    OP_CONSTANT = 0x20, OP_ARITHMETIC, OP_SCALE, OP_CLAMP, OP_LAG, OP_RATE, OP_COMBINE, OP_SUBSTITUTE, OP_SELECT, OP_TIME,
    OP_RAMP, OP_CURVE, OP_TOTAL_VOLUME, OP_TOTAL_RUN, OP_MODULATE, OP_DRIVE_DUTY, OP_PROCEDURE,
    LAST_OP = OP_PROCEDURE
};

/* What reading an operation is for. */
enum vm_mode {
    VM_COUNT, /* first pass of the loader: all checks but those on slots */
    VM_CHECK, /* second pass: those on slots too */
    VM_PASS,  /* find parts of the running program */
    VM_RUN
};

/* Things that are counted by kind. */
enum vm_part { PART_DRIVE, PART_TRIP, PART_ALARM, PART_PROCEDURE, PART_NONE };
#define N_OF(sizes, part) ((&(sizes)->n_drives)[part]) /* they stand in this order */

#define N_OPERANDS 7

/* The operation that was read last; its operands stand in V0 to V6. */
struct vm_op {
    uint8_t quality[N_OPERANDS];   /* of its operands, good for constants */
    uint8_t worst;                 /* of all operands that are there; then the result's */
    uint8_t code, variant;
    uint8_t index;                 /* of the tables */
    uint8_t options;               /* of a drive: its byte h; of lists: how many */
    uint8_t traits;                /* first byte of the table's entry */
    uint8_t part;                  /* enum vm_part */
    uint8_t ordinal;               /* among its kind */
    uint16_t slot;                 /* of its result, in its bank */
    uint16_t cell;                 /* its first */
};
extern struct vm_op op;

/* In the traits of an operation. */
#define CELLS(n) ((n) << 4)
#define N_CELLS_OF(traits) (((traits) >> 4) & 7)
#define STANDS_STILL 0x80u

/* Reading of one program, from its first operation to its last. */
struct vm_reader {
    struct code code;
    uint16_t at, end;
    uint8_t mode;
    bool is_wide;
    uint8_t verdict;
    struct vm_sizes before;         /* slots, cells and parts before what is read next; after the last one, all */
    const struct vm_sizes *limit;   /* what exists; while it is not known, the most that a program may have */
    uint16_t n_retained;            /* bytes */
    struct zone zone;
};
extern struct vm_reader reader;

/* The first thing found wrong is kept. */
void vm_fail(uint8_t verdict);
/* Goes to the first operation of a program whose container is sound. */
void vm_begin(const struct code *code, uint8_t mode, const struct vm_sizes *limit);
/* Reading of any bytes in the forms of a program, with all checks on forms: also the wiring table's. Ends before the last four
 * bytes, which are a checksum. */
void vm_seek(const struct code *code, uint16_t at);
uint32_t vm_code_u32(const struct code *code, uint16_t at);
void wiring_seek(uint16_t at);
uint16_t wiring_u16(uint16_t at);
uint8_t vm_next_byte(void);
void vm_skip(uint8_t n);
uint32_t vm_read_unsigned(void);
int32_t vm_read_decimal(void);
int32_t vm_read_duration(void);
/* More than there may be is a fault. */
void vm_check_counts(void);
/* What a routine of vm_run.c answers. */
enum vm_question { IS_POINT_BEHIND, CURVE_BEGINS, IS_STEP_OVER, IS_PAIR_WRONG, IS_NEW_DAY };
uint8_t vm_ask(uint8_t question);
/* An operand is true or bad; true and not bad. */
bool vm_is_set(uint8_t operand);
bool vm_is_sure(uint8_t operand);
/* Reads the next operation into `op`, false behind the last and when something is wrong. In VM_RUN its operands are there. */
bool vm_next(void);

/* Storage, for operands. Slots must exist. */
int32_t *vm_number_at(uint16_t slot);
uint8_t *vm_quality_at(uint16_t slot);
uint8_t *vm_bit_at(uint16_t slot);
int32_t *vm_cell_at(uint16_t cell);
int32_t *vm_hand_left_at(uint8_t drive);
uint16_t *vm_hand_at(uint8_t drive);

/* Both ways between storage and bytes elsewhere, which go on from call to call; inward is to storage. */
void vm_exchange_with(void *bytes, bool is_inward);
void vm_exchange(void *stored, uint8_t n);

/* Beside value and quality, a slot's byte keeps what waits for its operation. */
#define BIT_MASK 7u          /* value and quality of a bit */
#define QUALITY_MASK 3u      /* of a number */
#define RESET_WAITS 8u       /* in the bit of a trip */
#define COMMAND_SHIFT 2      /* in the quality of a procedure: enum vm_procedure_command */
/* In a hand: its value, and what procedures force in this scan. */
#define HAND_MASK 0x1FFFu
#define BLOCKED 0x2000u /* permissive or trip decided in the last scan */
#define FORCED_OFF 0x4000u
#define FORCED_ON 0x8000u

#define FULL_DUTY 1000

/* What else all operations of a scan share. */
struct vm_now {
    bool is_first;
    bool is_new_day;
    uint8_t clock_quality;
    uint32_t clock_s;
};
extern struct vm_now now;

/* What stood in its slot and cells comes to OLD and C0 to C4; before its operands are read, for those that are worked out with them. */
void vm_fetch(void);
/* Carries out what was read and puts its result into its slot. */
void vm_run(void);

#endif
