/* What both fuzzers share: a generator, and frames and their checksum written apart from frame.c. */
#ifndef FUZZ_TOOLS_H
#define FUZZ_TOOLS_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define LONGEST 56u
#define BATCH 512u

static uint64_t state;

/* xorshift64* (Vigna 2016). */
static uint32_t draw(void)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)((state * 2685821657736338717ull) >> 32);
}

static uint32_t below(uint32_t n)
{
    return (uint32_t)(((uint64_t)draw() * n) >> 32);
}

/* CRC-16 by the remainder of one byte at a time, as a table of the polynomial's multiples: another way than the runtime's. */
static uint16_t table[256];

static void make_table(void)
{
    for (uint32_t byte = 0; byte < 256; byte++) {
        uint32_t word = byte << 8;
        for (int n = 0; n < 8; n++) {
            word = (word << 1) ^ ((word & 0x8000u) != 0 ? 0x11021u : 0u);
        }
        table[byte] = (uint16_t)word;
    }
}

static uint16_t checksum(const uint8_t *bytes, size_t n)
{
    uint16_t crc = 0xFFFF;
    for (size_t at = 0; at < n; at++) {
        crc = (uint16_t)(crc << 8 ^ table[(crc >> 8 ^ bytes[at]) & 0xFF]);
    }
    return crc;
}

/* Stuffs n bytes and ends them with 0: the number of bytes. */
static size_t stuff(const uint8_t *plain, size_t n, uint8_t *frame)
{
    size_t code = 0;
    size_t out = 1;
    for (size_t at = 0; at < n; at++) {
        if (plain[at] == 0) {
            frame[code] = (uint8_t)(out - code);
            code = out++;
        } else {
            frame[out++] = plain[at];
        }
    }
    frame[code] = (uint8_t)(out - code);
    frame[out++] = 0;
    return out;
}

/* Takes the stuffing out of a piece without its 0; 0 when it points beyond the end. */
static size_t unstuff(const uint8_t *piece, size_t n, uint8_t *plain)
{
    size_t n_plain = 0;
    size_t next = 0; /* where the next code stands */
    for (size_t at = 0; at < n; at++) {
        if (at == next) {
            if (at != 0) {
                plain[n_plain++] = 0;
            }
            next = at + piece[at];
        } else {
            plain[n_plain++] = piece[at];
        }
    }
    return next == n ? n_plain : 0;
}

/* The message in one stuffed piece of a stream, without its 0: its length, 0 when it is not sound. */
static size_t sound(const uint8_t *piece, size_t n, uint8_t *message)
{
    uint8_t plain[BATCH];
    size_t n_plain = n == 0 || n > LONGEST + 3u ? 0 : unstuff(piece, n, plain);
    if (n_plain < 4 || checksum(plain, n_plain - 2) != (uint16_t)(plain[n_plain - 2] | plain[n_plain - 1] << 8)) {
        return 0;
    }
    memcpy(message, plain, n_plain - 2);
    return n_plain - 2;
}

#endif
