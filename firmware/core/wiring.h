/* The wiring table, read in place: what is on which pin, bus and line, and how raw codes become values (docs/control-program.md,
 * section 8). Knows no hardware: drivers ask it what to read, and give it what they read. */
#ifndef WIRING_H
#define WIRING_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"
#include "vm.h"

enum number_driver {
    DS18B20 = 1, TMP36, NTC, PH_ELECTRODE, CONDUCTIVITY, LEVEL, ULTRASONIC, PULSE_FLOW, PARAMETER
};
enum bit_driver { CONTACT_PIN = 1, CONTACT_EXPANDER, BUTTON, REMOTE_KEY };
enum output_driver { OUTPUT_PIN = 1, OUTPUT_PWM, OUTPUT_EXPANDER, OUTPUT_BUZZER };
enum device_kind { MCP23008 = 1, MCP23017, PCF8574, TEXT_DISPLAY, DS1307, DS3231, INFRARED_RECEIVER, ETHERNET };

struct wiring {
    uint8_t board, n_numbers, n_bits, n_outputs, n_devices;
    uint16_t reference_mv, full_scale;
    uint32_t crc; /* by which programs name this table */
};
extern struct wiring wiring;

/* Opens and checks a table whole (magic, length, CRC, every entry; nothing that this image leaves out); false leaves no table. */
bool wiring_open(const struct code *code);

struct number_entry {
    uint8_t driver;
    uint8_t pin;         /* pin, channel or trigger pin */
    uint8_t second;      /* echo pin, or n_samples of an analogue driver */
    uint8_t temperature; /* number input for compensation, 0xFF for none */
    uint16_t fields_at;  /* offset of the fields behind those, for conversion */
    uint16_t rom_at;     /* DS18B20: offset of its ROM code */
    int32_t age_limit_ms;
};
struct bit_entry {
    uint8_t driver;
    uint8_t pin;  /* pin, or device of an expander line */
    uint8_t line;
    uint8_t n_debounce;
    bool normally_closed;
    uint32_t key;
};
struct output_entry {
    uint8_t driver;
    uint8_t pin; /* pin, or device of an expander line */
    uint8_t line;
    bool active_low, on_when_safe;
};
struct device_entry {
    uint8_t kind, address, shape;
};

/* Entries by their order; the index must be below the count. Cheap when asked in ascending order (the last place is kept). */
void wiring_number(uint8_t input, struct number_entry *out);
void wiring_bit(uint8_t input, struct bit_entry *out);
void wiring_output(uint8_t output, struct output_entry *out);
void wiring_device(uint8_t device, struct device_entry *out);
uint8_t wiring_byte(uint16_t at);

/* A calibration entry's payload as docs/control-program.md has it: kind 0 for none, 1 linear, 2 pH, 3 parameter. */
struct correction {
    uint8_t kind;
    uint8_t payload[8];
};

/* Raw code to value. `temperature` is the value of `entry->temperature` in this scan, bad without one. */
struct sample wiring_convert(const struct number_entry *entry, int32_t raw, const struct correction *correction,
                             struct sample temperature, uint16_t period_ms);

#endif
