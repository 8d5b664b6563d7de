/* Clocks DS1307 and DS3231 by their data sheets: binary-coded decimal registers, latched at the start of a read; they run on
 * their battery while the board is without power. The DS1307's stop bit is bit 7 of the seconds, the DS3231's flag of a
 * stopped oscillator bit 7 of register 0x0F. */
#include "sim.h"

#include <string.h>

static struct {
    uint8_t kind;
    uint64_t set_at, utc_s; /* seconds since 2000 at `set_at` */
    bool is_stopped, flag;
    uint8_t pointer, shadow[7], written[7];
    bool has_pointer;
    uint8_t n_written, memory[64], is_time_written;
} rtc;

static uint64_t seconds(void) {
    return rtc.is_stopped ? rtc.utc_s : rtc.utc_s + (now() - rtc.set_at) / chip->frequency;
}

static uint8_t bcd(unsigned v) { return (uint8_t)(v / 10 << 4 | v % 10); }
static unsigned from_bcd(uint8_t v) { return (unsigned)(v >> 4) * 10 + (v & 15); }

static unsigned days_of(unsigned month, unsigned year) {
    static const uint8_t days[12] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && year % 4 == 0 ? 29 : days[month - 1];
}

static void latch(void) {
    uint64_t s = seconds();
    unsigned day = (unsigned)(s / 86400), of_day = (unsigned)(s % 86400), year = 0, month = 1;
    rtc.shadow[0] = bcd(of_day % 60);
    rtc.shadow[1] = bcd(of_day / 60 % 60);
    rtc.shadow[2] = bcd(of_day / 3600);
    rtc.shadow[3] = (uint8_t)((day + 6) % 7 + 1); /* 2000-01-01 was a Saturday; Sunday is 1 */
    while (day >= (year % 4 ? 365u : 366u)) day -= year++ % 4 ? 365 : 366;
    while (day >= days_of(month, year)) day -= days_of(month++, year);
    rtc.shadow[4] = bcd(day + 1);
    rtc.shadow[5] = bcd(month);
    rtc.shadow[6] = bcd(year % 100);
    if (rtc.kind == 1 && rtc.is_stopped) rtc.shadow[0] |= 0x80;
}

static void unlatch(void) {
    unsigned year = from_bcd(rtc.shadow[6]), month = from_bcd(rtc.shadow[5] & 0x1F), day = 0;
    if (month < 1 || month > 12) month = 1;
    for (unsigned y = 0; y < year; y++) day += y % 4 ? 365 : 366;
    for (unsigned m = 1; m < month; m++) day += days_of(m, year);
    day += from_bcd(rtc.shadow[4] & 0x3F) - 1;
    rtc.utc_s = (uint64_t)day * 86400 + from_bcd(rtc.shadow[2] & 0x3F) * 3600u + from_bcd(rtc.shadow[1] & 0x7F) * 60u +
                from_bcd(rtc.shadow[0] & 0x7F);
    rtc.set_at = now();
    rtc.is_stopped = rtc.kind == 1 && (rtc.shadow[0] & 0x80);
}

static bool begin(struct i2c_part *part, bool is_read) {
    (void)part;
    if (!is_read) rtc.has_pointer = false;
    latch();
    return true;
}

static uint8_t last(void) { return rtc.kind == 1 ? 0x3F : 0x12; }

static bool write_byte(struct i2c_part *part, uint8_t byte) {
    (void)part;
    if (!rtc.has_pointer) {
        rtc.has_pointer = true;
        rtc.pointer = byte;
        return true;
    }
    if (rtc.pointer < 7) {
        rtc.shadow[rtc.pointer] = byte;
        unlatch();
    } else if (rtc.kind == 2 && rtc.pointer == 0x0F) {
        if (!(byte & 0x80)) rtc.flag = false; /* it can only be cleared */
        if (!rtc.flag && rtc.is_stopped) {
            rtc.set_at = now();
            rtc.is_stopped = false;
        }
    } else {
        rtc.memory[rtc.pointer & 63] = byte;
    }
    rtc.pointer = rtc.pointer >= last() ? 0 : (uint8_t)(rtc.pointer + 1);
    return true;
}

static uint8_t read_byte(struct i2c_part *part) {
    (void)part;
    uint8_t at_register = rtc.pointer;
    rtc.pointer = rtc.pointer >= last() ? 0 : (uint8_t)(rtc.pointer + 1);
    if (at_register < 7) return rtc.shadow[at_register];
    if (rtc.kind == 2 && at_register == 0x0F) return rtc.flag ? 0x88 : 0x08;
    if (rtc.kind == 2 && at_register == 0x0E) return 0x1C;
    return rtc.memory[at_register & 63];
}

static void powered(struct i2c_part *part) { (void)part; } /* it has a battery */

bool clock_add(uint8_t kind) {
    if (rtc.kind || (kind != 1 && kind != 2)) return false;
    struct i2c_part *part = i2c_add(0x68);
    if (!part) return false;
    rtc.kind = kind;
    rtc.set_at = now();
    rtc.is_stopped = rtc.flag = true; /* never set */
    part->begin = begin;
    part->write = write_byte;
    part->read = read_byte;
    part->power = powered;
    return true;
}

void clock_set(uint64_t utc_s) {
    rtc.utc_s = utc_s;
    rtc.set_at = now();
    rtc.is_stopped = rtc.flag = false;
}

void clock_stop(void) {
    rtc.utc_s = seconds();
    rtc.is_stopped = rtc.flag = true;
}

bool clock_get(uint64_t *utc_s) {
    *utc_s = seconds();
    return rtc.kind != 0 && !rtc.is_stopped;
}
