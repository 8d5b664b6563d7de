/* The host's hardware: a table of callbacks that a test fills. What it leaves empty answers as bare hardware would: pins read
 * low, nobody answers on a bus. */
#ifndef PORT_HOST_H
#define PORT_HOST_H

#include <stdbool.h>
#include <stdint.h>

struct host_hardware {
    void *test; /* handed to each callback */
    uint16_t (*flash_end)(void *test);
    void (*pin_input)(void *test, uint8_t pin, bool with_pull_up);
    void (*pin_output)(void *test, uint8_t pin, bool is_high);
    bool (*pin_is_high)(void *test, uint8_t pin);
    uint16_t (*adc)(void *test, uint8_t channel);
    bool (*pwm)(void *test, uint8_t pin, uint16_t permille_high);
    void (*tone)(void *test, uint8_t pin, uint16_t hz);
    bool (*i2c)(void *test, uint8_t address, const uint8_t *out, uint8_t n_out, uint8_t *in, uint8_t n_in);
    bool (*onewire_reset)(void *test, uint8_t pin);
    uint8_t (*onewire_byte)(void *test, uint8_t pin, uint8_t byte);
    void (*spi_select)(void *test, uint8_t pin, bool is_selected);
    uint8_t (*spi)(void *test, uint8_t byte);
    int16_t (*uart_get)(void *test);
    void (*uart_put)(void *test, uint8_t byte);
    void (*reset)(void *test, uint8_t cause);
};

extern struct host_hardware host_hardware;

/* Time, in stamps of 4 us; the cause of the last reset; the stack. A test sets them. */
extern uint32_t host_stamps;
extern uint8_t host_reset_cause;
extern bool host_stack_is_sound;

/* What the test reads: a reset was asked for since the last boot (then nothing but a boot may follow), kicks of the watchdog. */
extern bool host_was_reset;
extern uint32_t host_kicks;

/* Boot, and rounds of the main loop; false when the runtime has reset the chip. */
bool host_boot(void);
bool host_round(void);

#endif
