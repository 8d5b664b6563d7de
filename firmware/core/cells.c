/* Records on their way into the EEPROM. A record is complete in memory before its first byte goes out, so that it shows one
 * instant; it is read back when its last byte is in. */
#include "cells.h"

#include "code.h"
#include "small.h"

_Static_assert(MAP_KEPT_LONGEST >= KEY_BYTES + 2, "the record holds everything that is sent");

uint8_t cells_record[MAP_KEPT_LONGEST];

static struct out {
    uint16_t at; /* of the record's first byte */
    uint8_t job;
    uint8_t n;
    uint8_t n_done;
    uint8_t n_failed; /* in a row */
} out;

uint8_t cells_job(void)
{
    return out.job;
}

void cells_seal(uint8_t n)
{
    uint16_t crc = CRC16_START;
    uint8_t *byte = cells_record;
    do {
        crc = crc16_add(crc, *byte++);
    } while (--n != 0);
    *byte++ = (uint8_t)crc;
    *byte = (uint8_t)(crc >> 8);
}

uint16_t cells_u16(uint16_t at)
{
    return (uint16_t)(port_eeprom_read(at) | (uint16_t)port_eeprom_read((uint16_t)(at + 1)) << 8);
}

bool cells_take(uint16_t at, uint8_t *to, uint8_t n)
{
    uint16_t crc = CRC16_START;
    do {
        uint8_t byte = port_eeprom_read(at++);
        crc = crc16_add(crc, byte);
        if (to) {
            *to++ = byte;
        }
    } while (--n != 0);
    return cells_u16(at) == crc;
}

APART void cells_begin(uint8_t job, uint16_t at, uint8_t n)
{
    out.job = job;
    out.at = at;
    out.n = n;
    out.n_done = 0;
}

void cells_blank(uint16_t at, uint8_t n)
{
    cells_begin(JOB_BLANK, at, n);
}

uint8_t cells_step(uint8_t *job)
{
    struct out *now = &out;
    BY_POINTER(now);
    if (now->job == JOB_NONE) {
        return CELLS_IDLE;
    }
    if (!port_eeprom_is_ready()) {
        return CELLS_WRITING;
    }
    bool is_good = true;
    for (uint8_t i = 0; i < now->n; i++) {
        uint16_t at = (uint16_t)(now->at + i);
        uint8_t byte = now->job == JOB_BLANK ? 0xFF : cells_record[i];
        bool is_there = port_eeprom_read(at) == byte;
        if (i == now->n_done) {
            now->n_done++;
            /* A byte of a record is written even where it seems to stand: a cell that was cut may read right only by chance. */
            if (now->job != JOB_BLANK || !is_there) {
                port_eeprom_start_write(at, byte);
                return CELLS_WRITING;
            }
        }
        is_good &= is_there;
    }
    *job = now->job;
    now->job = JOB_NONE;
    if (!is_good && ++now->n_failed <= 3) {
        return CELLS_FAILED;
    }
    now->n_failed = 0;
    return is_good ? CELLS_WRITTEN : CELLS_WORN;
}

bool ring_find(struct ring *ring, uint16_t at, uint8_t n, uint8_t n_places)
{
    bool is_found = false;
    uint16_t newest = at;
    ring->place = (uint8_t)(n_places - 1);
    n = (uint8_t)(n - 2);
    for (uint8_t place = 0; place < n_places; place++) {
        if (cells_take(at, cells_record, n) && (!is_found || is_later(cells_record[0], ring->sequence))) {
            ring->place = place;
            ring->sequence = cells_record[0];
            newest = at;
            is_found = true;
        }
        at = (uint16_t)(at + n + 2u);
    }
    /* Not checked again: what can still differ in a record that was sound is its last byte, or the first of one that is being replaced,
     * and neither is looked at. */
    (void)cells_take(newest, cells_record, n);
    return is_found;
}

void ring_put(struct ring *ring, uint8_t job, uint16_t at, uint8_t n, uint8_t n_places)
{
    if (++ring->place >= n_places) {
        ring->place = 0;
    }
    cells_record[0] = ++ring->sequence;
    cells_seal((uint8_t)(n - 2));
    cells_begin(job, (uint16_t)(at + (uint16_t)(ring->place * n)), n);
}

#ifdef PORT_HOST
void cells_power_up(void)
{
    out.job = JOB_NONE;
    out.n_failed = 0;
}
#endif
