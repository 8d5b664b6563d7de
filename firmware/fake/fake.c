/* The pretended board. Nothing here is clever: what it says is set by the test, what it is told is kept for it. */
#include "fake.h"

#include <string.h>

#include "board.h"
#include "events.h"
#include "link.h"
#include "port.h"
#include "store.h"
#include "vm.h"
#include "wiring.h"

#define LINE_BYTES 4096u
#define N_EVENTS 64u

struct vm_sizes vm;
struct wiring wiring;

static struct {
    uint8_t in[LINE_BYTES], out[LINE_BYTES];
    size_t n_in, in_at, n_out;
    struct fake_act log[FAKE_LOG];
    uint32_t n_acts;
    uint8_t answer, verdict;
    uint32_t scan;
    struct event events[N_EVENTS];
    uint8_t n_events, next_sequence, acknowledged;
    uint8_t key[16];
    bool has_key;
    uint32_t boots;
    uint16_t ms;
    fake_spi spi;
    fake_select select;
} fake;

void fake_reset(void)
{
    fake_spi spi = fake.spi;
    fake_select select = fake.select;
    memset(&fake, 0, sizeof fake);
    fake.spi = spi;
    fake.select = select;
    fake.next_sequence = 1;
    memset(&vm, 0, sizeof vm);
    memset(&wiring, 0, sizeof wiring);
    link_start();
}

void fake_receive(const uint8_t *bytes, size_t n)
{
    if (fake.in_at == fake.n_in) {
        fake.in_at = 0;
        fake.n_in = 0;
    }
    for (size_t at = 0; at < n && fake.n_in < LINE_BYTES; at++) {
        fake.in[fake.n_in++] = bytes[at];
    }
}

size_t fake_sent(uint8_t *bytes, size_t room)
{
    size_t n = fake.n_out < room ? fake.n_out : room;
    memcpy(bytes, fake.out, n);
    memmove(fake.out, fake.out + n, fake.n_out - n);
    fake.n_out -= n;
    return n;
}

static struct fake_act *log_act(uint8_t kind, uint8_t part, int32_t value, uint32_t time)
{
    struct fake_act *act = &fake.log[fake.n_acts++ % FAKE_LOG];
    memset(act, 0, sizeof *act);
    act->kind = kind;
    act->part = part;
    act->value = value;
    act->time = time;
    return act;
}

static void log_bytes(struct fake_act *act, const uint8_t *bytes, uint8_t n)
{
    act->n_bytes = n;
    memcpy(act->bytes, bytes, n);
}

uint32_t fake_n_acts(void)
{
    return fake.n_acts;
}

struct fake_act fake_act(uint32_t n)
{
    return fake.log[n % FAKE_LOG];
}

void fake_answer(uint8_t answer, uint8_t verdict)
{
    fake.answer = answer;
    fake.verdict = verdict;
}

void fake_program(uint16_t n_numbers, uint16_t n_bits, uint16_t n_cells, uint8_t n_number_inputs, uint8_t n_bit_inputs,
                  uint8_t n_drives, uint8_t n_trips, uint8_t n_alarms, uint8_t n_procedures)
{
    vm.n_numbers = n_numbers;
    vm.n_bits = n_bits;
    vm.n_cells = n_cells;
    vm.n_ops = 77;
    vm.n_number_inputs = n_number_inputs;
    vm.n_bit_inputs = n_bit_inputs;
    vm.n_drives = n_drives;
    vm.n_trips = n_trips;
    vm.n_alarms = n_alarms;
    vm.n_procedures = n_procedures;
    vm.period_ms = 1000;
    wiring.n_devices = 1;
    vm.crc = 0x11223344u;
    wiring.crc = 0x55667788u;
    wiring.board = 9;
}

/* A number for each thing and scan, by the finalizer of a well mixing hash (constants from memory, any would do). */
uint32_t fake_value(uint32_t kind, uint32_t index, uint32_t scan)
{
    uint32_t word = kind * 0x9E3779B9u + index * 0x85EBCA6Bu + scan * 0xC2B2AE35u;
    word ^= word >> 15;
    word *= 0x2C1B3C6Du;
    word ^= word >> 12;
    return word;
}

