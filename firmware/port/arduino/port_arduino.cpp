// The hardware that port.h asks for, through the Arduino API alone, so that every chip with such a core can run the rules.
// Where a chip offers more by its own library (watchdog, reset, cause of a reset), it is used; where it does not, the function
// says what is missing. A pin's byte is 128 and the number that
// digitalWrite takes.

#include <Arduino.h>
#include <EEPROM.h>
#include <SPI.h>
#include <Wire.h>

#if defined(__AVR__)
#include <avr/wdt.h>
#elif defined(ARDUINO_ARCH_ESP32)
#include <esp_system.h>
#include <esp_task_wdt.h>
#endif

extern "C" {
#define _Noreturn __attribute__((noreturn))
#include "drivers.h"
#include "port.h"
#include "sketch.h"
}
#include "tables.h"

static inline uint8_t number_of(uint8_t pin) {
    return pin & 0x7Fu;
}

// The Arduino API has no interrupt lock that nests; the cores of AVR and ARM keep the flag where these read it.
extern "C" uint8_t port_lock(void) {
#if defined(__AVR__)
    uint8_t state = SREG;
    noInterrupts();
    return state;
#elif defined(__arm__)
    uint32_t mask;
    __asm__ volatile("mrs %0, primask" : "=r"(mask));
    noInterrupts();
    return (uint8_t)(mask & 1u);
#else
    noInterrupts();
    return 0;
#endif
}

extern "C" void port_unlock(uint8_t state) {
#if defined(__AVR__)
    SREG = state;
#elif defined(__arm__)
    if (state == 0) interrupts();
#else
    (void)state;
    interrupts();
#endif
}

// The tables stand in an array of the sketch: there is no runtime before them that a checksum could cover.
extern "C" uint8_t port_flash_byte(uint16_t address) {
    return address < sizeof TABLES ? pgm_read_byte(TABLES + address) : 0xFF;
}

extern "C" uint16_t port_tables_at(void) {
    return 0;
}

extern "C" uint16_t port_flash_end(void) {
    return (uint16_t)sizeof TABLES;
}

// On chips that emulate EEPROM in flash a byte lasts only with commit(), which writes a whole sector: power lost in that
// moment can lose all of it. Chips with a real EEPROM do not have this.
extern "C" uint8_t port_eeprom_read(uint16_t address) {
    return EEPROM.read(address);
}

extern "C" bool port_eeprom_is_ready(void) {
#if defined(__AVR__)
    return eeprom_is_ready();
#else
    return true;
#endif
}

extern "C" void port_eeprom_start_write(uint16_t address, uint8_t byte) {
    if (EEPROM.read(address) == byte) return;
    EEPROM.write(address, byte);
#if defined(ARDUINO_ARCH_ESP32) || defined(ARDUINO_ARCH_ESP8266) || defined(ARDUINO_ARCH_RP2040)
    EEPROM.commit();
#endif
}

extern "C" uint16_t port_ms(void) {
    return (uint16_t)millis();
}

extern "C" uint16_t port_stamp(void) {
    return (uint16_t)(micros() / 4);
}

extern "C" void port_wait_us(uint8_t us) {
    delayMicroseconds(us);
}

extern "C" void port_sleep(void) {
    yield();
}

extern "C" void port_pin_input(uint8_t pin, bool with_pull_up) {
    if (pin != NO_PIN) pinMode(number_of(pin), with_pull_up ? INPUT_PULLUP : INPUT);
}

extern "C" void port_pin_output(uint8_t pin, bool is_high) {
    if (pin == NO_PIN) return;
    pin = number_of(pin);
    digitalWrite(pin, is_high ? HIGH : LOW);
    pinMode(pin, OUTPUT);
    // Some cores forget a level that was written while the pin was an input.
    digitalWrite(pin, is_high ? HIGH : LOW);
}

extern "C" bool port_pin_is_high(uint8_t pin) {
    return pin != NO_PIN && digitalRead(number_of(pin)) == HIGH;
}

static void edge(void) {
    edges_changed();
}

extern "C" bool port_watch(uint8_t pin) {
    const int interrupt = digitalPinToInterrupt(number_of(pin));
    if (interrupt < 0) return false;
    attachInterrupt(interrupt, edge, CHANGE);
    return true;
}

extern "C" uint16_t port_adc(uint8_t channel) {
    return (uint16_t)analogRead(channel);
}

// The frequency is the core's (490 Hz to some kHz), not 25 kHz: a fan with a speed input may be heard, or want a filter.
extern "C" bool port_pwm(uint8_t pin, uint16_t permille_high) {
    if (pin == NO_PIN) return false;
    analogWrite(number_of(pin), (int)(((uint32_t)permille_high * 255u + 500u) / 1000u));
    return true;
}

extern "C" void port_tone(uint8_t pin, uint16_t hz) {
    if (hz == 0) {
        noTone(number_of(pin));
    } else {
        tone(number_of(pin), hz);
    }
}

// Bus recovery as everywhere: nine clocks let a part that hangs in a byte finish it, a stop condition ends its transaction.
static void free_bus(void) {
    Wire.end();
    pinMode(SDA, INPUT_PULLUP);
    for (uint8_t clock = 0; clock < 9; clock++) {
        pinMode(SCL, OUTPUT);
        digitalWrite(SCL, LOW);
        delayMicroseconds(5);
        pinMode(SCL, INPUT_PULLUP);
        delayMicroseconds(5);
    }
    digitalWrite(SDA, LOW);
    pinMode(SDA, OUTPUT);
    delayMicroseconds(5);
    pinMode(SDA, INPUT_PULLUP);
    Wire.begin();
    Wire.setClock(100000);
}

