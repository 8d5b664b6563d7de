/* Ascon-AEAD128 alone on a chip, run by the bench as vm_main.c is: in comes 0 (seal) or 1 (open), the message's length, key, nonce, and
 * the message (with its tag when opened); out go the message, the tag and what ascon_crypt said. Stamped, so that cycles are counted. */
#include <avr/io.h>

#include "ascon.h"

static uint8_t get(void)
{
    while (!GPIOR2) {
    }
    return GPIOR1;
}

int main(void)
{
    static uint8_t key[ASCON_KEY];
    static uint8_t nonce[ASCON_NONCE];
    static uint8_t bytes[128];
    for (;;) {
        bool is_open = get() != 0;
        uint8_t n = get();
        for (uint8_t at = 0; at < ASCON_KEY; at++) {
            key[at] = get();
        }
        for (uint8_t at = 0; at < ASCON_NONCE; at++) {
            nonce[at] = get();
        }
        uint8_t n_in = is_open ? (uint8_t)(n + ASCON_TAG) : n;
        for (uint8_t at = 0; at < n_in; at++) {
            bytes[at] = get();
        }
        GPIOR2 = 1;
        bool is_sound = ascon_crypt(key, nonce, bytes, n, is_open);
        GPIOR2 = 2;
        for (uint8_t at = 0; at < (uint8_t)(n + ASCON_TAG); at++) {
            GPIOR0 = bytes[at];
        }
        GPIOR0 = is_sound;
    }
}
