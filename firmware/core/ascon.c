/* Ascon-AEAD128 by bytes. The state is five words of eight bytes, least significant first; a rotation by r bits of a word is, for each
 * byte, one multiplication by 2^(8-r): its high byte belongs to one place, its low byte to the place before it. */
#include "ascon.h"

#include "code.h"

#define WORD 8u
#define RATE 16u
#define STATE 40u

/* For each word its two rotations to the right: whole bytes, and the multiplier for the rest (none is whole). */
static const uint8_t rotations[] IN_FLASH = {
    2, 1u << 5, 3, 1u << 4, /* 19, 28 */
    7, 1u << 3, 4, 1u << 1, /* 61, 39 */
    0, 1u << 7, 0, 1u << 2, /*  1,  6 */
    1, 1u << 6, 2, 1u << 7, /* 10, 17 */
    0, 1u << 1, 5, 1u << 7, /*  7, 41 */
};

/* The nonlinear layer, on the same byte of all words. */
static void substitute(uint8_t *s)
{
    uint8_t x0 = s[0 * WORD];
    uint8_t x1 = s[1 * WORD];
    uint8_t x2 = s[2 * WORD];
    uint8_t x3 = s[3 * WORD];
    uint8_t x4 = s[4 * WORD];
    x0 ^= x4;
    x4 ^= x3;
    x2 ^= x1;
    uint8_t y0 = (uint8_t)(x0 ^ (~x1 & x2));
    uint8_t y1 = (uint8_t)(x1 ^ (~x2 & x3));
    uint8_t y2 = (uint8_t)(x2 ^ (~x3 & x4));
    uint8_t y3 = (uint8_t)(x3 ^ (~x4 & x0));
    uint8_t y4 = (uint8_t)(x4 ^ (~x0 & x1));
    s[0 * WORD] = y0 ^ y4;
    s[1 * WORD] = y1 ^ y0;
    s[2 * WORD] = (uint8_t)~y2;
    s[3 * WORD] = y3 ^ y2;
    s[4 * WORD] = y4;
}

/* The permutation from this round constant on: 0xF0 for 12 rounds, 0xB4 for 8. */
static void permute(uint8_t *s, uint8_t constant)
{
    for (; constant != 0x3C; constant = (uint8_t)(constant - 0x0Fu)) {
        s[2 * WORD] ^= constant;
        for (uint8_t at = 0; at < WORD; at++) {
            substitute(s + at);
        }
        const uint8_t *rotation = rotations;
        for (uint8_t *word = s; word != s + STATE; word += WORD) {
            uint8_t old[2 * WORD]; /* twice, so that nothing wraps */
            for (uint8_t at = 0; at < WORD; at++) {
                old[at] = word[at];
                old[at + WORD] = word[at];
            }
            for (uint8_t n = 2; n != 0; n--) {
                const uint8_t *from = old + flash_u8(rotation);
                uint8_t multiplier = flash_u8(rotation + 1);
                rotation += 2;
                uint8_t high = (uint8_t)((uint16_t)(*from++ * multiplier) >> 8);
                for (uint8_t *to = word; to != word + WORD; to++) {
                    uint16_t product = (uint16_t)(*from++ * multiplier);
                    *to = (uint8_t)(*to ^ high ^ (uint8_t)product);
                    high = (uint8_t)(product >> 8);
                }
            }
        }
    }
}

static void add(uint8_t *to, const uint8_t *bytes)
{
    for (uint8_t n = RATE; n != 0; n--) {
        *to++ ^= *bytes++;
    }
}

bool ascon_crypt(const uint8_t *key, const uint8_t *nonce, uint8_t *bytes, uint8_t n, bool is_open)
{
    uint8_t s[STATE];
    for (uint8_t at = 0; at < STATE; at++) {
        s[at] = 0;
    }
    s[0] = 0x01;
    s[2] = 0x8C;
    s[3] = 0x80;
    s[5] = 0x10;
    add(s + 8, key);
    add(s + 24, nonce);
    permute(s, 0xF0);
    add(s + 24, key);
    s[STATE - 1u] ^= 0x80u; /* no associated data */
    uint8_t at = 0;
    for (; n != 0; n--) {
        uint8_t in = *bytes;
        uint8_t out = s[at] ^ in;
        *bytes++ = out;
        s[at] = is_open ? in : out;
        if (++at == RATE) {
            at = 0;
            permute(s, 0xB4);
        }
    }
    s[at] ^= 0x01u;
    add(s + 16, key);
    permute(s, 0xF0);
    add(s + 24, key);
    uint8_t difference = 0;
    for (at = 24; at < STATE; at++) {
        if (is_open) {
            difference |= *bytes ^ s[at];
        } else {
            *bytes = s[at];
        }
        bytes++;
    }
    return difference == 0;
}
