/* Flash, EEPROM and the analogue converter. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#include "port.h"

extern const uint8_t __data_load_end[];

uint8_t port_flash_byte(uint16_t address)
{
    return pgm_read_byte((const uint8_t *)address);
}

uint16_t port_tables_at(void)
{
    return (uint16_t)(((uint16_t)__data_load_end + 127u) & 0xFF80u);
}

uint16_t port_flash_end(void)
{
#if defined(__AVR_ATmega2560__)
    return 0xFFFFu;
#elif defined(__AVR_ATmega32U4__)
    return 0x7000u;
#else
    return 0x7E00u;
#endif
}

bool port_eeprom_is_ready(void)
{
    return (EECR & _BV(EEPE)) == 0;
}

uint8_t port_eeprom_read(uint16_t address)
{
    while (!port_eeprom_is_ready()) {
    }
    EEAR = address;
    EECR = _BV(EERE);
    return EEDR;
}

void port_eeprom_start_write(uint16_t address, uint8_t byte)
{
    EEAR = address;
    EEDR = byte;
    uint8_t state = port_lock();
    /* Erase and write; EEPE within four cycles of EEMPE, which the compiler does not keep by itself. */
    __asm__ volatile("out %0, __zero_reg__\n\tsbi %0, %1\n\tsbi %0, %2" ::"I"(_SFR_IO_ADDR(EECR)), "I"(EEMPE), "I"(EEPE));
    port_unlock(state);
}

uint16_t port_adc(uint8_t channel)
{
    ADMUX = (uint8_t)(_BV(REFS0) | (channel & 0x1Fu));
#if defined(MUX5)
    ADCSRB = (channel & 0x20u) != 0 ? _BV(MUX5) : 0;
#endif
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    return ADC;
}
