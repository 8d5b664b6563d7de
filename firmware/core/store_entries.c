/* Calibration and learned remote keys: entries in any free place, each complete in itself; one sound entry an input. The new one is
 * written before the old one's kind is blanked, and is said to be done after that. What a boot finds unfinished, it undoes: of two
 * sound entries of an input the later, and whatever is torn, lose their kind, so that no cell that was cut is ever believed. */
#include <string.h>

#include "cells.h"
#include "small.h"
#include "store.h"

#define NOWHERE 0xFFu

/* An entry: input, kind and sequence, day (2), payload (8), CRC (2). */
enum { E_INPUT, E_KIND, E_DAY, E_PAYLOAD = 4, E_CRC = 12 };

#define KIND_KEYS 4u
#define BLANK 0xFFu      /* no kind is 15 */
#define KEYS_INPUT 0xC0u /* group g of six keys is "input" 0xC0 + g */
#define KEYS_IN_GROUP 6u
#define NO_COMMAND 0xFFu

static uint8_t written; /* place of the entry that is on its way */

APART static uint16_t entry_at(uint8_t place)
{
    return (uint16_t)(AT_ENTRIES + place * ENTRY_BYTES);
}

static uint8_t input_at(uint8_t place)
{
    return port_eeprom_read(entry_at(place));
}

static uint8_t kind_at(uint8_t place)
{
    return port_eeprom_read((uint16_t)(entry_at(place) + E_KIND));
}

static bool take(uint8_t place, uint8_t *entry)
{
    return cells_take(entry_at(place), entry, E_CRC);
}

static bool is_sound(uint8_t place)
{
    return take(place, 0);
}

/* Sound in every reading: a cell that was cut may read right now and wrong the next time, with nothing beside it that tells. */
static bool is_firm(uint8_t place)
{
    for (uint8_t n = 16; n != 0; n--) {
        if (!is_sound(place)) {
            return false;
        }
    }
    return true;
}

/* The first place from this one on that holds an entry of this input. */
static uint8_t place_from(uint8_t place, uint8_t input)
{
    for (; place < MAP_ENTRIES; place++) {
        if (input_at(place) == input && is_sound(place)) {
            return place;
        }
    }
    return NOWHERE;
}

APART static void blank_entry(uint8_t place)
{
    cells_blank((uint16_t)(entry_at(place) + E_KIND), 1);
}

static void write_kind(uint8_t place, uint8_t kind)
{
    cells_record[0] = kind;
    cells_begin(JOB_PLAIN, (uint16_t)(entry_at(place) + E_KIND), 1);
    cells_wait();
}

/* Two places speak of one input: power went before the new one was whole, or before the old one was blank. The cell that was cut may
 * flicker, so each is read once. Both sound: the older one's kind is made firm, and the later undone. */
static void undo_one(uint8_t place, uint8_t other)
{
    uint8_t entry[E_CRC], second[E_CRC];
    bool is_whole = take(place, entry);
    if (take(other, second)) {
        if (!is_whole) {
            other = place;
        } else if (((uint8_t)(second[E_KIND] - entry[E_KIND]) & 15u) < 8) {
            write_kind(place, entry[E_KIND]);
        } else {
            write_kind(other, second[E_KIND]);
            other = place;
        }
    }
    write_kind(other, BLANK);
}

void entries_open(void)
{
    written = NOWHERE;
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        for (uint8_t other = (uint8_t)(place + 1); other < MAP_ENTRIES; other++) {
            if (kind_at(place) != BLANK && kind_at(other) != BLANK && input_at(place) == input_at(other)) {
                undo_one(place, other);
            }
        }
        if (kind_at(place) != BLANK && !is_firm(place)) {
            write_kind(place, BLANK);
        }
    }
}

void entry_written(void)
{
    for (uint8_t place = 0; (place = place_from(place, cells_record[E_INPUT])) != NOWHERE; place++) {
        if (place != written) {
            blank_entry(place);
            return;
        }
    }
}

void store_correction(uint8_t input, struct correction *out)
{
    uint8_t place = place_from(0, input);
    out->kind = 0;
    if (place != NOWHERE) {
        uint8_t entry[E_CRC];
        (void)take(place, entry);
        out->kind = (uint8_t)(entry[E_KIND] >> 4);
        memcpy(out->payload, entry + E_PAYLOAD, sizeof out->payload);
    }
}

