/* What the core asks of the hardware; every port gives all of it. Nothing else in firmware/core touches a register.
 *
 * Each port also has a port_config.h beside it with its sizes:
 *   PORT_CHIP          what hello tells: 1 ATmega328P, 2 ATmega32U4, 3 ATmega2560, 4 host, 5 through the Arduino API
 *   PORT_EEPROM_BYTES  size of the EEPROM
 *   VM_POOL_BYTES      slots, cells and hands of the running program
 *   PORT_STATE_BYTES   states: 4 a number input, 1 a bit input, output, device, drive, trip, alarm, procedure
 *   PORT_WATCHED_PINS  pins whose edges are watched (infrared, pulse meters, echoes)
 *   PORT_HAS_PANEL     1: text display and infrared remote are driven; 0: left out of this image
 *   PORT_HAS_W5500     1: the W5500 is driven, or the table's entry for it means nothing here; 0: left out of this image
 * Pins are bytes as docs/firmware.md has them. A pin that the chip does not have reads low and drives nothing. */
#ifndef PORT_H
#define PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "port_config.h"

#define NO_PIN 0xFFu

/* Flash below 64 KB. The tables block begins at port_tables_at(), which is also where the runtime ends; nothing of ours
 * stands at or beyond port_flash_end(). */
uint8_t port_flash_byte(uint16_t address);
uint16_t port_tables_at(void);
uint16_t port_flash_end(void);

/* EEPROM. A read while a byte is being written waits for it (3.4 ms at most). start_write does not wait: the EEPROM must
 * be ready. A byte that already reads as the value is written all the same: after a power cut it may read right only today. */
uint8_t port_eeprom_read(uint16_t address);
bool port_eeprom_is_ready(void);
void port_eeprom_start_write(uint16_t address, uint8_t byte);

/* Time: milliseconds, and a finer stamp of 4 us for edges and durations; both wrap. They may be read from interrupts. */
uint16_t port_ms(void);
uint16_t port_stamp(void);

/* Waits that long with interrupts as they are; for pulses of a few us only. */
void port_wait_us(uint8_t us);

/* Interrupts off; what it returns puts them back as they were. */
uint8_t port_lock(void);
void port_unlock(uint8_t state);

/* Until the next interrupt, which is at most one millisecond away. */
void port_sleep(void);

/* Pins. Output sets the level before the direction, so that nothing glitches. */
void port_pin_input(uint8_t pin, bool with_pull_up);
void port_pin_output(uint8_t pin, bool is_high);
bool port_pin_is_high(uint8_t pin);

/* Edges of this pin shall call edges_changed() of drivers.h, within 100 us; false when the chip cannot. */
bool port_watch(uint8_t pin);

/* One conversion, 0.1 ms. The channel is the number of the chip's multiplexer; the reference is the supply. */
uint16_t port_adc(uint8_t channel);

/* Pulse-width modulation of 25 kHz, 1 to 999 permille of high; false when the pin has none. port_pin_output ends it. */
bool port_pwm(uint8_t pin, uint16_t permille_high);

/* A square wave on this pin (250 to 10 000 Hz) until another is asked for; 0 Hz stops it and leaves the pin's level undefined. */
void port_tone(uint8_t pin, uint16_t hz);

/* One transaction on the I2C bus as its master, 100 kHz: writes n_out bytes, then, after a repeated start, reads n_in; either
 * may be none. False when nobody answered or the bus hung: then it has been freed by nine clocks and a stop. At most
 * 0.1 ms a byte, and 2 ms when the bus hangs. */
bool port_i2c(uint8_t address, const uint8_t *out, uint8_t n_out, uint8_t *in, uint8_t n_in);

/* One-wire: reset, true when somebody is there; and a byte out, least significant bit first, which gives what stood on the
 * bus meanwhile (a read sends 0xFF). Interrupts are off for at most 75 us at a time. */
bool port_onewire_reset(uint8_t pin);
uint8_t port_onewire_byte(uint8_t pin, uint8_t byte);

/* SPI as its master, mode 0, most significant bit first; select pins are low while selected. */
void port_spi_start(uint8_t select_pin);
void port_spi_select(uint8_t select_pin, bool is_selected);
uint8_t port_spi(uint8_t byte);

/* Serial line, 115 200 baud, 8N1, by interrupts. get: -1 when nothing came. put wants room. */
int16_t port_uart_get(void);
uint8_t port_uart_room(void);
void port_uart_put(uint8_t byte);

/* Starts the clock of milliseconds, the serial line, buses and converter; pins stay as they are. */
void port_start(void);

/* Why the chip started: bits as EVENT_RESET. */
uint8_t port_reset_cause(void);

/* The watchdog's period is 2 s; it runs from the first instruction. */
void port_watchdog_kick(void);

/* Resets the chip by the watchdog; `cause` is one of the bits that a port cannot see by itself (wanted, self test). */
enum { RESET_WATCHDOG = 0x08, RESET_WANTED = 0x10, RESET_SELF_TEST = 0x20, RESET_STACK = 0x40 /* with SELF_TEST */ };
_Noreturn void port_reset(uint8_t cause);

/* The guard behind the statics is whole; and the bytes of stack never touched since boot. */
bool port_stack_is_sound(void);
uint16_t port_free_stack(void);

#endif
