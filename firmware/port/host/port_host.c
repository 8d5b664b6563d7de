/* Hardware of the host: what port.h asks goes to the callbacks of a test. A reset leaves the runtime by a long jump back to
 * where the test called it, as a chip leaves it by starting anew. */
#include "port_host.h"

#include <setjmp.h>
#include <stddef.h>

#include "port.h"
#include "runtime.h"
#include "vm.h"

#define TABLES_AT 0x4000u
#define STAMPS_PER_MS 250u

struct host_hardware host_hardware;
uint32_t host_stamps;
uint8_t host_reset_cause = 1;
bool host_stack_is_sound = true;
bool host_was_reset;
uint32_t host_kicks;

static jmp_buf before;

#define CALL(name, otherwise, ...) \
    (host_hardware.name == NULL ? (otherwise) : host_hardware.name(host_hardware.test, __VA_ARGS__))

uint16_t port_tables_at(void)
{
    return TABLES_AT;
}

uint16_t port_flash_end(void)
{
    return host_hardware.flash_end == NULL ? 0xFE00u : host_hardware.flash_end(host_hardware.test);
}

uint16_t port_ms(void)
{
    return (uint16_t)(host_stamps / STAMPS_PER_MS);
}

uint16_t port_stamp(void)
{
    return (uint16_t)host_stamps;
}

void port_wait_us(uint8_t us)
{
    host_stamps += (uint32_t)us / 4u + 1u;
}

uint8_t port_lock(void)
{
    return 0;
}

void port_unlock(uint8_t state)
{
    (void)state;
}

void port_sleep(void)
{
}

void port_pin_input(uint8_t pin, bool with_pull_up)
{
    if (host_hardware.pin_input != NULL) {
        host_hardware.pin_input(host_hardware.test, pin, with_pull_up);
    }
}

void port_pin_output(uint8_t pin, bool is_high)
{
    if (host_hardware.pin_output != NULL) {
        host_hardware.pin_output(host_hardware.test, pin, is_high);
    }
}

bool port_pin_is_high(uint8_t pin)
{
    return CALL(pin_is_high, false, pin);
}

bool port_watch(uint8_t pin)
{
    return pin != NO_PIN;
}

uint16_t port_adc(uint8_t channel)
{
    return CALL(adc, 0, channel);
}

bool port_pwm(uint8_t pin, uint16_t permille_high)
{
    return CALL(pwm, false, pin, permille_high);
}

void port_tone(uint8_t pin, uint16_t hz)
{
    if (host_hardware.tone != NULL) {
        host_hardware.tone(host_hardware.test, pin, hz);
    }
}

bool port_i2c(uint8_t address, const uint8_t *out, uint8_t n_out, uint8_t *in, uint8_t n_in)
{
    return CALL(i2c, false, address, out, n_out, in, n_in);
}

bool port_onewire_reset(uint8_t pin)
{
    return CALL(onewire_reset, false, pin);
}

uint8_t port_onewire_byte(uint8_t pin, uint8_t byte)
{
    return CALL(onewire_byte, byte, pin, byte);
}

void port_spi_start(uint8_t select_pin)
{
    port_spi_select(select_pin, false);
}

void port_spi_select(uint8_t select_pin, bool is_selected)
{
    if (host_hardware.spi_select != NULL) {
        host_hardware.spi_select(host_hardware.test, select_pin, is_selected);
    }
}

uint8_t port_spi(uint8_t byte)
{
    return CALL(spi, 0xFF, byte);
}

int16_t port_uart_get(void)
{
    return host_hardware.uart_get == NULL ? -1 : host_hardware.uart_get(host_hardware.test);
}

uint8_t port_uart_room(void)
{
    return 16;
}

void port_uart_put(uint8_t byte)
{
    if (host_hardware.uart_put != NULL) {
        host_hardware.uart_put(host_hardware.test, byte);
    }
}

void port_start(void)
{
}

uint8_t port_reset_cause(void)
{
    return host_reset_cause;
}

void port_watchdog_kick(void)
{
    host_kicks++;
}

_Noreturn void port_reset(uint8_t cause)
{
    host_was_reset = true;
    host_reset_cause = (uint8_t)(cause | 0x08u);
    longjmp(before, 1);
}

bool port_stack_is_sound(void)
{
    return host_stack_is_sound;
}

uint16_t port_free_stack(void)
{
    return 0;
}

bool host_boot(void)
{
    /* Memory comes up empty: no program is left of the boot before. */
    struct code none = {CODE_MEMORY, 0, 0};
    (void)vm_load(&none);
    host_was_reset = false;
    if (setjmp(before) == 0) {
        runtime_start();
    }
    return !host_was_reset;
}

bool host_round(void)
{
    if (setjmp(before) == 0) {
        runtime_round();
    }
    return !host_was_reset;
}
