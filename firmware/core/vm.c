/* The loader, storage and what others ask of the program. */
#include "vm.h"

#include <string.h>

#include "arith.h"
#include "port.h"
#include "small.h"
#include "store_map.h"
#include "vm_core.h"
#include "wiring.h"

struct vm_sizes vm;

/* Number values, cells and hand times first, because some processors want them aligned; then hands and where parts are; then bytes. */
static struct {
    int32_t words[VM_POOL_BYTES / 4];
} pool;
static struct code program;
static int32_t *hand_left;
static uint16_t *hands;
/* Where results of parts are, drives, trips, alarms, procedures: the slot, and above it the operation's variant, of a drive 1 when it
 * is modulated. Others ask many times a scan, and a program takes some 10 ms to read through. */
static uint16_t *places;
static uint8_t *qualities;
static uint8_t *bits;
static int32_t longest_hand_ms;
_Static_assert(VM_POOL_BYTES <= 20000, "sums of the pool's parts fit 16 bits");

/* Longest retained state: two records must fit the ring, each with five bytes beside it (section 9). */
#ifndef VM_RETAINED_MOST
#define VM_RETAINED_MOST (MAP_KEPT_LONGEST - 5)
#endif

#define SHORTEST 18
#define CRC_BYTES 4
#define FLAG_WIDE 1
#define FLAG_ZONE 2
#define FLAG_DAYLIGHT 4
#define MOST_WIDE 0x3FFF
#define MOST_DRIVES 128
#define BUILT_IN_BITS 2
#define KIND_SHIFT 14 /* of a place; slots are 14 bits */

int32_t *vm_number_at(uint16_t slot)
{
    return &pool.words[slot];
}

APART int32_t *vm_cell_at(uint16_t cell)
{
    return &pool.words[vm.n_numbers + cell];
}

uint8_t *vm_quality_at(uint16_t slot)
{
    return &qualities[slot];
}

uint8_t *vm_bit_at(uint16_t slot)
{
    return &bits[slot];
}

int32_t *vm_hand_left_at(uint8_t drive)
{
    return &hand_left[drive];
}

APART uint16_t *vm_hand_at(uint8_t drive)
{
    return &hands[drive];
}

uint32_t vm_code_u32(const struct code *code, uint16_t at)
{
    return code_u16(code, at) | (uint32_t)code_u16(code, (uint16_t)(at + 2u)) << 16;
}

static void read_offset(void)
{
    if ((uint8_t)(vm_next_byte() + 60) > 120) {
        vm_fail(VM_ZONE);
    }
}

static void read_change(void)
{
    uint8_t first = vm_next_byte();
    uint8_t second = vm_next_byte();
    vm_next_byte();
    uint8_t month = first >> 4;
    uint8_t week = (first >> 1) & 7;
    if ((uint8_t)(month - 1) >= 12 || (uint8_t)(week - 1) >= 5 || ((first & 1) != 0 && second >= 0xC0)) {
        vm_fail(VM_ZONE);
    }
}

void vm_begin(const struct code *code, uint8_t mode, const struct vm_sizes *limit)
{
    struct vm_reader *from = &reader;
    IN_REGISTER(from);
    memset(&from->before, 0, sizeof from->before);
    vm_seek(code, 3);
    uint8_t flags = vm_next_byte();
    from->mode = mode;
    from->limit = limit;
    from->is_wide = (flags & FLAG_WIDE) != 0;
    from->n_retained = 2;
    from->at = 11;
    from->before.n_number_inputs = vm_next_byte();
    from->before.n_bit_inputs = vm_next_byte();
    from->before.n_numbers = from->before.n_number_inputs;
    from->before.n_bits = (uint16_t)(from->before.n_bit_inputs + BUILT_IN_BITS);
    longest_hand_ms = vm_read_duration();
    from->zone.at = from->at;
    from->zone.n_bytes = 0;
    if ((flags & FLAG_ZONE) != 0) {
        from->zone.n_bytes = 1;
        read_offset();
    }
    if ((flags & FLAG_DAYLIGHT) != 0) {
        from->zone.n_bytes = 8;
        read_offset();
        read_change();
        read_change();
    }
}

