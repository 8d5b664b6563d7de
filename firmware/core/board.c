/* The acts of people: from words of the link, or keys of a remote, to what program, store and clock do with them. */
#include "board.h"

#include "code.h"
#include "drivers.h"
#include "events.h"
#include "link.h"
#include "panel.h"
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "store.h"
#include "vm.h"
#include "wiring.h"

uint32_t board_scan_number(void)
{
    return runtime.n_scans;
}

uint32_t board_skipped_scans(void)
{
    return runtime.n_skipped;
}

uint32_t board_clock(uint8_t *quality)
{
    return clock_utc(quality);
}

uint8_t board_reset_cause(void)
{
    return runtime.reset_cause & 0x3Fu;
}

uint8_t board_program(void)
{
    return store_running();
}

uint8_t board_fallback(void)
{
    return store_fell_back();
}

uint32_t board_boot_counter(void)
{
    return store_boot_counter();
}

uint16_t board_longest_scan_ticks(void)
{
    return runtime.longest_scan;
}

uint16_t board_free_stack(void)
{
    return port_free_stack();
}

int32_t board_raw(uint8_t number_input)
{
    return number_input < wiring.n_numbers ? number_states[number_input].raw : 0;
}

/* Answers of the store, in the link's words. */
static uint8_t answer_of(uint8_t stored)
{
    static const uint8_t answers[] IN_FLASH = {
        ANSWER_DONE, ANSWER_BUSY, ANSWER_NO_UPLOAD, ANSWER_NO_UPLOAD, ANSWER_BAD_VALUE, ANSWER_PROGRAM, ANSWER_TRIAL,
        ANSWER_FULL, ANSWER_WORN,
    };
    return flash_u8(&answers[stored]);
}

uint8_t board_hand(uint8_t drive, int16_t value, uint32_t time_ms)
{
    if (drive >= vm.n_drives) {
        if (drive < wiring.n_outputs && output_is_buzzer(drive)) { /* silenced: the panel has it alone */
            uint32_t time_s = value == 0 ? time_ms / 1000u : 0;
            panel_silence(time_s > UINT16_MAX ? UINT16_MAX : (uint16_t)time_s);
            return ANSWER_DONE;
        }
        return ANSWER_NO_SUCH_PART;
    }
    if (value < 0 || value > 1000 || time_ms > INT32_MAX) {
        return ANSWER_BAD_VALUE;
    }
    if (time_ms != 0 && vm_is_blocked(drive) && vm_output(drive) != value) {
        return ANSWER_REFUSED;
    }
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    vm_hand(drive, value, (int32_t)time_ms);
    link_command(LINK_HAND, drive, value, time_ms);
    output_states[drive] = (uint8_t)((output_states[drive] & (uint8_t)~OUTPUT_BY_KEY) | runtime.by_key);
    return ANSWER_DONE;
}

uint8_t board_reset_trip(uint8_t trip)
{
    if (trip >= vm.n_trips) {
        return ANSWER_NO_SUCH_PART;
    }
    if (vm_trip(trip) == 0) {
        return ANSWER_REFUSED;
    }
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    vm_reset_trip(trip);
    link_command(LINK_RESET_TRIP, trip, 0, 0);
    return ANSWER_DONE;
}

uint8_t board_procedure(uint8_t procedure, uint8_t command)
{
    if (procedure >= vm.n_procedures) {
        return ANSWER_NO_SUCH_PART;
    }
    if (command < VM_START || command > VM_STOP) {
        return ANSWER_BAD_VALUE;
    }
    if (!link_has_room()) {
        return ANSWER_BUSY;
    }
    vm_procedure(procedure, command);
    link_command(LINK_PROCEDURE, procedure, command, 0);
    return ANSWER_DONE;
}

uint8_t board_set_clock(uint32_t utc_s)
{
    return clock_set(utc_s);
}

uint8_t board_calibrate(const uint8_t *entry)
{
    uint8_t stored = store_calibrate(entry);
    if (stored == STORE_PROGRAM) {
        return ANSWER_BAD_VALUE;
    }
    if (stored == STORE_DONE) {
        runtime_event(EVENT_CALIBRATED, entry[0]);
    }
    return answer_of(stored);
}

uint8_t board_learn_key(uint8_t key)
{
    return panel_learn(key) ? ANSWER_DONE : ANSWER_NO_SUCH_PART;
}

uint8_t board_upload_begin(uint16_t length)
{
    return answer_of(store_upload_begin(length));
}

uint8_t board_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n)
{
    return answer_of(store_upload_chunk(offset, bytes, n));
}

/* After the answer the board resets when it was DONE. */
static uint8_t answer_and_reset(uint8_t stored)
{
    runtime.reset_is_wanted = runtime.reset_is_wanted || stored == STORE_DONE;
    return answer_of(stored);
}

uint8_t board_upload_end(uint8_t minutes, uint8_t *verdict)
{
    return answer_and_reset(store_upload_end(minutes, verdict));
}

uint8_t board_revert(void)
{
    return answer_and_reset(store_revert(FELL_REVERTED));
}

uint8_t board_restart(void)
{
    return answer_and_reset(STORE_DONE);
}

uint8_t board_confirm(void)
{
    return answer_of(store_confirm());
}

uint8_t board_set_key(const uint8_t *key)
{
    return answer_of(store_set_key(key));
}
