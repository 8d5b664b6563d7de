/* The one TCP connection that network.c has with a station, whatever carries it: stream_w5500.c over the W5500, or a port's own (it
 * then is compiled without w5500.c, dhcp.c and stream_w5500.c). The board listens on STREAM_PORT; a second connection is not taken
 * while one stands.
 *
 * What has come is looked at first (begin_take, byte for byte, end) and only then done with (taken): what was looked at and not taken
 * is there again at the next look. What is put goes out with put. Nothing else may be called between begin and end. */
#ifndef STREAM_H
#define STREAM_H

#include <stdbool.h>
#include <stdint.h>

#define STREAM_PORT 7436u

void stream_start(void);
/* Once a second: looks after cable, chip, address. */
void stream_second(void);

/* Called in each idle slot: listens when it can. STREAM_ENDED: the other side has closed, what it sent before is still to be read. After
 * stream_hang_up, and when the address has changed or the network has gone, the connection is STREAM_NONE. */
enum stream_state { STREAM_NONE, STREAM_OPEN, STREAM_ENDED };
uint8_t stream_state(void);
void stream_hang_up(void);

/* Bytes that have come, at least up to 81 of them; 0 is none. */
uint16_t stream_received(void);
void stream_begin_take(void);
void stream_taken(uint16_t n);

/* What was put last has gone out, and a whole frame (81 bytes) finds room. */
bool stream_has_room(void);
void stream_begin_put(void);
void stream_put(uint16_t n);

/* The next byte: of a put the one to be sent, of a take the one that is given (`byte` is then 0). */
uint8_t stream_byte(uint8_t byte);
void stream_end(void);

#endif
