/* Flash and EEPROM of the host: two arrays that tests fill and read. Weak, so that a file with a fuller model of the part (one
 * that takes time, or loses power in the middle of a byte) only has to define the same functions. */
#include "memory.h"

#include "port.h"

uint8_t host_flash[HOST_FLASH_BYTES];
uint8_t host_eeprom[PORT_EEPROM_BYTES];

__attribute__((weak)) uint8_t port_flash_byte(uint16_t address)
{
    return host_flash[address];
}

__attribute__((weak)) uint8_t port_eeprom_read(uint16_t address)
{
    return address < PORT_EEPROM_BYTES ? host_eeprom[address] : 0xFF;
}

__attribute__((weak)) bool port_eeprom_is_ready(void)
{
    return true;
}

__attribute__((weak)) void port_eeprom_start_write(uint16_t address, uint8_t byte)
{
    if (address < PORT_EEPROM_BYTES) {
        host_eeprom[address] = byte;
    }
}
