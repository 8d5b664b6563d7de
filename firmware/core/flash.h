/* The tables block behind the runtime in flash (docs/firmware.md), and the test of all flash that is ours. */
#ifndef FLASH_H
#define FLASH_H

#include <stdbool.h>

#include "code.h"

enum table { WIRING_TABLE, GOLDEN_PROGRAM, PANEL_TABLE, N_TABLES };

/* Empty when the block's lengths do not fit the flash; what it holds checks itself. */
void table_code(uint8_t table, struct code *out);

/* Two bytes of flash, the lower first. */
uint16_t flash_word(uint16_t at);

/* The whole once: false when the runtime is not what the block says. Every later step compares with this. */
bool flash_start(void);
/* The next bytes; false when a part of the flash is not what it was. */
bool flash_step(uint8_t n_bytes);

#endif
