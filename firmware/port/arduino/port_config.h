/* Sizes of the port through the Arduino API, by the memory of the chip; what they mean stands in port.h. */
#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

/* Chips with a radio answer over it, too (stream_wifi.cpp). */
#if defined(ARDUINO_ARCH_ESP32) || defined(ARDUINO_ARCH_ESP8266) || defined(ARDUINO_RASPBERRY_PI_PICO_W)
#define NETWORK
#endif

/* What the board calls itself in *hello* (docs/link.md). */
#define PORT_CHIP 5

/* Chips of the AVR family with 2 to 8 KB, and everything else, which has more. EEPROM of what emulates it in flash is 1 KB. */
#if defined(__AVR__)
#include <avr/io.h>
#define PORT_EEPROM_BYTES (E2END + 1)
#if RAMEND >= 0x1FFF
#define VM_POOL_BYTES 2048
#define PORT_STATE_BYTES 512
#else
#define VM_POOL_BYTES 520
#define PORT_STATE_BYTES 112
#endif
#define PORT_WATCHED_PINS 4
#else
#define PORT_EEPROM_BYTES 1024
#define VM_POOL_BYTES 8192
#define PORT_STATE_BYTES 1024
#define PORT_WATCHED_PINS 8
#endif
#define PORT_HAS_PANEL 1
#define PORT_HAS_W5500 0

#endif
