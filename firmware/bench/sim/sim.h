/* What the files of the simulated chip share. One process is one board: the chip (by libsimavr) with the parts that a test
 * has wired to it. The test talks to it over its standard input and output, one line a request, one line an answer; the
 * requests stand in command.c.
 *
 * libsimavr is under the GPL: this program is a tool of the tests, runs as a process of its own and is linked into nothing
 * that ships. */
#ifndef SIM_H
#define SIM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <simavr/sim_avr.h>

/* ---- chip.c: the chip, its power, its time ---- */

extern avr_t *chip;
extern const char *chip_name; /* as the test gave it; libsimavr calls some chips by a sibling's name */
extern bool chip_is_powered;
extern bool chip_is_starved; /* asked its debug port for a byte that is not there */
extern bool chip_stop;       /* ends the present run after this instruction */
extern bool chip_is_exact;   /* looks at the stack after each instruction: half as fast */
extern uint16_t chip_lowest_sp;
extern uint64_t chip_slept;       /* cycles that the chip slept through */
extern uint32_t chip_n_resets;    /* by the watchdog, since power-up */

/* Cycles of the chip's clock since the process began; never runs back, also not at a reset. */
uint64_t now(void);
uint64_t from_us(double us);
bool chip_make(const char *name, uint32_t hz, const char *file);
/* Until `cycles` have passed or something stops it. */
void chip_run(uint64_t cycles);
void chip_pull_power(void);
/* SRAM comes up as `seed` says; `cause` is a bit of MCUSR. */
void chip_power(uint32_t seed, uint8_t cause);
/* As an io register is written by an instruction, with the model's own callback in place of libsimavr's. */
void chip_hook_write(uint16_t address, avr_io_write_t call, void *param);
void chip_hook_read(uint16_t address, avr_io_read_t call, void *param);
void chip_stop_now(void);
/* From within an instruction: to the next moment at which anything happens, as if the chip went on waiting. */
void chip_skip(void);
/* The interrupt that this bit enables; libsimavr knows them by its own models, which are mostly replaced here. */
struct avr_int_vector_t *chip_vector(uint16_t reg, uint8_t bit);
/* A cycle count between two places of the program. */
struct probe { uint32_t from, to; uint64_t began, longest, total; uint32_t n; };
extern struct probe probes[4];

/* A call at a time. The same call and param is one appointment: a later one replaces it. */
typedef void (*call_t)(void *param);
void at(uint64_t when, call_t call, void *param);
void never(call_t call, void *param);

/* ---- memory.c: EEPROM with time and half-written bytes; debug port ---- */

#define EEPROM_MOST 4096
extern uint8_t eeprom[EEPROM_MOST];
extern uint16_t eeprom_size;
extern uint32_t eeprom_n_writes; /* bytes begun */
extern uint64_t eeprom_stop_at;  /* end the run when this many bytes have begun; 0 never */
extern uint32_t eeprom_writes_of[EEPROM_MOST];
void eeprom_start(void);
void eeprom_reset(void);
/* Power goes: a byte under way is left as `mode` says: -1 drawn, else 0 old, 1 erased, 2 new, 3 noise. */
void eeprom_cut(int mode);
void debug_port_start(void);
void debug_port_give(const uint8_t *bytes, size_t n);
size_t debug_port_take(uint8_t *bytes, size_t most);
/* Stamps that the program makes by writing the third general-purpose register. */
extern uint64_t mark_longest, mark_total;
extern uint32_t mark_n;
uint32_t noise(void);
void noise_seed(uint32_t seed);

/* ---- pins.c ---- */

