/* Retained state of the running program: a ring of records beside its slot, so that a trial never writes over what the confirmed
 * program left. Sequence, low half of the program's CRC, what vm_keep gives, CRC. */
#include "cells.h"
#include "port.h"
#include "store.h"
#include "vm.h"

#define BESIDE 5u /* sequence, program, CRC */

static struct ring ring;
static bool is_due;

/* Bytes of a record; 0 when nothing is retained: a program that retains only its day retains nothing, and one whose records do not
 * fit is not made by `build` and refused by store_upload_end. */
static uint8_t record_bytes(void)
{
    return vm.retained_bytes > 2 && vm.retained_bytes <= MAP_KEPT_LONGEST - BESIDE ? (uint8_t)(vm.retained_bytes + BESIDE) : 0;
}

static uint16_t ring_at(void)
{
    return store_slot() != 0 ? AT_KEPT + MAP_KEPT : AT_KEPT;
}

bool store_retained(uint16_t *other)
{
    uint8_t n = record_bytes();
    *other = 0;
    if (n == 0) {
        return false;
    }
    cells_wait();
    if (!ring_find(&ring, ring_at(), n, (uint8_t)(MAP_KEPT / n))) {
        if ((port_eeprom_read(ring_at()) & port_eeprom_read((uint16_t)(ring_at() + 1u))) != 0xFF) {
            *other = 0xFFFF;
        }
        return false;
    }
    /* Another program's may stand there: golden borrows the ring of a damaged one. */
    uint16_t of = (uint16_t)(cells_record[1] | (uint16_t)cells_record[2] << 8);
    if (of != (uint16_t)vm.crc) {
        *other = of;
        return false;
    }
    vm_restore(cells_record + 3);
    return true;
}

void store_keep(void)
{
    is_due = true;
}

bool kept_next(void)
{
    uint8_t n = record_bytes();
    if (!is_due || n == 0) {
        return false;
    }
    is_due = false;
    cells_record[1] = (uint8_t)vm.crc;
    cells_record[2] = (uint8_t)(vm.crc >> 8);
    vm_keep(cells_record + 3);
    ring_put(&ring, JOB_KEPT, ring_at(), n, (uint8_t)(MAP_KEPT / n));
    return true;
}

#ifdef PORT_HOST
void kept_power_up(void)
{
    ring.place = 0;
    ring.sequence = 0;
    is_due = false;
}
#endif
