/* Program slots and boot records: which program runs, which stands behind it, and how another comes in. Everything that decides
 * it is in one record, so that one CRC turns the board from one state to the next. */
#include "store.h"

#include <string.h>

#include "cells.h"
#include "small.h"
#include "vm.h"

/* A boot record behind its sequence, as it stands in the cells. */
static struct __attribute__((packed)) {
    uint8_t flags;
    uint8_t minutes;    /* left to the trial */
    uint8_t counter[3];
    uint16_t golden;    /* low half of the CRC of the golden program that the rest belongs to */
} boot;
_Static_assert(sizeof boot + 1 == BOOT_BYTES, "boot record");
static struct ring boots;

/* Its flags. */
#define CONFIRMED_IN_B 0x01u /* the confirmed program's slot, or the one that is left alone while there is none */
#define HAS_CONFIRMED 0x02u
#define HAS_TRIAL 0x04u /* in the other slot */
#define FELL_SHIFT 3
#define FELL_MASK 0x38u
#define ONE_RESET 0x40u
#define RESETS_MASK 0xC0u /* boots of the trial since it last ran well, 0 to 3 */

/* After so many minutes a trial has run well: resets before them no longer count as in a row. */
#define MINUTES_WELL 10

static bool boot_is_due, boot_is_counted;
static uint8_t running;
static uint8_t minutes_up;
static uint16_t upload_length, upload_next; /* length 0: no upload */

APART static uint16_t slot_at(uint8_t slot)
{
    return slot != 0 ? AT_SLOTS + MAP_SLOT : AT_SLOTS;
}

/* The running program, or what would be tried, has its slot and the retained state beside it; golden borrows that of the confirmed. */
static uint8_t slot_of(uint8_t program)
{
    uint8_t slot = boot.flags & CONFIRMED_IN_B;
    return program == RUN_TRIAL ? slot ^ 1u : slot;
}

uint8_t store_slot(void)
{
    return slot_of(running);
}

bool store_idle(void)
{
    uint8_t job = JOB_NONE;
    uint8_t state = cells_step(&job);
    if (state == CELLS_WRITING) {
        return true;
    }
    if (state != CELLS_IDLE) {
        bool again = state == CELLS_FAILED;
        if (job == JOB_BOOT) {
            boot_is_counted = state == CELLS_WRITTEN;
            boot_is_due |= again;
        } else if (job == JOB_KEPT) {
            if (again) {
                store_keep();
            }
        } else if (job == JOB_ENTRY) {
            if (state == CELLS_WRITTEN) {
                entry_written();
            }
        } else {
            journal_written(job, again);
        }
        if (cells_are_busy()) {
            return true;
        }
    }
    if (boot_is_due) {
        boot_is_due = false;
        memcpy(cells_record + 1, &boot, sizeof boot);
        ring_put(&boots, JOB_BOOT, AT_BOOT, BOOT_BYTES + 2, BOOT_RECORDS);
        return true;
    }
    return kept_next() || journal_next();
}

void cells_wait(void)
{
    while (cells_are_busy()) {
        (void)store_idle();
    }
}

void store_flush(void)
{
    while (store_idle()) {
    }
}

/* The boot record as it now stands in memory, into the cells. */
static uint8_t put_boot(void)
{
    boot_is_due = true;
    while (boot_is_due || cells_job() == JOB_BOOT) {
        (void)store_idle();
    }
    return boot_is_counted ? STORE_DONE : STORE_WORN;
}

static void set_flags(uint8_t clear, uint8_t set)
{
    boot.flags = (uint8_t)((boot.flags & ~clear) | set);
}

static void fall_back(uint8_t why)
{
    set_flags(FELL_MASK, (uint8_t)(why << FELL_SHIFT));
}

static void give_up_trial(uint8_t why)
{
    set_flags(HAS_TRIAL | RESETS_MASK, 0);
    fall_back(why);
}

