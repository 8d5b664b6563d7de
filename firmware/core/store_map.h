/* Where what stands in EEPROM, for each size of EEPROM; also in docs/control-program.md, section 9, and in
 * crates/program/src/eeprom.rs: change all three. */
#ifndef STORE_MAP_H
#define STORE_MAP_H

#include "port.h"

#define MAP_VERSION 1

#if PORT_EEPROM_BYTES >= 4096
#define MAP_SLOT 1150      /* bytes of a program slot */
#define MAP_ENTRIES 50     /* places for calibration and learned keys */
#define MAP_KEPT 255       /* bytes of retained state beside each slot */
#define MAP_EVENTS 64      /* places of the journal */
#define MAP_KEPT_LONGEST 127
#elif PORT_EEPROM_BYTES >= 1024
#define MAP_SLOT 320
#define MAP_ENTRIES 9
#define MAP_KEPT 51
#define MAP_EVENTS 12
#define MAP_KEPT_LONGEST 25 /* the longest record of which two fit */
#else
#error "a board needs 1024 bytes of EEPROM at least"
#endif

#define BOOT_BYTES 8       /* without the CRC */
#define BOOT_RECORDS 3
#define ENTRY_BYTES 14     /* with it */
#define EVENT_BYTES 6
#define MARK_BYTES 2
#define KEY_BYTES 16

#define AT_VERSION 0
#define AT_SLOTS 2
#define AT_BOOT (AT_SLOTS + 2 * MAP_SLOT)
#define AT_ENTRIES (AT_BOOT + BOOT_RECORDS * (BOOT_BYTES + 2))
#define AT_KEPT (AT_ENTRIES + MAP_ENTRIES * ENTRY_BYTES)
#define AT_EVENTS (AT_KEPT + 2 * MAP_KEPT)
#define AT_MARKS (AT_EVENTS + MAP_EVENTS * (EVENT_BYTES + 2))
#define AT_KEY (AT_MARKS + 2 * (MARK_BYTES + 2))
#define MAP_END (AT_KEY + KEY_BYTES + 2)

_Static_assert(MAP_END <= PORT_EEPROM_BYTES, "the map is longer than the EEPROM");

#endif
