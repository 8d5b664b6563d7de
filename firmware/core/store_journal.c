/* The journal: events into their ring, unconfirmed ones never overwritten, what finds no room counted in a gap. Marks, written by
 * turns, hold up to where the station has the events, and how many found no room since. */
#include "cells.h"
#include "events.h"
#include "store.h"

#define WAITING 6
#define EVENT_LENGTH (EVENT_BYTES + 2u)
#define MARK_LENGTH (MARK_BYTES + 2u)

static struct {
    uint8_t code;
    uint16_t argument;
} waiting[WAITING];
static uint8_t n_waiting;
static uint16_t minute; /* of the latest; those that wait are not older than a second */

static struct ring events, marks;
static uint8_t confirmed;        /* sequence */
static uint8_t marked;           /* the same, as it stands in the mark */
static uint8_t lost;             /* found a full ring since the newest */
static bool mark_is_due;

void journal_open(void)
{
    (void)ring_find(&events, AT_EVENTS, EVENT_LENGTH, MAP_EVENTS);
    confirmed = (uint8_t)(events.sequence - MAP_EVENTS);
    marked = confirmed;
    if (!ring_find(&marks, AT_MARKS, MARK_LENGTH, 2)
        || !cells_take((uint16_t)(AT_MARKS + marks.place * MARK_LENGTH), cells_record, MARK_BYTES)) {
        return;
    }
    marked = cells_record[1];
    uint8_t ahead = (uint8_t)(events.sequence - marked);
    if (ahead > 127) {
        /* The newest events are unreadable, and the station has them: their numbers are not given again. */
        events.sequence = marked;
    } else if (ahead > MAP_EVENTS) {
        /* Events are lost only while the ring is full, that is, up to marked + MAP_EVENTS: what came behind began with their gap. */
        return;
    }
    confirmed = marked;
    lost = cells_record[2];
}

void store_event(uint8_t code, uint16_t argument, uint16_t at_minute)
{
    minute = at_minute;
    uint8_t last = n_waiting;
    if (last < WAITING) {
        n_waiting++;
    } else {
        last--;
        argument = waiting[last].code == EVENT_GAP ? (uint16_t)(waiting[last].argument + 1) : 2;
        code = EVENT_GAP;
    }
    waiting[last].code = code;
    waiting[last].argument = argument;
}

static void pop(void)
{
    n_waiting--;
    for (uint8_t i = 0; i < n_waiting; i++) {
        waiting[i] = waiting[i + 1];
    }
}

/* The next place holds an event that the station does not have. */
static bool is_full(void)
{
    uint8_t place = (uint8_t)(events.place + 1);
    uint16_t at = (uint16_t)(AT_EVENTS + (place < MAP_EVENTS ? place : 0) * EVENT_LENGTH);
    return is_later(port_eeprom_read(at), confirmed) && cells_take(at, 0, EVENT_BYTES);
}

bool journal_next(void)
{
    while (lost != 0 || n_waiting != 0) {
        uint8_t code = waiting[0].code;
        uint16_t argument = waiting[0].argument;
        if (!is_full()) {
            if (lost != 0) {
                code = EVENT_GAP;
                argument = lost;
            }
            cells_record[1] = code;
            cells_record[2] = (uint8_t)argument;
            cells_record[3] = (uint8_t)(argument >> 8);
            cells_record[4] = (uint8_t)minute;
            cells_record[5] = (uint8_t)(minute >> 8);
            ring_put(&events, JOB_EVENT, AT_EVENTS, EVENT_LENGTH, MAP_EVENTS);
            return true;
        }
        if (n_waiting == 0) {
            break;
        }
        if (code != EVENT_GAP) {
            argument = 1;
        }
        if (lost != 0xFF) {
            lost = argument > 0xFFu - lost ? 0xFF : (uint8_t)(lost + argument);
            mark_is_due = true;
        }
        pop();
    }
    if (!mark_is_due) {
        return false;
    }
    mark_is_due = false;
    if ((uint8_t)(events.sequence - confirmed) > MAP_EVENTS) {
        confirmed = (uint8_t)(events.sequence - MAP_EVENTS); /* older ones never were */
    }
    marked = confirmed;
    cells_record[1] = confirmed;
    cells_record[2] = lost;
    ring_put(&marks, JOB_MARK, AT_MARKS, MARK_LENGTH, 2);
    return true;
}

void journal_written(uint8_t job, bool again)
{
    if (job == JOB_MARK) {
        mark_is_due |= again;
    } else if (job == JOB_EVENT) {
        if (again) {
            events.sequence--;
        } else if (lost != 0) {
            lost = 0;
            mark_is_due = true;
        } else {
            pop();
        }
    }
}

bool store_event_after(uint8_t from, struct event *out)
{
    if (!is_later(from, confirmed)) {
        from = (uint8_t)(confirmed + 1);
    }
    for (; !is_later(from, events.sequence); from++) {
        uint16_t at = AT_EVENTS;
        for (uint8_t i = 0; i < MAP_EVENTS; i++) {
            uint8_t bytes[EVENT_BYTES];
            if (port_eeprom_read(at) == from && cells_take(at, bytes, EVENT_BYTES)) {
                out->sequence = from;
                out->code = bytes[1];
                out->argument = (uint16_t)(bytes[2] | (uint16_t)bytes[3] << 8);
                out->minute = (uint16_t)(bytes[4] | (uint16_t)bytes[5] << 8);
                return true;
            }
            at = (uint16_t)(at + EVENT_LENGTH);
        }
    }
    return false;
}

uint8_t store_newest_event(void)
{
    return cells_job() == JOB_EVENT ? (uint8_t)(events.sequence - 1) : events.sequence;
}

uint8_t store_confirmed_event(void)
{
    return confirmed;
}

void store_events_confirmed(uint8_t sequence)
{
    if (!is_later(sequence, confirmed) || is_later(sequence, store_newest_event())) {
        return;
    }
    confirmed = sequence;
    /* Not each time, for the cells' sake; but never so late that a mark could be taken for one of the next round. */
    if ((uint8_t)(confirmed - marked) >= MAP_EVENTS / 2) {
        mark_is_due = true;
    }
}

void journal_minute(void)
{
    if (marked != confirmed) {
        mark_is_due = true;
    }
}

#ifdef PORT_HOST
void journal_power_up(void)
{
    n_waiting = 0;
    events.sequence = 0;
    marks.sequence = 0;
    lost = 0;
    mark_is_due = false;
}
#endif
