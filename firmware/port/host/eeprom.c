/* The host's EEPROM. A byte is erased, then programmed; cut off in between, a cell may hold anything and may read differently each
 * time, so a cut leaves whatever the test says. Writes take no time: what is tested is their order. */
#include "eeprom.h"

#include "port.h"

uint32_t host_eeprom_wear[PORT_EEPROM_BYTES];
uint8_t host_eeprom_dead_cell[PORT_EEPROM_BYTES];

static int32_t until_cut = -1;
static uint8_t left_behind;
static bool is_off;
static uint32_t n_written;
static int32_t cut_cell = -1;
static int32_t flickering_cell = -1;
static uint32_t noise = 1;

void host_eeprom_cut(int32_t n, uint8_t left)
{
    until_cut = n;
    left_behind = left;
    n_written = 0;
}

bool host_eeprom_is_off(void)
{
    return is_off;
}

void host_eeprom_on(bool flickers)
{
    is_off = false;
    until_cut = -1;
    n_written = 0;
    if (cut_cell >= 0) {
        flickering_cell = flickers ? cut_cell : -1;
        cut_cell = -1;
    }
}

void host_eeprom_firm(void)
{
    cut_cell = -1;
    flickering_cell = -1;
}

uint32_t host_eeprom_written(void)
{
    return n_written;
}

uint8_t port_eeprom_read(uint16_t address)
{
    if (address >= PORT_EEPROM_BYTES) {
        return 0xFF;
    }
    if (address == flickering_cell) {
        noise ^= noise << 13;
        noise ^= noise >> 17;
        noise ^= noise << 5;
        if (noise & 1u) {
            return (uint8_t)~host_eeprom[address];
        }
    }
    return host_eeprom[address];
}

bool port_eeprom_is_ready(void)
{
    return true;
}

void port_eeprom_start_write(uint16_t address, uint8_t byte)
{
    if (is_off || address >= PORT_EEPROM_BYTES) {
        return;
    }
    host_eeprom_wear[address]++;
    n_written++;
    if (until_cut == 0) {
        is_off = true;
        byte = left_behind;
        cut_cell = address;
    } else if (until_cut > 0) {
        until_cut--;
    }
    if (address == flickering_cell) {
        flickering_cell = -1;
    }
    if (!host_eeprom_dead_cell[address]) {
        host_eeprom[address] = byte;
    }
}
