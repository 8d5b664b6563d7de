/* Frames of the link: stuffing and unstuffing go over the bytes once and need no second buffer. */
#include "frame.h"

#include "code.h"

uint8_t frame_unstuff(uint8_t *bytes, uint8_t n)
{
    uint8_t in = 0;
    uint8_t out = 0;
    while (in < n) {
        uint8_t run = bytes[in++];
        while (--run != 0) {
            if (in >= n) {
                return 0;
            }
            bytes[out++] = bytes[in++];
        }
        if (in < n) {
            bytes[out++] = 0;
        }
    }
    return out;
}

uint8_t frame_stuff(uint8_t *bytes, uint8_t n)
{
    uint8_t run_at = 0;
    uint8_t at = 1;
    for (; at <= n; at++) {
        if (bytes[at] == 0) {
            bytes[run_at] = (uint8_t)(at - run_at);
            run_at = at;
        }
    }
    bytes[run_at] = (uint8_t)(at - run_at);
    bytes[at++] = 0;
    return at;
}

uint16_t frame_crc(const uint8_t *bytes, uint8_t n)
{
    uint16_t crc = CRC16_START;
    while (n-- != 0) {
        crc = crc16_add(crc, *bytes++);
    }
    return crc;
}
