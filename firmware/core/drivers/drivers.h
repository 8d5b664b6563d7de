/* The drivers: what the wiring table names, sampled between scans and latched for a scan, and outputs written after it.
 *
 * They keep no copy of the wiring table; each asks it for the entry that it serves. What they must remember of each input,
 * output and device stands in one pool (states.h). None waits, except for the bytes of a bus. All run in the main loop,
 * except edges_changed. */
#ifndef DRIVERS_H
#define DRIVERS_H

#include <stdbool.h>
#include <stdint.h>

#include "wiring.h"

/* Numbers: thermometers, analogue sums, echoes, pulses, parameters. */
void numbers_start(void);
void numbers_begin(void);    /* after a scan: conversions for the next, unless the last still run */
void numbers_idle(void);     /* each ms: one conversion, and one byte of one-wire */
bool numbers_are_read(void); /* everything begun has ended */
void numbers_latch(void);    /* into the program's inputs */

/* A reading of a number input has come. */
void number_read(uint8_t input, uint16_t raw);
/* The entry of the input asked for last. */
extern struct number_entry number;
void number_ask(uint8_t input);

/* Thermometers on one-wire, for numbers.c. */
void thermometers_start(void);
void thermometers_begin(void);
void thermometers_idle(void);
bool thermometers_are_read(void);

/* Watched pins: infrared receiver, pulse meters, echo of an ultrasonic head. */
enum watched_kind { WATCH_PULSES, WATCH_ECHO, WATCH_REMOTE };
void edges_start(void);
void edges_watch(uint8_t pin, uint8_t kind); /* makes it an input, too */
void edges_changed(void);                    /* from the port's interrupts: some watched pin may have changed */
uint16_t edges_pulses(uint8_t pin);          /* since the last call; an echo's length in stamps, 0 until it has ended */
bool infrared_frame(uint32_t *bits);

/* Contacts, buttons, keys. Lines of a device that has just come back (`first_of`) are taken as they are, without debounce. */
enum { NO_DEVICE = 0xFF, EVERY_DEVICE = 0xFE };
void bits_start(void);
void bits_sample(uint8_t first_of); /* each 5 ms */
void bits_key(uint32_t code);       /* a key of the remote */
void bits_latch(void);

/* Outputs. */
void outputs_start(void); /* all to their safe state, at once */
void outputs_write(void); /* after a scan: off at once, on one by one; all read back */
void outputs_idle(void);  /* each ms: the next that goes on, and the buzzer */
bool outputs_follow(void);
bool output_is_buzzer(uint8_t output);

/* Devices on the bus. `device` is the entry of the one asked for last, `bus` what goes out, `bus_in` what comes in. */
extern struct device_entry device;
enum { BUS_OUT = 8, BUS_IN = 16 };
extern uint8_t bus[BUS_OUT + BUS_IN];
#define bus_in (bus + BUS_OUT)
void device_ask(uint8_t number);
uint8_t device_find(uint8_t first_kind, uint8_t last_kind); /* the first of these kinds, asked; n_devices without one */
bool bus_do(uint8_t n_out, uint8_t n_in);
/* Whether a device answered; three times in a row not is lost. */
void device_heard(uint8_t number, bool is_heard);
bool device_is_lost(uint8_t number);
bool devices_answer(void);

/* Expanders: lines are bits, line 0 lowest. Write gives all that the device must hold, and reads its lines back. */
extern uint16_t lines_heard;
bool expander_lines(uint8_t number);
bool expander_write(uint16_t outputs, uint16_t high);
/* Makes inputs of all lines of whatever may be an expander on the bus; for a board that does not know its own. */
void expanders_release(void);

/* Clock: UTC seconds, from the part on the bus, or kept by the tick after it has been set. */
void clock_start(void);
void clock_idle(void); /* each ms */
void clock_latch(void);
uint32_t clock_utc(uint8_t *quality);
uint16_t clock_minute(void);
/* An answer of board.h; REFUSED when the part did not take it, and then nothing has changed. */
uint8_t clock_set(uint32_t utc_s);

/* Text display: one character, or one act of its start, each 5 ms. */
void display_start(void);
void display_idle(void);

/* The millisecond of this round of the main loop; and whether so many have passed since, which then moves on by as many, or to
 * now if that is still longer ago. */
extern uint16_t now_ms;
bool have_passed(uint16_t *since, uint16_t ms);

#endif
