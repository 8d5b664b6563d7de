/* The clock: a DS3231 or DS1307 read once a scan; without one the board's own tick, after somebody has set it.
 *
 * What the part says is turned into UTC by asking which second would be written to it so. Registers and year 2000 to 2099
 * are in order, so 32 questions find it, one for each bit; and a date that no second has is no time. */
#include "board.h"
#include "events.h"
#include "port.h"
#include "runtime.h"
#include "small.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

/* Registers (data sheets): seconds, minutes, hours, weekday, date, month, year in packed decimals; the DS1307 stops with bit 7
 * of the seconds, the DS3231 remembers in bit 7 of its status that it had stopped. */
enum { SECONDS, MINUTES, HOURS, WEEKDAY, DATE, MONTH, YEAR, N_REGISTERS, STATUS_DS3231 = 0x0F };
#define STOPPED 0x80u

#define SECONDS_PER_DAY 86400ul
#define DAYS_TO_2100 36525ul
#define MOST_OFF 8u /* seconds */

static struct clock {
    uint8_t device; /* n_devices without one */
    uint8_t quality;
    uint8_t passed; /* seconds since `utc`, which is that of the last scan */
    uint16_t at;    /* millisecond at which the last of them was counted */
    uint32_t utc;
} now;

static bool has_part(void)
{
    if (now.device >= wiring.n_devices) {
        return false;
    }
    device_ask(now.device);
    return true;
}

void clock_start(void)
{
    now.device = device_find(DS1307, DS3231);
    /* Not read yet. A part that turns out not to know the time is told as lost; without one there was nothing to lose. */
    now.quality = now.device < wiring.n_devices ? UNCERTAIN : BAD;
    ON_RESTART(now.utc = 0);
    ON_RESTART(now.passed = 0);
    now.at = port_ms();
}

static uint8_t packed(uint8_t value)
{
    uint8_t tens = value / 10u;
    return (uint8_t)(tens * 6u + value);
}

static uint8_t days_in(uint8_t month, uint8_t year)
{
    if (month == 2) {
        return (year & 3u) == 0 ? 29 : 28;
    }
    return (uint8_t)(30 + ((month + (month >> 3)) & 1));
}

/* The registers at this second, into the bytes that go out behind the first register's number. */
static void registers_at(uint32_t utc)
{
    uint8_t *out = bus;
    BY_POINTER(out);
    *out++ = SECONDS;
    for (uint8_t i = SECONDS; i <= HOURS; i++) {
        uint8_t n = i == HOURS ? 24 : 60;
        uint32_t rest = utc / n;
        out[i] = packed((uint8_t)(utc - rest * n));
        utc = rest;
    }
    out[WEEKDAY] = 1; /* nobody reads it */
    uint16_t days = (uint16_t)utc;
    uint8_t year = 0, month = 1;
    for (uint16_t n; days >= (n = (year & 3u) == 0 ? 366 : 365); days = (uint16_t)(days - n)) {
        year++;
    }
    for (uint8_t n; days >= (n = days_in(month, year)); days = (uint16_t)(days - n)) {
        month++;
    }
    out[DATE] = packed((uint8_t)(days + 1u));
    out[MONTH] = packed(month);
    out[YEAR] = packed(year);
}

/* -1, 0, 1 as the second is before, at or after what the part says. */
static int8_t compared(uint32_t utc)
{
    registers_at(utc);
    for (uint8_t i = N_REGISTERS; i != 0;) {
        i--;
        uint8_t here = bus[1 + i], there = bus_in[i];
        if (i != WEEKDAY && here != there) {
            return here < there ? -1 : 1;
        }
    }
    return 0;
}

static void read_part(void)
{
    struct clock *clock = &now;
    BY_POINTER(clock);
    bus[0] = SECONDS;
    bool is_heard = bus_do(1, device.kind == DS3231 ? STATUS_DS3231 + 1 : N_REGISTERS);
    uint8_t quality = clock->quality == GOOD ? GOOD : BAD;
    if (is_heard) {
        quality = BAD;
        bus_in[MONTH] &= 0x7Fu; /* the century */
        if (device.kind != DS3231 || (bus_in[STATUS_DS3231] & STOPPED) == 0) {
            uint32_t utc = clock->utc;
            if (compared(utc) != 0) {
                utc = 0;
                for (uint32_t bit = 0x80000000u; bit != 0; bit >>= 1) {
                    uint32_t later = utc | bit;
                    if (later < DAYS_TO_2100 * SECONDS_PER_DAY && compared(later) <= 0) {
                        utc = later;
                    }
                }
            }
            if (compared(utc) == 0) {
                quality = GOOD;
                /* Nothing checks what comes over the bus, and one day too late would give the day's limits twice: what does not follow
                 * from the time before is no answer, until the part is lost by that. */
                is_heard = clock->quality != GOOD || (uint16_t)(utc - clock->utc + MOST_OFF) < 2 * MOST_OFF;
                if (is_heard) {
                    clock->utc = utc;
                }
            }
        }
    }
    device_heard(clock->device, is_heard);
    if (device_is_lost(clock->device)) {
        quality = BAD;
    }
    if (quality > clock->quality) {
        runtime_event(EVENT_CLOCK_LOST, 0);
    }
    clock->quality = quality;
}

void clock_idle(void)
{
    if (have_passed(&now.at, 1000)) {
        now.passed++;
    }
}

void clock_latch(void)
{
    now.utc += now.passed;
    now.passed = 0;
    if (has_part()) {
        read_part();
    }
    vm_set_clock(now.utc, now.quality);
}

uint32_t clock_utc(uint8_t *quality)
{
    *quality = now.quality;
    return now.utc;
}

uint16_t clock_minute(void)
{
    return now.quality == GOOD ? (uint16_t)(now.utc / 60u) : 0xFFFFu;
}

uint8_t clock_set(uint32_t utc_s)
{
    if (utc_s >= DAYS_TO_2100 * SECONDS_PER_DAY) {
        return ANSWER_BAD_VALUE;
    }
    if (has_part()) {
        registers_at(utc_s);
        bool is_heard = bus_do(1 + N_REGISTERS, 0);
        if (device.kind == DS3231) {
            bus[0] = STATUS_DS3231;
            bus[1] = 0;
            is_heard = is_heard && bus_do(2, 0);
        }
        bus[0] = SECONDS;
        is_heard = is_heard && bus_do(1, N_REGISTERS);
        device_heard(now.device, is_heard);
        if (!is_heard || compared(utc_s) != 0) {
            return ANSWER_REFUSED;
        }
    }
    struct clock *clock = &now;
    BY_POINTER(clock);
    uint32_t off = utc_s - clock->utc;
    if (off + 0x8000u > 0xFFFFu) {
        off = off >> 31 != 0 ? 0x8000u : 0x7FFFu;
    }
    clock->utc = utc_s;
    clock->passed = 0;
    clock->at = port_ms();
    clock->quality = GOOD;
    runtime_event(EVENT_CLOCK_SET, (uint16_t)off);
    return ANSWER_DONE;
}
