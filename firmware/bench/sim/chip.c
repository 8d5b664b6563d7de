/* The chip: loading, power, time and the run loop.
 *
 * Things of libsimavr 1.6 that are not as the part is: it sleeps in wall time (here it jumps to the next event at once), its
 * EEPROM takes no time (memory.c), its ports glitch (pins.c), its serial receiver holds 64 bytes (serial.c). */
#include "sim.h"

#include <simavr/avr_extint.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

avr_t *chip;
const char *chip_name;
bool chip_is_powered, chip_is_starved, chip_stop;
uint16_t chip_lowest_sp;
uint32_t chip_n_resets;
struct probe probes[4];
bool chip_is_exact;

static uint64_t base;       /* now() = base + chip->cycle */
static uint64_t last_cycle;

/* ---- appointments ---- */

#define N_APPOINTMENTS 128
static struct appointment {
    uint64_t when;
    call_t call;
    void *param;
} appointments[N_APPOINTMENTS];
static unsigned n_appointments;
static uint64_t armed_for;

uint64_t now(void) { return base + chip->cycle; }
uint64_t from_us(double us) { return (uint64_t)(us * (double)chip->frequency / 1e6 + 0.5); }

static uint64_t next_appointment(void) {
    uint64_t first = UINT64_MAX;
    for (unsigned i = 0; i < n_appointments; i++)
        if (appointments[i].when < first) first = appointments[i].when;
    return first;
}

static void dispatch(void) {
    for (bool again = true; again;) {
        again = false;
        for (unsigned i = 0; i < n_appointments; i++) {
            /* The earliest first: parts on one wire depend on each other. */
            unsigned first = i;
            for (unsigned j = i + 1; j < n_appointments; j++)
                if (appointments[j].when < appointments[first].when) first = j;
            if (appointments[first].when > now()) break;
            struct appointment due = appointments[first];
            appointments[first] = appointments[--n_appointments];
            due.call(due.param);
            again = true;
            break;
        }
    }
}

static avr_cycle_count_t alarm_rings(struct avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)when, (void)param;
    armed_for = UINT64_MAX;
    dispatch();
    uint64_t first = next_appointment();
    if (first == UINT64_MAX) return 0;
    armed_for = first;
    return first > now() ? avr->cycle + (first - now()) : avr->cycle + 1;
}

static void arm(void) {
    uint64_t first = next_appointment();
    if (first == armed_for) return;
    avr_cycle_timer_cancel(chip, alarm_rings, NULL);
    armed_for = first;
    if (first == UINT64_MAX) return;
    avr_cycle_timer_register(chip, first > now() ? first - now() : 1, alarm_rings, NULL);
}

void at(uint64_t when, call_t call, void *param) {
    never(call, param);
    if (n_appointments == N_APPOINTMENTS) {
        fprintf(stderr, "simchip: too many appointments\n");
        exit(3);
    }
    appointments[n_appointments++] = (struct appointment){when, call, param};
    if (chip_is_powered) arm();
}

void never(call_t call, void *param) {
    for (unsigned i = 0; i < n_appointments; i++)
        if (appointments[i].call == call && appointments[i].param == param) {
            appointments[i] = appointments[--n_appointments];
            return;
        }
}

/* ---- loading ---- */

static bool did_reset;
static void (*model_reset)(struct avr_t *avr);

static void reset_seen(struct avr_t *avr) {
    did_reset = true;
    if (model_reset) model_reset(avr);
}

/* What all models of the chip do at a reset of any kind. */
static void reset_models(void) {
    /* Or libsimavr polls each external interrupt whose pin is low, enabled or not, at every instruction. */
    for (uint8_t i = 0; i < EXTINT_COUNT; i++) avr_extint_set_strict_lvl_trig(chip, i, 0);
    pins_reset();
    twi_reset();
    eeprom_reset();
    serial_reset();
    analog_reset();
}

uint64_t chip_slept;

static void no_sleep(struct avr_t *avr, avr_cycle_count_t cycles) {
    (void)avr;
    chip_slept += cycles;
}

static void quiet(struct avr_t *avr, const int level, const char *format, va_list args) {
    (void)avr;
    /* Errors only: crashes of the simulated program. */
    if (level > LOG_ERROR) return;
    vfprintf(stderr, format, args);
}

/* Intel HEX, data and end records and extended addresses; false on anything else. */
static bool load_hex(const char *file) {
    FILE *in = fopen(file, "r");
    if (!in) return false;
    char line[600];
    uint32_t upper = 0;
    bool is_fine = true;
    while (is_fine && fgets(line, sizeof line, in)) {
        unsigned n, address, kind;
        if (sscanf(line, ":%2x%4x%2x", &n, &address, &kind) != 3) is_fine = false;
        else if (kind == 0)
            for (unsigned i = 0; i < n && is_fine; i++) {
                unsigned byte;
                uint32_t where = upper + address + i;
                if (sscanf(line + 9 + 2 * i, "%2x", &byte) != 1 || where > chip->flashend) is_fine = false;
                else chip->flash[where] = (uint8_t)byte;
            }
        else if (kind == 2 || kind == 4) {
            unsigned value;
            if (sscanf(line + 9, "%4x", &value) != 1) is_fine = false;
            else upper = kind == 2 ? value << 4 : value << 16;
        }
    }
    fclose(in);
    chip->codeend = chip->flashend;
    return is_fine;
}

/* libsimavr reads the old prescaler of the watchdog after the new one is written, sees no change, and goes on with the old time. */
enum { WDTCSR = 0x60 };
static avr_io_write_t model_watchdog;

static void watchdog(struct avr_t *avr, avr_io_addr_t where, uint8_t v, void *param) {
    model_watchdog(avr, where, v, param);
    avr_ioctl(avr, AVR_IOCTL_WATCHDOG_RESET, NULL);
}

