/* Flash and EEPROM of the host: two arrays that tests fill and read; how the EEPROM takes its bytes is in eeprom.c. */
#include "memory.h"

#include "port.h"

uint8_t host_flash[HOST_FLASH_BYTES];
uint8_t host_eeprom[PORT_EEPROM_BYTES];

__attribute__((weak)) uint8_t port_flash_byte(uint16_t address)
{
    return host_flash[address];
}
