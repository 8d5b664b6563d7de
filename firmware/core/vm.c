/* The loader, storage and what others ask of the program. */
#include "vm.h"

#include <string.h>

#include "arith.h"
#include "port.h"
#include "store_map.h"
#include "vm_core.h"
#include "wiring.h"

struct vm_sizes vm;

/* Number values, cells and hand times first, because some processors want them aligned; then hands; then bytes. */
static union {
    int32_t words[VM_POOL_BYTES / 4];
    uint8_t bytes[VM_POOL_BYTES];
} pool;
static struct code program;
static int32_t *hand_left;
static uint16_t *hands;
static uint8_t *qualities;
static uint8_t *bits;
static int32_t longest_hand_ms;

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
#define LONGEST_DAY_MS 90000000
#define LAST_DAY 49710u

int32_t *vm_number_at(uint16_t slot)
{
    return &pool.words[slot];
}

int32_t *vm_cell_at(uint16_t cell)
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

uint16_t *vm_hand_at(uint8_t drive)
{
    return &hands[drive];
}

static uint16_t code_u16(const struct code *code, uint16_t at)
{
    return (uint16_t)(code_byte(code, at) | (uint16_t)code_byte(code, (uint16_t)(at + 1u)) << 8);
}

static uint32_t code_u32(const struct code *code, uint16_t at)
{
    return code_u16(code, at) | (uint32_t)code_u16(code, (uint16_t)(at + 2u)) << 16;
}

static bool is_offset(uint8_t quarters)
{
    return (uint8_t)(quarters + 60) <= 120;
}

static void check_zone(const struct code *code, const struct zone *zone)
{
    bool is_sound = is_offset(code_byte(code, zone->at));
    if (zone->n_bytes > 1) {
        is_sound = is_sound && is_offset(code_byte(code, zone->at + 1u));
        for (uint16_t at = (uint16_t)(zone->at + 2u); at < zone->at + 8u; at = (uint16_t)(at + 3u)) {
            uint8_t first = code_byte(code, at);
            uint8_t month = first >> 4;
            uint8_t week = (first >> 1) & 7;
            bool is_eighth_day = (first & 1) != 0 && (code_byte(code, at + 1u) & 0xC0) == 0xC0;
            is_sound = is_sound && month >= 1 && month <= 12 && week >= 1 && week <= 5 && !is_eighth_day;
        }
    }
    if (!is_sound) {
        vm_fail(VM_ZONE);
    }
}

void vm_begin(const struct code *code, uint8_t mode)
{
    memset(&reader.before, 0, sizeof reader.before);
    uint8_t flags = code_byte(code, 3);
    vm_seek(code, 13);
    reader.mode = mode;
    reader.is_wide = (flags & FLAG_WIDE) != 0;
    reader.n_ops = 0;
    reader.n_totals = 0;
    reader.n_counted = 0;
    reader.before.n_numbers = code_byte(code, 11);
    reader.before.n_bits = (uint16_t)(code_byte(code, 12) + BUILT_IN_BITS);
    reader.longest_hand_ms = vm_read_duration();
    reader.zone.at = reader.at;
    reader.zone.n_bytes = (flags & FLAG_DAYLIGHT) != 0 ? 8 : (flags & FLAG_ZONE) != 0 ? 1 : 0;
    vm_skip(reader.zone.n_bytes);
    if (mode == VM_COUNT && reader.zone.n_bytes != 0) {
        check_zone(code, &reader.zone);
    }
}

/* The container, up to and with the period. */
static uint8_t check_container(const struct code *code)
{
    if (code->length < SHORTEST) {
        return VM_SIZE;
    }
    if (code_byte(code, 0) != 'T' || code_byte(code, 1) != 'w') {
        return VM_MAGIC;
    }
    if (code_byte(code, 2) != 1) {
        return VM_FORMAT;
    }
    uint8_t flags = code_byte(code, 3);
    if (flags > (FLAG_WIDE | FLAG_ZONE | FLAG_DAYLIGHT) || (flags & (FLAG_ZONE | FLAG_DAYLIGHT)) == FLAG_DAYLIGHT) {
        return VM_FLAGS;
    }
    if (code_u16(code, 4) != code->length) {
        return VM_LENGTH;
    }
    uint16_t end = (uint16_t)(code->length - CRC_BYTES);
    uint32_t crc = CRC32_START;
    for (uint16_t at = 0; at < end; at++) {
        crc = crc32_add(crc, code_byte(code, at));
    }
    if (crc32_end(crc) != code_u32(code, end)) {
        return VM_CHECKSUM;
    }
    uint8_t period = code_byte(code, 10);
    return period >= 1 && period <= 40 ? VM_SOUND : VM_PERIOD;
}