void fake_scan(void)
{
    fake.scan++;
    link_scan_done();
}

void fake_event(uint8_t code, uint16_t argument, uint16_t minute)
{
    struct event event = {fake.next_sequence++, code, argument, minute};
    if (fake.n_events < N_EVENTS) {
        fake.events[fake.n_events++] = event;
    }
}

void fake_next_event(uint8_t sequence)
{
    fake.next_sequence = sequence;
}

uint8_t fake_acknowledged(void)
{
    return fake.acknowledged;
}

void fake_key(const uint8_t *key)
{
    fake.has_key = key != NULL;
    if (key != NULL) {
        memcpy(fake.key, key, sizeof fake.key);
    }
}

void fake_boots(uint32_t boots)
{
    fake.boots = boots;
}

void fake_ms(uint16_t ms)
{
    fake.ms = ms;
}

void fake_bus(fake_spi spi, fake_select select)
{
    fake.spi = spi;
    fake.select = select;
}

/* board.h */

uint32_t board_scan_number(void) { return fake.scan; }
uint32_t board_skipped_scans(void) { return 0x01020304u; }
uint32_t board_clock(uint8_t *quality)
{
    *quality = (fake.scan & 1u) != 0 ? GOOD : BAD;
    return fake_value(20, 0, fake.scan);
}
uint8_t board_reset_cause(void) { return 8; }
uint8_t board_program(void) { return RUN_TRIAL; }
uint8_t board_fallback(void) { return FELL_NOT; }
uint32_t board_boot_counter(void) { return fake.boots; }
uint16_t board_longest_scan_ticks(void) { return 61; }
uint16_t board_free_stack(void) { return 333; }
int32_t board_raw(uint8_t number_input) { return (int32_t)fake_value(21, number_input, fake.scan); }

uint8_t board_hand(uint8_t drive, int16_t value, uint32_t time_ms)
{
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    log_act(0x05, drive, value, time_ms);
    if (fake.answer == ANSWER_DONE) {
        link_command(LINK_HAND, drive, value, time_ms);
    }
    return fake.answer;
}

uint8_t board_reset_trip(uint8_t trip)
{
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    log_act(0x06, trip, 0, 0);
    if (fake.answer == ANSWER_DONE) {
        link_command(LINK_RESET_TRIP, trip, 0, 0);
    }
    return fake.answer;
}

uint8_t board_procedure(uint8_t procedure, uint8_t command)
{
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    log_act(0x07, procedure, command, 0);
    if (fake.answer == ANSWER_DONE) {
        link_command(LINK_PROCEDURE, procedure, command, 0);
    }
    return fake.answer;
}

uint8_t board_set_clock(uint32_t utc_s)
{
    log_act(0x09, 0, 0, utc_s);
    return fake.answer;
}

uint8_t board_calibrate(const uint8_t *entry)
{
    log_bytes(log_act(0x0B, 0, 0, 0), entry, 14);
    return fake.answer;
}

uint8_t board_learn_key(uint8_t key)
{
    log_act(0x0C, key, 0, 0);
    return fake.answer;
}

uint8_t board_upload_begin(uint16_t length)
{
    log_act(0x0E, 0, length, 0);
    return fake.answer;
}

uint8_t board_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n)
{
    log_bytes(log_act(0x0F, 0, offset, 0), bytes, n);
    return fake.answer;
}

uint8_t board_upload_end(uint8_t minutes, uint8_t *verdict)
{
    log_act(0x10, minutes, 0, 0);
    *verdict = fake.verdict;
    return fake.answer;
}

uint8_t board_confirm(void)
{
    log_act(0x11, 0, 0, 0);
    return fake.answer;
}

uint8_t board_revert(void)
{
    log_act(0x12, 0, 0, 0);
    return fake.answer;
}

uint8_t board_restart(void)
{
    log_act(0x13, 0, 0, 0);
    return fake.answer;
}

uint8_t board_set_key(const uint8_t *key)
{
    log_bytes(log_act(0x14, 0, 0, 0), key, 16);
    return fake.answer;
}

/* store.h */

