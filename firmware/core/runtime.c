/* Boot, scans on time, and the slots between them. */
#include "runtime.h"

#include <string.h>

#include "drivers.h"
#include "events.h"
#include "link.h"
#include "panel.h"
#include "port.h"
#include "states.h"
#include "store.h"
#include "store_map.h"
#include "flash.h"
#include "vm.h"
#include "wiring.h"

#define CONTACTS_MS 5u
#define MINUTE_MS 60000u
#define FIRST_SAMPLES_MS 1000u
#define FLASH_BYTES_A_MS 2u
/* Without a program inputs are still read and outputs still held, so that a person sees what the board sees. */
#define NO_PROGRAM_PERIOD_MS 1000u
/* How long an answer may take to get out before a wanted reset, and what the line's buffer needs after that. */
#define ANSWER_MS 200u
#define LINE_MS 10u

struct runtime runtime;

static struct {
    bool is_first;        /* no scan yet */
    uint16_t scan_at;     /* when the last was due */
    uint16_t tick;
    uint16_t contacts_at, panel_at, minute_at;
    uint16_t wanted_at, loud_at;
    uint32_t told_skips;  /* the next number of skipped scans that is an event */
} due;

/* Retained state: its checksum in the last scan; in quarters of a second, since the first change that is not kept, and since
 * the last change. */
#define KEEP_RISING 2400u
#define KEEP_STILL 480u
static struct {
    uint16_t crc;
    bool is_unkept;
    uint16_t since_first, since_last;
    uint32_t day;
} kept;

bool runtime_is_running(void)
{
    return runtime.is_running;
}

void runtime_event(uint8_t code, uint16_t argument)
{
    store_event(code, argument, clock_minute());
}

void runtime_quality(uint16_t input, uint8_t old_quality, uint8_t quality)
{
    if ((old_quality == BAD) != (quality == BAD)) {
        runtime_event(quality == BAD ? EVENT_INPUT_BAD : EVENT_INPUT_GOOD, input);
    }
}

struct code runtime_golden(void)
{
    return table_code(GOLDEN_PROGRAM);
}

/* Every output safe, then the watchdog; nothing else can be trusted any more. */
static _Noreturn void give_up(uint8_t cause)
{
    runtime.is_running = false;
    outputs_start();
    port_reset(cause);
}

/* All flash that is ours, once. */
static bool flash_is_sound(void)
{
    bool is_sound = true;
    for (bool is_round = false; is_sound && !is_round;) {
        is_sound = flash_test(128, &is_round);
        port_watchdog_kick();
    }
    return is_sound;
}

static void open_tables(void)
{
    struct code none = {CODE_FLASH, 0, 0};
    if (!tables_open() || !flash_is_sound()) {
        runtime_event(EVENT_SELF_TEST, 1);
        wiring_open(&none);
        states_lay();
        return;
    }
    struct code table = table_code(WIRING_TABLE);
    runtime.is_wired = wiring_open(&table) && states_lay();
    if (!runtime.is_wired) {
        runtime_event(EVENT_SELF_TEST, 5);
        wiring_open(&none);
        states_lay();
    }
}

/* Trial, confirmed, golden, until one is accepted. */
static bool load(uint8_t *program)
{
    for (;;) {
        struct code code = *program == RUN_GOLDEN ? runtime_golden() : store_program_code(*program);
        uint8_t verdict = vm_load(&code);
        if (verdict == VM_SOUND && !states_fit(&vm)) {
            verdict = VM_MEMORY;
        }
        if (verdict == VM_SOUND) {
            return true;
        }
        if (*program == RUN_GOLDEN) {
            struct code none = {CODE_FLASH, 0, 0};
            vm_load(&none);
            return false;
        }
        *program = store_refused(verdict);
    }
}