/* One pass over all operations. */
static void pass(const struct code *code, uint8_t mode)
{
    vm_begin(code, mode);
    while (vm_next()) {
    }
    vm_check_counts();
}

uint8_t vm_check(const struct code *code, struct vm_sizes *sizes)
{
    uint8_t verdict = check_container(code);
    /* What is asked next about the running program starts anew. */
    reader.mode = VM_COUNT;
    if (verdict != VM_SOUND) {
        return verdict;
    }
    bool is_wide = (code_byte(code, 3) & FLAG_WIDE) != 0;
    struct vm_counts *limit = &reader.limit;
    limit->n_numbers = is_wide ? MOST_WIDE : 256;
    limit->n_bits = is_wide ? MOST_WIDE : 128;
    limit->n_cells = MOST_WIDE;
    limit->n_parts[PART_DRIVE] = MOST_DRIVES;
    pass(code, VM_COUNT);
    if (reader.verdict == VM_SOUND) {
        *limit = reader.before;
        pass(code, VM_CHECK);
    }
    if (reader.verdict != VM_SOUND) {
        return reader.verdict;
    }
    uint8_t n_drives = limit->n_parts[PART_DRIVE];
    if (code_u32(code, 6) != wiring.crc) {
        return VM_WIRING;
    }
    uint8_t n_number_inputs = code_byte(code, 11);
    uint8_t n_bit_inputs = code_byte(code, 12);
    if (n_number_inputs > wiring.n_numbers || n_bit_inputs > wiring.n_bits || n_drives > wiring.n_outputs) {
        return VM_BOARD;
    }
    uint32_t n_bytes = (uint32_t)limit->n_numbers * 5 + (uint32_t)limit->n_cells * 4 + limit->n_bits + (uint16_t)(n_drives * 6u);
    uint16_t n_trips = limit->n_parts[PART_TRIP];
    uint32_t n_retained = 2u + (n_trips + 7u) / 8 + reader.n_counted + (uint32_t)reader.n_totals * 4;
    if (n_bytes > VM_POOL_BYTES || n_retained > VM_RETAINED_MOST) {
        return VM_MEMORY;
    }
    if (sizes != 0) {
        sizes->n_numbers = limit->n_numbers;
        sizes->n_bits = limit->n_bits;
        sizes->n_cells = limit->n_cells;
        sizes->n_ops = reader.n_ops;
        sizes->n_number_inputs = n_number_inputs;
        sizes->n_bit_inputs = n_bit_inputs;
        sizes->n_drives = n_drives;
        sizes->n_trips = limit->n_parts[PART_TRIP];
        sizes->n_alarms = limit->n_parts[PART_ALARM];
        sizes->n_procedures = limit->n_parts[PART_PROCEDURE];
        sizes->period_ms = (uint16_t)(code_byte(code, 10) * 250u);
        sizes->pool_bytes = (uint16_t)n_bytes;
        sizes->retained_bytes = (uint8_t)n_retained;
        sizes->n_counted = reader.n_counted;
        sizes->crc = code_u32(code, reader.end);
    }
    return VM_SOUND;
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
    longest_hand_ms = reader.longest_hand_ms;
    hand_left = &pool.words[vm.n_numbers + vm.n_cells];
    hands = (uint16_t *)(void *)&hand_left[vm.n_drives];
    qualities = (uint8_t *)&hands[vm.n_drives];
    bits = &qualities[vm.n_numbers];
    memset(qualities, BAD, vm.n_number_inputs);
    memset(&bits[BUILT_IN_BITS], BAD << 1, vm.n_bit_inputs);
    bits[0] = 1;
    now.clock_quality = BAD;
    now.is_first = true;
    calc[PERIOD_MS] = vm.period_ms;
    calc[PERIOD] = vm.period_ms / 250;
    calc[FIRST] = 1;
    return VM_SOUND;
}

static void begin(uint8_t mode)
{
    vm_begin(&program, mode);
    reader.limit.n_numbers = vm.n_numbers;
    reader.limit.n_bits = vm.n_bits;
    reader.limit.n_cells = vm.n_cells;
    reader.limit.n_parts[PART_DRIVE] = vm.n_drives;
}

