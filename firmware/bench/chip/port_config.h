/* Sizes for the virtual machine alone on a chip: as much pool as fits beside its stack, so that generated programs do. */
#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#define PORT_EEPROM_BYTES 1024
#define VM_POOL_BYTES 1400
#define PORT_STATE_BYTES 16
#define PORT_WATCHED_PINS 1

#endif
