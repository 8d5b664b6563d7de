/* The three timers: T0 counts milliseconds and stamps, T1 makes 25 kHz for fans, T2 (T3 where there is no T2) makes tones. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/delay_basic.h>

#include "internal.h"
#include "port.h"

#define STAMPS_PER_MS 250u

static volatile uint16_t ms;

ISR(TIMER0_COMPA_vect)
{
    ms++;
}

void timers_start(void)
{
    TCCR0A = _BV(WGM01);
    OCR0A = STAMPS_PER_MS - 1;
    TCCR0B = _BV(CS01) | _BV(CS00); /* 16 MHz / 64 */
    TIMSK0 = _BV(OCIE0A);
}

uint8_t port_lock(void)
{
    uint8_t state = SREG;
    cli();
    return state;
}

void port_unlock(uint8_t state)
{
    __asm__ volatile("" ::: "memory");
    SREG = state;
}

uint16_t port_ms(void)
{
    uint8_t state = port_lock();
    uint16_t now = ms;
    port_unlock(state);
    return now;
}

uint16_t port_stamp(void)
{
    uint8_t state = port_lock();
    uint16_t whole = ms;
    uint8_t part = TCNT0;
    if ((TIFR0 & _BV(OCF0A)) != 0 && part < STAMPS_PER_MS / 2) {
        whole++; /* the millisecond has ended, its interrupt waits */
    }
    port_unlock(state);
    return (uint16_t)(whole * STAMPS_PER_MS + part);
}

void port_wait_us(uint8_t us)
{
    _delay_loop_2((uint16_t)(us * (F_CPU / 4000000UL)));
}

void port_sleep(void)
{
    SMCR = _BV(SE); /* idle: timers, serial line and buses go on */
    sleep_cpu();
    SMCR = 0;
}

/* 25 kHz: fast PWM with ICR1 as top (mode 14), clock not divided; 640 steps, so 16 of them are 25 permille. */
#define PWM_TOP (F_CPU / 25000UL)
#if defined(__AVR_ATmega328P__)
#define PWM_FIRST_PIN (1u * 8 + 1) /* PB1, PB2 are OC1A, OC1B */
#define N_PWM_PINS 2u
#else
#define PWM_FIRST_PIN (1u * 8 + 5) /* PB5, PB6, PB7 are OC1A, OC1B, OC1C */
#define N_PWM_PINS 3u
#endif

void pwm_end(uint8_t pin)
{
    uint8_t channel = (uint8_t)(pin - PWM_FIRST_PIN);
    if (channel < N_PWM_PINS) {
        TCCR1A &= (uint8_t)~(0xC0u >> (2 * channel));
    }
}

bool port_pwm(uint8_t pin, uint16_t permille_high)
{
    uint8_t channel = (uint8_t)(pin - PWM_FIRST_PIN);
    if (channel >= N_PWM_PINS) {
        return false;
    }
    ICR1 = PWM_TOP - 1;
    (&OCR1A)[channel] = permille_high * 16u / 25u;
    TCCR1A |= (uint8_t)(_BV(WGM11) | (0x80u >> (2 * channel)));
    TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS10);
    pin_registers(pin)[PIN_DIRECTION] |= pin_mask(pin);
    return true;
}

/* The interrupt turns the pin over by writing its PIN register. */
static volatile uint8_t *tone_level;
static uint8_t tone_mask;

/* Half periods: 16 MHz / 128 / 2, in 16 bits. */
#define TONE_CLOCK 62500u

#if defined(__AVR_ATmega32U4__)

ISR(TIMER3_COMPA_vect)
{
    *tone_level = tone_mask;
}

void port_tone(uint8_t pin, uint16_t hz)
{
    TIMSK3 = 0;
    if (hz != 0) {
        tone_level = pin_registers(pin);
        tone_mask = pin_mask(pin);
        tone_level[PIN_DIRECTION] |= tone_mask;
        OCR3A = (uint16_t)(2ul * TONE_CLOCK / hz);
        TCCR3B = _BV(WGM32) | _BV(CS31) | _BV(CS30); /* divided by 64 */
        TCNT3 = 0;
        TIMSK3 = _BV(OCIE3A);
    }
}

#else

ISR(TIMER2_COMPA_vect)
{
    *tone_level = tone_mask;
}

void port_tone(uint8_t pin, uint16_t hz)
{
    TIMSK2 = 0;
    if (hz != 0) {
        tone_level = pin_registers(pin);
        tone_mask = pin_mask(pin);
        tone_level[PIN_DIRECTION] |= tone_mask;
        TCCR2A = _BV(WGM21);
        TCCR2B = _BV(CS22) | _BV(CS20); /* divided by 128 */
        OCR2A = (uint8_t)((TONE_CLOCK + hz / 2u) / hz - 1u);
        TCNT2 = 0;
        TIMSK2 = _BV(OCIE2A);
    }
}

#endif
