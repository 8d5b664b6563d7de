/* Tables block and flash test. The test is one CRC-32 over all flash that is ours: where the block begins it must be the
 * runtime's, where the tables end what it was at boot, when their own checksums were looked at too. */
#include "flash.h"

#include "port.h"
#include "small.h"

/* The block: magic, format, 0; three lengths; CRC of the runtime; CRC of the header; tables. */
enum { LENGTHS_AT = 4, RUNTIME_CRC_AT = 10, HEADER = 18 };

static struct test {
    uint16_t at;
    uint16_t end;
    uint32_t crc;
    uint32_t at_boot;
} test;

static uint16_t word(uint16_t at)
{
    return (uint16_t)(port_flash_byte(at) | (uint16_t)((uint16_t)port_flash_byte((uint16_t)(at + 1u)) << 8));
}

struct code table_code(uint8_t table)
{
    uint16_t lengths = (uint16_t)(port_tables_at() + LENGTHS_AT);
    uint16_t at = (uint16_t)(port_tables_at() + HEADER);
    uint16_t length;
    for (;;) {
        length = word(lengths);
        if (length > (uint16_t)(port_flash_end() - at)) {
            length = 0;
        }
        if (table-- == 0) {
            break;
        }
        at = (uint16_t)(at + length);
        lengths = (uint16_t)(lengths + 2u);
    }
    struct code code = {CODE_FLASH, length, at};
    return code;
}

bool flash_step(uint8_t n_bytes)
{
    struct test *now = &test;
    BY_POINTER(now);
    bool is_sound = true;
    for (; n_bytes != 0; n_bytes--) {
        uint16_t at = now->at;
        if (at == now->end) {
            is_sound = is_sound && now->crc == now->at_boot;
            at = 0;
            now->crc = CRC32_START;
        }
        if (at == port_tables_at()) {
            uint16_t stored = (uint16_t)(at + RUNTIME_CRC_AT);
            is_sound = is_sound && (uint16_t)~now->crc == word(stored)
                && (uint16_t)(~now->crc >> 16) == word((uint16_t)(stored + 2u));
        }
        now->crc = crc32_add(now->crc, port_flash_byte(at));
        now->at = (uint16_t)(at + 1u);
    }
    return is_sound;
}

bool flash_start(void)
{
    struct code last = table_code(PANEL_TABLE);
    test.end = (uint16_t)(last.base + last.length);
    test.at = 0;
    test.crc = CRC32_START;
    bool is_sound = true;
    while (test.at != test.end) {
        is_sound = flash_step(1) && is_sound;
        port_watchdog_kick();
    }
    test.at_boot = test.crc;
    return is_sound;
}
