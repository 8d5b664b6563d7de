/* Where what stands in EEPROM, for each size of EEPROM; also in docs/control-program.md, section 9, and in
 * crates/program/src/eeprom.rs: change all three. */
#ifndef STORE_MAP_H
#define STORE_MAP_H

#include "port.h"

#define MAP_VERSION 1u

#if PORT_EEPROM_BYTES >= 4096
#define MAP_SLOT 1150u      /* bytes of a program slot */
#define MAP_ENTRIES 50u     /* places for calibration and learned keys */
#define MAP_KEPT 255u       /* bytes of retained state beside each slot */
#define MAP_EVENTS 64u      /* places of the journal */
#define MAP_KEPT_LONGEST 127u
#elif PORT_EEPROM_BYTES >= 1024
#define MAP_SLOT 320u
#define MAP_ENTRIES 9u
#define MAP_KEPT 51u
#define MAP_EVENTS 12u
#define MAP_KEPT_LONGEST 25u /* the longest record of which two fit */
#else
#error "a board needs 1024 bytes of EEPROM at least"
#endif

#define BOOT_BYTES 8u       /* without the CRC, as all below but entries */
#define BOOT_RECORDS 3u
#define ENTRY_BYTES 14u     /* with it */
#define EVENT_BYTES 6u
#define MARK_BYTES 3u
#define KEY_BYTES 16u

#define AT_VERSION 0u
#define AT_SLOTS 2u
#define AT_BOOT (AT_SLOTS + 2u * MAP_SLOT)
#define AT_ENTRIES (AT_BOOT + BOOT_RECORDS * (BOOT_BYTES + 2u))
#define AT_KEPT (AT_ENTRIES + MAP_ENTRIES * ENTRY_BYTES)
#define AT_EVENTS (AT_KEPT + 2u * MAP_KEPT)
#define AT_MARKS (AT_EVENTS + MAP_EVENTS * (EVENT_BYTES + 2u))
#define AT_KEY (AT_MARKS + 2u * (MARK_BYTES + 2u))
#define MAP_END (AT_KEY + KEY_BYTES + 2u)

_Static_assert(MAP_END <= PORT_EEPROM_BYTES, "the map is longer than the EEPROM");

#endif
