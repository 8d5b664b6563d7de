/* The panel: what a text display shows, what the keys of a remote do, how the buzzer sounds. All of it stands in the panel
 * table in flash (docs/panel.md), read in place; nothing here touches hardware.
 *
 * The runtime calls panel_open at boot, panel_tick each 50 ms, panel_scan after each scan, panel_key with the code of each
 * frame that the infrared receiver gives, and asks panel_char and panel_tone whenever it likes. Acts of keys go through board.h. */
#ifndef PANEL_H
#define PANEL_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"

#define PANEL_TICK_MS 50

/* Opens and checks the table; false leaves no panel: a blank display, no keys, the buzzer silent. Call it after vm_load, and
 * again when another program has been loaded. */
bool panel_open(const struct code *code);

/* Pages, echo, silence, the walk of long sentences and the phase of the buzzer. */
void panel_tick(void);

/* Looks at alarms and procedures; a new alarm brings its sentence up and ends a silence. */
void panel_scan(void);

/* The character of the HD44780 (code page A00) that belongs to this place now. Any place may be asked, in any order; cheap
 * enough for one or several in an idle slot. */
uint8_t panel_char(uint8_t row, uint8_t column);

/* What the buzzer does now: a frequency in Hz, 0 for silence. */
uint16_t panel_tone(void);

/* What the board itself doubts, shown and sounded above all alarms; PANEL_SURE ends it. The runtime keeps it up to date. */
enum panel_doubt {
    PANEL_SURE,
    PANEL_OUTPUT,    /* an output does not follow */
    PANEL_SELF_TEST, /* the last reset was by the watchdog or a self test */
    PANEL_DEVICE,    /* an expander, clock or display does not answer */
    PANEL_PROGRAM,   /* another program runs than the one that was to */
    PANEL_DOUBTS
};
void panel_doubt(uint8_t doubt);

/* Silences the buzzer for so many seconds, 0 ends it; a new alarm ends it too. For a key, and for board_hand when it names the
 * buzzer's output and that output is no drive of the program. */
void panel_silence(uint16_t time_s);

/* Code of a key from the 32 bits of a NEC frame, first received bit lowest: address (16 bits, extended or not) | command << 16.
 * PANEL_NO_CODE when the inverse of the command is wrong. Key inputs of the wiring table hold the same form. */
#define PANEL_NO_CODE 0xFFFFFFFFu
uint32_t panel_code(uint32_t frame);

/* A code was received (never a repeat: a key acts once). Acts through board_hand, board_reset_trip and board_procedure: a hand
 * event that they raise during this call is by remote key. Returns the key, PANEL_NO_KEY when none has this code. While a key
 * is learned, the code becomes that key's (store_learn) and nothing acts. */
#define PANEL_NO_KEY 0xFF
uint8_t panel_key(uint32_t code);

/* The next code received within 30 s is this key's; PANEL_NO_KEY ends learning. False when there is no such key, or nowhere
 * to keep it. */
bool panel_learn(uint8_t key);

#endif
