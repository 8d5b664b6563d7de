/* EEPROM as the part has it, the debug port of programs made for this bench, and noise.
 *
 * Times from the ATmega328P data sheet: erase and write 3.4 ms, erase or write alone 1.8 ms; EEMPE falls back after four
 * cycles. libsimavr's own model is taken off: it writes at once, and leaves a timer running after each access. */
#include "sim.h"

#include <simavr/sim_interrupts.h>
#include <string.h>

enum { EECR = 0x3F, EEDR = 0x40, EEARL = 0x41, EEARH = 0x42 };
enum { EERE = 1, EEPE = 2, EEMPE = 4, EERIE = 8 };

uint8_t eeprom[EEPROM_MOST];
uint16_t eeprom_size;
uint32_t eeprom_n_writes, eeprom_writes_of[EEPROM_MOST];
uint64_t eeprom_stop_at;

static uint64_t allowed_until; /* EEMPE stands until then */
static bool is_writing;
static uint16_t write_at;
static uint8_t write_byte, write_mode;

static void done(void *param) {
    (void)param;
    if (!is_writing) return;
    is_writing = false;
    eeprom[write_at] = write_mode == 1 ? 0xFF : write_mode == 2 ? (uint8_t)(eeprom[write_at] & write_byte) : write_byte;
    chip->data[EECR] &= (uint8_t)~EEPE;
}

void eeprom_cut(int mode) {
    if (!is_writing) return;
    uint8_t drawn = (uint8_t)noise();
    if (mode < 0) mode = (int)(noise() % 4);
    uint8_t old = eeprom[write_at];
    done(NULL);
    never(done, NULL);
    if (mode == 0) eeprom[write_at] = old;
    else if (mode == 1) eeprom[write_at] = 0xFF;
    else if (mode == 3) eeprom[write_at] = drawn;
}

static uint16_t address(void) {
    return (uint16_t)((chip->data[EEARL] | chip->data[EEARH] << 8) & (eeprom_size - 1));
}

static void control(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)where, (void)param;
    bool was_allowed = now() < allowed_until;
    uint8_t keep = is_writing ? EEPE : 0;
    if ((v & EERE) && !is_writing) {
        avr->data[EEDR] = eeprom[address()];
        avr->cycle += 4; /* the chip halts */
    }
    if ((v & EEPE) && !is_writing && was_allowed) {
        is_writing = true;
        write_at = address();
        write_byte = avr->data[EEDR];
        write_mode = (v >> 4) & 3;
        keep = EEPE;
        allowed_until = 0;
        at(now() + from_us(write_mode == 0 ? 3400 : 1800), done, NULL);
        eeprom_n_writes++;
        eeprom_writes_of[write_at]++;
        if (eeprom_stop_at && eeprom_n_writes >= eeprom_stop_at) chip_stop_now();
        avr->cycle += 2;
    } else if ((v & EEMPE) && !(v & EEPE)) {
        allowed_until = now() + 5; /* four cycles behind the instruction itself */
    }
    avr->data[EECR] = (uint8_t)((v & (0x30 | EERIE)) | keep);
}

static uint8_t status(struct avr_t *avr, avr_io_addr_t where, void *param) {
    (void)param;
    uint8_t v = avr->data[where];
    if (now() < allowed_until) v |= EEMPE;
    return v;
}

/* A reset does not stop a write under way. */
void eeprom_reset(void) {
    allowed_until = 0;
    if (is_writing) chip->data[EECR] |= EEPE;
}

void eeprom_start(void) {
    eeprom_size = (uint16_t)(chip->e2end + 1u);
    memset(eeprom, 0xFF, sizeof eeprom);
    chip_hook_write(EECR, control, NULL);
    chip_hook_read(EECR, status, NULL);
    chip_hook_write(EEDR, NULL, NULL);
    chip_hook_read(EEDR, NULL, NULL);
}

/* ---- debug port: GPIOR0 takes bytes out, GPIOR1 gives them in, GPIOR2 tells how many wait and stamps time ---- */

enum { GPIOR0 = 0x3E, GPIOR1 = 0x4A, GPIOR2 = 0x4B };
#define PORT_MOST 65536
static uint8_t out[PORT_MOST], in[PORT_MOST];
static size_t n_out, n_in, in_at;
uint64_t mark_longest, mark_total;
uint32_t mark_n;
static uint64_t mark_began;

static void port_out(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)avr, (void)where, (void)param;
    if (n_out < PORT_MOST) out[n_out++] = v;
}

static uint8_t port_in(struct avr_t *avr, avr_io_addr_t where, void *param) {
    (void)avr, (void)where, (void)param;
    return in_at < n_in ? in[in_at++] : 0;
}

static uint8_t port_waiting(struct avr_t *avr, avr_io_addr_t where, void *param) {
    (void)avr, (void)where, (void)param;
    if (in_at < n_in) return 1;
    chip_is_starved = true;
    chip_stop_now();
    return 0;
}

static void stamp(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    (void)avr, (void)where, (void)param;
    if (v == 1) mark_began = now();
    else {
        uint64_t took = now() - mark_began;
        mark_n++;
        mark_total += took;
        if (took > mark_longest) mark_longest = took;
    }
}

void debug_port_start(void) {
    chip_hook_write(GPIOR0, port_out, NULL);
    chip_hook_read(GPIOR1, port_in, NULL);
    chip_hook_read(GPIOR2, port_waiting, NULL);
    chip_hook_write(GPIOR2, stamp, NULL);
}

void debug_port_give(const uint8_t *bytes, size_t n) {
    if (in_at == n_in) in_at = n_in = 0;
    if (n > PORT_MOST - n_in) n = PORT_MOST - n_in;
    memcpy(in + n_in, bytes, n);
    n_in += n;
}

size_t debug_port_take(uint8_t *bytes, size_t most) {
    size_t n = n_out < most ? n_out : most;
    memcpy(bytes, out, n);
    memmove(out, out + n, n_out - n);
    n_out -= n;
    return n;
}

/* xorshift32 (Marsaglia, 2003). */
static uint32_t state = 1;
void noise_seed(uint32_t seed) { state = seed ? seed : 1; }
uint32_t noise(void) {
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}
