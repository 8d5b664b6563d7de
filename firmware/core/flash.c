/* Tables block and flash test. Whatever is tested ends with its own CRC-32, so what counts is the residue that a CRC over
 * data and its own CRC always leaves. */
#include "flash.h"

#include "port.h"

/* Header: magic, format, 0; three lengths; CRC of the runtime; CRC of the header. */
enum { LENGTHS_AT = 4, RUNTIME_CRC_AT = 10, HEADER = 18, CRC_BYTES = 4 };
#define RESIDUE 0xDEBB20E3u

static uint16_t lengths[N_TABLES];

/* The test: parts are the runtime with its CRC in the header, the header, the tables. */
static struct {
    uint8_t part;
    uint16_t at;
    uint16_t left;
    uint32_t crc;
} test;

static void begin_part(uint8_t part, uint16_t at, uint16_t length)
{
    test.part = part;
    test.at = at;
    test.left = length;
    test.crc = CRC32_START;
}

static void add(uint8_t n)
{
    for (; n != 0 && test.left != 0; n--) {
        if (test.part == 0 && test.left == CRC_BYTES) {
            test.at = (uint16_t)(port_tables_at() + RUNTIME_CRC_AT);
        }
        test.crc = crc32_add(test.crc, port_flash_byte(test.at));
        test.at++;
        test.left--;
    }
}

bool flash_test(uint8_t n_bytes, bool *is_round)
{
    add(n_bytes);
    *is_round = false;
    if (test.left != 0) {
        return true;
    }
    bool is_sound = test.crc == RESIDUE;
    uint16_t block = port_tables_at();
    if (test.part == 0) {
        begin_part(1, block, HEADER);
    } else if (test.part <= N_TABLES) {
        uint16_t at = test.part == 1 ? (uint16_t)(block + HEADER) : test.at;
        uint8_t table = (uint8_t)(test.part - 1u);
        begin_part((uint8_t)(test.part + 1u), at, lengths[table]);
        if (test.left == 0) { /* a table that the system does not have */
            test.crc = RESIDUE;
        }
    } else {
        begin_part(0, 0, (uint16_t)(block + CRC_BYTES));
        *is_round = true;
    }
    return is_sound;
}

bool tables_open(void)
{
    uint16_t block = port_tables_at();
    begin_part(1, block, HEADER);
    add(HEADER);
    bool is_sound = test.crc == RESIDUE && port_flash_byte(block) == 'T'
        && port_flash_byte((uint16_t)(block + 1u)) == 'b' && port_flash_byte((uint16_t)(block + 2u)) == 1;
    uint16_t room = (uint16_t)(port_flash_end() - block - HEADER);
    for (uint8_t i = 0; i < N_TABLES; i++) {
        uint16_t at = (uint16_t)(block + LENGTHS_AT + 2u * i);
        uint16_t length = (uint16_t)(port_flash_byte(at) | (uint16_t)(port_flash_byte((uint16_t)(at + 1u)) << 8));
        is_sound = is_sound && length <= room;
        lengths[i] = is_sound ? length : 0;
        room = (uint16_t)(room - lengths[i]);
    }
    begin_part(0, 0, (uint16_t)(block + CRC_BYTES));
    return is_sound;
}

struct code table_code(uint8_t table)
{
    struct code code = {CODE_FLASH, lengths[table], (uintptr_t)(port_tables_at() + HEADER)};
    for (uint8_t i = 0; i < table; i++) {
        code.base += lengths[i];
    }
    return code;
}