/* The container, up to and with the period. */
static uint8_t check_container(const struct code *code)
{
    vm_seek(code, 0);
    if (code->length < SHORTEST) {
        return VM_SIZE;
    }
    if (vm_next_byte() != 'T' || vm_next_byte() != 'w') {
        return VM_MAGIC;
    }
    if (vm_next_byte() != 1) {
        return VM_FORMAT;
    }
    uint8_t flags = vm_next_byte();
    if (flags > (FLAG_WIDE | FLAG_ZONE | FLAG_DAYLIGHT) || (flags & (FLAG_ZONE | FLAG_DAYLIGHT)) == FLAG_DAYLIGHT) {
        return VM_FLAGS;
    }
    if (code_u16(code, 4) != code->length) {
        return VM_LENGTH;
    }
    if (!code_is_whole(code)) {
        return VM_CHECKSUM;
    }
    return (uint8_t)(code_byte(code, 10) - 1) < 40 ? VM_SOUND : VM_PERIOD;
}

/* One pass over all operations. */
APART static uint8_t pass(const struct code *code, uint8_t mode, const struct vm_sizes *limit)
{
    vm_begin(code, mode, limit);
    while (vm_next()) {
    }
    vm_check_counts();
    return reader.verdict;
}

/* Parts of kinds before `part`, and `n`. */
APART static uint16_t parts_before(const uint8_t *n_drives, uint8_t part, uint16_t n)
{
    for (; part != 0; part--) {
        n = (uint16_t)(n + *n_drives++);
    }
    return n;
}

uint8_t vm_check(const struct code *code, struct vm_sizes *sizes)
{
    struct vm_sizes found;
    uint8_t verdict = check_container(code);
    if (verdict != VM_SOUND) {
        return verdict;
    }
    uint16_t most = MOST_WIDE;
    found.n_cells = most;
    found.n_drives = MOST_DRIVES;
    if ((code_byte(code, 3) & FLAG_WIDE) == 0) {
        most = 128;
    }
    found.n_bits = most;
    found.n_numbers = most == 128 ? 256 : most;
    verdict = pass(code, VM_COUNT, &found);
    if (verdict == VM_SOUND) {
        found = reader.before;
        verdict = pass(code, VM_CHECK, &found);
    }
    if (verdict != VM_SOUND) {
        return verdict;
    }
    if (vm_code_u32(code, 6) != wiring.crc) {
        return VM_WIRING;
    }
    if (found.n_number_inputs > wiring.n_numbers || found.n_bit_inputs > wiring.n_bits || found.n_drives > wiring.n_outputs) {
        return VM_BOARD;
    }
    if (found.n_numbers > VM_POOL_BYTES / 5 || found.n_cells > VM_POOL_BYTES / 4 || found.n_bits > VM_POOL_BYTES) {
        return VM_MEMORY;
    }
    found.pool_bytes = (uint16_t)(found.n_numbers * 5u + found.n_cells * 4u + found.n_bits + found.n_drives * 6u
                                  + parts_before(&found.n_drives, PART_NONE, 0) * 2u);
    uint16_t n_retained = (uint16_t)(reader.n_retained + (found.n_trips + 7u) / 8);
    if (found.pool_bytes > VM_POOL_BYTES || n_retained > VM_RETAINED_MOST) {
        return VM_MEMORY;
    }
    found.retained_bytes = (uint8_t)n_retained;
    found.period_ms = (uint16_t)(code_byte(code, 10) * 250u);
    found.crc = vm_code_u32(code, reader.end);
    if (sizes != 0) {
        *sizes = found;
    }
    return VM_SOUND;
}

static void begin(uint8_t mode)
{
    vm_begin(&program, mode, &vm);
}

APART static uint16_t *place_of(uint8_t part, uint8_t ordinal)
{
    return &places[parts_before(&vm.n_drives, part, ordinal)];
}