bool chip_make(const char *name, uint32_t hz, const char *file) {
    avr_global_logger_set(quiet);
    chip_name = name;
    chip = avr_make_mcu_by_name(name);
    if (!chip) return false;
    avr_init(chip);
    chip->log = LOG_ERROR;
    chip->frequency = hz;
    chip->vcc = chip->avcc = chip->aref = 5000;
    memset(chip->flash, 0xFF, chip->flashend + 1u);
    size_t length = strlen(file);
    if (length > 4 && strcmp(file + length - 4, ".hex") == 0) {
        if (!load_hex(file)) return false;
    } else {
        elf_firmware_t firmware;
        memset(&firmware, 0, sizeof firmware);
        if (elf_read_firmware(file, &firmware) != 0) return false;
        firmware.frequency = hz;
        avr_load_firmware(chip, &firmware);
        chip->codeend = chip->flashend;
        chip->vcc = chip->avcc = chip->aref = 5000;
    }
    chip->sleep = no_sleep;
    model_watchdog = chip->io[AVR_DATA_TO_IO(WDTCSR)].w.c;
    chip_hook_write(WDTCSR, watchdog, chip->io[AVR_DATA_TO_IO(WDTCSR)].w.param);
    model_reset = chip->reset;
    chip->reset = reset_seen;
    eeprom_start();
    pins_start();
    twi_start();
    serial_start();
    analog_start();
    return true;
}

void chip_hook_write(uint16_t address, avr_io_write_t call, void *param) {
    chip->io[AVR_DATA_TO_IO(address)].w.c = call;
    chip->io[AVR_DATA_TO_IO(address)].w.param = param;
}

void chip_hook_read(uint16_t address, avr_io_read_t call, void *param) {
    chip->io[AVR_DATA_TO_IO(address)].r.c = call;
    chip->io[AVR_DATA_TO_IO(address)].r.param = param;
}

avr_int_vector_t *chip_vector(uint16_t reg, uint8_t bit) {
    for (unsigned i = 0; i < chip->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = chip->interrupts.vector[i];
        if (vector && vector->enable.reg == reg && vector->enable.bit == bit) return vector;
    }
    return NULL;
}

void chip_stop_now(void) {
    chip_stop = true;
    chip->run_cycle_count = 1;
}

void chip_skip(void) {
    avr_cycle_timer_slot_p next = chip->cycle_timers.timer;
    if (!next || next->when <= chip->cycle) return;
    uint64_t cycles = next->when - chip->cycle;
    if (cycles > (uint64_t)chip->run_cycle_count) cycles = (uint64_t)chip->run_cycle_count;
    chip->cycle += cycles;
    chip->run_cycle_count = 1;
}

/* ---- power and time ---- */

/* libsimavr may set its count back at a reset, and drops every timer. */
static void after_reset(void) {
    did_reset = false;
    base += last_cycle - chip->cycle;
    last_cycle = chip->cycle;
    armed_for = UINT64_MAX;
    reset_models();
    arm();
}

/* After an instruction: the deepest stack, and stamps of the probes. */
static void look(void) {
    uint16_t sp = (uint16_t)(chip->data[R_SPL] | chip->data[R_SPH] << 8);
    if (sp < chip_lowest_sp && sp > chip->ioend) chip_lowest_sp = sp;
    for (unsigned i = 0; i < 4; i++) {
        struct probe *probe = &probes[i];
        if (probe->from && chip->pc == probe->from) probe->began = now();
        else if (probe->began && chip->pc == probe->to) {
            uint64_t took = now() - probe->began;
            probe->began = 0;
            probe->total += took;
            probe->n++;
            if (took > probe->longest) probe->longest = took;
        }
    }
}

void chip_pull_power(void) {
    chip_is_powered = false;
}

void chip_power(uint32_t seed, uint8_t cause) {
    noise_seed(seed);
    uint64_t time = now();
    avr_reset(chip);
    chip->state = cpu_Running;
    base = time - chip->cycle;
    last_cycle = chip->cycle;
    did_reset = false;
    armed_for = UINT64_MAX;
    /* Memory comes up as it likes, and so do the working registers. */
    for (unsigned i = 0; i < 32; i++) chip->data[i] = (uint8_t)noise();
    for (unsigned i = chip->ioend + 1u; i <= chip->ramend; i++) chip->data[i] = (uint8_t)noise();
    chip->data[0x54] = cause; /* MCUSR, at the same place on all three chips */
    chip_is_powered = true;
    chip_lowest_sp = chip->ramend;
    chip_n_resets = 0;
    reset_models();
    arm();
}

void chip_run(uint64_t cycles) {
    uint64_t end = now() + cycles;
    chip_stop = false;
    chip_is_starved = false;
    if (!chip_is_powered) {
        /* Time goes on for what has a battery. */
        base += cycles;
        dispatch();
        return;
    }
    bool is_exact = chip_is_exact;
    for (unsigned i = 0; i < 4; i++) is_exact |= probes[i].from != 0;
    while (now() < end && !chip_stop) {
        /* libsimavr runs several instructions in one go up to the next timer, which is twice as fast; one at a time only
         * where each is looked at. */
        uint64_t left = end - now();
        chip->run_cycle_limit = is_exact ? 1 : left < 4000 ? left : 4000;
        if (chip->run_cycle_count > chip->run_cycle_limit) chip->run_cycle_count = chip->run_cycle_limit;
        int state = avr_run(chip);
        if (did_reset) {
            chip_n_resets++;
            after_reset();
        }
        last_cycle = chip->cycle;
        if (is_exact) look();
        if (state == cpu_Done || state == cpu_Crashed) break;
    }
}
