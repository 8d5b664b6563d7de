/* Sizes of the host library; what they mean stands in firmware/core/port.h. EEPROM as on the smallest board. */
#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#ifndef PORT_EEPROM_BYTES
#define PORT_EEPROM_BYTES 1024
#endif
#define PORT_CHIP 4
#define VM_POOL_BYTES 16384
#define PORT_STATE_BYTES 1024
#define PORT_WATCHED_PINS 8
#define PORT_HAS_PANEL 1
#define PORT_HAS_W5500 1

#endif
