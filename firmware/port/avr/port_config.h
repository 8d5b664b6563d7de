/* Sizes of the AVR port, chip by chip; what they mean stands in firmware/core/port.h. */
#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#if defined(__AVR_ATmega2560__)
#define PORT_CHIP 3
#define PORT_EEPROM_BYTES 4096
#define VM_POOL_BYTES 3072
#define PORT_STATE_BYTES 512
#define PORT_WATCHED_PINS 8
#elif defined(__AVR_ATmega32U4__)
#define PORT_CHIP 2
#define PORT_EEPROM_BYTES 1024
#define VM_POOL_BYTES 900
#define PORT_STATE_BYTES 160
#define PORT_WATCHED_PINS 4
#elif defined(__AVR_ATmega328P__)
#define PORT_CHIP 1
#define PORT_EEPROM_BYTES 1024
#define VM_POOL_BYTES 520
#define PORT_STATE_BYTES 112
#define PORT_WATCHED_PINS 4
#else
#error "port/avr: build for ATmega328P, ATmega32U4 or ATmega2560"
#endif

/* What an image may leave out for room. */
#ifndef PORT_HAS_PANEL
#define PORT_HAS_PANEL 1
#endif
#ifdef NETWORK
#define PORT_HAS_W5500 1
#else
#define PORT_HAS_W5500 0
#endif

#endif
