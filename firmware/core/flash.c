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

uint16_t flash_word(uint16_t at)
{
    return (uint16_t)(port_flash_byte(at) | (uint16_t)((uint16_t)port_flash_byte((uint16_t)(at + 1u)) << 8));
}

void table_code(uint8_t table, struct code *out)
{
    uint16_t lengths = (uint16_t)(port_tables_at() + LENGTHS_AT);
    uint16_t at = (uint16_t)(port_tables_at() + HEADER);
    out->place = CODE_FLASH;
    for (;;) {
        uint16_t length = flash_word(lengths);
        if (length > (uint16_t)(port_flash_end() - at)) {
            length = 0;
        }
        out->length = length;
        out->base = at;
        if (table-- == 0) {
            break;
        }
        at = (uint16_t)(at + length);
        lengths = (uint16_t)(lengths + 2u);
    }
}

static void add_up_to(uint16_t end, uint8_t n)
{
    struct test *now = &test;
    BY_POINTER(now);
    for (; n != 0 && now->at != end; n--) {
        now->crc = crc32_add(now->crc, port_flash_byte(now->at));
        now->at++;
    }
}

bool flash_step(uint8_t n_bytes)
{
    if (test.at == test.end) {
        if (test.crc != test.at_boot) {
            return false;
        }
        test.at = 0;
        test.crc = CRC32_START;
    }
    add_up_to(test.end, n_bytes);
    return true;
}

bool flash_start(void)
{
    struct code last;
    table_code(PANEL_TABLE, &last);
    uint16_t block = port_tables_at();
    test.end = (uint16_t)(last.base + last.length);
    test.at = 0;
    test.crc = CRC32_START;
    while (test.at != block) {
        add_up_to(block, 255);
    }
    bool is_sound = (uint16_t)~test.crc == flash_word((uint16_t)(block + RUNTIME_CRC_AT))
        && (uint16_t)(~test.crc >> 16) == flash_word((uint16_t)(block + RUNTIME_CRC_AT + 2));
    while (test.at != test.end) {
        add_up_to(test.end, 255);
    }
    test.at_boot = test.crc;
    return is_sound;
}
