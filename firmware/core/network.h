/* The link over a network (docs/link.md, section 6): a session over the one connection of stream.h. Compiled in with NETWORK; does
 * nothing while nobody connects.
 *
 * A received frame takes up to 17 ms at 16 MHz, for it is opened and its answer sealed (ascon.h); a record's part takes up to 9 ms.
 * Everything else is below 1 ms, but for the packets of dhcp.h: 2 ms. */
#ifndef NETWORK_H
#define NETWORK_H

#include <stdbool.h>

void network_start(void);

/* One step; true when a frame was received and answered. Uses the link's buffer, which must be free. */
bool network_idle(void);

/* A session stands and takes another frame. */
bool network_has_room(void);

/* Seals the message in the link's buffer and sends it; only when there is room. */
void network_send(void);

/* The key is another one now: what was opened with the old one ends. */
void network_key_changed(void);

#endif
