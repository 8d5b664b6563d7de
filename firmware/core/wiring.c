/* Reads the wiring table in place. Its numbers are those of programs, so the reader of programs reads them; the checks are those
 * of crates/program/src/wiring/table.rs. */
#include "wiring.h"

#include "port.h"
#include "vm_core.h"

struct wiring wiring;
static struct code table;

/* Where reading of each kind of entry goes on, so that asking in ascending order goes through the table once. */
enum { NUMBERS, BITS, OUTPUTS, DEVICES, N_KINDS };
static struct {
    uint16_t first;
    uint16_t at;
    uint8_t next;
} places[N_KINDS];

#define HEADER_BYTES 14
#define CRC_BYTES 4
#define NO_INPUT 0xFF

/* What an entry of a number driver holds: bytes that are not read here, then this. */
#define HAS_PIN 0x80u
#define HAS_SECOND 0x40u
#define HAS_SAMPLES 0x20u
#define HAS_TEMPERATURE 0x10u
#define CONSTANTS 0x03u
#define ANALOGUE (HAS_PIN | HAS_SECOND | HAS_SAMPLES)
static const uint8_t contents[] IN_FLASH = {
    HAS_PIN, ANALOGUE, ANALOGUE, ANALOGUE | HAS_TEMPERATURE | 1, ANALOGUE | HAS_TEMPERATURE | 3, ANALOGUE | 2,
    HAS_PIN | HAS_SECOND | HAS_TEMPERATURE | 1, HAS_PIN | 1, 1,
};

uint8_t wiring_byte(uint16_t at)
{
    return code_byte(&table, at);
}

uint16_t wiring_u16(uint16_t at)
{
    return code_u16(&table, at);
}

void wiring_seek(uint16_t at)
{
    vm_seek(&table, at);
}

static void fail(void)
{
    vm_fail(VM_WIRING);
}

static void read_number_entry(struct number_entry *out)
{
    uint8_t driver = vm_next_byte();
    out->driver = driver;
    if (driver < DS18B20 || driver > PARAMETER) {
        fail();
        return;
    }
    uint8_t content = flash_u8(&contents[driver - 1]);
    out->pin = (content & HAS_PIN) != 0 ? vm_next_byte() : 0xFF;
    out->second = (content & HAS_SECOND) != 0 ? vm_next_byte() : 0xFF;
    out->fields_at = reader.at;
    out->rom_at = reader.at;
    uint8_t n_bytes = 0;
    if (driver == DS18B20) {
        n_bytes = 8;
    } else if (driver == NTC) {
        n_bytes = 66;
    } else if (driver == PH_ELECTRODE) {
        n_bytes = 2;
    }
    vm_skip(n_bytes);
    for (uint8_t n = content & CONSTANTS; n != 0; n--) {
        vm_read_decimal();
    }
    out->temperature = (content & HAS_TEMPERATURE) != 0 ? vm_next_byte() : NO_INPUT;
    out->age_limit_ms = vm_read_duration();
    if ((out->temperature != NO_INPUT && out->temperature >= wiring.n_numbers)
        || ((content & HAS_SAMPLES) != 0 && (uint8_t)(out->second - 1) >= 16)) {
        fail();
    }
}

/* Which devices have lines, and how many, was checked when the table was made: no memory depends on it. */
static uint8_t read_line(uint8_t device)
{
    if (device >= wiring.n_devices) {
        fail();
    }
    return vm_next_byte();
}

static void read_bit_entry(struct bit_entry *out)
{
    out->driver = vm_next_byte();
    out->pin = 0xFF;
    out->line = 0;
    out->key = 0;
    if (out->driver < CONTACT_PIN || out->driver > (PORT_HAS_PANEL ? REMOTE_KEY : BUTTON)) {
        fail();
    } else if (out->driver == REMOTE_KEY) {
        out->key = vm_read_unsigned();
    } else {
        out->pin = vm_next_byte();
        if (out->driver == CONTACT_EXPANDER) {
            out->line = read_line(out->pin);
        }
    }
    uint8_t flags = vm_next_byte();
    out->normally_closed = (flags & 0x80) != 0;
    out->n_debounce = flags & 0x7F;
    if (out->n_debounce == 0) {
        fail();
    }
}

