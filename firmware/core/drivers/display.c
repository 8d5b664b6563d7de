/* Text display: an HD44780 behind a PCF8574, with the lines of the usual small board (P0 RS, P1 R/W, P2 E, P3 light, P4..P7 data;
 * common practice, no source).
 *
 * It gets a character each 5 ms, and before each round its start over again (which changes nothing that it shows), so that
 * one that lost its power, or a nibble, is right again within half a second. */
#include "panel.h"
#include "port.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

#define ACT_MS 5u       /* the longest that an act takes: 4.1 ms after the first of the start (data sheet, figure 24) */
#define LOST_MS 1000u

enum { RS = 0x01, E = 0x04, LIGHT = 0x08 };

/* The start: three nibbles 3 whatever state it was in, nibble 2 for four bits; then whole bytes: four bits and two lines, shown without a
 * cursor, moving right. */
static const uint8_t start[] = {0x30, 0x30, 0x30, 0x20, 0x28, 0x0C, 0x06};
#define N_NIBBLES 4u

static struct {
    uint8_t device; /* n_devices without one */
    uint8_t act;    /* of the start; then the place in the row, 0 setting its address */
    uint8_t row;
    bool is_started;
    uint16_t last;
} show;

void display_start(void)
{
    struct device_entry entry;
    for (show.device = 0; show.device < wiring.n_devices; show.device++) {
        wiring_device(show.device, &entry);
        if (entry.kind == TEXT_DISPLAY) {
            break;
        }
    }
    show.is_started = false;
    show.act = 0;
    show.last = port_ms();
}

static bool send(uint8_t address, uint8_t value, uint8_t rs, bool is_nibble)
{
    uint8_t high = (uint8_t)((value & 0xF0u) | LIGHT | rs);
    uint8_t low = (uint8_t)((uint8_t)(value << 4) | LIGHT | rs);
    uint8_t bytes[4] = {high | E, high, low | E, low};
    return port_i2c(address, bytes, is_nibble ? 2 : 4, bytes, 0);
}

void display_idle(void)
{
    if (show.device >= wiring.n_devices) {
        return;
    }
    uint16_t elapsed = (uint16_t)(port_ms() - show.last);
    if (elapsed < (device_is_lost(show.device) ? LOST_MS : ACT_MS)) {
        return;
    }
    show.last = (uint16_t)(show.last + elapsed);
    struct device_entry entry;
    wiring_device(show.device, &entry);
    uint8_t n_columns = entry.shape & 0x3Fu;
    uint8_t last_row = entry.shape >> 6;
    uint8_t act = show.act++;
    bool is_heard;
    if (!show.is_started) {
        is_heard = send(entry.address, start[act], 0, act < N_NIBBLES);
        if (show.act == sizeof start) {
            show.is_started = true;
            show.act = 0;
            show.row = 0;
        }
    } else if (act == 0) {
        /* Rows 1 and 3 begin at 0x40; 2 and 3 go on where 0 and 1 end (data sheet). */
        uint8_t address = (uint8_t)(0x80u | (show.row & 1u) << 6);
        if (show.row > 1) {
            address = (uint8_t)(address + n_columns);
        }
        is_heard = send(entry.address, address, 0, false);
    } else {
        is_heard = send(entry.address, panel_char(show.row, (uint8_t)(act - 1u)), RS, false);
        if (act >= n_columns) {
            show.act = 0;
            show.is_started = show.row != last_row;
            show.row++;
        }
    }
    if (!is_heard) {
        show.is_started = false;
        show.act = 0;
    }
    device_heard(show.device, is_heard);
}
