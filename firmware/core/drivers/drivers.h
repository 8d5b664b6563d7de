/* The drivers: what the wiring table names, sampled between scans and latched for a scan, and outputs written after it.
 *
 * They keep no copy of the wiring table; each asks it for the entry that it serves. What they must remember of each input,
 * output and device stands in one pool (states.h). None waits, except for the bytes of a bus. */
#ifndef DRIVERS_H
#define DRIVERS_H

#include <stdbool.h>
#include <stdint.h>

/* Numbers: thermometers, analogue sums, echoes, pulses, parameters. */
void numbers_start(void);
void numbers_begin(void);    /* after a scan: conversions for the next, unless the last still run */
void numbers_idle(void);     /* one conversion, or one byte of one-wire */
bool numbers_are_read(void); /* everything begun has ended */
void numbers_latch(void);    /* into the program's inputs */

/* Thermometers on one-wire, for numbers.c. */
void thermometers_start(void);
void thermometers_begin(void);
void thermometers_idle(void);
bool thermometers_are_read(void);

/* A reading of a number input has come. */
void number_read(uint8_t input, uint16_t raw);

/* Watched pins: infrared receiver, pulse meters, echo of an ultrasonic head. */
void edges_start(void);
void edges_changed(void); /* from the port's interrupts: some watched pin may have changed */
uint16_t edges_pulses(uint8_t pin); /* since the last call */
void echo_await(uint8_t pin);
uint16_t echo_us(void);             /* 0 until it has ended */
bool infrared_frame(uint32_t *frame);

/* Contacts, buttons, keys. `device` takes the first samples of its lines as they are: all of them with EVERY_DEVICE. */
enum { NO_DEVICE = 0xFF, EVERY_DEVICE = 0xFE };
void bits_start(void);
void bits_sample(uint8_t device); /* each 5 ms */
void bits_key(uint32_t code);     /* a key of the remote */
void bits_latch(void);

/* Outputs. */
void outputs_start(void); /* all to their safe state, at once */
void outputs_write(void); /* after a scan: off at once, on one by one; then read back */
void outputs_idle(void);  /* the next that goes on, and the buzzer */
bool outputs_follow(void);
/* Whether the line of this output shall be high, ON bit and doubt considered. */
bool output_is_high(uint8_t output, bool active_low, bool on_when_safe);
/* What was read back; counts, and tells when it is the third time. */
void output_checked(uint8_t output, bool follows);

/* Expanders. Lines are bits, line 0 lowest. */
void expander_refresh(uint8_t device, bool is_checked);
bool expander_lines(uint8_t device, uint16_t *lines);
void expanders_write(bool are_checked);

/* Whether a device answered; three times in a row not is lost. */
void device_heard(uint8_t device, bool is_heard);
bool device_is_lost(uint8_t device);
bool devices_answer(void);

/* Clock: UTC seconds, from the part on the bus, or kept by the tick after it has been set. */
void clock_start(void);
void clock_latch(void);
uint32_t clock_utc(uint8_t *quality);
uint16_t clock_minute(void);
bool clock_set(uint32_t utc_s);

/* Text display: one character, or one act of its start, each 4 ms. */
void display_start(void);
void display_idle(void);

#endif
