/* Local civil time in days counted from 1998-01-01 and minutes counted from its beginning, so that neither is ever negative:
 * the earliest that matters is a change of clocks two years before the clock's own beginning. */
#include "zone.h"

#include <stdbool.h>

#define MINUTES_A_DAY 1440
#define DAYS_BEFORE_2000 730
/* 1998-01-01 was a Thursday. */
#define FIRST_WEEKDAY 4
/* Years count from 1998. */
#define FIRST_LEAP_YEAR 2
#define YEAR_2100 102

static uint16_t year_length(uint8_t year)
{
    return (year & 3) == FIRST_LEAP_YEAR && year != YEAR_2100 ? 366 : 365;
}

/* Year of a day; the day becomes that of the year. */
static uint8_t year_of(uint16_t *day)
{
    uint8_t year = 0;
    for (uint16_t length; *day >= (length = year_length(year)); year++) {
        *day = (uint16_t)(*day - length);
    }
    return year;
}

static int16_t offset_minutes(const struct code *code, uint16_t at)
{
    return (int16_t)((int8_t)code_byte(code, at) * 15);
}

/* Minute at which the change of three bytes at `at` comes in a year that begins on day `day`, in the time then in force. */
static int32_t minute_of_change(const struct code *code, uint16_t at, uint16_t day, bool is_leap)
{
    uint8_t first = code_byte(code, at);
    uint8_t second = code_byte(code, at + 1u);
    uint8_t month = first >> 4;
    uint8_t week = (first >> 1) & 7;
    uint8_t weekday = (uint8_t)(((first & 1) << 2) | second >> 6);
    uint16_t minute = (uint16_t)(((uint16_t)(second & 0x3F) << 8) | code_byte(code, at + 2u));
    if ((minute & 0x2000) != 0) {
        minute |= 0xC000;
    }
    uint8_t length = 0;
    for (uint8_t m = 1; m <= month; m++) {
        day = (uint16_t)(day + length);
        /* 31 and 30 days take turns, anew from August. */
        length = (uint8_t)(30 + ((m + (m >> 3)) & 1));
        if (m == 2) {
            length = is_leap ? 29 : 28;
        }
    }
    uint8_t into = (uint8_t)((weekday + 7 - (uint8_t)((uint16_t)(day + FIRST_WEEKDAY) % 7)) % 7 + 7 * (week - 1));
    if (into >= length) {
        into = (uint8_t)(into - 7);
    }
    return (int32_t)(day + (uint16_t)into) * MINUTES_A_DAY + (int16_t)minute;
}

void zone_local(const struct code *code, const struct zone *zone, uint32_t utc, struct local_time *out)
{
    int32_t now = (int32_t)(utc / 60) + (int32_t)DAYS_BEFORE_2000 * MINUTES_A_DAY;
    int16_t offset = 0;
    if (zone->n_bytes != 0) {
        offset = offset_minutes(code, zone->at);
    }
    if (zone->n_bytes > 1) {
        int16_t standard = offset;
        int16_t daylight = offset_minutes(code, zone->at + 1u);
        uint16_t today = (uint16_t)((uint32_t)(now + standard) / MINUTES_A_DAY);
        uint16_t of_year = today;
        uint8_t year = (uint8_t)(year_of(&of_year) - 1);
        uint16_t begins = (uint16_t)(today - of_year - year_length(year));
        int32_t latest = INT32_MIN;
        for (uint8_t n = 0; n < 3; n++) {
            uint16_t length = year_length(year);
            for (uint8_t is_end = 0; is_end < 2; is_end++) {
                uint16_t at = (uint16_t)(zone->at + 2u + 3u * is_end);
                int32_t change = minute_of_change(code, at, begins, length == 366);
                change -= is_end ? daylight : standard;
                if (change <= now && change >= latest) {
                    latest = change;
                    offset = is_end ? standard : daylight;
                }
            }
            begins = (uint16_t)(begins + length);
            year++;
        }
    }
    uint32_t local = (uint32_t)(now + offset);
    uint16_t day = (uint16_t)(local / MINUTES_A_DAY);
    out->second_of_day = local % MINUTES_A_DAY * 60 + utc % 60;
    out->weekday = (uint8_t)((uint16_t)(day + FIRST_WEEKDAY) % 7);
    year_of(&day);
    out->day_of_year = day;
}