static void read_output_entry(struct output_entry *out)
{
    uint8_t head = vm_next_byte();
    out->driver = head & 0x3F;
    out->active_low = (head & 0x80) != 0;
    out->on_when_safe = (head & 0x40) != 0;
    if (out->driver < OUTPUT_PIN || out->driver > OUTPUT_BUZZER) {
        fail();
    }
    out->pin = vm_next_byte();
    out->line = out->driver == OUTPUT_EXPANDER ? read_line(out->pin) : 0;
}

static void read_device_entry(struct device_entry *out)
{
    uint8_t kind = vm_next_byte();
    out->kind = kind;
    bool is_of_panel = kind == TEXT_DISPLAY || kind == INFRARED_RECEIVER;
    if (kind < MCP23008 || kind > (PORT_HAS_W5500 ? ETHERNET : INFRARED_RECEIVER) || (!PORT_HAS_PANEL && is_of_panel)) {
        fail();
    }
    out->address = vm_next_byte();
    out->shape = vm_next_byte();
}

/* Room for any. */
union entry {
    /* cppcheck-suppress unusedStructMember */
    struct number_entry number;
    /* cppcheck-suppress unusedStructMember */
    struct bit_entry bit;
    /* cppcheck-suppress unusedStructMember */
    struct output_entry output;
    /* cppcheck-suppress unusedStructMember */
    struct device_entry device;
};

static void read_entry(uint8_t kind, void *out)
{
    switch (kind) {
    case NUMBERS:
        read_number_entry(out);
        break;
    case BITS:
        read_bit_entry(out);
        break;
    case OUTPUTS:
        read_output_entry(out);
        break;
    default:
        read_device_entry(out);
        break;
    }
}

static void get(uint8_t kind, uint8_t index, void *out)
{
    uint16_t at = places[kind].at;
    uint8_t next = places[kind].next;
    if (next > index) {
        at = places[kind].first;
        next = 0;
    }
    wiring_seek(at);
    do {
        read_entry(kind, out);
    } while (next++ != index);
    places[kind].at = reader.at;
    places[kind].next = next;
}

void wiring_number(uint8_t input, struct number_entry *out)
{
    get(NUMBERS, input, out);
}

void wiring_bit(uint8_t input, struct bit_entry *out)
{
    get(BITS, input, out);
}

void wiring_output(uint8_t output, struct output_entry *out)
{
    get(OUTPUTS, output, out);
}

void wiring_device(uint8_t device, struct device_entry *out)
{
    get(DEVICES, device, out);
}

static bool check_container(void)
{
    return table.length >= HEADER_BYTES + CRC_BYTES && code_is_table(&table, 'i');
}

static bool check_entries(void)
{
    union entry entry;
    wiring_seek(HEADER_BYTES);
    for (uint8_t kind = 0; kind < N_KINDS; kind++) {
        places[kind].first = reader.at;
        places[kind].next = 0xFF;
        for (uint8_t n = wiring_byte((uint16_t)(10 + kind)); n != 0; n--) {
            read_entry(kind, &entry);
            if (reader.verdict != VM_SOUND) {
                return false;
            }
        }
    }
    bool is_converter = wiring.reference_mv >= 1 && wiring.reference_mv <= 6000 && wiring.full_scale >= 2
                        && wiring.full_scale <= 4096;
    return reader.at == reader.end && (is_converter || wiring.n_numbers == 0);
}

bool wiring_open(const struct code *code)
{
    table = *code;
    bool is_sound = check_container();
    if (is_sound) {
        wiring.crc = vm_code_u32(&table, (uint16_t)(table.length - CRC_BYTES));
        wiring.board = wiring_byte(5);
        wiring.reference_mv = wiring_u16(6);
        wiring.full_scale = wiring_u16(8);
        wiring.n_numbers = wiring_byte(10);
        wiring.n_bits = wiring_byte(11);
        wiring.n_outputs = wiring_byte(12);
        wiring.n_devices = wiring_byte(13);
        is_sound = check_entries();
    }
    if (!is_sound) {
        wiring = (struct wiring){0};
    }
    return is_sound;
}