/* Compares what stands with what stood after the last scan; both kinds of trips and alarms follow each other in `seen`. */
static bool tell(uint8_t first, uint8_t n, uint8_t (*stands)(uint8_t), uint8_t code)
{
    bool is_changed = false;
    for (uint8_t i = 0; i < n; i++) {
        uint8_t bit = (uint8_t)(first + i);
        uint8_t *byte = &seen[vm.n_procedures + bit / 8u];
        uint8_t mask = (uint8_t)(1u << (bit & 7u));
        bool is_standing = (stands(i) & 1u) != 0;
        if (is_standing != ((*byte & mask) != 0)) {
            *byte ^= mask;
            is_changed = true;
            if (code != 0) {
                runtime_event((uint8_t)(is_standing ? code : code + 1u), i);
            }
        }
    }
    return is_changed;
}

static void tell_changes(void)
{
    if (tell(0, vm.n_trips, vm_trip, EVENT_TRIP)) {
        store_keep();
    }
    tell(vm.n_trips, vm.n_alarms, vm_alarm, EVENT_ALARM);
    for (uint8_t i = 0; i < vm.n_procedures; i++) {
        uint8_t step = vm_step(i);
        if (step != seen[i]) {
            seen[i] = step;
            runtime_event(EVENT_STEP, (uint16_t)((uint16_t)step << 8 | i));
        }
    }
    for (uint8_t i = 0; i < vm.n_drives; i++) {
        if ((output_states[i] & OUTPUT_HAND) != 0 && vm_hand_left_ms(i) == 0) {
            output_states[i] &= (uint8_t)~OUTPUT_HAND;
            runtime_event(EVENT_HAND, i);
        }
    }
}

/* Totals are kept ten minutes after the first change that is not, or when nothing has risen for two; a day's end at once. */
static void keep_totals(void)
{
    uint8_t bytes[MAP_KEPT_LONGEST];
    vm_keep(bytes);
    uint16_t crc = CRC16_START;
    for (uint8_t i = 0; i < vm.retained_bytes; i++) {
        crc = crc16_add(crc, bytes[i]);
    }
    uint16_t elapsed = vm.period_ms / 250u;
    kept.since_first = (uint16_t)(kept.since_first + elapsed);
    kept.since_last = (uint16_t)(kept.since_last + elapsed);
    if (crc != kept.crc) {
        kept.crc = crc;
        kept.since_last = 0;
        if (!kept.is_unkept) {
            kept.is_unkept = true;
            kept.since_first = 0;
        }
    }
    bool is_new_day = vm_day() != kept.day;
    kept.day = vm_day();
    if (is_new_day || (kept.is_unkept && (kept.since_first >= KEEP_RISING || kept.since_last >= KEEP_STILL))) {
        kept.is_unkept = false;
        store_keep();
    }
}

static uint16_t period_ms(void)
{
    return runtime.is_running ? vm.period_ms : NO_PROGRAM_PERIOD_MS;
}

static void doubt(void)
{
    uint8_t what = PANEL_SURE;
    if (!outputs_follow()) {
        what = PANEL_OUTPUT;
    } else if ((runtime.reset_cause & 0xE8u) != 0) {
        what = PANEL_SELF_TEST;
    } else if (!devices_answer()) {
        what = PANEL_DEVICE;
    } else if (runtime.fell_back != FELL_NOT && runtime.fell_back != FELL_REVERTED) {
        what = PANEL_PROGRAM;
    }
    panel_doubt(what);
}