extern "C" bool port_i2c(uint8_t address, const uint8_t *out, uint8_t n_out, uint8_t *in, uint8_t n_in) {
    if (n_out > 0 || n_in == 0) {
        Wire.beginTransmission(address);
        Wire.write(out, n_out);
        const uint8_t verdict = Wire.endTransmission(n_in == 0);
        if (verdict != 0) {
            if (verdict >= 4) free_bus();
            return false;
        }
    }
    if (n_in > 0) {
        if (Wire.requestFrom(address, n_in) != n_in) return false;
        for (uint8_t i = 0; i < n_in; i++) in[i] = (uint8_t)Wire.read();
    }
    return true;
}

// Open drain: the pin is an output that is low, or an input; the bus has its own pull-up resistor. Direction alone is switched
// where time counts: with the level low beforehand, a slot's level is taken some 10 us after its beginning even where pinMode takes 5.
static void let_go(uint8_t pin) {
    pinMode(pin, INPUT);
}

// Times of the DS18B20 data sheet: reset 480 us low, presence within 60 us of its end; a slot of 60 us and more, whose level
// is taken within its first 15 us.
extern "C" bool port_onewire_reset(uint8_t pin) {
    pin = number_of(pin);
    pinMode(pin, OUTPUT);
    digitalWrite(pin, LOW);
    delayMicroseconds(490);
    const uint8_t state = port_lock();
    let_go(pin);
    delayMicroseconds(70);
    const bool is_there = digitalRead(pin) == LOW;
    port_unlock(state);
    delayMicroseconds(410);
    return is_there;
}

extern "C" uint8_t port_onewire_byte(uint8_t pin, uint8_t byte) {
    uint8_t read = 0;
    pin = number_of(pin);
    for (uint8_t bit = 0; bit < 8; bit++) {
        const bool is_one = (byte >> bit) & 1u;
        digitalWrite(pin, LOW);
        const uint8_t state = port_lock();
        pinMode(pin, OUTPUT);
        if (is_one) {
            let_go(pin);
            if (digitalRead(pin) == HIGH) read = (uint8_t)(read | (1u << bit));
            delayMicroseconds(45);
        } else {
            digitalWrite(pin, LOW);
            delayMicroseconds(60);
            let_go(pin);
        }
        port_unlock(state);
        delayMicroseconds(6);
    }
    return read;
}

extern "C" void port_spi_start(uint8_t select_pin) {
    port_pin_output(select_pin, true);
    SPI.begin();
    SPI.beginTransaction(SPISettings(8000000, MSBFIRST, SPI_MODE0));
}

extern "C" void port_spi_select(uint8_t select_pin, bool is_selected) {
    digitalWrite(number_of(select_pin), is_selected ? LOW : HIGH);
}

extern "C" uint8_t port_spi(uint8_t byte) {
    return SPI.transfer(byte);
}

extern "C" int16_t port_uart_get(void) {
    return (int16_t)Serial.read();
}

extern "C" uint8_t port_uart_room(void) {
    const int room = Serial.availableForWrite();
    return (uint8_t)(room < 0 ? 0 : room > 255 ? 255 : room);
}

extern "C" void port_uart_put(uint8_t byte) {
    Serial.write(byte);
}

extern "C" void port_start(void) {
#if defined(ARDUINO_ARCH_ESP32) || defined(ARDUINO_ARCH_ESP8266) || defined(ARDUINO_ARCH_RP2040)
    EEPROM.begin(PORT_EEPROM_BYTES);
#endif
    Serial.begin(115200);
    Wire.begin();
    Wire.setClock(100000);
#if defined(__AVR__)
    wdt_enable(WDTO_2S);
#elif defined(ARDUINO_ARCH_ESP32)
    esp_task_wdt_add(NULL);
#endif
#if !defined(__AVR__)
    // The wiring table says ten bits; every chip shall answer with as many.
    analogReadResolution(10);
#endif
}

// Bits as EVENT_RESET: power, pin, brown-out, watchdog. A bootloader of the AVR family may have cleared its register; then, and on
// chips that do not tell, it counts as power.
extern "C" uint8_t port_reset_cause(void) {
#if defined(__AVR__)
    const uint8_t cause = MCUSR & 0x0F;
    MCUSR = 0;
    return cause == 0 ? 1 : cause;
#elif defined(ARDUINO_ARCH_ESP32)
    switch (esp_reset_reason()) {
        case ESP_RST_EXT: return 2;
        case ESP_RST_BROWNOUT: return 4;
        case ESP_RST_INT_WDT:
        case ESP_RST_TASK_WDT:
        case ESP_RST_WDT:
        case ESP_RST_PANIC: return 8;
        case ESP_RST_SW: return RESET_WANTED;
        default: return 1;
    }
#else
    return 1;
#endif
}

extern "C" void port_watchdog_kick(void) {
#if defined(__AVR__)
    wdt_reset();
#elif defined(ARDUINO_ARCH_ESP32)
    esp_task_wdt_reset();
#endif
}

extern "C" void port_reset(uint8_t cause) {
    (void)cause;
#if defined(__AVR__)
    wdt_enable(WDTO_15MS);
#elif defined(ARDUINO_ARCH_ESP32) || defined(ARDUINO_ARCH_ESP8266)
    ESP.restart();
#elif defined(__arm__)
    // Application interrupt and reset control register of every Cortex-M: key, then SYSRESETREQ.
    *(volatile uint32_t *)0xE000ED0Cu = 0x05FA0004u;
#endif
    for (;;) {
    }
}

// The API knows nothing of the stack.
extern "C" bool port_stack_is_sound(void) {
    return true;
}

extern "C" uint16_t port_free_stack(void) {
    return 0;
}
