/* Boot, scans on time, and the slots between them. */
#include "runtime.h"

#include <string.h>

#include "drivers.h"
#include "events.h"
#include "link.h"
#include "panel.h"
#include "port.h"
#include "small.h"
#include "states.h"
#include "store.h"
#include "store_map.h"
#include "flash.h"
#include "vm.h"
#include "wiring.h"

#define CONTACTS_MS 5u
#define MINUTE_MS 60000u
/* Each reading ends by itself, 128 thermometers that do not answer in 6 s; should one not, the board begins without it. */
#define FIRST_SAMPLES_MS 8000u
#define FLASH_BYTES 2u /* a millisecond: the whole in 10 s */
/* Without a program inputs are still read and outputs still held, so that a person sees what the board sees. */
#define NO_PROGRAM_PERIOD_MS 1000u
/* How long an answer may take to get out before a wanted reset, and what the line's buffer needs after that. */
#define ANSWER_MS 200u
#define LINE_MS 10u

struct runtime runtime;
uint16_t now_ms;

static struct due {
    uint16_t scan, contacts, panel, minute; /* since when */
    uint8_t wanted_ms, quiet_ms;            /* how long a reset is wanted, how long the line is quiet */
    bool is_first;                          /* no scan yet */
} due;

/* Retained state: its checksum in the last scan; in quarters of a second, since the first change that is not kept, and since
 * the last change. */
#define KEEP_RISING 2400u
#define KEEP_STILL 480u
static struct kept {
    uint16_t crc;
    uint16_t since_first, since_last;
    uint8_t day;
    bool is_unkept;
} kept;

/* How often parts and inputs were told of in this hour, so that one that flaps does not wear the journal; some share a count. */
#define SOURCES 16u
#define TOLD_AN_HOUR 12u
static struct told {
    uint8_t n[SOURCES];
    uint8_t minutes;
} told;

bool have_passed(uint16_t *since, uint16_t ms)
{
    uint16_t elapsed = (uint16_t)(now_ms - *since);
    if (elapsed < ms) {
        return false;
    }
    elapsed = (uint16_t)(elapsed - ms);
    *since = (uint16_t)(now_ms - (elapsed < ms ? elapsed : 0));
    return true;
}

void runtime_event(uint8_t code, uint16_t argument)
{
    if (code == EVENT_INPUT_BAD || code == EVENT_INPUT_GOOD || (code >= EVENT_CLOCK_LOST && code <= EVENT_SELF_TEST)) {
        uint8_t *n = &told.n[(uint8_t)(argument ^ argument >> 8) & (SOURCES - 1u)];
        if (*n == TOLD_AN_HOUR) {
            return;
        }
        (*n)++;
    }
    store_event(code, argument, clock_minute());
}

void runtime_quality(uint16_t input, uint8_t old_quality, uint8_t quality)
{
    if (runtime.n_scans == 0) {
        old_quality = GOOD; /* what is in order at boot is no news */
    }
    if ((old_quality == BAD) != (quality == BAD)) {
        runtime_event(quality == BAD ? EVENT_INPUT_BAD : EVENT_INPUT_GOOD, input);
    }
}

/* Every output safe, then the watchdog; nothing else can be trusted any more. */
static _Noreturn void give_up(uint8_t cause)
{
    runtime.is_running = false;
    outputs_start();
    port_reset(cause);
}

/* Without sound flash and a sound table there is nothing wired, and nothing runs. What failed, as EVENT_SELF_TEST has it. */
static uint8_t open_tables(void)
{
    struct code table;
    table_code(WIRING_TABLE, &table);
    uint8_t failed = 1;
    if (flash_start()) {
        failed = 5;
        if (wiring_open(&table) && states_lay()) {
            runtime.is_wired = true;
            return 0;
        }
    }
    table.length = 0;
    wiring_open(&table);
    states_lay();
    return failed;
}

/* Trial, confirmed, golden, until one is accepted. */
static void load(void)
{
    struct code code;
    table_code(GOLDEN_PROGRAM, &code);
    uint8_t program = store_open(runtime.is_wired ? flash_word((uint16_t)(code.base + code.length - 4u)) : 0);
    while (runtime.is_wired) {
        if (program != RUN_GOLDEN) {
            code = store_program_code(program);
        } else {
            table_code(GOLDEN_PROGRAM, &code);
        }
        uint8_t verdict = vm_load(&code);
        if (verdict == VM_SOUND) {
            if (states_fit(&vm)) {
                runtime.is_running = true;
                break;
            }
            verdict = VM_MEMORY;
            code.length = 0;
            vm_load(&code); /* what does not run has no identity */
        }
        if (program == RUN_GOLDEN) {
            break;
        }
        program = store_refused(verdict);
    }
}