uint8_t vm_load(const struct code *code)
{
    memset(&vm, 0, sizeof vm);
    memset(&pool, 0, sizeof pool);
    memset(&now, 0, sizeof now);
    memset(calc, 0, sizeof calc);
    uint8_t verdict = vm_check(code, &vm);
    if (verdict != VM_SOUND) {
        return verdict;
    }
    program = *code;
    hand_left = &pool.words[vm.n_numbers + vm.n_cells];
    hands = (uint16_t *)(void *)&hand_left[vm.n_drives];
    places = &hands[vm.n_drives];
    qualities = (uint8_t *)place_of(PART_NONE, 0);
    bits = &qualities[vm.n_numbers];
    memset(qualities, BAD, vm.n_number_inputs);
    memset(&bits[BUILT_IN_BITS], BAD << 1, vm.n_bit_inputs);
    bits[0] = 1;
    now.clock_quality = BAD;
    now.is_first = true;
    calc_put(PERIOD_MS, (int16_t)vm.period_ms);
    calc_put(PERIOD, (int16_t)(vm.period_ms / 250u));
    calc_put(FIRST, 1);
    begin(VM_PASS);
    while (vm_next()) {
        struct vm_op *it = &op;
        BY_POINTER(it);
        uint8_t kind = it->variant;
        if (it->part == PART_DRIVE) {
            kind = it->code == OP_DRIVE_DUTY;
        }
        if (it->part != PART_NONE) {
            uint8_t *place = (uint8_t *)place_of(it->part, it->ordinal);
            place[0] = (uint8_t)it->slot;
            place[1] = (uint8_t)((uint8_t)(it->slot >> 8) | (uint8_t)(kind << 6));
        }
    }
    return VM_SOUND;
}

bool vm_is_whole(void)
{
    return code_is_whole(&program);
}

bool vm_scan(void)
{
    if (vm.period_ms == 0) {
        return false;
    }
    bits[1] = now.is_first;
    calc_put(VARIANT, now.clock_quality != BAD);
    calc_put(V0, 0);
    if (now.clock_quality != BAD) {
        calc[V0] = (int32_t)(now.clock_s / 86400u);
    }
    now.is_new_day = vm_ask(IS_NEW_DAY);
    for (uint8_t drive = 0; drive < vm.n_drives; drive++) {
        hands[drive] &= HAND_MASK;
    }
    begin(VM_RUN);
    while (vm_next()) {
        vm_run();
    }
    now.is_first = false;
    calc_put(FIRST, 0);
    return reader.verdict == VM_SOUND;
}

void vm_set_number(uint8_t input, struct sample sample)
{
    if (input < vm.n_number_inputs) {
        pool.words[input] = sample.quality == BAD ? 0 : sample.value;
        qualities[input] = sample.quality;
    }
}

void vm_set_bit(uint8_t input, bool value, uint8_t quality)
{
    if (input < vm.n_bit_inputs) {
        bits[BUILT_IN_BITS + input] = (uint8_t)((value && quality != BAD) | quality << 1);
    }
}

void vm_set_clock(uint32_t utc_s, uint8_t quality)
{
    now.clock_quality = quality;
    if (quality != BAD) {
        now.clock_s = utc_s;
    }
}

bool vm_hand(uint8_t drive, int16_t value, int32_t time_ms)
{
    if (drive >= vm.n_drives) {
        return false;
    }
    /* The longest time is this program's, whichever was looked at last. */
    begin(VM_COUNT);
    hands[drive] = (uint16_t)arith_clamp(value, 0, FULL_DUTY);
    hand_left[drive] = arith_clamp(time_ms, 0, longest_hand_ms);
    return true;
}

bool vm_is_blocked(uint8_t drive)
{
    return drive < vm.n_drives && (hands[drive] & BLOCKED) != 0;
}

/* The n-th of its kind: its slot and kind come to `op`. */
static bool find(uint8_t part, uint8_t ordinal)
{
    /* The four counts stand behind each other, as N_OF says. */
    /* cppcheck-suppress objectIndex */
    if (ordinal >= N_OF(&vm, part)) {
        return false;
    }
    uint16_t place = *place_of(part, ordinal);
    op.slot = place & MOST_WIDE;
    op.variant = (uint8_t)(place >> KIND_SHIFT);
    return true;
}

