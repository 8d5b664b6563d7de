/* Local civil time in days counted from 1998-01-01 and minutes counted from its beginning, so that neither is ever negative:
 * the earliest that matters is a change of clocks two years before the clock's own beginning. */
#include "zone.h"

#include <stdbool.h>

#include "small.h"
#include "vm_core.h"

/* 1998-01-01 was a Thursday. */
#define FIRST_WEEKDAY 4
/* Years count from 1998. */
#define FIRST_LEAP_YEAR 2
#define YEAR_2100 102

static const struct {
    uint16_t day[4], change[13];
} routines IN_FLASH = {
    .day = {MOVE(X, V0), ADD(X, V2), DIV(X, Y), END(0)},
    /* X: day, Z: minute in it, V3: the offset then in force, V4: the one that begins, Y: minutes a day. The latest so far is C0. */
    .change = {
        MUL(X, Y), ADD(X, Z), SUB(X, V3),
        LESS(V0, X), JUMP(4), LESS(X, C0), JUMP(2), MOVE(C0, X), MOVE(V2, V4),
        MOVE(Z, V3), MOVE(V3, V4), MOVE(V4, Z), END(0)
    },
};

APART static uint16_t year_length(uint8_t year)
{
    return (year & 3) == FIRST_LEAP_YEAR && year != YEAR_2100 ? 366 : 365;
}

static uint16_t day_of_year;

APART static uint8_t year_of(uint16_t day)
{
    uint8_t year = 0;
    for (;; year++) {
        uint16_t length = year_length(year);
        if (day < length) {
            day_of_year = day;
            return year;
        }
        day = (uint16_t)(day - length);
    }
}

uint16_t zone_day_of_year(uint16_t day)
{
    year_of(day);
    return day_of_year;
}

static void read_offset(uint8_t to)
{
    calc_put(to, (int16_t)((int8_t)vm_next_byte() * 15));
}

/* Takes the change that is read next into account, in a year that begins on day `day`. */
static void read_change(uint16_t day, bool is_leap)
{
    uint8_t first = vm_next_byte();
    uint8_t second = vm_next_byte();
    uint8_t third = vm_next_byte();
    uint16_t minute = (uint16_t)((uint16_t)(second & 0x3F) << 8 | third);
    if ((minute & 0x2000) != 0) {
        minute |= 0xC000;
    }
    calc_put(Z, (int16_t)minute);
    uint8_t length = 0;
    for (uint8_t month = 1; month <= first >> 4; month++) {
        day = (uint16_t)(day + length);
        /* 31 and 30 days take turns, anew from August. */
        length = (uint8_t)(30 + ((month + (month >> 3)) & 1));
        if (month == 2) {
            length = is_leap ? 29 : 28;
        }
    }
    /* The first such weekday of the month, then by weeks, but not beyond the month. */
    uint8_t weekday = (uint8_t)((first & 1) << 2 | second >> 6);
    while ((uint8_t)((uint16_t)(day + FIRST_WEEKDAY) % 7) != weekday) {
        day++;
        length--;
    }
    for (uint8_t weeks = (first >> 1) & 7; weeks > 1 && length > 7; weeks--) {
        day = (uint16_t)(day + 7);
        length = (uint8_t)(length - 7);
    }
    calc[X] = day;
    calc_run(routines.change);
}

void zone_offset(void)
{
    uint16_t behind = reader.at;
    uint16_t at = reader.zone.at;
    reader.at = at;
    if (reader.zone.n_bytes != 0) {
        read_offset(V2);
    }
    if (reader.zone.n_bytes > 1) {
        calc[V3] = calc[V2];
        read_offset(V4);
        calc_run(routines.day);
        uint16_t begins = (uint16_t)calc[X];
        uint8_t year = (uint8_t)(year_of(begins) - 1);
        begins = (uint16_t)(begins - day_of_year - year_length(year));
        for (uint8_t n = 3; n != 0; n--) {
            uint16_t length = year_length(year);
            reader.at = (uint16_t)(at + 2u);
            read_change(begins, length == 366);
            read_change(begins, length == 366);
            begins = (uint16_t)(begins + length);
            year++;
        }
    }
    reader.at = behind;
}