#define N_PINS 96
#define NO_PIN 255
uint8_t pin_of(const char *name); /* "PB5"; NO_PIN when there is none */
void pins_start(void);
void pins_reset(void);            /* all inputs again: the chip forgot */
bool pin_level(uint8_t pin);
bool pin_is_output(uint8_t pin);
bool pin_is_pulled_up(uint8_t pin); /* by the chip or outside */
/* SHORT is stronger than the chip: a solder bridge. */
enum drive { DRIVE_NONE, DRIVE_LOW, DRIVE_HIGH, DRIVE_PULL_UP, DRIVE_SHORT_LOW, DRIVE_SHORT_HIGH };
void pin_drive(uint8_t pin, uint8_t drive);
void pin_pull_low(uint8_t pin, bool is_low, unsigned puller); /* open drain, up to 32 parts */
/* A listener hears every change of level; up to four on a pin. */
typedef void (*listener_t)(void *param, bool level);
void pin_listen(uint8_t pin, listener_t call, void *param);
void pin_forget(uint8_t pin, listener_t call, void *param);
/* Changes since the last look, with the time. */
struct edge { uint64_t when; uint8_t pin; bool level; };
void pin_watch(uint8_t pin, bool on);
size_t edges_take(struct edge *out, size_t most);
extern uint32_t pin_n_conflicts; /* chip and a part drove against each other */
/* Permille of the time that a pin with pulse-width modulation is high, its frequency in Hz; a plain pin is 0 or 1000 at 0 Hz. */
void pin_pwm(uint8_t pin, uint32_t *permille, uint32_t *hz);

/* ---- twi.c: the two-wire bus ---- */

struct i2c_part {
    uint8_t address;
    bool is_powered;
    void *state;
    bool (*begin)(struct i2c_part *part, bool is_read); /* acknowledges */
    bool (*write)(struct i2c_part *part, uint8_t byte); /* acknowledges */
    uint8_t (*read)(struct i2c_part *part);
    void (*power)(struct i2c_part *part);               /* came up: all is forgotten */
};
void twi_start(void);
void twi_reset(void);
struct i2c_part *i2c_add(uint8_t address);
struct i2c_part *i2c_part(uint8_t address);
/* From now on a part holds SDA low until it has seen so many clocks. */
void i2c_hang(unsigned n_clocks);
bool i2c_is_hung(void);
extern uint32_t i2c_n_bytes, i2c_n_recovered;

/* ---- parts ---- */

int ds18b20_add(uint8_t pin, const uint8_t *rom7); /* family and serial; the checksum is worked out; index or -1 */
enum ds18b20_fault { PROBE_FINE, PROBE_ABSENT, PROBE_DAMAGED, PROBE_RESETS, PROBE_SLOW };
bool ds18b20_set(int probe, int16_t code, int fault, int n_times);
void ds18b20_power(void);
void onewire_direction(uint8_t pin); /* the chip may have let go of a bus that a part still holds low */
extern uint32_t onewire_n_violations;
extern char onewire_violation[80];
uint32_t ds18b20_conversions(int probe);

bool expander_add(uint8_t kind, uint8_t address); /* 8, 17, 74 */
bool expander_set(uint8_t address, uint16_t levels);
bool expander_get(uint8_t address, uint16_t *levels, uint16_t *directions, uint16_t *latches);
bool expander_forget(uint8_t address); /* a glitch of its supply: registers as after power-up */
bool expander_poke(uint8_t address, uint8_t reg, uint8_t value);

bool display_add(uint8_t address, uint8_t columns, uint8_t rows);
bool display_text(uint8_t address, char *out, size_t size);
uint32_t display_violations(uint8_t address);

bool clock_add(uint8_t kind);         /* 1 DS1307, 2 DS3231 */
void clock_set(uint64_t utc_s);       /* since 2000 */
void clock_stop(void);                /* oscillator stopped, flag set */
bool clock_get(uint64_t *utc_s);

void serial_start(void);
void serial_reset(void);
extern uint32_t serial_n_overruns;
void serial_give(const uint8_t *bytes, size_t n);
size_t serial_take(uint8_t *bytes, size_t most);
size_t serial_waiting(void);          /* bytes that have not gone in yet */
extern bool serial_stop_at_zero;

void analog_start(void);
void analog_reset(void);
bool analog_set(uint8_t channel, uint16_t sum, uint8_t n);

bool infrared_send(uint8_t pin, uint32_t code, unsigned n_repeats);
bool echo_add(uint8_t trigger, uint8_t echo);
bool echo_set(uint8_t echo, uint32_t us);
bool pulses_send(uint8_t pin, uint32_t n, uint32_t spacing_us);
bool press(uint8_t pin, bool level, uint32_t us, uint8_t then);

#endif
