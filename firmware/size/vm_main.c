/* Calls everything that the VM offers, so that the linker keeps all of it; for size/vm.mk alone, never run. */
#include "port.h"
#include "vm.h"
#include "wiring.h"

static volatile uint8_t byte;
static volatile uint16_t word;
static volatile uint32_t number;
struct wiring wiring;

uint8_t port_flash_byte(uint16_t address)
{
    word = address;
    return byte;
}

uint8_t port_eeprom_read(uint16_t address)
{
    word = address;
    return byte;
}

int main(void)
{
    struct code code = {byte, word, word};
#ifdef WITH_VM
    static uint8_t kept[64];
    byte = vm_check(&code, &vm);
    byte = vm_load(&code);
    for (;;) {
        byte = vm_scan();
        struct sample sample = {(int32_t)number, byte};
        vm_set_number(byte, sample);
        vm_set_bit(byte, byte != 0, byte);
        vm_set_clock(number, byte);
        byte = vm_hand(byte, (int16_t)word, (int32_t)number);
        byte = vm_reset_trip(byte);
        byte = vm_procedure(byte, byte);
        sample = vm_number(word);
        number = (uint32_t)sample.value;
        byte = vm_bit(word);
        number = (uint32_t)vm_cell(word);
        word = (uint16_t)vm_output(byte);
        byte = vm_is_modulated(byte);
        number = (uint32_t)vm_hand_left_ms(byte);
        byte = vm_trip(byte);
        byte = vm_alarm(byte);
        byte = vm_step(byte);
        number = vm_day();
        vm_keep(kept);
        vm_restore(kept);
    }
#else
    byte = code_byte(&code, word);
    number = crc32_add(number, byte);
#endif
}
