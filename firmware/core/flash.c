/* Tables block and flash test. At boot the runtime must have the CRC-32 that the block says, and the tables their own; from then on
 * all flash that is ours must keep the CRC-16 that it had then. */
#include "flash.h"

#include "port.h"
#include "small.h"

/* The block: magic, format, 0; three lengths; CRC of the runtime; CRC of the header; tables. */
enum { LENGTHS_AT = 4, RUNTIME_CRC_AT = 10, HEADER = 18 };

static struct test {
    uint16_t at;
    uint16_t end;
    uint16_t crc;
    uint16_t at_boot; /* 0: not known yet */
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

bool flash_step(uint8_t n_bytes)
{
    struct test *now = &test;
    BY_POINTER(now);
    for (; n_bytes != 0; n_bytes--) {
        if (now->at == now->end) {
            if (now->at_boot == 0) {
                now->at_boot = now->crc;
            }
            if (now->crc != now->at_boot) {
                return false;
            }
            now->at = 0;
            now->crc = CRC16_START;
        }
        now->crc = crc16_add(now->crc, port_flash_byte(now->at));
        now->at++;
    }
    return true;
}

bool flash_start(void)
{
    struct code last;
    table_code(PANEL_TABLE, &last);
    uint16_t block = port_tables_at();
    test.end = (uint16_t)(last.base + last.length);
    ON_RESTART(test.at = test.at_boot = 0);
    test.crc = CRC16_START;
    const struct code image = {CODE_FLASH, block, 0};
    uint32_t crc = code_crc(&image);
    while (test.at != test.end) {
        flash_step(1);
    }
    return (uint16_t)crc == flash_word((uint16_t)(block + RUNTIME_CRC_AT))
        && (uint16_t)(crc >> 16) == flash_word((uint16_t)(block + RUNTIME_CRC_AT + 2));
}
