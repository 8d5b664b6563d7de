/* The network's side of the link: connection, session, sealed frames. Frames are read out of the W5500 only when whole, straight into
 * the link's buffer, so that the network needs no buffer of its own. */
#include "network.h"

#include "ascon.h"
#include "board.h"
#include "dhcp.h"
#include "frame.h"
#include "link_out.h"
#include "port.h"
#include "store.h"
#include "vm.h"
#include "w5500.h"
#include "wiring.h"

#define PORT 7436u
#define RANDOM 7u
#define LEAST_MESSAGE 2u
#define SILENCE 60u      /* s without a sound frame end a connection */
#define PATIENCE 10u     /* s for the first one */
#define KEY_PATIENCE 2u  /* s that the store may take until it gives the key out */
#define MOST_FRAMES 0x7FFFFFul
#define MOST_SESSIONS 0xFFFFFFul

#define HARDWARE_BYTES 6u
#define FROM_BOARD 0x80u

/* Where the connection is. */
enum phase { CLOSED, WAITS_FOR_KEY, CHALLENGED, OPEN };

static struct net {
    uint16_t second_began;   /* ms */
    bool is_up;              /* the chip is set up and its cable is in */
    bool is_sending;
    uint8_t phase;
    uint8_t silent;          /* s since the last sound frame */
    uint8_t nonce[ASCON_NONCE];
    uint32_t sessions;       /* that stood since boot */
    uint32_t n_frames[2];    /* opened, sealed */
} net;

void network_start(void)
{
    net.is_up = false;
    net.phase = CLOSED;
    net.second_began = port_ms();
}

static void end_session(void)
{
    net.phase = CLOSED;
    net.is_sending = false;
    record_line_closed(LINK_NETWORK);
    link_forget(LINK_NETWORK);
}

/* Ends the connection; the socket listens again when the chip has closed it. */
static void hang_up(void)
{
    if (net.is_up && net.phase != CLOSED) {
        w5500_command(W5500_TCP, W5500_DISCON);
    }
    end_session();
}

void network_key_changed(void)
{
    hang_up();
}

/* The hardware address: locally administered, the rest by the wiring table, so that two boards differ. */
static void hardware_address(uint8_t *bytes)
{
    bytes[0] = 0x02;
    bytes[1] = 0x54;
    bytes[2] = 0x64;
    bytes[3] = (uint8_t)(wiring.crc >> 16);
    bytes[4] = (uint8_t)(wiring.crc >> 8);
    bytes[5] = (uint8_t)wiring.crc;
}

/* Finds the chip; false when there is none. */
static bool find_chip(void)
{
    for (uint8_t device = 0; device < wiring.n_devices; device++) {
        struct device_entry entry;
        wiring_device(device, &entry);
        if (entry.kind == ETHERNET) {
            w5500_start(entry.address);
            return w5500_read8(W5500_COMMON, W5500_VERSIONR) == W5500_VERSION;
        }
    }
    return false;
}

/* Once a second: chip and cable are looked at; a chip that lost its registers is set up again. */
static void look_after_chip(void)
{
    uint8_t wanted[HARDWARE_BYTES];
    uint8_t is[HARDWARE_BYTES];
    bool is_lost = !find_chip() || (w5500_read8(W5500_COMMON, W5500_PHYCFGR) & W5500_IS_LINKED) == 0;
    if (!is_lost) {
        hardware_address(wanted);
        w5500_read(W5500_COMMON, W5500_SHAR, is, sizeof is);
        for (uint8_t at = 0; at < HARDWARE_BYTES; at++) {
            if (is[at] != wanted[at]) {
                net.is_up = false;
            }
        }
    }
    if (is_lost) {
        if (net.is_up) {
            end_session();
            net.is_up = false;
        }
        return;
    }
    if (!net.is_up) {
        end_session();
        w5500_write8(W5500_COMMON, W5500_MR, W5500_RESET);
        for (uint8_t tries = 50; tries != 0 && (w5500_read8(W5500_COMMON, W5500_MR) & W5500_RESET) != 0; tries--) {
        }
        w5500_write(W5500_COMMON, W5500_SHAR, wanted, sizeof wanted);
        net.is_up = w5500_open(W5500_UDP, W5500_MODE_UDP, 68);
        dhcp_start();
    }
}