/* 1 while a drive is in hand; and by whom. */
static uint8_t hand(uint8_t drive)
{
    if (vm_hand_left_ms(drive) == 0) {
        return 0;
    }
    return (uint8_t)((output_states[drive] & OUTPUT_BY_KEY) | 1u);
}

static uint8_t alarm(uint8_t i)
{
    return vm_alarm(i) & 1u;
}

/* What is not as it was after the last scan; `seen` has a byte for each part. */
static uint8_t *tell(uint8_t *before, uint8_t n, uint8_t (*now)(uint8_t), uint8_t code)
{
    for (uint8_t i = 0; i < n; i++, before++) {
        uint8_t is = now(i);
        if (is == *before) {
            continue;
        }
        *before = is;
        if (code == EVENT_TRIP) {
            store_keep();
        }
        if (code == EVENT_TRIP || code == EVENT_ALARM) {
            runtime_event((uint8_t)(code + (is == 0)), i);
        } else {
            runtime_event(code, (uint16_t)((uint16_t)is << 8 | i));
        }
    }
    return before;
}

APART static void tell_changes(void)
{
    uint8_t *before = tell(seen, vm.n_procedures, vm_step, EVENT_STEP);
    before = tell(before, vm.n_trips, vm_trip, EVENT_TRIP);
    before = tell(before, vm.n_alarms, alarm, EVENT_ALARM);
    tell(before, vm.n_drives, hand, EVENT_HAND);
}

/* Totals are kept ten minutes after the first change that is not, or when nothing has risen for two; a day's end at once. */
APART static void keep_totals(void)
{
    uint8_t bytes[MAP_KEPT_LONGEST];
    vm_keep(bytes);
    uint16_t crc = CRC16_START;
    for (uint8_t i = 0; i < vm.retained_bytes; i++) {
        crc = crc16_add(crc, bytes[i]);
    }
    struct kept *now = &kept;
    BY_POINTER(now);
    uint16_t elapsed = vm.period_ms / 250u;
    now->since_first = (uint16_t)(now->since_first + elapsed);
    now->since_last = (uint16_t)(now->since_last + elapsed);
    if (crc != now->crc) {
        now->crc = crc;
        now->since_last = 0;
        if (!now->is_unkept) {
            now->is_unkept = true;
            now->since_first = 0;
        }
    }
    if (bytes[0] != now->day || (now->is_unkept && (now->since_first >= KEEP_RISING || now->since_last >= KEEP_STILL))) {
        now->day = bytes[0];
        now->is_unkept = false;
        store_keep();
    }
}

static void doubt(void)
{
    uint8_t what = PANEL_SURE;
    if (!outputs_follow()) {
        what = PANEL_OUTPUT;
    } else if ((runtime.reset_cause & (RESET_WATCHDOG | RESET_SELF_TEST)) != 0) {
        what = PANEL_SELF_TEST;
    } else if (!devices_answer()) {
        what = PANEL_DEVICE;
    } else if (!runtime.is_running || (store_fell_back() != FELL_NOT && store_fell_back() < FELL_FLASHED)) {
        /* What a person did, flashing or reverting, is no doubt. */
        what = PANEL_PROGRAM;
    }
    panel_doubt(what);
}

APART static void scan(void)
{
    uint16_t began = port_stamp();
    clock_latch();
    numbers_latch();
    bits_latch();
    if (runtime.is_running && !vm_scan()) {
        give_up(RESET_SELF_TEST); /* the bytes of the program have changed: the next boot chooses anew */
    }
    if (!port_stack_is_sound()) { /* before what it may have spoilt is acted upon */
        give_up(RESET_SELF_TEST | RESET_STACK);
    }
    outputs_write();
    runtime.n_scans++;
    link_scan_done();
    doubt();
    panel_scan();
    if (runtime.is_running) {
        tell_changes();
        keep_totals();
    }
    numbers_begin();
    uint16_t lasted = (uint16_t)((uint16_t)(port_stamp() - began) / 16u);
    if (lasted > runtime.longest_scan) {
        runtime.longest_scan = lasted;
    }
}

