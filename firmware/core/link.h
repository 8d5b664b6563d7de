/* The board's side of the link (docs/link.md): frames in and out of byte streams, requests to acts of board.h, samples and
 * events going out. A frame that is not sound changes nothing and is not answered. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

/* Two lines at most: the cable, and one network connection. */
enum link_line { LINK_CABLE, LINK_NETWORK };

/* Longest frame before stuffing, CRC included. */
#define LINK_LONGEST 72

void link_start(void);
/* One received byte. Called from the main loop, never from an interrupt. */
void link_byte(uint8_t line, uint8_t byte);
/* A network connection began or ended; a new one starts with a challenge. */
void link_connection(uint8_t line, bool is_open);
/* After the outputs of a scan are written. */
void link_scan_done(void);
/* Sends what waits as far as the line takes it (port_link_room, port_link_put); true while something waits. Call it in idle
 * slots. */
bool link_idle(void);
/* Nothing of an answer is left to send: a wanted reset may happen. */
bool link_is_quiet(void);

/* The runtime provides, for each line: free bytes of the sending buffer, and a byte into it. */
uint16_t link_room(uint8_t line);
void link_put(uint8_t line, uint8_t byte);

#endif