/* Another address: whoever is connected holds on to the old one. */
static void address_changed(void)
{
    hang_up();
    w5500_command(W5500_TCP, W5500_CLOSE);
}

static void second(void)
{
    look_after_chip();
    if (!net.is_up) {
        return;
    }
    if (dhcp_second()) {
        address_changed();
    }
    if (net.phase != CLOSED && ++net.silent >= (net.phase == OPEN ? SILENCE : PATIENCE)) {
        hang_up();
    }
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
    w5500_begin_put(W5500_TCP);
    for (uint8_t at = 0; at < n; at++) {
        w5500_byte(link_buffer[at]);
    }
    w5500_end();
    w5500_put(W5500_TCP, n);
    net.is_sending = true;
}

bool network_has_room(void)
{
    if (net.phase < CHALLENGED) {
        return false;
    }
    if (net.is_sending) {
        if ((w5500_read8(W5500_TCP, W5500_SN_IR) & W5500_SEND_OK) == 0) {
            return false;
        }
        w5500_write8(W5500_TCP, W5500_SN_IR, W5500_SEND_OK);
        net.is_sending = false;
    }
    return w5500_room(W5500_TCP) >= LINK_BUFFER;
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
    if (!has_key && net.silent < KEY_PATIENCE) {
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
    uint16_t n_received = w5500_received(W5500_TCP);
    if (n_received == 0 || !network_has_room()) {
        return false;
    }
    uint8_t most = n_received < LINK_BUFFER ? (uint8_t)n_received : LINK_BUFFER;
    uint8_t n = 0;
    w5500_begin_take(W5500_TCP);
    while (n < most && (link_buffer[n] = w5500_byte(0)) != 0) {
        n++;
    }
    w5500_end();
    if (n == most) {
        if (n == LINK_BUFFER) {
            hang_up();
        }
        return false; /* its end has not come yet */
    }
    w5500_taken(W5500_TCP, (uint16_t)(n + 1u));
    if (n == 0) {
        return false;
    }
    if (!take_frame(frame_unstuff(link_buffer, n))) {
        hang_up();
        return false;
    }
    return true;
}

bool network_idle(void)
{
    if ((uint16_t)(port_ms() - net.second_began) >= 1000u) {
        net.second_began = (uint16_t)(net.second_began + 1000u);
        second();
    }
    if (!net.is_up) {
        return false;
    }
    if (dhcp_idle()) {
        address_changed();
    }
    uint8_t status = w5500_read8(W5500_TCP, W5500_SN_SR);
    if (status == W5500_ESTABLISHED || status == W5500_CLOSE_WAIT) {
        if (net.phase == CLOSED && status == W5500_ESTABLISHED) {
            net.phase = WAITS_FOR_KEY;
            net.silent = 0;
        }
        if (net.phase == WAITS_FOR_KEY) {
            challenge();
        } else if (net.phase >= CHALLENGED && receive()) {
            return true;
        }
        /* What the other side had sent before it closed has been read. */
        if (status == W5500_CLOSE_WAIT && w5500_received(W5500_TCP) == 0) {
            w5500_command(W5500_TCP, W5500_DISCON);
            end_session();
        }
        return false;
    }
    if (net.phase != CLOSED) {
        end_session();
    }
    if (status == W5500_CLOSED && dhcp_has_address() && w5500_open(W5500_TCP, W5500_MODE_TCP, PORT)) {
        w5500_command(W5500_TCP, W5500_LISTEN);
    }
    return false;
}
