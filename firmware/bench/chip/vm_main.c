/* The virtual machine alone on a chip, run by the bench: requests come through the simulated chip's debug port
 * (firmware/bench/sim/memory.c), answers go out the same way, and each scan is stamped so that its cycles are counted.
 *
 *   'L' place base(2) length(2) wiring(4)   vm_load: verdict
 *   'K'                                     vm_keep: length (255 when they do not fit here), bytes
 *   'V' length bytes                        vm_restore
 *   'H' drive value(2) time(4)              vm_hand: 0 or 1
 *   'T' trip                                vm_reset_trip
 *   'P' procedure command                   vm_procedure
 *   'S' clock(4) quality, then for each number input value(4) quality, for each bit input value | quality << 1
 *                                           vm_scan, then every result: numbers value(4) quality; bits; drives output(2) hand
 *                                           left(4); trips; alarms; steps; day(4)
 *   'M'                                     address of 128 bytes for programs in memory
 * Integers are little-endian. */
#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#include "port.h"
#include "vm.h"
#include "wiring.h"

struct wiring wiring;
static uint8_t in_memory[128];

uint8_t port_flash_byte(uint16_t address) { return pgm_read_byte(address); }

/* Not eeprom_read_byte: it waits for a write, and there is none. */
uint8_t port_eeprom_read(uint16_t address) {
    EEAR = address;
    EECR |= _BV(EERE);
    return EEDR;
}

static uint8_t get(void) {
    while (!GPIOR2) {
    }
    return GPIOR1;
}

static uint16_t get_16(void) {
    uint16_t low = get();
    return (uint16_t)(low | (uint16_t)(get() << 8));
}

static uint32_t get_32(void) {
    uint32_t low = get_16();
    return low | (uint32_t)get_16() << 16;
}

static void put(uint8_t byte) { GPIOR0 = byte; }

static void put_16(uint16_t word) {
    put((uint8_t)word);
    put((uint8_t)(word >> 8));
}

static void put_32(uint32_t word) {
    put_16((uint16_t)word);
    put_16((uint16_t)(word >> 16));
}

static void load(void) {
    struct code code;
    code.place = get();
    code.base = get_16();
    code.length = get_16();
    wiring.crc = get_32();
    wiring.n_numbers = wiring.n_bits = wiring.n_outputs = 255;
    put(vm_load(&code));
}

static void scan(void) {
    uint32_t utc_s = get_32();
    vm_set_clock(utc_s, get());
    for (uint8_t i = 0; i < vm.n_number_inputs; i++) {
        struct sample sample;
        sample.value = (int32_t)get_32();
        sample.quality = get();
        vm_set_number(i, sample);
    }
    for (uint8_t i = 0; i < vm.n_bit_inputs; i++) {
        uint8_t word = get();
        vm_set_bit(i, word & 1, word >> 1);
    }
    GPIOR2 = 1;
    vm_scan();
    GPIOR2 = 2;
    for (uint16_t i = 0; i < vm.n_numbers; i++) {
        struct sample sample = vm_number(i);
        put_32((uint32_t)sample.value);
        put(sample.quality);
    }
    for (uint16_t i = 0; i < vm.n_bits; i++) put(vm_bit(i));
    for (uint8_t i = 0; i < vm.n_drives; i++) {
        put_16((uint16_t)vm_output(i));
        put_32((uint32_t)vm_hand_left_ms(i));
    }
    for (uint8_t i = 0; i < vm.n_trips; i++) put(vm_trip(i));
    for (uint8_t i = 0; i < vm.n_alarms; i++) put(vm_alarm(i));
    for (uint8_t i = 0; i < vm.n_procedures; i++) put(vm_step(i));
    put_32(vm_day());
}

int main(void) {
    for (;;) {
        uint8_t kept[96];
        switch (get()) {
        case 'L': load(); break;
        case 'K':
            if (vm.retained_bytes > sizeof kept) {
                put(0xFF);
                break;
            }
            vm_keep(kept);
            put(vm.retained_bytes);
            for (uint8_t i = 0; i < vm.retained_bytes; i++) put(kept[i]);
            break;
        case 'V': {
            uint8_t n = get();
            for (uint8_t i = 0; i < n; i++) kept[i] = get();
            vm_restore(kept);
            break;
        }
        case 'H': {
            uint8_t drive = get();
            int16_t value = (int16_t)get_16();
            put(vm_hand(drive, value, (int32_t)get_32()));
            break;
        }
        case 'T': put(vm_reset_trip(get())); break;
        case 'P': {
            uint8_t procedure = get();
            put(vm_procedure(procedure, get()));
            break;
        }
        case 'S': scan(); break;
        case 'M': put_16((uint16_t)(uintptr_t)in_memory); break;
        default: break;
        }
    }
}
