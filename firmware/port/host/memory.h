/* Flash and EEPROM of the host, as tests see them. */
#ifndef MEMORY_H
#define MEMORY_H

#include <stdint.h>

#include "port_config.h"

#define HOST_FLASH_BYTES 65536u

extern uint8_t host_flash[HOST_FLASH_BYTES];
extern uint8_t host_eeprom[PORT_EEPROM_BYTES];

#endif
