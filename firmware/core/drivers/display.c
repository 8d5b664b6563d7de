/* Text display: an HD44780 behind a PCF8574, with the lines of the usual small board (P0 RS, P1 R/W, P2 E, P3 light, P4..P7 data;
 * common practice, no source).
 *
 * It gets a character each 5 ms, and before each round its start over again (which changes nothing that it shows), so that
 * one that lost its power, or a nibble, is right again within half a second. */
#include "panel.h"
#include "port.h"
#include "small.h"
#include "states.h"
#include "wiring.h"

#include "drivers.h"

#define ACT_MS 5u /* the longest that an act takes: 4.1 ms after the first of the start (data sheet, figure 24) */
#define LOST_MS 1000u

enum { RS = 0x01, E = 0x04, LIGHT = 0x08 };

/* The start: three nibbles 3 whatever state it was in, nibble 2 for four bits; then whole bytes: four bits and two lines, shown without a
 * cursor, moving right. */
static const uint8_t start[] IN_FLASH = {0x30, 0x30, 0x30, 0x20, 0x28, 0x0C, 0x06};
#define N_NIBBLES 4u

static struct show {
    uint8_t device; /* n_devices without one */
    uint8_t act;    /* of the start; then the place in the row, 0 setting its address */
    uint8_t row;
    bool is_started;
    uint16_t last;
} show;

void display_start(void)
{
    show.device = device_find(TEXT_DISPLAY, TEXT_DISPLAY);
    ON_RESTART(show.is_started = false);
    ON_RESTART(show.act = 0);
    ON_RESTART(show.last = 0);
}

void display_idle(void)
{
    struct show *now = &show;
    BY_POINTER(now);
    if (now->device >= wiring.n_devices || !have_passed(&now->last, device_is_lost(now->device) ? LOST_MS : ACT_MS)) {
        return;
    }
    device_ask(now->device);
    uint8_t n_columns = device.shape & 0x3Fu;
    uint8_t act = now->act++;
    uint8_t lines = LIGHT;
    uint8_t n_out = 4;
    uint8_t value;
    if (!now->is_started) {
        value = flash_u8(&start[act]);
        if (act < N_NIBBLES) {
            n_out = 2;
        } else if (act == sizeof start - 1u) {
            now->is_started = true;
            now->act = 0;
            now->row = 0;
        }
    } else if (act == 0) {
        /* Rows 1 and 3 begin at 0x40; 2 and 3 go on where 0 and 1 end (data sheet). */
        value = 0x80;
        if ((now->row & 1u) != 0) {
            value = 0xC0;
        }
        if (now->row > 1) {
            value = (uint8_t)(value + n_columns);
        }
    } else {
        value = panel_char(now->row, (uint8_t)(act - 1u));
        lines = LIGHT | RS;
        if (act == n_columns) {
            now->act = 0;
            now->is_started = now->row != device.shape >> 6;
            now->row++;
        }
    }
    uint8_t high = (uint8_t)((value & 0xF0u) | lines);
    uint8_t low = (uint8_t)((uint8_t)(value << 4) | lines);
    bus[0] = high | E;
    bus[1] = high;
    bus[2] = low | E;
    bus[3] = low;
    bool is_heard = bus_do(n_out, 0);
    if (!is_heard) {
        now->is_started = false;
        now->act = 0;
    }
    device_heard(now->device, is_heard);
}
