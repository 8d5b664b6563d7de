/* Records on their way into the EEPROM, for the parts of the store and for nobody else: one at a time, byte by byte. */
#ifndef CELLS_H
#define CELLS_H

#include <stdbool.h>
#include <stdint.h>

#include "store_map.h"

enum cells_job {
    JOB_NONE,
    JOB_PLAIN, /* a chunk, the network key */
    JOB_BLANK,
    JOB_BOOT,
    JOB_KEPT,
    JOB_EVENT,
    JOB_MARK,
    JOB_ENTRY
};

/* What is being written; free for anybody while nothing is. */
extern uint8_t cells_record[MAP_KEPT_LONGEST];

/* What is on its way. */
uint8_t cells_job(void);
static inline bool cells_are_busy(void)
{
    return cells_job() != JOB_NONE;
}
/* Until nothing is, nor waits. */
void cells_wait(void);

/* Appends the CRC to n bytes of the record. */
void cells_seal(uint8_t n);
/* Sends n bytes of the record; nothing else may be on its way. */
void cells_begin(uint8_t job, uint16_t at, uint8_t n);
/* Makes n cells 0xFF. */
void cells_blank(uint16_t at, uint8_t n);

enum cells_state { CELLS_IDLE, CELLS_WRITING, CELLS_WRITTEN, CELLS_FAILED, CELLS_WORN };
/* One act. The last three name in `job` what has ended: it stands in the cells; it does not, and is to be tried in another place; it
 * does not, for the fourth time in a row, and is given up, or a worn part would be written for ever. */
uint8_t cells_step(uint8_t *job);

uint16_t cells_u16(uint16_t at);
/* Whether n bytes are followed by their CRC; they go to `out`, unless that is null. A cell that was cut may read differently each
 * time: only what was read here was checked. */
bool cells_take(uint16_t at, uint8_t *out, uint8_t n);

/* Sequence numbers of 8 bits, no more than 127 apart. */
static inline bool is_later(uint8_t one, uint8_t other)
{
    return (int8_t)(uint8_t)(one - other) > 0;
}

/* A ring of places of n bytes, the CRC included. Records begin with a sequence number and are written in the order of their places. */
struct ring {
    uint8_t place, sequence; /* of the newest */
};
/* The newest sound record of a ring, if there is one, goes into cells_record, which must be free; the ring is at its beginning
 * otherwise. */
bool ring_find(struct ring *ring, uint16_t at, uint8_t n, uint8_t n_places);
/* Numbers and seals what stands in the record behind its first byte, and sends it to the next place. */
void ring_put(struct ring *ring, uint8_t job, uint16_t at, uint8_t n, uint8_t n_places);

/* The parts: at boot; the next record of this part, if one waits; its end. */
void journal_open(void);
bool journal_next(void);
void journal_written(uint8_t job, bool again);
bool kept_next(void);
void entries_open(void);
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
