/* The journal: events into their ring, unconfirmed ones never overwritten, what finds no room counted in a gap. Marks, written by
 * turns, hold up to where the station has the events, and how many found no room since. */
#include "cells.h"
#include "events.h"
#include "store.h"

#define WAITING 6
/* In the cells an event stands as in memory: every chip of the ports is little-endian. */
_Static_assert(sizeof(struct event) == EVENT_BYTES, "struct event is what the page says");

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
    if (!ring_find(&marks, AT_MARKS, MARK_LENGTH, 2)) {
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

static void lose(void)
{
    if (lost != 0xFF) {
        lost++;
        mark_is_due = true;
    }
}

void store_event(uint8_t code, uint16_t argument, uint16_t at_minute)
{
    minute = at_minute;
    if (n_waiting == WAITING) {
        lose();
        return;
    }
    waiting[n_waiting].code = code;
    waiting[n_waiting].argument = argument;
    n_waiting++;
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
    while (is_full() && n_waiting != 0) {
        lose();
        pop();
    }
    if ((lost != 0 || n_waiting != 0) && !is_full()) {
        struct event *event = (struct event *)(void *)cells_record;
        event->code = EVENT_GAP;
        event->argument = lost;
        if (lost == 0) {
            event->code = waiting[0].code;
            event->argument = waiting[0].argument;
        }
        event->minute = minute;
        ring_put(&events, JOB_EVENT, AT_EVENTS, EVENT_LENGTH, MAP_EVENTS);
        return true;
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
        } else if (cells_record[1] == EVENT_GAP) {
            lost = (uint8_t)(lost - cells_record[2]);
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
        for (uint8_t i = MAP_EVENTS; i != 0; i--) {
            if (port_eeprom_read(at) == from && cells_take(at, (uint8_t *)out, EVENT_BYTES)) {
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
    /* Not each time, for the cells' sake; but never so late that a mark could be taken for one of the next round. What a reset makes
     * the board forget, the station is offered again. */
    if ((uint8_t)(confirmed - marked) >= MAP_EVENTS / 2) {
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
