/* What the link may ask of the runtime: the one place where words from outside become acts. Every answer is given by what
 * was really done. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* Answer to a request; also in docs/link.md: change both. */
enum answer {
    ANSWER_DONE,
    ANSWER_NO_SUCH_PART,   /* no such drive, trip, procedure, input, key */
    ANSWER_BAD_VALUE,      /* out of range or malformed */
    ANSWER_BUSY,           /* storage still writes: ask again */
    ANSWER_REFUSED,        /* a permissive or a trip stands against it: see the drive's state; of a clock: its part did not take it */
    ANSWER_NO_UPLOAD,      /* chunk or end without a beginning, or at the wrong place */
    ANSWER_PROGRAM,        /* the loader refuses it; the detail is enum vm_verdict */
    ANSWER_UNKNOWN,        /* message of a later protocol */
    ANSWER_NOT_ALLOWED,    /* only over the cable */
    ANSWER_TRIAL,          /* a trial runs: confirm or revert it first; of confirm and revert: none runs */
    ANSWER_FULL,           /* no place left for a calibration of a further input */
    ANSWER_WORN            /* the cells do not take it any more: the chip must be replaced */
};

/* Running numbers for hello and samples. */
uint32_t board_scan_number(void);      /* scans since boot: 1 after the first */
uint32_t board_skipped_scans(void);
uint32_t board_clock(uint8_t *quality); /* as the last scan had it, GOOD or BAD */
uint8_t board_reset_cause(void);       /* bits as EVENT_RESET */
uint8_t board_program(void);           /* enum store_program that runs */
uint8_t board_fallback(void);          /* enum store_fallback */
uint32_t board_boot_counter(void);
uint16_t board_longest_scan_ticks(void); /* longest time of a scan, in 64 us */
uint16_t board_free_stack(void);       /* bytes never touched */
int32_t board_raw(uint8_t number_input); /* last raw code, for calibration; 0 beyond the last input */

/* Acts; they return enum answer. Those of people are latched for the next scan and told to link.h: link_has_room() first, else
 * ANSWER_BUSY; then the program takes the command; then link_command(). A remote's key goes the same way.
 *
 * Hand is refused, and not latched, when in the last scan a permissive or a trip decided over this drive and its output is not
 * what is asked for. Giving back (0 ms) is never refused. A trip's reset is refused while it does not stand. */
uint8_t board_hand(uint8_t drive, int16_t value, uint32_t time_ms);
uint8_t board_reset_trip(uint8_t trip);
uint8_t board_procedure(uint8_t procedure, uint8_t command);
uint8_t board_set_clock(uint32_t utc_s);
uint8_t board_calibrate(const uint8_t *entry);
uint8_t board_learn_key(uint8_t key); /* the next code received is this key of the table; 0xFF ends learning */
uint8_t board_upload_begin(uint16_t length);
uint8_t board_upload_chunk(uint16_t offset, const uint8_t *bytes, uint8_t n);
/* These three answer, and reset the board when link_is_quiet(), 200 ms later at the latest. */
uint8_t board_upload_end(uint8_t minutes, uint8_t *verdict);
uint8_t board_revert(void);
uint8_t board_restart(void);
uint8_t board_confirm(void);
uint8_t board_set_key(const uint8_t *key); /* the network's, 16 bytes; the link asks for it over the cable only */

#endif
