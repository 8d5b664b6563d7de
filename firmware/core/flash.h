/* The tables block behind the runtime in flash (docs/firmware.md), and the test of all flash that is ours. */
#ifndef FLASH_H
#define FLASH_H

#include <stdbool.h>

#include "code.h"

enum table { WIRING_TABLE, GOLDEN_PROGRAM, PANEL_TABLE, N_TABLES };

/* Tests the block's header; without a sound one every table is empty. */
bool tables_open(void);
struct code table_code(uint8_t table);

/* The next bytes of the flash test; false when a part of the flash is not what it was. `is_round` tells that the whole has
 * been read once more. */
bool flash_test(uint8_t n_bytes, bool *is_round);

#endif
