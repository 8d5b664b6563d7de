/* The journal: events into their ring, unconfirmed ones never overwritten, what finds no room counted in a gap. Two small marks,
 * written by turns, hold up to where the station has the events, and how many found no room since. */
#include "cells.h"
#include "events.h"
#include "store.h"

#define WAITING 6

static struct {
    uint8_t code[WAITING];
    uint16_t argument[WAITING];
    uint16_t minute; /* of the latest; those that wait are not older than a second */
    uint8_t n;
} queue;

static uint8_t newest, confirmed; /* sequences */
static uint8_t place;             /* after the newest */
static uint8_t lost;              /* found a full ring since the newest */
static uint8_t mark;              /* which of the two counts */
static bool mark_is_due;

static uint16_t event_at(uint8_t at_place)
{
    return (uint16_t)(AT_EVENTS + at_place * (EVENT_BYTES + 2));
}

static uint16_t mark_at(uint8_t which)
{
    return which != 0 ? AT_MARKS + MARK_BYTES + 2 : AT_MARKS;
}

static uint8_t after(uint8_t at_place)
{
    return at_place + 1 < MAP_EVENTS ? (uint8_t)(at_place + 1) : 0;
}

void journal_open(void)
{
    bool is_found = false;
    uint8_t oldest = 0;
    for (uint8_t i = 0; i < MAP_EVENTS; i++) {
        if (!cells_are_sound(event_at(i), EVENT_BYTES)) {
            continue;
        }
        uint8_t sequence = port_eeprom_read(event_at(i));
        if (!is_found || is_later(sequence, newest)) {
            newest = sequence;
            place = after(i);
        }
        if (!is_found || is_later(oldest, sequence)) {
            oldest = sequence;
        }
        is_found = true;
    }
    confirmed = is_found ? (uint8_t)(oldest - 1) : newest;
    bool is_marked = false;
    uint8_t up_to = 0, n_lost = 0;
    for (uint8_t i = 0; i < 2; i++) {
        uint16_t at = mark_at(i);
        if (cells_are_sound(at, MARK_BYTES)) {
            uint8_t here = port_eeprom_read(at);
            uint8_t lost_here = port_eeprom_read((uint16_t)(at + 1));
            if (!is_marked || is_later(here, up_to) || (here == up_to && lost_here > n_lost)) {
                up_to = here;
                n_lost = lost_here;
                mark = i;
            }
            is_marked = true;
        }
    }
    if (!is_marked) {
        return;
    }
    uint8_t ahead = (uint8_t)(newest - up_to);
    if (!is_found || ahead > 127) {
        /* The newest events are unreadable, and the station has them: their numbers are not given again. */
        newest = up_to;
        ahead = 0;
    }
    if (ahead > MAP_EVENTS) {
        /* Events were lost only while the ring was full, that is, up to up_to + MAP_EVENTS: what came behind began with their gap. */
        confirmed = (uint8_t)(newest - MAP_EVENTS);
    } else {
        confirmed = up_to;
        lost = n_lost;
    }
}

void store_event(uint8_t code, uint16_t argument, uint16_t minute)
{
    queue.minute = minute;
    if (queue.n < WAITING) {
        queue.code[queue.n] = code;
        queue.argument[queue.n] = argument;
        queue.n++;
        return;
    }
    if (queue.code[WAITING - 1] != EVENT_GAP) {
        queue.code[WAITING - 1] = EVENT_GAP;
        queue.argument[WAITING - 1] = 1;
    }
    queue.argument[WAITING - 1]++;
}

static void pop(void)
{
    queue.n--;
    for (uint8_t i = 0; i < queue.n; i++) {
        queue.code[i] = queue.code[i + 1];
        queue.argument[i] = queue.argument[i + 1];
    }
}

/* The next place holds an event that the station does not have. */
static bool is_full(void)
{
    uint16_t at = event_at(place);
    return is_later(port_eeprom_read(at), confirmed) && cells_are_sound(at, EVENT_BYTES);
}

static void put_event(uint8_t code, uint16_t argument)
{
    cells_record[0] = (uint8_t)(newest + 1);
    cells_record[1] = code;
    cells_record[2] = (uint8_t)argument;
    cells_record[3] = (uint8_t)(argument >> 8);
    cells_record[4] = (uint8_t)queue.minute;
    cells_record[5] = (uint8_t)(queue.minute >> 8);
    cells_seal(EVENT_BYTES);
    cells_begin(JOB_EVENT, event_at(place), EVENT_BYTES + 2);
}

bool journal_next(void)
{
    while (lost != 0 || queue.n != 0) {
        if (!is_full()) {
            if (lost != 0) {
                put_event(EVENT_GAP, lost);
            } else {
                put_event(queue.code[0], queue.argument[0]);
            }
            return true;
        }
        if (queue.n == 0) {
            break;
        }
        uint16_t more = queue.code[0] == EVENT_GAP ? queue.argument[0] : 1;
        if (lost != 0xFF) {
            lost = more > 0xFFu - lost ? 0xFF : (uint8_t)(lost + more);
            mark_is_due = true;
        }
        pop();
    }
    if (!mark_is_due) {
        return false;
    }
    mark_is_due = false;
    cells_record[0] = confirmed;
    cells_record[1] = lost;
    cells_seal(MARK_BYTES);
    mark ^= 1u;
    cells_begin(JOB_MARK, mark_at(mark), MARK_BYTES + 2);
    return true;
}

void journal_written(uint8_t job, bool is_sound)
{
    if (job == JOB_MARK) {
        mark_is_due |= !is_sound;
    }
    if (job != JOB_EVENT) {
        return;
    }
    place = after(place); /* also past a place that has worn out */
    if (!is_sound) {
        return;
    }
    newest++;
    if (lost != 0) {
        lost = 0;
        mark_is_due = true;
    } else {
        pop();
    }
}

bool store_event_after(uint8_t from, struct event *out)
{
    if (!is_later(from, confirmed)) {
        from = (uint8_t)(confirmed + 1);
    }
    for (; !is_later(from, newest); from++) {
        for (uint8_t i = 0; i < MAP_EVENTS; i++) {
            uint16_t at = event_at(i);
            if (port_eeprom_read(at) == from && cells_are_sound(at, EVENT_BYTES)) {
                uint8_t bytes[EVENT_BYTES];
                cells_read(at, bytes, EVENT_BYTES);
                out->sequence = from;
                out->code = bytes[1];
                out->argument = (uint16_t)(bytes[2] | bytes[3] << 8);
                out->minute = (uint16_t)(bytes[4] | bytes[5] << 8);
                return true;
            }
        }
    }
    return false;
}

uint8_t store_newest_event(void)
{
    return newest;
}

uint8_t store_confirmed_event(void)
{
    return confirmed;
}

void store_events_confirmed(uint8_t sequence)
{
    if (!is_later(sequence, confirmed) || is_later(sequence, newest)) {
        return;
    }
    confirmed = sequence;
    /* Not each time, for the cells' sake; but never so late that a mark could be taken for one of the next round. */
    if ((uint8_t)(confirmed - port_eeprom_read(mark_at(mark))) >= MAP_EVENTS / 2) {
        mark_is_due = true;
    }
}

void journal_minute(void)
{
    if (port_eeprom_read(mark_at(mark)) != confirmed) {
        mark_is_due = true;
    }
}

#ifdef PORT_HOST
void journal_power_up(void)
{
    queue.n = 0;
    newest = 0;
    confirmed = 0;
    place = 0;
    lost = 0;
    mark = 0;
    mark_is_due = false;
}
#endif
