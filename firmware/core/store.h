/* What outlives power in EEPROM: program slots, boot records, calibration, learned keys, network key, retained state, journal
 * (docs/control-program.md, section 9). Every record is written beside the one it replaces and counts only with its CRC, so power
 * may go at any instant, also in the middle of a byte.
 *
 * Writes are slow (3.4 ms a byte) and not waited for: one record at a time goes out byte by byte from store_idle; what waits
 * says so. STORE_BUSY means: not yet; ask the same again. STORE_DONE of what changes the cells is only said when it stands in
 * them, save where a comment says otherwise. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"
#include "wiring.h"

enum store_answer {
    STORE_DONE,
    STORE_BUSY,      /* the cells take something else just now: ask the same again */
    STORE_NO_UPLOAD, /* a chunk or an end without a beginning */
    STORE_OFFSET,    /* not the next chunk, or the end before the last; also an empty chunk or one above STORE_CHUNK */
    STORE_TOO_LONG,  /* more than a program slot holds, or than was announced */
    STORE_PROGRAM,   /* the loader refuses it, or an entry is not sound or not the next of its input */
    STORE_TRIAL,     /* a trial runs: confirm or revert it first. For confirm and revert: none runs */
    STORE_FULL,      /* no place left for the calibration of one more input: forget one first */
    STORE_WORN       /* the cells do not take it any more: the chip must be replaced */
};

/* What runs, and why it is not what was to run: the latest reason, until another program is confirmed or named a trial. */
enum store_program { RUN_GOLDEN, RUN_CONFIRMED, RUN_TRIAL };
enum store_fallback {
    FELL_NOT,
    FELL_UNCONFIRMED, /* the trial's time was over */
    FELL_RESETS,      /* three resets in a row during the trial */
    FELL_DAMAGED,     /* bytes of the program have changed */
    FELL_REFUSED,     /* the loader refuses it: compiled for another wiring table, or for a larger board */
    FELL_FLASHED,     /* another golden program was flashed since; what belonged to the one before is given up */
    FELL_REVERTED     /* a person gave the trial up */
};

/* At boot, before anything runs: reads the boot records, counts this boot, says what to load. `golden`: low 16 bits of the CRC-32 of
 * the golden program in flash, 0 when flash is not sound: then nothing is given up for another's sake. Waits for its record (40 ms) when a
 * trial is concerned. */
uint8_t store_open(uint16_t golden);
/* The loader refused what was to run, with this enum vm_verdict: the next in order trial, confirmed, golden. Waits as store_open. */
uint8_t store_refused(uint8_t verdict);
uint8_t store_running(void);         /* enum store_program */
uint8_t store_fell_back(void);       /* enum store_fallback */
/* Boots so far, this one included, 24 bits. A boot stands in the cells once it has lasted a minute, runs a trial or was asked for
 * the network key: one that ended sooner is not counted, so that a board that resets again and again does not wear its cells. */
uint32_t store_boot_counter(void);

/* The program in a slot, for vm_load: RUN_CONFIRMED or RUN_TRIAL. Golden comes from flash and is not known here. */
struct code store_program_code(uint8_t program);

/* One small act at most (a byte into a ready EEPROM); true while work is left. Call it in idle slots, after a scan. */
bool store_idle(void);
/* Until nothing is left to write (up to 1 s); for a wanted reset. */
void store_flush(void);
/* Once a minute while anything runs; true when the trial's time is over: the caller reverts and resets. */
bool store_minute(void);

/* A trial program arrives in chunks of 1 to STORE_CHUNK bytes, in order; the last one may be repeated. DONE of a chunk: taken. */
#define STORE_CHUNK 24
uint8_t store_upload_begin(uint16_t length);
uint8_t store_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n);
/* Loader's whole check on what is in the cells; then one boot record names it (waits, 40 ms). `verdict` is vm_check's, VM_MEMORY
 * also when two of its retained records do not fit. The caller resets the board afterwards. A trial runs `minutes` (1 to 255)
 * unless confirmed. */
uint8_t store_upload_end(uint8_t minutes, uint8_t *verdict);
uint8_t store_confirm(void);         /* the running trial becomes the confirmed program; waits, 40 ms (up to 150 ms when busy) */
uint8_t store_revert(uint8_t why);   /* gives the trial up, FELL_UNCONFIRMED or FELL_REVERTED; waits too; the caller resets */

/* Calibration: the entry that counts for an input, kind 0 without one. Cheap: once an input and scan. */
void store_correction(uint8_t input, struct correction *out);
/* An entry of 14 bytes (section 8) with a right CRC and the next sequence of its input; kind 0 forgets the input's. */
uint8_t store_calibrate(const uint8_t *entry);
/* The n-th entry that counts, for the station's mirror; false behind the last. */
bool store_calibration(uint8_t n, uint8_t *entry);

/* Learned remote keys: address | command << 16, as panel_code has it; STORE_NO_KEY when none was learned. */
#define STORE_NO_KEY 0xFFFFFFFFu
uint32_t store_key_code(uint8_t key);
/* DONE: taken, and written from now on; waits (85 ms) when the cells are busy. Command 0xFF cannot be learned (STORE_PROGRAM). A
 * key of another remote makes the others of its group of six forget theirs: a group has one address. */
uint8_t store_learn(uint8_t key, uint32_t code);

/* Network key, 16 bytes; sixteen zeros are none. False without one, and until this boot's number stands in the cells: ask at each
 * connection. A key that is being set over the one before counts only when whole: power cut meanwhile leaves none. A boot that finds no
 * boot record forgets the key, for the counter begins anew. */
bool store_key(uint8_t *key);
uint8_t store_set_key(const uint8_t *key);

/* Retained state of the running program. False: nothing is kept for it; `other` then is the low half of the CRC of the program whose
 * stands in its place, 0xFFFF for one that kept less or more, 0 for none. */
bool store_retained(uint16_t *other);
/* It has changed and shall be kept: once now, however often it is said before the next idle slots. */
void store_keep(void);

/* Journal. Events carry a sequence number of 8 bits; unconfirmed ones are never overwritten: what finds no room is counted in an
 * EVENT_GAP that follows (255: so many or more). Up to six wait in memory. */
struct event {
    uint8_t sequence;
    uint8_t code;      /* events.h */
    uint16_t argument;
    uint16_t minute;   /* UTC minute since 2000, low 16 bits; 0xFFFF with a lost clock */
};
void store_event(uint8_t code, uint16_t argument, uint16_t minute);
/* The oldest unconfirmed event in the cells at or after `from`; false when there is none. */
bool store_event_after(uint8_t from, struct event *out);
uint8_t store_newest_event(void);    /* sequence of the newest in the cells */
uint8_t store_confirmed_event(void); /* up to which the station has them */
/* The station has every event up to this sequence. */
void store_events_confirmed(uint8_t sequence);

#endif