/* A scan that has come due; what was missed is counted, never made up. */
static void scan_when_due(void)
{
    uint16_t period = runtime.is_running ? vm.period_ms : NO_PROGRAM_PERIOD_MS;
    if (due.is_first) {
        if (!numbers_are_read() && (uint16_t)(now_ms - due.scan) < FIRST_SAMPLES_MS) {
            return;
        }
        due.is_first = false;
        due.scan = now_ms;
    } else {
        if ((uint16_t)(now_ms - due.scan) < period) {
            return;
        }
        due.scan = (uint16_t)(due.scan + period);
    }
    scan();
    now_ms = port_ms();
    while ((uint16_t)(now_ms - due.scan) >= period) {
        due.scan = (uint16_t)(due.scan + period);
        uint16_t n = (uint16_t)++runtime.n_skipped;
        if ((n & (n - 1u)) == 0) {
            runtime_event(EVENT_OVERRUN, n); /* the first, then each doubling */
        }
    }
}

static void reset_when_wanted(void)
{
    if (!runtime.reset_is_wanted) {
        return;
    }
    due.wanted_ms++;
    due.quiet_ms++;
    if (!link_is_quiet()) {
        due.quiet_ms = 0;
    }
    if (due.quiet_ms >= LINE_MS || due.wanted_ms >= ANSWER_MS) {
        store_flush();
        give_up(RESET_WANTED);
    }
}

static void take_key(void)
{
    uint32_t code;
    if (infrared_frame(&code)) {
        code = panel_code(code);
        if (code != PANEL_NO_CODE) {
            runtime.by_key = OUTPUT_BY_KEY;
            bits_key(code);
            panel_key(code);
            runtime.by_key = 0;
        }
    }
}

APART static void each_ms(void)
{
    if (runtime.is_wired && !flash_step(FLASH_BYTES)) {
        give_up(RESET_SELF_TEST);
    }
    clock_idle();
    if (have_passed(&due.contacts, CONTACTS_MS)) {
        bits_sample(NO_DEVICE);
    }
    numbers_idle();
    outputs_idle();
    if (PORT_HAS_PANEL) {
        display_idle();
    }
    if (have_passed(&due.panel, PANEL_TICK_MS)) {
        panel_tick();
    }
    if (have_passed(&due.minute, MINUTE_MS)) {
        if (++told.minutes == 60) {
            memset(&told, 0, sizeof told);
        }
        if (runtime.is_running && !vm_is_whole()) {
            give_up(RESET_SELF_TEST);
        }
        if (store_minute()) {
            store_revert(FELL_UNCONFIRMED);
            runtime.reset_is_wanted = true;
        }
    }
    if (PORT_HAS_PANEL) {
        take_key();
    }
    store_idle();
    reset_when_wanted();
}

void runtime_round(void)
{
    port_watchdog_kick();
    uint16_t now = port_ms();
    if (now != now_ms) {
        now_ms = now;
        each_ms();
        now_ms = port_ms();
        scan_when_due();
    }
    link_idle();
}

APART void runtime_start(void)
{
    ON_RESTART(memset(&runtime, 0, sizeof runtime));
    ON_RESTART(memset(&kept, 0, sizeof kept));
    ON_RESTART(memset(&told, 0, sizeof told));
    ON_RESTART(memset(&due, 0, sizeof due));
    runtime.reset_cause = port_reset_cause();
    uint8_t failed = open_tables();
    clock_start();
    if (failed != 0) {
        expanders_release();
    }
    outputs_start();
    load();
    runtime_event(EVENT_RESET, runtime.reset_cause & 0x3Fu);
    if ((runtime.reset_cause & RESET_STACK) != 0) {
        failed = 4;
    }
    if (failed != 0) {
        runtime_event(EVENT_SELF_TEST, failed);
    }
    runtime_event(EVENT_PROGRAM, (uint16_t)(store_running() | (uint16_t)store_fell_back() << 8));
    if (runtime.is_running) {
        uint16_t other;
        if (!store_retained(&other) && other != 0) {
            runtime_event(EVENT_TRIPS_LOST, other);
        }
        for (uint8_t i = 0; i < vm.n_trips; i++) {
            seen[vm.n_procedures + i] = vm_trip(i);
        }
        kept.day = (uint8_t)vm_day();
    }
    struct code table;
    table_code(PANEL_TABLE, &table);
    if (!panel_open(&table) && table.length != 0) {
        runtime_event(EVENT_SELF_TEST, 1); /* the rules run all the same */
    }
    link_start();
    if (PORT_HAS_PANEL) {
        display_start();
    }
    bits_start();
    numbers_start();
    now_ms = port_ms();
    due.scan = due.contacts = due.panel = due.minute = now_ms;
    due.is_first = true;
}
