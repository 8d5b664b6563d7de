/* The host's EEPROM: counts the writes of each cell, and loses power in the middle of a byte when a test says so. */
#ifndef EEPROM_H
#define EEPROM_H

#include <stdbool.h>
#include <stdint.h>

#include "memory.h"

extern uint32_t host_eeprom_wear[PORT_EEPROM_BYTES]; /* writes of each cell */
extern uint8_t host_eeprom_dead_cell[PORT_EEPROM_BYTES]; /* not 0: worn out, takes nothing any more */

/* Power fails while the n-th byte from now (0: the next) is being written: its cell then holds `left`, whatever was meant, and no
 * later write arrives until power returns. Negative: it does not fail. */
void host_eeprom_cut(int32_t n, uint8_t left);
bool host_eeprom_is_off(void);
/* Power is back. With `flickers` the cell that was cut reads, each time anew, what it holds or its complement, until it is written. */
void host_eeprom_on(bool flickers);
/* No cell flickers any more: other cells were put in. */
void host_eeprom_firm(void);
/* Bytes written since the last host_eeprom_cut or host_eeprom_on. */
uint32_t host_eeprom_written(void);

#endif