static void choose(void)
{
    running = boot.flags & HAS_TRIAL ? RUN_TRIAL : boot.flags & HAS_CONFIRMED ? RUN_CONFIRMED : RUN_GOLDEN;
}

uint8_t store_open(uint16_t golden)
{
    if (ring_find(&boots, AT_BOOT, BOOT_BYTES + 2, BOOT_RECORDS)) {
        memcpy(&boot, cells_record + 1, sizeof boot);
    } else {
        /* The counter begins anew, and with the old key its numbers would come again. */
        cells_blank(AT_KEY, KEY_BYTES + 2);
        cells_wait();
    }
    journal_open();
    entries_open();
    if (golden != 0 && boot.golden != golden) {
        boot.golden = golden;
        if (boot.flags & (HAS_CONFIRMED | HAS_TRIAL)) {
            set_flags(HAS_CONFIRMED | HAS_TRIAL | RESETS_MASK, 0);
            fall_back(FELL_FLASHED);
        }
    }
    for (uint8_t i = 0; i < sizeof boot.counter && ++boot.counter[i] == 0; i++) {
    }
    /* Told to a later map, and worth nothing else: cell 0 is the first to suffer when a supply fades (common practice, no source). */
    if (port_eeprom_read(AT_VERSION) != MAP_VERSION) {
        port_eeprom_start_write(AT_VERSION, MAP_VERSION);
    }
    if (boot.flags & HAS_TRIAL) {
        if ((boot.flags & RESETS_MASK) == RESETS_MASK) {
            give_up_trial(FELL_RESETS);
        } else {
            boot.flags = (uint8_t)(boot.flags + ONE_RESET);
        }
        (void)put_boot();
    }
    choose();
    return running;
}

uint8_t store_refused(uint8_t verdict)
{
    uint8_t why = verdict <= VM_CHECKSUM ? FELL_DAMAGED : FELL_REFUSED;
    if (running == RUN_TRIAL) {
        give_up_trial(why);
        choose();
        (void)put_boot();
    } else if (running == RUN_CONFIRMED) {
        /* It stays named: the next boot looks again, for the fault may be the flashed table's and be mended there. */
        fall_back(why);
        running = RUN_GOLDEN;
    }
    return running;
}

uint8_t store_running(void)
{
    return running;
}

uint8_t store_fell_back(void)
{
    return (uint8_t)((boot.flags & FELL_MASK) >> FELL_SHIFT);
}

uint32_t store_boot_counter(void)
{
    uint32_t counter = 0;
    memcpy(&counter, boot.counter, sizeof boot.counter);
    return counter;
}

/* Whether this boot's number stands in the cells; it shall. */
APART static bool is_counted(void)
{
    if (!boot_is_counted) {
        boot_is_due = true;
    }
    return boot_is_counted;
}

bool store_minute(void)
{
    (void)is_counted();
    if (running != RUN_TRIAL) {
        return false;
    }
    minutes_up++;
    if (minutes_up >= boot.minutes) {
        return true;
    }
    if (minutes_up == MINUTES_WELL) {
        minutes_up = 0;
        boot.minutes = (uint8_t)(boot.minutes - MINUTES_WELL);
        set_flags(RESETS_MASK, ONE_RESET);
        boot_is_due = true;
    }
    return false;
}

struct code store_program_code(uint8_t program)
{
    uint16_t at = slot_at(slot_of(program));
    uint16_t length = cells_u16((uint16_t)(at + 4));
    struct code code = {CODE_EEPROM, length < MAP_SLOT ? length : MAP_SLOT, at};
    return code;
}

