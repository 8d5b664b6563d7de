/* Records on their way into the EEPROM, for the parts of the store and for nobody else: one at a time, byte by byte. */
#ifndef CELLS_H
#define CELLS_H

#include <stdbool.h>
#include <stdint.h>

#include "store_map.h"

enum cells_job {
    JOB_NONE,
    JOB_PLAIN, /* bytes without a CRC of their own: a chunk, the network key */
    JOB_BLANK,
    JOB_BOOT,
    JOB_KEPT,
    JOB_EVENT,
    JOB_MARK,
    JOB_ENTRY
};

/* What is being written; free for anybody while nothing is. */
extern uint8_t cells_record[MAP_KEPT_LONGEST];

bool cells_are_busy(void);
/* Until nothing is on its way; what waits behind it may then be on its way. */
void cells_wait(void);

/* Appends the CRC to n bytes of the record. */
void cells_seal(uint8_t n);
/* Sends n bytes of the record; nothing else may be on its way. */
void cells_begin(uint8_t job, uint16_t at, uint8_t n);
/* Makes n cells 0xFF. */
void cells_blank(uint16_t at, uint8_t n);

enum cells_state { CELLS_IDLE, CELLS_WRITING, CELLS_WRITTEN, CELLS_FAILED };
/* One act. WRITTEN and FAILED name in `job` what has ended; a record that fails is to be tried in another place: after four in a row
 * it is called written, or a worn part would be written for ever. */
uint8_t cells_step(uint8_t *job);

/* n bytes at `at`, followed by their CRC. */
bool cells_are_sound(uint16_t at, uint8_t n);
void cells_read(uint16_t at, uint8_t *out, uint8_t n);

/* Sequence numbers of 8 bits, no more than 127 apart. */
static inline bool is_later(uint8_t one, uint8_t other)
{
    return (int8_t)(uint8_t)(one - other) > 0;
}

/* The parts: at boot; the next record of this part, if one waits; its end. */
void journal_open(void);
void journal_minute(void);
bool journal_next(void);
void journal_written(uint8_t job, bool is_sound);
bool kept_next(void);
void kept_failed(void);
void entry_written(void);

/* Which of the two slots the running program belongs to, and its retained state with it. */
uint8_t store_slot(void);

#ifdef PORT_HOST
/* All statics of the store as the chip finds them after a reset. */
void store_power_up(void);
void cells_power_up(void);
void journal_power_up(void);
void kept_power_up(void);
#endif

#endif
