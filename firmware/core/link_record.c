/* Records of scans (docs/link.md, section 4): what went into a scan and came out of it, sent item by item straight from where the
 * program keeps it, between that scan and the next. */
#include <stddef.h>

#include "board.h"
#include "code.h"
#include "link_out.h"
#include "small.h"
#include "store.h"
#include "vm.h"

enum section { HEAD, COMMANDS, NUMBERS, BITS, OUTPUTS, HANDS, TRIPS, ALARMS, STEPS, DAY, CELLS, N_SECTIONS };
enum sections { WITH_INPUTS = 1, WITH_OUTPUTS = 2, WITH_STATES = 4, WITH_RESULTS = 8, WITH_CELLS = 16 };
/* Which of them a subscriber must have asked for; the head goes always. */
static const uint8_t wanted_by[] IN_FLASH = {
    0xFF, WITH_INPUTS, WITH_INPUTS | WITH_RESULTS, WITH_INPUTS | WITH_RESULTS, WITH_OUTPUTS, WITH_STATES, WITH_STATES,
    WITH_STATES, WITH_STATES, WITH_CELLS, WITH_CELLS,
};

/* No item is longer; but for the head, which stands first. */
#define LONGEST_ITEM 8u
/* Two bits that are there in every program stand before the bit inputs. */
#define N_BUILT_IN 2u

struct command {
    uint32_t time_ms;
    int16_t value;
    uint8_t kind, part;
};

/* The first n_taken commands belong to the last scan, those behind them to the next one. */
static struct command commands[LINK_COMMANDS];
static uint8_t n_taken, n_commands;

static struct record {
    uint8_t line, sections, every, wait;
    uint8_t section; /* where the record in progress is; N_SECTIONS without one */
    uint8_t part;
    uint16_t item;
} record;

bool link_has_room(void)
{
    return n_commands < LINK_COMMANDS;
}

void link_command(uint8_t kind, uint8_t part, int16_t value, uint32_t time_ms)
{
    if (link_has_room()) {
        struct command *command = &commands[n_commands++];
        command->time_ms = time_ms;
        command->value = value;
        command->kind = kind;
        command->part = part;
    }
}

/* Those of the last scan have gone out, or nobody wants them. */
static void drop_taken(void)
{
    uint8_t kept = 0;
    while (n_taken < n_commands) {
        commands[kept++] = commands[n_taken++];
    }
    n_commands = kept;
    n_taken = 0;
}

void record_start(void)
{
    ON_RESTART(record.sections = n_taken = n_commands = 0);
    record.section = N_SECTIONS;
}

void record_subscribe(uint8_t line, uint8_t sections, uint8_t every)
{
    record.line = line;
    record.sections = sections;
    record.every = every;
    record.wait = 0;
    record.section = N_SECTIONS;
}

uint8_t record_line(void)
{
    return record.line;
}

void record_line_closed(uint8_t line)
{
    if (record.line == line) {
        record_subscribe(line, 0, 0);
    }
}

void link_scan_done(void)
{
    struct record *now = &record;
    BY_POINTER(now);
    drop_taken();
    n_taken = n_commands;
    now->section = N_SECTIONS;
    if (now->sections != 0 && now->wait-- == 0) {
        now->wait = (uint8_t)(now->every - 1u);
        now->section = HEAD;
        now->item = 0;
        now->part = 0;
    } else {
        drop_taken();
    }
}

static void put_head(void)
{
    uint8_t quality;
    uint32_t clock = board_clock(&quality);
    link_put8(record.sections);
    link_put32(board_scan_number());
    link_put32(clock);
    link_put8(quality);
    link_put8(store_newest_event());
    link_put8((record.sections & WITH_INPUTS) != 0 ? n_taken : 0);
}

static void put_command(const struct command *command)
{
    link_put8(command->kind);
    link_put8(command->part);
    link_put16((uint16_t)command->value);
    link_put32(command->time_ms);
}

/* Items of a section. The counts of drives, trips, alarms and procedures stand side by side in struct vm_sizes. */
_Static_assert(offsetof(struct vm_sizes, n_procedures) == offsetof(struct vm_sizes, n_drives) + 3, "counts of parts");
static uint16_t n_items(uint8_t section)
{
    bool with_results = (record.sections & WITH_RESULTS) != 0;
    switch (section) {
    case COMMANDS:
        return n_taken;
    case NUMBERS:
        return with_results ? vm.n_numbers : vm.n_number_inputs;
    case BITS:
        return with_results ? (uint16_t)(vm.n_bits - N_BUILT_IN) : vm.n_bit_inputs;
    case OUTPUTS:
        return vm.n_drives;
    case CELLS:
        return vm.n_cells;
    case HEAD:
    case DAY:
        return 1;
    default:
        return ((const uint8_t *)&vm)[offsetof(struct vm_sizes, n_drives) + section - HANDS];
    }
}

static void put_item(uint8_t section, uint16_t item)
{
    uint8_t part = (uint8_t)item;
    uint8_t byte;
    switch (section) {
    case HEAD:
        put_head();
        return;
    case COMMANDS:
        put_command(&commands[part]);
        return;
    case OUTPUTS:
        link_put16((uint16_t)vm_output(part));
        return;
    case BITS:
        byte = vm_bit((uint16_t)(item + N_BUILT_IN));
        break;
    case TRIPS:
        byte = vm_trip(part);
        break;
    case ALARMS:
        byte = vm_alarm(part);
        break;
    case STEPS:
        byte = vm_step(part);
        break;
    default: {
        uint32_t word;
        if (section == NUMBERS) {
            struct sample sample = vm_number(item);
            link_put8(sample.quality);
            word = (uint32_t)sample.value;
        } else if (section == HANDS) {
            word = (uint32_t)vm_hand_left_ms(part);
        } else if (section == DAY) {
            word = vm_day();
        } else {
            word = (uint32_t)vm_cell(item);
        }
        link_put32(word);
        return;
    }
    }
    link_put8(byte);
}

bool record_part(void)
{
    struct record *now = &record;
    BY_POINTER(now);
    if (now->section >= N_SECTIONS) {
        return false;
    }
    link_n = 1;
    link_put8(RECORD);
    link_put16((uint16_t)board_scan_number());
    link_put8(now->part);
    now->part = (now->part + 1u) & 0x7Fu;
    while (link_n <= 1u + LINK_MESSAGE - LONGEST_ITEM) {
        uint8_t section = now->section;
        if ((flash_u8(&wanted_by[section]) & now->sections) != 0 && now->item < n_items(section)) {
            put_item(section, now->item++);
            continue;
        }
        if (section == COMMANDS) {
            drop_taken();
        }
        now->item = 0;
        if (++now->section >= N_SECTIONS) {
            link_buffer[4] |= 0x80u;
            if (now->every == 0) {
                now->sections = 0;
            }
            break;
        }
    }
    return true;
}
