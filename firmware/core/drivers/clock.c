/* The clock: a DS3231 or DS1307 read once a scan; without one the board's own tick, after somebody has set it. */
#include "events.h"
#include "port.h"
#include "runtime.h"
#include "states.h"
#include "vm.h"
#include "wiring.h"

#include "drivers.h"

/* Registers (data sheets): seconds, minutes, hours, weekday, date, month, year in packed decimals; the DS1307 stops with bit 7
 * of the seconds, the DS3231 remembers in bit 7 of its status that it had stopped. */
enum { SECONDS, MINUTES, HOURS, WEEKDAY, DATE, MONTH, YEAR, N_REGISTERS, STATUS_DS3231 = 0x0F };
#define STOPPED 0x80u

#define SECONDS_PER_DAY (uint32_t)86400
#define DAYS_TO_2100 (uint32_t)36525

static struct {
    uint8_t device; /* n_devices without one */
    uint8_t quality;
    uint16_t at;    /* millisecond up to which `utc` counts, less what is below a second */
    uint32_t utc;
} now;

static uint8_t days_in(uint8_t month, uint8_t year)
{
    if (month == 2) {
        return (year & 3u) == 0 ? 29 : 28;
    }
    return (uint8_t)(30 + ((month + (month >> 3)) & 1));
}

/* From packed decimals, or 0xFF when they are none or above the limit. */
static uint8_t from_packed(uint8_t packed, uint8_t limit)
{
    uint8_t ones = packed & 0x0Fu;
    uint8_t value = (uint8_t)((packed >> 4) * 10u + ones);
    return ones > 9 || value > limit ? 0xFF : value;
}

static uint8_t to_packed(uint8_t value)
{
    return (uint8_t)(value / 10u * 16u + value % 10u);
}

static bool is_a_clock(uint8_t device, struct device_entry *entry)
{
    if (device >= wiring.n_devices) {
        return false;
    }
    wiring_device(device, entry);
    return entry->kind == DS1307 || entry->kind == DS3231;
}

void clock_start(void)
{
    struct device_entry entry;
    for (now.device = 0; now.device < wiring.n_devices && !is_a_clock(now.device, &entry); now.device++) {
    }
    /* A part that turns out not to know the time is told as lost; without one there was nothing to lose. */
    now.quality = now.device < wiring.n_devices ? GOOD : BAD;
    now.utc = 0;
    now.at = port_ms();
}

/* The part's time; false when it does not answer. `is_good` false: it has stopped, or what it says is no time. */
static bool read_part(const struct device_entry *entry, bool *is_good, uint32_t *utc)
{
    uint8_t registers[N_REGISTERS];
    uint8_t at = STATUS_DS3231;
    uint8_t status = 0;
    if (entry->kind == DS3231 && !port_i2c(entry->address, &at, 1, &status, 1)) {
        return false;
    }
    at = SECONDS;
    if (!port_i2c(entry->address, &at, 1, registers, N_REGISTERS)) {
        return false;
    }
    /* A DS1307's stop bit makes its seconds no number. Hours with bit 6 would be those of a 12 h clock, which we never set. */
    uint8_t second = from_packed(registers[SECONDS], 59);
    uint8_t minute = from_packed(registers[MINUTES], 59);
    uint8_t hour = from_packed(registers[HOURS], 23);
    uint8_t date = from_packed(registers[DATE], 31);
    uint8_t month = from_packed(registers[MONTH] & 0x7Fu, 12);
    uint8_t year = from_packed(registers[YEAR], 99);
    /* 0xFF in any of them shows in the top bit of their sum of bits. */
    *is_good = ((status | second | minute | hour | date | month | year) & STOPPED) == 0 && month != 0 && date != 0
        && date <= days_in(month, year);
    if (*is_good) {
        uint16_t days = (uint16_t)(year * 365u + (year + 3u) / 4u + date - 1u);
        while (--month != 0) {
            days = (uint16_t)(days + days_in(month, year));
        }
        *utc = days * SECONDS_PER_DAY + hour * (uint32_t)3600 + (uint16_t)(minute * 60u + second);
    }
    return true;
}

void clock_latch(void)
{
    uint16_t elapsed = (uint16_t)(port_ms() - now.at);
    while (elapsed >= 1000u) {
        elapsed = (uint16_t)(elapsed - 1000u);
        now.at = (uint16_t)(now.at + 1000u);
        now.utc++;
    }
    struct device_entry entry;
    if (is_a_clock(now.device, &entry)) {
        uint8_t quality = now.quality;
        bool is_good = false;
        bool is_heard = read_part(&entry, &is_good, &now.utc);
        device_heard(now.device, is_heard);
        if (is_heard) {
            quality = is_good ? GOOD : BAD;
        } else if (device_is_lost(now.device)) {
            quality = BAD;
        }
        if (quality == BAD && now.quality == GOOD) {
            runtime_event(EVENT_CLOCK_LOST, 0);
        }
        now.quality = quality;
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

static bool write_part(const struct device_entry *entry, uint32_t utc_s)
{
    uint16_t days = (uint16_t)(utc_s / SECONDS_PER_DAY);
    uint32_t second_of_day = utc_s % SECONDS_PER_DAY;
    uint16_t minute_of_day = (uint16_t)(second_of_day / 60u);
    uint8_t registers[1 + N_REGISTERS];
    registers[0] = SECONDS;
    registers[1 + SECONDS] = to_packed((uint8_t)(second_of_day % 60u));
    registers[1 + MINUTES] = to_packed((uint8_t)(minute_of_day % 60u));
    registers[1 + HOURS] = to_packed((uint8_t)(minute_of_day / 60u));
    registers[1 + WEEKDAY] = (uint8_t)((days + 6u) % 7u + 1u); /* 2000-01-01 was a Saturday; Sunday is 1 */
    uint8_t year = 0;
    uint8_t month = 1;
    while (days >= 365u + ((year & 3u) == 0)) {
        days = (uint16_t)(days - 365u - ((year & 3u) == 0));
        year++;
    }
    while (days >= days_in(month, year)) {
        days = (uint16_t)(days - days_in(month, year));
        month++;
    }
    registers[1 + DATE] = to_packed((uint8_t)(days + 1u));
    registers[1 + MONTH] = to_packed(month);
    registers[1 + YEAR] = to_packed(year);
    bool is_written = port_i2c(entry->address, registers, sizeof registers, registers, 0);
    if (is_written && entry->kind == DS3231) {
        registers[0] = STATUS_DS3231;
        registers[1] = 0;
        is_written = port_i2c(entry->address, registers, 2, registers, 0);
    }
    return is_written;
}

bool clock_set(uint32_t utc_s)
{
    if (utc_s >= DAYS_TO_2100 * SECONDS_PER_DAY) {
        return false;
    }
    struct device_entry entry;
    if (is_a_clock(now.device, &entry)) {
        device_heard(now.device, write_part(&entry, utc_s));
    }
    int32_t was_off = (int32_t)(utc_s - now.utc);
    if (was_off > INT16_MAX || was_off < INT16_MIN) {
        was_off = was_off < 0 ? INT16_MIN : INT16_MAX;
    }
    now.utc = utc_s;
    now.at = port_ms();
    now.quality = GOOD;
    runtime_event(EVENT_CLOCK_SET, (uint16_t)was_off);
    return true;
}
