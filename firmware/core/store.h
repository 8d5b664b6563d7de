/* What outlives power in EEPROM: program slots, boot records, calibration, retained state, journal (docs/control-program.md,
 * section 9). Every record is written beside the one it replaces and counts only with its CRC, so power may go at any
 * instant, also in the middle of a byte.
 *
 * Writes are slow (3.3 ms a byte) and never waited for: records are queued and go out byte by byte from store_idle. What
 * must be in the cells before something else happens says so. Only `port.h`'s EEPROM functions are used. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"
#include "wiring.h"

/* At boot, before anything runs: reads boot records, counts this reset, decides what runs. Waits for its one write. */
enum store_program { RUN_GOLDEN, RUN_CONFIRMED, RUN_TRIAL };
struct store_boot {
    uint8_t program;         /* enum store_program: what to run */
    uint8_t fell_back;       /* enum store_fallback: why it is not what was to run */
    uint32_t boot_counter;   /* 24 bits */
};
enum store_fallback { FELL_NOT, FELL_UNCONFIRMED, FELL_RESETS, FELL_DAMAGED, FELL_REFUSED };
struct store_boot store_open(void);

/* The program that a slot holds, for vm_load. Golden comes from flash and is not known here. */
struct code store_program_code(uint8_t program);
/* The chosen program was refused by the loader: takes the next in order trial, confirmed, golden; returns it. */
uint8_t store_refused(uint8_t program);

/* One small act at most (a byte into a ready EEPROM); true while work is left. Call it in idle slots. */
bool store_idle(void);
/* Until nothing is left to write; for a wanted reset. */
void store_flush(void);

/* A trial program arrives. Results: enum store_answer. */
enum store_answer { STORE_DONE, STORE_BUSY, STORE_NO_UPLOAD, STORE_OFFSET, STORE_TOO_LONG, STORE_PROGRAM };
uint8_t store_upload_begin(uint16_t length);
uint8_t store_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n);
/* Loader's whole check on what is in the cells; then one boot record names it. `verdict` is vm_check's, 0 when sound. The
 * caller resets the board afterwards. A trial runs `minutes` (1 to 255) unless confirmed. */
uint8_t store_upload_end(uint8_t minutes, uint8_t *verdict);
uint8_t store_confirm(void);   /* the running trial becomes the confirmed program */
uint8_t store_revert(void);    /* gives the trial up; the caller resets the board */
/* Once a minute while a trial runs; true when its time is over: the caller reverts and resets. */
bool store_minute(void);

/* Calibration: the entry that counts for an input, kind 0 without one. */
void store_correction(uint8_t input, struct correction *out);
/* Writes an entry of 14 bytes (section 8) whose CRC is right; STORE_PROGRAM when it is not sound. */
uint8_t store_calibrate(const uint8_t *entry);
/* The n-th sound entry, for the station's mirror; false behind the last. */
bool store_calibration(uint8_t n, uint8_t *entry);

/* Retained state of the running program (vm_keep's bytes), for `crc` of that program. */
bool store_retained(uint32_t crc, uint8_t *kept, uint8_t n);
void store_keep(uint32_t crc, const uint8_t *kept, uint8_t n);

/* Journal. Events carry a sequence number of 8 bits; unconfirmed ones are never overwritten, a full ring ends in a gap. */
struct event {
    uint8_t sequence;
    uint8_t code;      /* events.h */
    uint16_t argument;
    uint16_t minute;   /* UTC minute since 2000, low 16 bits; 0xFFFF with a lost clock */
};
void store_event(uint8_t code, uint16_t argument, uint16_t minute);
/* The oldest unconfirmed event at or after `from`; false when there is none. */
bool store_event_after(uint8_t from, struct event *out);
uint8_t store_newest_event(void);
/* The station has every event up to this sequence. */
void store_events_confirmed(uint8_t sequence);

#endif