uint8_t store_upload_begin(uint16_t length)
{
    /* One that was given up still runs until the reset, from the slot that an upload would write. */
    if ((boot.flags & HAS_TRIAL) || running == RUN_TRIAL) {
        return STORE_TRIAL;
    }
    if (length == 0 || length > MAP_SLOT) {
        return STORE_TOO_LONG;
    }
    if (cells_are_busy()) {
        return STORE_BUSY;
    }
    upload_length = length;
    upload_next = 0;
    /* What an earlier program of this slot left: a new one, perhaps of the same bytes, begins without. */
    cells_blank(slot_of(RUN_TRIAL) != 0 ? AT_KEPT + MAP_KEPT : AT_KEPT, MAP_KEPT);
    return STORE_DONE;
}

uint8_t store_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n)
{
    if (upload_length == 0) {
        return STORE_NO_UPLOAD;
    }
    uint16_t next = (uint16_t)(offset + n);
    if (n == 0 || n > STORE_CHUNK || next > upload_length) {
        return STORE_OFFSET;
    }
    if (next == upload_next) {
        return STORE_DONE; /* its answer was lost, and it is asked again */
    }
    if (offset != upload_next) {
        return STORE_OFFSET;
    }
    if (cells_are_busy()) {
        return STORE_BUSY;
    }
    memcpy(cells_record, bytes, n);
    cells_begin(JOB_PLAIN, (uint16_t)(slot_at(slot_of(RUN_TRIAL)) + offset), n);
    upload_next = next;
    return STORE_DONE;
}

uint8_t store_upload_end(uint8_t minutes, uint8_t *verdict)
{
    *verdict = VM_SOUND;
    if (upload_length == 0) {
        return STORE_NO_UPLOAD;
    }
    if (upload_next != upload_length) {
        return STORE_OFFSET;
    }
    if (cells_are_busy()) {
        return STORE_BUSY;
    }
    /* Its header says how long it is; were it another length, the end would not be its CRC. */
    struct code code = store_program_code(RUN_TRIAL);
    upload_length = 0;
    *verdict = vm_check(&code, 0);
    if (*verdict != VM_SOUND) {
        return STORE_PROGRAM;
    }
    set_flags(FELL_MASK | RESETS_MASK, HAS_TRIAL);
    boot.minutes = minutes != 0 ? minutes : 1;
    return put_boot();
}

uint8_t store_confirm(void)
{
    if (running != RUN_TRIAL) {
        return STORE_TRIAL;
    }
    boot.flags ^= CONFIRMED_IN_B;
    set_flags(HAS_TRIAL | FELL_MASK | RESETS_MASK, HAS_CONFIRMED);
    running = RUN_CONFIRMED;
    return put_boot();
}

uint8_t store_revert(uint8_t why)
{
    if (running != RUN_TRIAL) {
        return STORE_TRIAL;
    }
    give_up_trial(why);
    return put_boot();
}

bool store_key(uint8_t *key)
{
    if (!is_counted() || !cells_take(AT_KEY, key, KEY_BYTES)) {
        return false;
    }
    uint8_t any = 0;
    for (uint8_t i = 0; i < KEY_BYTES; i++) {
        any |= key[i];
    }
    return any != 0;
}

uint8_t store_set_key(const uint8_t *key)
{
    /* A key without a boot record would not outlive the next boot. */
    if (!is_counted() || cells_are_busy()) {
        return STORE_BUSY;
    }
    if (cells_take(AT_KEY, cells_record, KEY_BYTES) && memcmp(cells_record, key, KEY_BYTES) == 0) {
        return STORE_DONE;
    }
    memcpy(cells_record, key, KEY_BYTES);
    cells_seal(KEY_BYTES);
    cells_begin(JOB_PLAIN, AT_KEY, KEY_BYTES + 2);
    return STORE_BUSY;
}

#ifdef PORT_HOST
void store_power_up(void)
{
    memset(&boot, 0, sizeof boot);
    boots.sequence = 0;
    boot_is_due = false;
    boot_is_counted = false;
    running = RUN_GOLDEN;
    minutes_up = 0;
    upload_length = 0;
    cells_power_up();
    journal_power_up();
    kept_power_up();
}
#endif
