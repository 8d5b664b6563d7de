/* Sizes for port.h, which asks for them; nothing of the link depends on them. */
#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#define PORT_EEPROM_BYTES 1024
#define VM_POOL_BYTES 1024
#define PORT_STATE_BYTES 128
#define PORT_WATCHED_PINS 4

#endif
