/* The link's one buffer for what goes out (and, on the network, for what came in), shared by link.c, link_record.c and
 * network.c. Nobody else includes this.
 *
 * Contract: bytes are appended from link_buffer[1] on; link_buffer[0] is the room that stuffing needs. link_n is where the next one
 * goes; 0 while nothing is in it. Messages never exceed LINK_MESSAGE: those who append know how much they append. */
#ifndef LINK_OUT_H
#define LINK_OUT_H

#include <stdbool.h>
#include <stdint.h>

#include "link.h"

/* First byte of stuffing, message, tail, final 0. On the network the longest is what a station's first frame brings. */
#ifdef NETWORK
#define LINK_BUFFER (1u + 7u + LINK_MESSAGE + 16u + 1u)
#else
#define LINK_BUFFER (1u + LINK_MESSAGE + 2u + 1u)
#endif

enum message {
    HELLO = 0x01,
    SUBSCRIBE,
    EVENTS,
    ACKNOWLEDGE,
    HAND,
    RESET_TRIP,
    PROCEDURE,
    CLOCK,
    SET_CLOCK,
    CALIBRATION,
    CALIBRATE,
    LEARN_KEY,
    RAW,
    UPLOAD,
    CHUNK,
    UPLOAD_END,
    CONFIRM,
    REVERT,
    RESTART,
    SET_KEY,
    RECORD = 0x40,
    CHALLENGE,
    IS_ANSWER = 0x80
};
#define LINK_PROTOCOL 1u

extern uint8_t link_buffer[LINK_BUFFER];
extern uint8_t link_n;

void link_put8(uint8_t value);
void link_put16(uint16_t value);
void link_put32(uint32_t value);

/* link_record.c: a subscription, and the next part of the record in progress; false when there is none. */
void record_start(void);
void record_subscribe(uint8_t line, uint8_t sections, uint8_t every);
bool record_part(void);
/* The line that the records go to. */
uint8_t record_line(void);
void record_line_closed(uint8_t line);

/* link.c, for network.c: carries out the request of n bytes and leaves its answer in link_buffer, whence the request may have
 * come; and forgets what was done last on that line. */
void link_carry_out(uint8_t line, const uint8_t *request, uint8_t n);
void link_forget(uint8_t line);

#endif
