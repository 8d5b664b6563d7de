/* Local civil time by the zone section of a program (docs/control-program.md, sections 4 and 5). */
#ifndef ZONE_H
#define ZONE_H

#include <stdint.h>

#include "code.h"

struct zone {
    uint16_t at;       /* offset of the section in the program */
    uint8_t n_bytes;   /* 0 (UTC), 1 (one offset) or 8 (with daylight-saving time) */
};

struct local_time {
    uint32_t second_of_day;
    uint8_t weekday;       /* Sunday 0 */
    uint16_t day_of_year;  /* 1 January 0 */
};

/* `utc` counts seconds since 2000-01-01T00:00:00Z; all 32 bits of it do. */
void zone_local(const struct code *code, const struct zone *zone, uint32_t utc, struct local_time *out);

#endif
