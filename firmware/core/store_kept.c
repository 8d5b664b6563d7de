/* Retained state of the running program: a ring of records beside its slot, so that a trial never writes over what the confirmed
 * program left. Sequence, low half of the program's CRC, what vm_keep gives, CRC. */
#include "cells.h"
#include "store.h"
#include "vm.h"

#define BESIDE 5 /* sequence, program, CRC */

static uint8_t kept_place, kept_sequence;
static bool kept_is_due;

static uint8_t record_bytes(void)
{
    return (uint8_t)(vm.retained_bytes + BESIDE);
}

/* A program that retains only its day retains nothing. One whose records do not fit is not made by `build`, and store_upload_end
 * refuses it. */
static bool retains(void)
{
    return vm.retained_bytes > 2 && vm.retained_bytes <= MAP_KEPT_LONGEST - BESIDE;
}

static uint16_t ring_at(void)
{
    return store_slot() != 0 ? AT_KEPT + MAP_KEPT : AT_KEPT;
}

bool store_retained(void)
{
    if (!retains()) {
        return false;
    }
    uint8_t n = record_bytes();
    uint8_t place = 0, newest = 0;
    uint16_t newest_at = 0;
    uint16_t at = ring_at();
    for (uint8_t left = MAP_KEPT; left >= n; left = (uint8_t)(left - n)) {
        if (port_eeprom_read((uint16_t)(at + 1)) == (uint8_t)vm.crc
            && port_eeprom_read((uint16_t)(at + 2)) == (uint8_t)(vm.crc >> 8)
            && cells_are_sound(at, (uint8_t)(n - 2))) {
            uint8_t sequence = port_eeprom_read(at);
            if (newest_at == 0 || is_later(sequence, newest)) {
                newest_at = at;
                newest = sequence;
                kept_place = (uint8_t)(place + 1);
            }
        }
        at = (uint16_t)(at + n);
        place++;
    }
    if (newest_at == 0) {
        return false;
    }
    kept_sequence = newest;
    cells_wait();
    cells_read((uint16_t)(newest_at + 3), cells_record, vm.retained_bytes);
    vm_restore(cells_record);
    return true;
}

void store_keep(void)
{
    kept_is_due = true;
}

/* kept_place is the place after the newest; it may lie behind the last. */
bool kept_next(void)
{
    if (!kept_is_due) {
        return false;
    }
    kept_is_due = false;
    if (!retains()) {
        return false;
    }
    uint8_t n = record_bytes();
    uint16_t from = (uint16_t)(kept_place * n);
    if (from + n > MAP_KEPT) {
        kept_place = 0;
        from = 0;
    }
    kept_place++;
    cells_record[0] = ++kept_sequence;
    cells_record[1] = (uint8_t)vm.crc;
    cells_record[2] = (uint8_t)(vm.crc >> 8);
    vm_keep(cells_record + 3);
    cells_seal((uint8_t)(n - 2));
    cells_begin(JOB_KEPT, (uint16_t)(ring_at() + from), n);
    return true;
}

void kept_failed(void)
{
    kept_is_due = true;
}

#ifdef PORT_HOST
void kept_power_up(void)
{
    kept_place = 0;
    kept_sequence = 0;
    kept_is_due = false;
}
#endif
