/* The connection over the W5500: its socket 0, and socket 1 for addresses. */
#include "dhcp.h"
#include "link_out.h"
#include "stream.h"
#include "w5500.h"
#include "wiring.h"

#define HARDWARE_BYTES 6u
#define CLIENT_PORT 68u /* DHCP */

static bool is_up;      /* the chip is set up and its cable is in */
static bool is_sending;

void stream_start(void)
{
    is_up = false;
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

/* A chip that has lost its registers, or whose cable was out, begins anew. The hardware address is locally administered, its rest
 * that of the wiring table, so that two boards differ. */
static void look_after_chip(void)
{
    uint8_t wanted[HARDWARE_BYTES] = {0x02, 0x54, 0x64, (uint8_t)(wiring.crc >> 16), (uint8_t)(wiring.crc >> 8), (uint8_t)wiring.crc};
    uint8_t found[HARDWARE_BYTES];
    if (!find_chip() || (w5500_read8(W5500_COMMON, W5500_PHYCFGR) & W5500_IS_LINKED) == 0) {
        is_up = false;
        return;
    }
    w5500_read(W5500_COMMON, W5500_SHAR, found, HARDWARE_BYTES);
    for (uint8_t at = 0; at < HARDWARE_BYTES; at++) {
        if (found[at] != wanted[at]) {
            is_up = false;
        }
    }
    if (is_up) {
        return;
    }
    w5500_write8(W5500_COMMON, W5500_MR, W5500_RESET);
    for (uint8_t tries = 50; tries != 0 && (w5500_read8(W5500_COMMON, W5500_MR) & W5500_RESET) != 0; tries--) {
    }
    w5500_write(W5500_COMMON, W5500_SHAR, wanted, HARDWARE_BYTES);
    is_up = w5500_open(W5500_UDP, W5500_MODE_UDP, CLIENT_PORT);
    dhcp_start();
}

void stream_hang_up(void)
{
    w5500_command(W5500_TCP, W5500_DISCON);
}

/* Whoever is connected holds on to the old address. */
static void address_changed(void)
{
    stream_hang_up();
    w5500_command(W5500_TCP, W5500_CLOSE);
}

void stream_second(void)
{
    look_after_chip();
    if (is_up && dhcp_second()) {
        address_changed();
    }
}

uint8_t stream_state(void)
{
    if (!is_up) {
        return STREAM_NONE;
    }
    if (dhcp_idle()) {
        address_changed();
    }
    uint8_t status = w5500_read8(W5500_TCP, W5500_SN_SR);
    if (status == W5500_ESTABLISHED) {
        return STREAM_OPEN;
    }
    if (status == W5500_CLOSE_WAIT) {
        return STREAM_ENDED;
    }
    /* A socket that is open and does not listen has missed the command. */
    if (status == W5500_INIT
        || (status == W5500_CLOSED && dhcp_has_address() && w5500_open(W5500_TCP, W5500_MODE_TCP, STREAM_PORT))) {
        w5500_command(W5500_TCP, W5500_LISTEN);
        is_sending = false;
    }
    return STREAM_NONE;
}

uint16_t stream_received(void)
{
    return w5500_received(W5500_TCP);
}

void stream_begin_take(void)
{
    w5500_begin_take(W5500_TCP);
}

void stream_taken(uint16_t n)
{
    w5500_taken(W5500_TCP, n);
}

bool stream_has_room(void)
{
    if (is_sending) {
        if ((w5500_read8(W5500_TCP, W5500_SN_IR) & W5500_SEND_OK) == 0) {
            return false;
        }
        w5500_write8(W5500_TCP, W5500_SN_IR, W5500_SEND_OK);
        is_sending = false;
    }
    return w5500_room(W5500_TCP) >= LINK_BUFFER;
}

void stream_begin_put(void)
{
    w5500_begin_put(W5500_TCP);
}

void stream_put(uint16_t n)
{
    w5500_put(W5500_TCP, n);
    is_sending = true;
}

uint8_t stream_byte(uint8_t byte)
{
    return w5500_byte(byte);
}

void stream_end(void)
{
    w5500_end();
}
