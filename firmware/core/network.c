/* The network's side of the link: session and sealed frames. Frames are taken out of the stream only when whole, straight into the link's
 * buffer, so that the network needs no buffer of its own. */
#include "network.h"

#include "ascon.h"
#include "board.h"
#include "frame.h"
#include "link_out.h"
#include "port.h"
#include "small.h"
#include "store.h"
#include "stream.h"

#define RANDOM 7u
#define LEAST_MESSAGE 2u
#define SILENCE 60u      /* s without a sound frame end a connection */
#define PATIENCE 5u      /* s for the first one */
#define PENALTY 2u       /* seconds begun until a challenge, after a connection whose first frame was not sound */
#define KEY_PATIENCE 2u  /* s that the store may take until it gives the key out */
#define MOST_FRAMES 0x7FFFFFul
#define MOST_SESSIONS 0xFFFFFFul

#define FROM_BOARD 0x80u

/* Where the connection is. */
enum phase { CLOSED, WAITS_FOR_KEY, CHALLENGED, OPEN };

static struct net {
    uint16_t second_began;   /* ms */
    uint8_t phase;
    uint8_t silent;          /* s since the last sound frame */
    bool was_bad;            /* the last first frame */
    uint8_t nonce[ASCON_NONCE];
    uint32_t sessions;       /* that stood since boot */
    uint32_t n_frames[2];    /* opened, sealed */
} net;

void network_start(void)
{
    net.phase = CLOSED;
    ON_RESTART(net.was_bad = false);
    net.second_began = port_ms();
    stream_start();
}

static void end_session(void)
{
    net.phase = CLOSED;
    record_line_closed(LINK_NETWORK);
    link_forget(LINK_NETWORK);
}

static void hang_up(void)
{
    if (net.phase != CLOSED) {
        stream_hang_up();
    }
    end_session();
}

void network_key_changed(void)
{
    hang_up();
}

/* Seals or opens the next frame of its direction: n bytes and their tag. False when it is not sound, or there is no key any more. */
static bool crypt(uint8_t *bytes, uint8_t n, bool is_open)
{
    uint8_t key[ASCON_KEY];
    uint32_t *number = &net.n_frames[is_open ? 0 : 1];
    if (*number >= MOST_FRAMES || !store_key(key)) {
        return false;
    }
    net.nonce[13] = (uint8_t)*number;
    net.nonce[14] = (uint8_t)(*number >> 8);
    net.nonce[15] = (uint8_t)((uint8_t)(*number >> 16) | (is_open ? 0u : FROM_BOARD));
    (*number)++;
    return ascon_crypt(key, net.nonce, bytes, n, is_open);
}

/* Sends link_buffer[1] to [link_n - 1] and its tail. */
static void put_frame(void)
{
    uint8_t n = frame_stuff(link_buffer, (uint8_t)(link_n - 1u));
    link_n = 0;
    stream_begin_put();
    for (uint8_t at = 0; at < n; at++) {
        stream_byte(link_buffer[at]);
    }
    stream_end();
    stream_put(n);
}

bool network_has_room(void)
{
    return net.phase >= CHALLENGED && stream_has_room();
}

void network_send(void)
{
    if (net.phase != OPEN || !crypt(&link_buffer[1], (uint8_t)(link_n - 1u), false)) {
        hang_up();
        return;
    }
    link_n = (uint8_t)(link_n + ASCON_TAG);
    put_frame();
}

static void put_counter(uint32_t counter)
{
    link_put16((uint16_t)counter);
    link_put8((uint8_t)(counter >> 16));
}

/* The boot counter, and how many sessions stood: together they never come twice. */
static void challenge(void)
{
    uint8_t key[ASCON_KEY];
    bool has_key = store_key(key) && net.sessions < MOST_SESSIONS;
    if ((!has_key && net.silent < KEY_PATIENCE) || (net.was_bad && net.silent < PENALTY)) {
        return;
    }
    link_n = 1;
    link_put8(CHALLENGE);
    link_put8(LINK_PROTOCOL);
    link_put8(has_key ? 1 : 0);
    put_counter(board_boot_counter());
    put_counter(net.sessions);
    for (uint8_t at = 0; at < 6; at++) {
        net.nonce[at] = link_buffer[4u + at];
    }
    link_put16(frame_crc(&link_buffer[1], (uint8_t)(link_n - 1u)));
    put_frame();
    net.phase = CHALLENGED;
    net.n_frames[0] = 0;
    net.n_frames[1] = 0;
    if (!has_key) {
        hang_up();
    }
}

/* Opens the frame of n bytes in link_buffer and answers it; false when it is not sound. */
static bool take_frame(uint8_t n)
{
    uint8_t *message = link_buffer;
    if (net.phase == CHALLENGED) {
        for (uint8_t at = 0; at < RANDOM; at++) {
            net.nonce[6u + at] = *message++;
        }
        n = (uint8_t)(n - RANDOM); /* too short: above the longest */
    }
    n = (uint8_t)(n - ASCON_TAG);
    if (n < LEAST_MESSAGE || n > LINK_MESSAGE || !crypt(message, n, true)) {
        return false;
    }
    if (net.phase == CHALLENGED) {
        net.phase = OPEN;
        net.sessions++;
    }
    net.silent = 0;
    link_carry_out(LINK_NETWORK, message, n);
    network_send();
    return true;
}

/* Takes a frame when a whole one has come; true when it was answered. */
static bool receive(void)
{
    uint16_t n_received = stream_received();
    if (n_received == 0 || !network_has_room()) {
        return false;
    }
    uint8_t most = n_received < LINK_BUFFER ? (uint8_t)n_received : LINK_BUFFER;
    uint8_t n = 0;
    stream_begin_take();
    while (n < most && (link_buffer[n] = stream_byte(0)) != 0) {
        n++;
    }
    stream_end();
    if (n == most) {
        if (n == LINK_BUFFER) {
            hang_up();
        }
        return false; /* its end has not come yet */
    }
    stream_taken((uint16_t)(n + 1u));
    if (n == 0) {
        return false;
    }
    bool is_first = net.phase == CHALLENGED;
    bool is_sound = take_frame(frame_unstuff(link_buffer, n));
    if (is_first) {
        net.was_bad = !is_sound;
    }
    if (!is_sound) {
        hang_up();
        return false;
    }
    return true;
}

bool network_idle(void)
{
    if ((uint16_t)(port_ms() - net.second_began) >= 1000u) {
        net.second_began = (uint16_t)(net.second_began + 1000u);
        stream_second();
        if (++net.silent >= (net.phase == OPEN ? SILENCE : PATIENCE)) {
            hang_up();
        }
    }
    uint8_t state = stream_state();
    if (state == STREAM_NONE) {
        if (net.phase != CLOSED) {
            end_session();
        }
        return false;
    }
    if (net.phase == CLOSED) {
        net.phase = WAITS_FOR_KEY;
        net.silent = 0;
    }
    if (net.phase == WAITS_FOR_KEY) {
        challenge();
        return false;
    }
    if (receive()) {
        return true;
    }
    if (state == STREAM_ENDED && stream_received() == 0) {
        hang_up();
    }
    return false;
}
