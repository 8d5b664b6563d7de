/* Records on their way into the EEPROM. A record is complete in memory before its first byte goes out, so that it shows one
 * instant; it is read back when its last byte is in. */
#include "cells.h"

#include "code.h"

_Static_assert(MAP_KEPT_LONGEST >= KEY_BYTES + 2, "the record holds everything that is sent");

uint8_t cells_record[MAP_KEPT_LONGEST];

static struct {
    uint16_t at; /* of the record's first byte */
    uint8_t job;
    uint8_t n;
    uint8_t n_done;
    uint8_t n_failed; /* in a row */
} out;

bool cells_are_busy(void)
{
    return out.job != JOB_NONE;
}

static uint16_t crc_of_record(uint8_t n)
{
    uint16_t crc = CRC16_START;
    for (uint8_t i = 0; i < n; i++) {
        crc = crc16_add(crc, cells_record[i]);
    }
    return crc;
}

void cells_seal(uint8_t n)
{
    uint16_t crc = crc_of_record(n);
    cells_record[n] = (uint8_t)crc;
    cells_record[n + 1] = (uint8_t)(crc >> 8);
}

bool cells_are_sound(uint16_t at, uint8_t n)
{
    uint16_t crc = CRC16_START;
    while (n-- != 0) {
        crc = crc16_add(crc, port_eeprom_read(at++));
    }
    return port_eeprom_read(at) == (uint8_t)crc && port_eeprom_read((uint16_t)(at + 1)) == (uint8_t)(crc >> 8);
}

void cells_read(uint16_t at, uint8_t *bytes, uint8_t n)
{
    while (n-- != 0) {
        *bytes++ = port_eeprom_read(at++);
    }
}

void cells_begin(uint8_t job, uint16_t at, uint8_t n)
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

/* Whether the cells hold what was sent; blanking is seen to by whoever reads. */
static bool is_as_sent(void)
{
    if (out.job == JOB_BLANK) {
        return true;
    }
    uint16_t at = out.at;
    for (uint8_t i = 0; i < out.n; i++) {
        if (port_eeprom_read(at++) != cells_record[i]) {
            return false;
        }
    }
    return true;
}

uint8_t cells_step(uint8_t *job)
{
    if (out.job == JOB_NONE) {
        return CELLS_IDLE;
    }
    if (!port_eeprom_is_ready()) {
        return CELLS_WRITING;
    }
    if (out.n_done < out.n) {
        uint16_t at = (uint16_t)(out.at + out.n_done);
        uint8_t byte = 0xFF;
        if (out.job != JOB_BLANK) {
            byte = cells_record[out.n_done];
        } else if (port_eeprom_read(at) == 0xFF) {
            out.n_done++;
            return CELLS_WRITING;
        }
        out.n_done++;
        port_eeprom_start_write(at, byte);
        return CELLS_WRITING;
    }
    bool is_good = is_as_sent();
    *job = out.job;
    out.job = JOB_NONE;
    if (is_good || ++out.n_failed > 3) {
        out.n_failed = 0;
        return CELLS_WRITTEN;
    }
    return CELLS_FAILED;
}

#ifdef PORT_HOST
void cells_power_up(void)
{
    out.job = JOB_NONE;
    out.n_failed = 0;
}
#endif