struct code store_program_code(uint8_t program)
{
    static const uint8_t bytes[] = {'T', 'w', 1, 0, 18, 0, 0, 0, 0, 0, 4, 0, 0, 1, 0xDD, 0xCC, 0xBB, 0xAA};
    struct code code = {CODE_MEMORY, sizeof bytes, (uintptr_t)bytes};
    (void)program;
    return code;
}

bool store_key(uint8_t *key)
{
    memcpy(key, fake.key, sizeof fake.key);
    return fake.has_key;
}

bool store_calibration(uint8_t n, uint8_t *entry)
{
    if (n >= 3) {
        return false;
    }
    for (uint8_t at = 0; at < 14; at++) {
        entry[at] = (uint8_t)fake_value(22, n, at);
    }
    return true;
}

bool store_event_after(uint8_t from, struct event *out)
{
    for (uint8_t n = 0; n < fake.n_events; n++) {
        if ((uint8_t)(fake.events[n].sequence - from) < 128u) {
            *out = fake.events[n];
            return true;
        }
    }
    return false;
}

uint8_t store_newest_event(void)
{
    return (uint8_t)(fake.next_sequence - 1u);
}

void store_events_confirmed(uint8_t sequence)
{
    uint8_t kept = 0;
    log_act(0x04, sequence, 0, 0);
    fake.acknowledged = sequence;
    for (uint8_t n = 0; n < fake.n_events; n++) {
        if ((uint8_t)(fake.events[n].sequence - sequence - 1u) < 127u) {
            fake.events[kept++] = fake.events[n];
        }
    }
    fake.n_events = kept;
}

/* vm.h */

struct sample vm_number(uint16_t slot)
{
    struct sample sample = {(int32_t)fake_value(1, slot, fake.scan), (uint8_t)(fake_value(2, slot, fake.scan) % 3u)};
    return sample;
}
uint8_t vm_bit(uint16_t slot) { return (uint8_t)((fake_value(3, slot, fake.scan) & 1u) | fake_value(4, slot, fake.scan) % 3u << 1); }
int16_t vm_output(uint8_t drive) { return (int16_t)(fake_value(5, drive, fake.scan) % 1001u); }
int32_t vm_hand_left_ms(uint8_t drive) { return (int32_t)(fake_value(6, drive, fake.scan) >> 2); }
uint8_t vm_trip(uint8_t trip) { return (uint8_t)(fake_value(7, trip, fake.scan) & 1u); }
uint8_t vm_alarm(uint8_t alarm) { return (uint8_t)((fake_value(8, alarm, fake.scan) & 1u) | fake_value(9, alarm, fake.scan) % 3u << 4); }
uint8_t vm_step(uint8_t procedure) { return (uint8_t)(fake_value(10, procedure, fake.scan) % 33u); }
uint32_t vm_day(void) { return fake_value(11, 0, fake.scan); }
int32_t vm_cell(uint16_t cell) { return (int32_t)fake_value(12, cell, fake.scan); }

/* wiring.h: one device, the Ethernet, whose select pin is 10. */

void wiring_device(uint8_t device, struct device_entry *out)
{
    (void)device;
    out->kind = ETHERNET;
    out->address = 10;
    out->shape = 0;
}

/* port.h */

uint8_t port_flash_byte(uint16_t address)
{
    (void)address;
    return 0xFF;
}
uint8_t port_eeprom_read(uint16_t address)
{
    (void)address;
    return 0xFF;
}
int16_t port_uart_get(void) { return fake.in_at < fake.n_in ? fake.in[fake.in_at++] : (int16_t)-1; }
uint8_t port_uart_room(void) { return fake.n_out < LINE_BYTES ? 7 : 0; }
void port_uart_put(uint8_t byte)
{
    if (fake.n_out < LINE_BYTES) {
        fake.out[fake.n_out++] = byte;
    }
}
uint16_t port_ms(void) { return fake.ms; }
void port_spi_start(uint8_t select_pin) { (void)select_pin; }
void port_spi_select(uint8_t select_pin, bool is_selected)
{
    (void)select_pin;
    if (fake.select != NULL) {
        fake.select(is_selected);
    }
}
uint8_t port_spi(uint8_t byte) { return fake.spi != NULL ? fake.spi(byte) : 0xFF; }
