/* The journal: events into their ring, unconfirmed ones never overwritten, what finds no room counted in a gap. Marks, written by
 * turns, hold up to where the station has the events, and how many found no room since. */
#include "cells.h"
#include "events.h"
#include "small.h"
#include "store.h"

#define WAITING 6
/* In the cells an event stands as in memory: every chip of the ports is little-endian. */
_Static_assert(sizeof(struct event) == EVENT_BYTES, "struct event is what the page says");

#define EVENT_LENGTH (EVENT_BYTES + 2u)
#define MARK_LENGTH (MARK_BYTES + 2u)

static struct journal {
    struct ring events, marks;
    uint8_t confirmed;   /* sequence */
    uint8_t marked;      /* the same, as it stands in the mark */
    uint8_t lost;        /* found no room since the newest */
    bool mark_is_due;
    uint8_t n_waiting;
    uint16_t minute;     /* of the latest; those that wait are not older than a second */
    struct {
        uint8_t code;
        uint16_t argument;
    } waiting[WAITING];
} journal;

void journal_open(void)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    (void)ring_find(&now->events, AT_EVENTS, EVENT_LENGTH, MAP_EVENTS);
    now->confirmed = (uint8_t)(now->events.sequence - MAP_EVENTS);
    now->marked = now->confirmed;
    if (!ring_find(&now->marks, AT_MARKS, MARK_LENGTH, 2)) {
        return;
    }
    now->marked = cells_record[1];
    uint8_t ahead = (uint8_t)(now->events.sequence - now->marked);
    if (ahead > 127) {
        /* The newest events are unreadable, and the station has them: their numbers are not given again. */
        now->events.sequence = now->marked;
    } else if (ahead > MAP_EVENTS) {
        /* Events are lost only while the ring is full, that is, up to marked + MAP_EVENTS: what came behind began with their gap. */
        return;
    }
    now->confirmed = now->marked;
    now->lost = cells_record[2];
}

static void lose(void)
{
    if (journal.lost != 0xFF) {
        journal.lost++;
        journal.mark_is_due = true;
    }
}

void store_event(uint8_t code, uint16_t argument, uint16_t at_minute)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    now->minute = at_minute;
    if (now->n_waiting == WAITING) {
        lose();
        return;
    }
    now->waiting[now->n_waiting].code = code;
    now->waiting[now->n_waiting].argument = argument;
    now->n_waiting++;
}

static void pop(void)
{
    journal.n_waiting--;
    /* By bytes: smaller than by elements. */
    uint8_t *byte = (uint8_t *)journal.waiting;
    for (uint8_t n = sizeof journal.waiting - sizeof journal.waiting[0]; n != 0; n--) {
        *byte = byte[sizeof journal.waiting[0]];
        byte++;
    }
}

/* The next place holds an event that the station does not have. */
static bool is_full(void)
{
    uint8_t place = (uint8_t)(journal.events.place + 1);
    uint16_t at = (uint16_t)(AT_EVENTS + (place < MAP_EVENTS ? place : 0) * EVENT_LENGTH);
    return is_later(port_eeprom_read(at), journal.confirmed) && cells_take(at, 0, EVENT_BYTES);
}

bool journal_next(void)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    while (is_full() && now->n_waiting != 0) {
        lose();
        pop();
    }
    if ((now->lost != 0 || now->n_waiting != 0) && !is_full()) {
        struct event *event = (struct event *)(void *)cells_record;
        event->code = EVENT_GAP;
        event->argument = now->lost;
        if (now->lost == 0) {
            event->code = now->waiting[0].code;
            event->argument = now->waiting[0].argument;
        }
        event->minute = now->minute;
        ring_put(&now->events, JOB_EVENT, AT_EVENTS, EVENT_LENGTH, MAP_EVENTS);
        return true;
    }
    if (!now->mark_is_due) {
        return false;
    }
    now->mark_is_due = false;
    if ((uint8_t)(now->events.sequence - now->confirmed) > MAP_EVENTS) {
        now->confirmed = (uint8_t)(now->events.sequence - MAP_EVENTS); /* older ones never were */
    }
    now->marked = now->confirmed;
    cells_record[1] = now->confirmed;
    cells_record[2] = now->lost;
    ring_put(&now->marks, JOB_MARK, AT_MARKS, MARK_LENGTH, 2);
    return true;
}

void journal_written(uint8_t job, bool again)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    if (job == JOB_MARK) {
        now->mark_is_due |= again;
    } else if (job == JOB_EVENT) {
        if (again) {
            now->events.sequence--;
        } else if (cells_record[1] == EVENT_GAP) {
            now->lost = (uint8_t)(now->lost - cells_record[2]);
            now->mark_is_due = true;
        } else {
            pop();
        }
    }
}

bool store_event_after(uint8_t from, struct event *out)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    if (!is_later(from, now->confirmed)) {
        from = (uint8_t)(now->confirmed + 1);
    }
    for (; !is_later(from, now->events.sequence); from++) {
        uint16_t at = AT_EVENTS;
        for (uint8_t i = MAP_EVENTS; i != 0; i--) {
            if (port_eeprom_read(at) == from && cells_take(at, (uint8_t *)out, EVENT_BYTES) && out->sequence == from) {
                return true;
            }
            at = (uint16_t)(at + EVENT_LENGTH);
        }
    }
    return false;
}

uint8_t store_newest_event(void)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    return cells_job() == JOB_EVENT ? (uint8_t)(now->events.sequence - 1) : now->events.sequence;
}

uint8_t store_confirmed_event(void)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    return now->confirmed;
}

void store_events_confirmed(uint8_t sequence)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    if (!is_later(sequence, now->confirmed) || is_later(sequence, store_newest_event())) {
        return;
    }
    now->confirmed = sequence;
    /* Not each time, for the cells' sake; but never so late that a mark could be taken for one of the next round. What a reset makes
     * the board forget, the station is offered again. */
    if ((uint8_t)(now->confirmed - now->marked) >= MAP_EVENTS / 2) {
        now->mark_is_due = true;
    }
}

#ifdef PORT_HOST
void journal_power_up(void)
{
    struct journal *now = &journal;
    BY_POINTER(now);
    now->n_waiting = 0;
    now->events.sequence = 0;
    now->marks.sequence = 0;
    now->lost = 0;
    now->mark_is_due = false;
}
#endif