static void scan(void)
{
    uint16_t began = port_stamp();
    clock_latch();
    numbers_latch();
    bits_latch();
    if (runtime.is_running && !vm_scan()) {
        give_up(RESET_SELF_TEST); /* the bytes of the program have changed: the next boot chooses anew */
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
    if (!port_stack_is_sound()) {
        give_up(RESET_SELF_TEST | RESET_STACK);
    }
}

/* A scan that has come due; what was missed is counted, never made up. */
static void scan_when_due(uint16_t now)
{
    uint16_t since = (uint16_t)(now - due.scan_at);
    uint16_t period = period_ms();
    if (due.is_first) {
        if (!numbers_are_read() && since < FIRST_SAMPLES_MS) {
            return;
        }
        due.is_first = false;
        due.scan_at = now;
    } else {
        if (since < period) {
            return;
        }
        due.scan_at = (uint16_t)(due.scan_at + period);
    }
    scan();
    now = port_ms();
    while ((uint16_t)(now - due.scan_at) >= period) {
        due.scan_at = (uint16_t)(due.scan_at + period);
        runtime.n_skipped++;
    }
    if (runtime.n_skipped >= due.told_skips) {
        due.told_skips = runtime.n_skipped * 2u;
        runtime_event(EVENT_OVERRUN, (uint16_t)runtime.n_skipped);
    }
}

static void reset_when_wanted(uint16_t now)
{
    if (!runtime.reset_is_wanted) {
        due.wanted_at = now;
        due.loud_at = now;
        return;
    }
    if (!link_is_quiet()) {
        due.loud_at = now;
    }
    if ((uint16_t)(now - due.loud_at) >= LINE_MS || (uint16_t)(now - due.wanted_at) >= ANSWER_MS) {
        store_flush();
        give_up(RESET_WANTED);
    }
}

static void each_ms(uint16_t now)
{
    bool is_round;
    if (runtime.is_wired && !flash_test(FLASH_BYTES_A_MS, &is_round)) {
        give_up(RESET_SELF_TEST);
    }
    if ((uint16_t)(now - due.contacts_at) >= CONTACTS_MS) {
        due.contacts_at = now;
        bits_sample(NO_DEVICE);
    }
    numbers_idle();
    outputs_idle();
    display_idle();
    if ((uint16_t)(now - due.panel_at) >= PANEL_TICK_MS) {
        due.panel_at = (uint16_t)(due.panel_at + PANEL_TICK_MS);
        panel_tick();
    }
    if ((uint16_t)(now - due.minute_at) >= MINUTE_MS) {
        due.minute_at = (uint16_t)(due.minute_at + MINUTE_MS);
        if (store_minute()) {
            store_revert(FELL_UNCONFIRMED);
            runtime.reset_is_wanted = true;
        }
    }
    uint32_t frame;
    if (infrared_frame(&frame)) {
        uint32_t code = panel_code(frame);
        if (code != PANEL_NO_CODE) {
            runtime.hand_flags = 0x80;
            bits_key(code);
            panel_key(code);
            runtime.hand_flags = 0;
        }
    }
    reset_when_wanted(now);
    store_idle();
}

void runtime_round(void)
{
    port_watchdog_kick();
    uint16_t now = port_ms();
    if (now != due.tick) {
        due.tick = now;
        each_ms(now);
        scan_when_due(port_ms());
    }
    link_idle();
}

void runtime_start(void)
{
    memset(&runtime, 0, sizeof runtime);
    memset(&due, 0, sizeof due);
    memset(&kept, 0, sizeof kept);
    runtime.reset_cause = port_reset_cause();
    open_tables();
    outputs_start();
    struct code golden = runtime_golden();
    uint16_t golden_crc = golden.length < 4 ? 0
        : (uint16_t)(code_byte(&golden, (uint16_t)(golden.length - 4u))
                     | (uint16_t)(code_byte(&golden, (uint16_t)(golden.length - 3u)) << 8));
    uint8_t program = store_open(golden_crc);
    clock_start();
    runtime_event(EVENT_RESET, runtime.reset_cause & 0x3Fu);
    if ((runtime.reset_cause & RESET_STACK) != 0) {
        runtime_event(EVENT_SELF_TEST, 4);
    }
    bool is_loaded = runtime.is_wired && load(&program);
    runtime.program = program;
    runtime.fell_back = store_fell_back();
    runtime_event(EVENT_PROGRAM, (uint16_t)(program | runtime.fell_back << 8));
    if (is_loaded) {
        store_retained();
        tell(0, vm.n_trips, vm_trip, 0);
        kept.day = vm_day();
    }
    struct code table = table_code(PANEL_TABLE);
    panel_open(&table);
    link_start();
    display_start();
    bits_start();
    numbers_start();
    uint16_t now = port_ms();
    due.is_first = true;
    due.told_skips = 1;
    due.scan_at = now;
    due.tick = now;
    due.contacts_at = now;
    due.panel_at = now;
    due.minute_at = now;
    runtime.is_running = is_loaded;
}
