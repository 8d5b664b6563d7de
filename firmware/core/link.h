/* The board's side of the link (docs/link.md): frames in and out, requests to acts of board.h, samples and events going out.
 * A frame that is not sound changes nothing and is not answered.
 *
 * Contract: everything here runs in the main loop, never in an interrupt. The cable is port.h's serial line, which nothing
 * else reads or writes; the network (compiled in with NETWORK) is network.h. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

/* Two lines at most. */
enum link_line { LINK_CABLE, LINK_NETWORK };

/* Longest message: type, number of the request and what belongs to it. A frame is at most 72 bytes before stuffing, and the
 * longest tail is the tag of a sealed one (16); the cable has the same limit so that one program serves both. */
#define LINK_MESSAGE 56u

/* Commands of people that one scan can take; the next is answered BUSY. */
#define LINK_COMMANDS 3u

void link_start(void);

/* After the outputs of a scan are written. The record of the scan goes out until the next call; what is not out by then is
 * dropped. */
void link_scan_done(void);

/* Takes received bytes, carries out at most one request, sends what waits as far as the line takes it. Call it in idle slots;
 * true while something waits to be sent. At most 0.3 ms on a cable; a sealed network frame takes the time that network.h says. */
bool link_idle(void);

/* Nothing of an answer is left to send: a wanted reset may happen. */
bool link_is_quiet(void);

/* Commands of a scan belong to its inputs, so the record of a scan carries them, whoever gave them. The runtime asks first
 * whether there is room (else BUSY), and tells after the program has taken the command. */
enum link_command { LINK_HAND = 1, LINK_RESET_TRIP, LINK_PROCEDURE };
bool link_has_room(void);
void link_command(uint8_t kind, uint8_t part, int16_t value, uint32_t time_ms);

#endif
