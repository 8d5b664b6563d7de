/* Calibration and learned remote keys: entries in any free place, each complete in itself. Two sound entries of an input exist only
 * when power went between the new one and the end of the old; the new one counts then, and the old one's place is the next to be
 * used, so that the two are never more than one sequence apart. */
#include "cells.h"
#include "store.h"

#define NOWHERE 0xFFu

/* An entry: input, kind and sequence, day (2), payload (8), CRC (2). */
enum { E_INPUT, E_KIND, E_DAY, E_PAYLOAD = 4, E_CRC = 12 };

#define KIND_KEYS 4u
#define KEYS_INPUT 0xC0u /* group g of six keys is "input" 0xC0 + g */
#define KEYS_IN_GROUP 6u
#define NO_COMMAND 0xFFu

static uint16_t entry_at(uint8_t place)
{
    return (uint16_t)(AT_ENTRIES + place * ENTRY_BYTES);
}

static bool is_sound(uint8_t place)
{
    return cells_are_sound(entry_at(place), ENTRY_BYTES - 2);
}

static uint8_t kind_at(uint8_t place)
{
    return port_eeprom_read((uint16_t)(entry_at(place) + E_KIND));
}

/* The place of the entry that counts for this input. */
static uint8_t place_of(uint8_t input)
{
    uint8_t found = NOWHERE;
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (port_eeprom_read(entry_at(place)) == input && is_sound(place)
            && (found == NOWHERE || ((uint8_t)(kind_at(place) - kind_at(found)) & 15u) < 8u)) {
            found = place;
        }
    }
    return found;
}

static bool counts(uint8_t place)
{
    return is_sound(place) && place_of(port_eeprom_read(entry_at(place))) == place;
}

/* Takes the whole entry in the record to a place; NOWHERE when there is none. */
static bool put_entry(void)
{
    uint8_t chosen = NOWHERE;
    uint8_t n_free = 0;
    uint8_t input = cells_record[E_INPUT];
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (counts(place)) {
            continue;
        }
        n_free++;
        if (chosen == NOWHERE || (port_eeprom_read(entry_at(place)) == input && is_sound(place))) {
            chosen = place;
        }
    }
    /* One is kept free for the next entry of an input that has one. */
    if (chosen == NOWHERE || (n_free < 2 && place_of(input) == NOWHERE)) {
        return false;
    }
    cells_begin(JOB_ENTRY, entry_at(chosen), ENTRY_BYTES);
    return true;
}

static void blank_entry(uint8_t place)
{
    cells_blank((uint16_t)(entry_at(place) + E_KIND), 1); /* no kind is 15, so this changes the byte for certain */
}

void entry_written(void)
{
    uint8_t input = cells_record[E_INPUT];
    uint8_t newest = place_of(input);
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (place != newest && port_eeprom_read(entry_at(place)) == input && is_sound(place)) {
            blank_entry(place);
            return; /* there is only one, see above */
        }
    }
}

void store_correction(uint8_t input, struct correction *out)
{
    uint8_t place = place_of(input);
    out->kind = 0;
    if (place != NOWHERE) {
        out->kind = (uint8_t)(kind_at(place) >> 4);
        cells_read((uint16_t)(entry_at(place) + E_PAYLOAD), out->payload, sizeof out->payload);
    }
}

bool store_calibration(uint8_t n, uint8_t *entry)
{
    for (uint8_t place = 0; place < MAP_ENTRIES; place++) {
        if (counts(place) && n-- == 0) {
            cells_read(entry_at(place), entry, ENTRY_BYTES);
            return true;
        }
    }
    return false;
}

uint8_t store_calibrate(const uint8_t *entry)
{
    uint8_t place = place_of(entry[E_INPUT]);
    uint8_t kind = (uint8_t)(entry[E_KIND] >> 4);
    uint8_t n_same = 0;
    if (place != NOWHERE) {
        while (n_same < ENTRY_BYTES && port_eeprom_read((uint16_t)(entry_at(place) + n_same)) == entry[n_same]) {
            n_same++;
        }
    }
    if (n_same == ENTRY_BYTES) {
        return STORE_DONE;
    }
    if (cells_are_busy()) {
        return STORE_BUSY;
    }
    for (uint8_t i = 0; i < ENTRY_BYTES; i++) {
        cells_record[i] = entry[i];
    }
    cells_seal(E_CRC);
    if (cells_record[E_CRC] != entry[E_CRC] || cells_record[E_CRC + 1] != entry[E_CRC + 1] || kind > KIND_KEYS) {
        return STORE_PROGRAM;
    }
    if (kind == 0) {
        if (place == NOWHERE) {
            return STORE_DONE;
        }
        blank_entry(place);
        return STORE_BUSY;
    }
    if (place != NOWHERE) {
        uint8_t later = (uint8_t)(entry[E_KIND] - kind_at(place)) & 15u;
        if (later == 0 || later > 7) {
            return STORE_PROGRAM;
        }
    }
    return put_entry() ? STORE_BUSY : STORE_FULL;
}

/* The group's entry into the record, or an empty one; its place. */
static uint8_t read_group(uint8_t input)
{
    uint8_t place = place_of(input);
    if (place != NOWHERE) {
        cells_read(entry_at(place), cells_record, ENTRY_BYTES);
    } else {
        for (uint8_t i = 0; i < ENTRY_BYTES; i++) {
            cells_record[i] = NO_COMMAND;
        }
        cells_record[E_INPUT] = input;
        cells_record[E_KIND] = KIND_KEYS << 4;
        cells_record[E_DAY] = 0;
        cells_record[E_DAY + 1] = 0;
    }
    return place;
}

uint32_t store_key_code(uint8_t key)
{
    uint8_t place = place_of((uint8_t)(KEYS_INPUT + key / KEYS_IN_GROUP));
    if (place == NOWHERE) {
        return STORE_NO_KEY;
    }
    uint16_t at = (uint16_t)(entry_at(place) + E_PAYLOAD);
    uint8_t command = port_eeprom_read((uint16_t)(at + 2 + key % KEYS_IN_GROUP));
    if (command == NO_COMMAND) {
        return STORE_NO_KEY;
    }
    return (uint32_t)command << 16 | (uint16_t)(port_eeprom_read(at) | port_eeprom_read((uint16_t)(at + 1)) << 8);
}

uint8_t store_learn(uint8_t key, uint32_t code)
{
    uint8_t low = (uint8_t)code, high = (uint8_t)(code >> 8), command = (uint8_t)(code >> 16);
    uint8_t group = key / KEYS_IN_GROUP;
    if (command == NO_COMMAND || code >> 24 != 0 || group > 0xFFu - KEYS_INPUT) {
        return STORE_PROGRAM;
    }
    if (store_key_code(key) == code) {
        return STORE_DONE;
    }
    cells_wait();
    uint8_t place = read_group((uint8_t)(KEYS_INPUT + group));
    uint8_t *payload = cells_record + E_PAYLOAD;
    if (payload[0] != low || payload[1] != high) {
        payload[0] = low;
        payload[1] = high;
        for (uint8_t i = 0; i < KEYS_IN_GROUP; i++) {
            payload[2 + i] = NO_COMMAND;
        }
    }
    payload[2 + key % KEYS_IN_GROUP] = command;
    if (place != NOWHERE) {
        cells_record[E_KIND] = (uint8_t)((KIND_KEYS << 4) | ((cells_record[E_KIND] + 1u) & 15u));
    }
    cells_seal(E_CRC);
    return put_entry() ? STORE_DONE : STORE_FULL;
}
