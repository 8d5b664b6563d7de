/* Records of scans (docs/link.md, section 4): what went into a scan and came out of it, sent item by item straight from where the
 * program keeps it, between that scan and the next. */
#include <stddef.h>

#include "board.h"
#include "link_out.h"
#include "store.h"
#include "vm.h"

enum section { HEAD, COMMANDS, NUMBER_INPUTS, BIT_INPUTS, OUTPUTS, HANDS, TRIPS, ALARMS, STEPS, NUMBERS, BITS, DAY, CELLS, N_SECTIONS };
enum sections { WITH_INPUTS = 1, WITH_OUTPUTS = 2, WITH_STATES = 4, WITH_RESULTS = 8, WITH_CELLS = 16 };

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

static struct {
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
    record.sections = 0;
    record.section = N_SECTIONS;
    n_taken = 0;
    n_commands = 0;
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
    drop_taken();
    n_taken = n_commands;
    record.section = N_SECTIONS;
    if (record.sections == 0) {
        drop_taken();
        return;
    }
    if (record.wait != 0) {
        record.wait--;
        drop_taken();
        return;
    }
    record.wait = (uint8_t)(record.every - 1u);
    record.section = HEAD;
    record.item = 0;
    record.part = 0;
}

static void put_number(uint16_t slot)
{
    struct sample sample = vm_number(slot);
    link_put8(sample.quality);
    link_put32((uint32_t)sample.value);
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

/* The section that an item belongs to for a subscriber; HEAD goes always. */
static bool is_wanted(uint8_t section)
{
    uint8_t with = section < OUTPUTS ? WITH_INPUTS
                   : section == OUTPUTS ? WITH_OUTPUTS
                   : section < NUMBERS ? WITH_STATES
                   : section < DAY ? WITH_RESULTS
                                   : WITH_CELLS;
    return section == HEAD || (record.sections & with) != 0;
}

/* Items of the section in progress. The counts of parts stand side by side in struct vm_sizes, in the order of the sections. */
_Static_assert(offsetof(struct vm_sizes, n_procedures) == offsetof(struct vm_sizes, n_number_inputs) + 5, "counts of parts");
static uint16_t n_items(uint8_t section)
{
    const uint8_t *counts = &vm.n_number_inputs;
    switch (section) {
    case HEAD:
    case DAY:
        return 1;
    case COMMANDS:
        return n_taken;
    case NUMBERS:
        return (uint16_t)(vm.n_numbers - vm.n_number_inputs);
    case BITS:
        return (uint16_t)(vm.n_bits - vm.n_bit_inputs - N_BUILT_IN);
    case CELLS:
        return vm.n_cells;
    default:
        return counts[section < HANDS ? section - NUMBER_INPUTS : section - NUMBER_INPUTS - 1];
    }
}

static void put_item(uint8_t section, uint16_t item)
{
    uint8_t part = (uint8_t)item;
    uint8_t byte = 0;
    uint32_t word = 0;
    switch (section) {
    case HEAD:
        put_head();
        return;
    case COMMANDS:
        put_command(&commands[part]);
        return;
    case NUMBERS:
        item = (uint16_t)(item + vm.n_number_inputs);
        /* as an input */
        /* fall through */
    case NUMBER_INPUTS:
        put_number(item);
        return;
    case OUTPUTS:
        link_put16((uint16_t)vm_output(part));
        return;
    case BITS:
        item = (uint16_t)(item + vm.n_bit_inputs);
        /* as an input */
        /* fall through */
    case BIT_INPUTS:
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
    case HANDS:
        word = (uint32_t)vm_hand_left_ms(part);
        break;
    case DAY:
        word = vm_day();
        break;
    default:
        word = (uint32_t)vm_cell(item);
    }
    if (section == HANDS || section >= DAY) {
        link_put32(word);
    } else {
        link_put8(byte);
    }
}

bool record_part(void)
{
    if (record.section >= N_SECTIONS) {
        return false;
    }
    link_n = 1;
    link_put8(RECORD);
    link_put16((uint16_t)board_scan_number());
    link_put8(record.part);
    while (link_n <= 1u + LINK_MESSAGE - LONGEST_ITEM) {
        if (is_wanted(record.section) && record.item < n_items(record.section)) {
            put_item(record.section, record.item++);
            continue;
        }
        if (record.section == COMMANDS) {
            drop_taken();
        }
        record.item = 0;
        record.section++;
        if (record.section >= N_SECTIONS) {
            link_buffer[4] |= 0x80u;
            if (record.every == 0) {
                record.sections = 0;
            }
            break;
        }
    }
    record.part = (uint8_t)((record.part + 1u) & 0x7Fu);
    return true;
}
