/* Local civil time by the zone section of a program (docs/control-program.md, sections 4 and 5), for an operation that is run now. */
#ifndef ZONE_H
#define ZONE_H

#include <stdint.h>

struct zone {
    uint16_t at;       /* offset of the section in the program */
    uint8_t n_bytes;   /* 0 (UTC), 1 (one offset) or 8 (with daylight-saving time) */
};

/* Minutes since 2000-01-01 that are given to zone_offset begin here: all counts are from 1998-01-01, so that no day of a change that
 * matters is negative. */
#define ZONE_MINUTES_BEFORE (INT32_C(730) * 1440)

/* Minutes of V0 in UTC; V2 becomes the offset of local time in minutes. Y is 1440, C0 is 0. */
void zone_offset(void);

/* Of a day since 1998-01-01; 1 January is 0. */
uint16_t zone_day_of_year(uint16_t day);

#endif