static void begin_day(void)
{
    uint32_t clock_day = now.clock_s / 86400u;
    bool has_clock = now.clock_quality != BAD;
    now.is_new_day = (has_clock && clock_day > now.day) || calc[SINCE_DAY_MS] >= LONGEST_DAY_MS;
    if (now.is_new_day) {
        calc[SINCE_DAY_MS] = 0;
        if (has_clock) {
            now.day = clock_day;
        } else if (now.day < LAST_DAY) {
            now.day++;
        }
    }
}

bool vm_scan(void)
{
    if (vm.period_ms == 0) {
        return false;
    }
    bits[1] = now.is_first;
    if (!now.is_first) {
        calc[ELAPSED] = calc[PERIOD];
        calc[ELAPSED_MS] = vm.period_ms;
        calc[UPTIME_MS] = arith_add(calc[UPTIME_MS], vm.period_ms);
        calc[SINCE_DAY_MS] += vm.period_ms;
    }
    begin_day();
    for (uint8_t drive = 0; drive < vm.n_drives; drive++) {
        hands[drive] &= HAND_MASK;
    }
    begin(VM_RUN);
    while (vm_next()) {
        vm_run();
    }
    now.is_first = false;
    calc[FIRST] = 0;
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
    hands[drive] = (uint16_t)arith_clamp(value, 0, FULL_DUTY);
    hand_left[drive] = arith_clamp(time_ms, 0, longest_hand_ms);
    return true;
}

/* Reads on to the operation that is the n-th of its kind. From the last one found, so that asking in ascending order goes through
 * the program once. */
static bool find(uint8_t part, uint8_t ordinal)
{
    if (vm.period_ms == 0) {
        return false;
    }
    if (reader.mode == VM_PASS && op.part == part && op.ordinal == ordinal) {
        return true;
    }
    if (reader.mode != VM_PASS || reader.before.n_parts[part] > ordinal) {
        begin(VM_PASS);
    }
    while (vm_next()) {
        if (op.part == part && op.ordinal == ordinal) {
            return true;
        }
    }
    reader.mode = VM_COUNT;
    return false;
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
    return find(PART_DRIVE, drive) && op.code == OP_DRIVE_DUTY;
}

int16_t vm_output(uint8_t drive)
{
    if (vm_is_modulated(drive)) {
        return (int16_t)pool.words[op.slot];
    }
    return find(PART_DRIVE, drive) ? bits[op.slot] & 1 : 0;
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
    return now.day;
}

/* Both ways between storage and the bytes of a retained state. */
static void retain(uint8_t *bytes, bool is_restoring)
{
    uint8_t counted = (uint8_t)(2 + (vm.n_trips + 7) / 8);
    uint8_t total = (uint8_t)(counted + vm.n_counted);
    if (is_restoring) {
        now.day = (uint32_t)(bytes[0] | (uint16_t)bytes[1] << 8);
    } else {
        memset(bytes, 0, counted);
        bytes[0] = (uint8_t)now.day;
        bytes[1] = (uint8_t)(now.day >> 8);
    }
    begin(VM_PASS);
    while (vm_next()) {
        uint8_t *bit = &bits[op.slot];
        int32_t *number = &pool.words[op.slot];
        if (op.code == OP_TRIP) {
            uint8_t *byte = &bytes[2 + op.ordinal / 8];
            uint8_t mask = (uint8_t)(1u << (op.ordinal % 8));
            if (is_restoring) {
                *bit = (*byte & mask) != 0;
            } else if ((*bit & 1) != 0) {
                *byte |= mask;
            }
            if (op.variant == 1) {
                int32_t *cell = vm_cell_at(op.cell);
                if (is_restoring) {
                    *cell = bytes[counted];
                } else {
                    bytes[counted] = (uint8_t)*cell;
                }
                counted++;
            }
        } else if (op.code == OP_TOTAL_VOLUME || op.code == OP_TOTAL_RUN) {
            for (uint8_t shift = 0; shift < 32; shift = (uint8_t)(shift + 8)) {
                if (is_restoring) {
                    *number |= (int32_t)((uint32_t)bytes[total] << shift);
                } else {
                    bytes[total] = (uint8_t)((uint32_t)*number >> shift);
                }
                total++;
            }
        }
    }
    reader.mode = VM_COUNT;
}

void vm_keep(uint8_t *out)
{
    retain(out, false);
}

void vm_restore(const uint8_t *kept)
{
    /* Only read from. */
    retain((uint8_t *)(uintptr_t)kept, true);
}
