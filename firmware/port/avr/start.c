/* From reset to main: watchdog, cause of the reset, march over the memory, and what resets the chip again.
 *
 * The march runs before the C runtime has put anything into the memory, in registers only (.init3). It leaves every byte
 * at PAINT; the start-up code then lays data over its part, and what remains painted was never used by the stack. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "internal.h"
#include "port.h"

#define PAINT 0xC5u

extern uint8_t __heap_start[]; /* first byte behind the statics */

/* Cause for the next start, with its complement; a march leaves nothing of it, so it travels in r3 and r4. */
static volatile uint8_t left_cause[2] __attribute__((section(".noinit"), used));
static volatile uint8_t cause;

__attribute__((naked, used, section(".init3"))) static void test_memory(void)
{
    __asm__ volatile(
        "cli\n" /* a bootloader may have left interrupts on */
        /* Cause: the register, or what a bootloader that has cleared it left in r2. */
        "in r24, %[mcusr]\n"
        "tst r24\n"
        "breq 1f\n"
        "mov r2, r24\n"
        "1: out %[mcusr], __zero_reg__\n"
        "lds r3, %[left]\n"
        "lds r4, %[left]+1\n"
        /* Watchdog: 2 s, reset. */
        "wdr\n"
        "ldi r24, %[change]\n"
        "ldi r25, %[period]\n"
        "sts %[wdtcsr], r24\n"
        "sts %[wdtcsr], r25\n"
        /* March X with p = 0x00, then 0x55: up write p; up read p, write ~p; down read ~p, write p; down read p. */
        "ldi r24, 0x00\n"
        "2: mov r25, r24\n"
        "com r25\n"
        "ldi r26, lo8(%[first])\n"
        "ldi r27, hi8(%[first])\n"
        "ldi r20, lo8(%[end])\n"
        "ldi r21, hi8(%[end])\n"
        "3: st X+, r24\n"
        "cp r26, r20\n"
        "cpc r27, r21\n"
        "brne 3b\n"
        "ldi r26, lo8(%[first])\n"
        "ldi r27, hi8(%[first])\n"
        "4: ld r22, X\n"
        "cp r22, r24\n"
        "brne 9f\n"
        "st X+, r25\n"
        "cp r26, r20\n"
        "cpc r27, r21\n"
        "brne 4b\n"
        "ldi r20, lo8(%[first])\n"
        "ldi r21, hi8(%[first])\n"
        "5: ld r22, -X\n"
        "cp r22, r25\n"
        "brne 9f\n"
        "st X, r24\n"
        "cp r26, r20\n"
        "cpc r27, r21\n"
        "brne 5b\n"
        "ldi r20, lo8(%[end])\n"
        "ldi r21, hi8(%[end])\n"
        "ldi r25, %[paint]\n"
        "6: ld r22, X\n"
        "cp r22, r24\n"
        "brne 9f\n"
        "st X+, r25\n"
        "cp r26, r20\n"
        "cpc r27, r21\n"
        "brne 6b\n"
        "ldi r25, 0x55\n"
        "cpse r24, r25\n"
        "rjmp 7f\n"
        "rjmp 8f\n"
        "7: mov r24, r25\n"
        "rjmp 2b\n"
        /* Memory that cannot be trusted: every pin stays an input, and so become all lines of whatever may be an expander, for it
         * may hold what it was last given: IODIR of 0x20 to 0x27, at 100 kHz. The watchdog tries again. */
        "9: ldi r24, %[rate]\n"
        "sts %[twbr], r24\n"
        "ldi r20, 0x40\n"
        "10: ldi r22, 4\n" /* address, register 0, 0xFF, 0xFF */
        "mov r23, r20\n"
        "ldi r24, %[begin]\n"
        "11: sts %[twcr], r24\n"
        "12: lds r24, %[twcr]\n"
        "sbrs r24, %[twint]\n"
        "rjmp 12b\n"
        "tst r22\n"
        "breq 14f\n"
        "sts %[twdr], r23\n"
        "ldi r23, 0xFF\n"
        "cpi r22, 4\n"
        "brne 13f\n"
        "ldi r23, 0\n"
        "13: dec r22\n"
        "ldi r24, %[go]\n"
        "rjmp 11b\n"
        "14: ldi r24, %[end_it]\n"
        "sts %[twcr], r24\n"
        "15: lds r24, %[twcr]\n"
        "sbrc r24, %[twsto]\n"
        "rjmp 15b\n"
        "subi r20, -2\n"
        "cpi r20, 0x50\n"
        "brne 10b\n"
        "rjmp 9b\n"
        "8:\n" ::[mcusr] "I"(_SFR_IO_ADDR(MCUSR)),
        [left] "i"(left_cause), [wdtcsr] "i"(_SFR_MEM_ADDR(WDTCSR)), [change] "i"(_BV(WDCE) | _BV(WDE)),
        [period] "i"(_BV(WDE) | _BV(WDP2) | _BV(WDP1) | _BV(WDP0)), [first] "i"(RAMSTART), [end] "i"(RAMEND + 1),
        [paint] "M"(PAINT), [rate] "M"((F_CPU / 100000ul - 16u) / 2u), [twbr] "i"(_SFR_MEM_ADDR(TWBR)),
        [twcr] "i"(_SFR_MEM_ADDR(TWCR)), [twdr] "i"(_SFR_MEM_ADDR(TWDR)), [twint] "I"(TWINT), [twsto] "I"(TWSTO),
        [begin] "M"(_BV(TWINT) | _BV(TWSTA) | _BV(TWEN)), [go] "M"(_BV(TWINT) | _BV(TWEN)),
        [end_it] "M"(_BV(TWINT) | _BV(TWSTO) | _BV(TWEN)));
}

/* After the statics are laid (.init4): what the registers kept. */
__attribute__((naked, used, section(".init5"))) static void keep_cause(void)
{
    __asm__ volatile("sts %[cause], r2\n"
                     "sts %[left], r3\n"
                     "sts %[left]+1, r4\n" ::[cause] "i"(&cause),
                     [left] "i"(left_cause));
}

uint8_t port_reset_cause(void)
{
    /* The chip's bits: power, pin, brown-out, watchdog, as in EVENT_RESET. A wanted reset comes through the watchdog. */
    uint8_t bits = cause & 0x0Fu;
    if ((bits & 0x07u) == 0 && (left_cause[0] ^ left_cause[1]) == 0xFFu) {
        bits = left_cause[0] & 0xF0u;
    }
    left_cause[0] = left_cause[1];
    return bits;
}

void port_watchdog_kick(void)
{
    wdt_reset();
}

void port_reset(uint8_t why)
{
    cli();
    left_cause[0] = why;
    left_cause[1] = (uint8_t)~why;
    wdt_enable(WDTO_15MS);
    for (;;) {
    }
}

bool port_stack_is_sound(void)
{
    return __heap_start[0] == PAINT && __heap_start[1] == PAINT;
}

uint16_t port_free_stack(void)
{
    const uint8_t *at = __heap_start;
    while (*at == PAINT && at < (const uint8_t *)RAMEND) {
        at++;
    }
    return (uint16_t)(at - __heap_start);
}

void port_start(void)
{
#if defined(JTD)
    /* PF4 to PF7 belong to the debug port until JTD is written twice within four cycles (data sheet), unless a fuse has said so. */
    __asm__ volatile("out %0, %1\n\tout %0, %1" ::"I"(_SFR_IO_ADDR(MCUCR)), "r"((uint8_t)_BV(JTD)));
#endif
    timers_start();
    serial_start();
    sei();
}
