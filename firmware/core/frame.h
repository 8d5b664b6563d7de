/* Frames of the link (docs/link.md, section 1): byte stuffing in place, and the checksum behind a message. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

/* Takes the stuffing out of n bytes without their final 0, in place. The number of bytes that stood in it; 0 when the stuffing
 * points beyond the end. n is at most 254. */
uint8_t frame_unstuff(uint8_t *bytes, uint8_t n);

/* Stuffs bytes[1] to bytes[n], in place from bytes[0] on, and adds the final 0: n + 2 bytes to send. n is at most 253. */
uint8_t frame_stuff(uint8_t *bytes, uint8_t n);

/* CRC-16 of n bytes. Over a message and its own checksum, low byte first, it is not 0: compare. */
uint16_t frame_crc(const uint8_t *bytes, uint8_t n);

#endif