bool store_calibration(uint8_t n, uint8_t *entry)
{
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (is_sound(place) && n-- == 0) {
            (void)cells_take(entry_at(place), entry, ENTRY_BYTES);
            return true;
        }
    }
    return false;
}

/* Sends the entry in the record; `old` is the place of the one that it replaces. */
static uint8_t put_entry(uint8_t old)
{
    uint8_t n_free = 0;
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (!is_sound(place)) {
            written = place;
            n_free++;
        }
    }
    /* One is kept free for the next entry of an input that has one. */
    if (n_free < (uint8_t)(old == NOWHERE ? 2 : 1)) {
        return STORE_FULL;
    }
    cells_begin(JOB_ENTRY, entry_at(written), ENTRY_BYTES);
    return STORE_BUSY;
}

uint8_t store_calibrate(const uint8_t *entry)
{
    if (cells_are_busy()) {
        return STORE_BUSY;
    }
    uint8_t place = place_from(0, entry[E_INPUT]);
    uint8_t kind = (uint8_t)(entry[E_KIND] >> 4);
    memcpy(cells_record, entry, E_CRC);
    cells_seal(E_CRC);
    if (memcmp(cells_record + E_CRC, entry + E_CRC, 2) != 0 || kind > KIND_KEYS) {
        return STORE_PROGRAM;
    }
    if (place == NOWHERE) {
        return kind == 0 ? STORE_DONE : put_entry(NOWHERE);
    }
    if (kind == 0) {
        blank_entry(place);
        return STORE_BUSY;
    }
    uint8_t later = (uint8_t)(entry[E_KIND] - kind_at(place)) & 15u;
    if (later == 0 && cells_u16((uint16_t)(entry_at(place) + E_CRC)) == (uint16_t)(entry[E_CRC] | (uint16_t)entry[E_CRC + 1] << 8)) {
        /* From before this boot its last byte may have been cut: written once more it is firm. */
        return place == written ? STORE_DONE : put_entry(place);
    }
    return later == 0 || later > 7 ? STORE_PROGRAM : put_entry(place);
}

static uint8_t group_of(uint8_t key)
{
    return (uint8_t)(KEYS_INPUT + key / KEYS_IN_GROUP);
}

/* A code is address (2), command, 0; an entry's payload is address (2), six commands. Every chip of the ports is little-endian. */
uint32_t store_key_code(uint8_t key)
{
    struct correction learned;
    store_correction(group_of(key), &learned);
    uint8_t command = learned.payload[2 + key % KEYS_IN_GROUP];
    if (learned.kind != KIND_KEYS || command == NO_COMMAND) {
        return STORE_NO_KEY;
    }
    learned.payload[2] = command;
    learned.payload[3] = 0;
    uint32_t code;
    memcpy(&code, learned.payload, sizeof code);
    return code;
}

uint8_t store_learn(uint8_t key, uint32_t code)
{
    uint8_t bytes[4];
    memcpy(bytes, &code, sizeof bytes);
    if (bytes[2] == NO_COMMAND || bytes[3] != 0) {
        return STORE_PROGRAM;
    }
    cells_wait();
    if (store_key_code(key) == code) {
        return STORE_DONE;
    }
    uint8_t place = place_from(0, group_of(key));
    uint8_t *entry = cells_record;
    memset(entry, NO_COMMAND, ENTRY_BYTES);
    if (place != NOWHERE) {
        (void)take(place, entry);
        if (memcmp(entry + E_PAYLOAD, bytes, 2) != 0) {
            memset(entry + E_PAYLOAD, NO_COMMAND, E_CRC - E_PAYLOAD);
        }
    }
    entry[E_INPUT] = group_of(key);
    entry[E_KIND] = (uint8_t)(KIND_KEYS << 4 | ((entry[E_KIND] + 1u) & 15u));
    memset(entry + E_DAY, 0, 2);
    memcpy(entry + E_PAYLOAD, bytes, 2);
    entry[E_PAYLOAD + 2 + key % KEYS_IN_GROUP] = bytes[2];
    cells_seal(E_CRC);
    return put_entry(place) == STORE_FULL ? STORE_FULL : STORE_DONE;
}