bool vm_reset_trip(uint8_t trip)
{
    bool is_there = find(PART_TRIP, trip);
    if (is_there) {
        bits[op.slot] |= RESET_WAITS;
    }
    return is_there;
}

bool vm_procedure(uint8_t procedure, uint8_t command)
{
    bool is_there = find(PART_PROCEDURE, procedure);
    if (is_there) {
        qualities[op.slot] = (uint8_t)(command << COMMAND_SHIFT);
    }
    return is_there;
}

struct sample vm_number(uint16_t slot)
{
    struct sample sample = {0, BAD};
    if (slot < vm.n_numbers) {
        sample.value = pool.words[slot];
        sample.quality = qualities[slot] & QUALITY_MASK;
    }
    return sample;
}

int32_t vm_cell(uint16_t cell)
{
    return cell < vm.n_cells ? *vm_cell_at(cell) : 0;
}

uint8_t vm_bit(uint16_t slot)
{
    return slot < vm.n_bits ? bits[slot] & BIT_MASK : BAD << 1;
}

bool vm_is_modulated(uint8_t drive)
{
    return find(PART_DRIVE, drive) && op.variant != 0;
}

int16_t vm_output(uint8_t drive)
{
    if (!find(PART_DRIVE, drive)) {
        return 0;
    }
    return op.variant != 0 ? (int16_t)pool.words[op.slot] : bits[op.slot] & 1;
}

int32_t vm_hand_left_ms(uint8_t drive)
{
    return drive < vm.n_drives ? hand_left[drive] : 0;
}

uint8_t vm_trip(uint8_t trip)
{
    return find(PART_TRIP, trip) ? bits[op.slot] & 1 : 0;
}

uint8_t vm_alarm(uint8_t alarm)
{
    return find(PART_ALARM, alarm) ? (uint8_t)((bits[op.slot] & BIT_MASK) | (uint8_t)(op.variant << 4)) : 0;
}

uint8_t vm_step(uint8_t procedure)
{
    return find(PART_PROCEDURE, procedure) ? (uint8_t)pool.words[op.slot] : 0;
}

uint32_t vm_day(void)
{
    return (uint32_t)calc[DAY];
}

static uint8_t *beside;
static bool is_restoring;

APART void vm_exchange_with(void *bytes, bool is_inward)
{
    beside = bytes;
    is_restoring = is_inward;
}

/* Numbers stand everywhere with their lowest byte first. */
APART void vm_exchange(void *stored, uint8_t n)
{
    uint8_t *at = stored;
    uint8_t *other = beside;
    for (; n != 0; n--) {
        if (is_restoring) {
            *at = *other;
        } else {
            *other = *at;
        }
        at++;
        other++;
    }
    beside = other;
}

/* Between storage and the bytes of a retained state. */
static void retain(void)
{
    vm_exchange(&calc[DAY], 2);
    for (uint8_t turn = 0; turn < 3; turn++) {
        begin(VM_PASS);
        while (vm_next()) {
            if (turn == 2) {
                if (op.code == OP_TOTAL_VOLUME || op.code == OP_TOTAL_RUN) {
                    vm_exchange(vm_number_at(op.slot), 4);
                }
            } else if (op.code == OP_TRIP) {
                uint8_t *bit = vm_bit_at(op.slot);
                uint8_t mask = (uint8_t)(1u << (op.ordinal & 7));
                if (turn == 1) {
                    if (op.variant == 1) {
                        vm_exchange(vm_cell_at(op.cell), 1);
                    }
                } else if (is_restoring) {
                    *bit = (*beside & mask) != 0;
                } else {
                    if (mask == 1) {
                        *beside = 0;
                    }
                    if ((*bit & 1) != 0) {
                        *beside |= mask;
                    }
                }
                if (turn == 0 && (mask == 0x80 || op.ordinal + 1 == vm.n_trips)) {
                    beside++;
                }
            }
        }
    }
}

void vm_keep(uint8_t *out)
{
    vm_exchange_with(out, false);
    retain();
}

void vm_restore(const uint8_t *kept)
{
    /* Only read from. */
    vm_exchange_with((uint8_t *)(uintptr_t)kept, true);
    retain();
}
