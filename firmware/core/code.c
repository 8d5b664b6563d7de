/* Bytes of programs and tables in any memory, and the two checksums. Both checksums go bit by bit: a table of them costs more
 * flash than the whole reader of wiring tables. */
#include "code.h"

#include <stdbool.h>

#include "port.h"
#include "small.h"

uint8_t code_byte(const struct code *code, uint16_t offset)
{
    if (offset >= code->length) {
        return 0;
    }
    uintptr_t at = code->base + offset;
    if (code->place == CODE_FLASH) {
        return port_flash_byte((uint16_t)at);
    }
    if (code->place == CODE_EEPROM) {
        return port_eeprom_read((uint16_t)at);
    }
    return *(const uint8_t *)at;
}

APART uint32_t crc32_add(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t n = 8; n != 0; n--) {
        bool is_odd = ((uint8_t)crc & 1u) != 0;
        crc >>= 1;
        if (is_odd) {
            crc ^= 0xEDB88320u;
        }
    }
    return crc;
}

uint16_t crc16_add(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)byte << 8));
    for (uint8_t n = 8; n != 0; n--) {
        bool is_high = (crc & 0x8000u) != 0;
        crc = (uint16_t)(crc << 1);
        if (is_high) {
            crc ^= 0x1021u;
        }
    }
    return crc;
}

uint16_t code_u16(const struct code *code, uint16_t offset)
{
    return (uint16_t)(code_byte(code, offset) | (uint16_t)code_byte(code, (uint16_t)(offset + 1u)) << 8);
}

bool code_is_table(const struct code *code, uint8_t letter)
{
    return code_u16(code, 0) == (uint16_t)('T' | letter << 8) && code_byte(code, 2) == 1 && code_u16(code, 3) == code->length
        && code_is_whole(code);
}

uint32_t code_crc(const struct code *code)
{
    uint32_t crc = CRC32_START;
    for (uint16_t at = 0; at != code->length; at++) {
        crc = crc32_add(crc, code_byte(code, at));
    }
    return crc32_end(crc);
}

bool code_is_whole(const struct code *code)
{
    /* What a CRC over data and its own CRC always leaves. */
    return code_crc(code) == 0x2144DF1Cu;
}
