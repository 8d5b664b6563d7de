/* What the files of this port share: where the registers of a pin are, and what port_start starts. */
#ifndef INTERNAL_H
#define INTERNAL_H

#include <stdint.h>

/* PINx of the pin; DDRx and PORTx follow it. A pin that the chip lacks has three bytes of memory instead. */
volatile uint8_t *pin_registers(uint8_t pin);
enum { PIN_LEVEL, PIN_DIRECTION, PIN_DRIVE };

uint8_t pin_mask(uint8_t pin);

/* Takes the pin back from the timer, if it has it. */
void pwm_end(uint8_t pin);

/* In a function that counts cycles: nothing of it is shared with others (firmware/outline), which would cost it calls. Its attribute
 * is noinline, so that this is said of nothing else. */
#define COUNTS_CYCLES __asm__ volatile("; unshared")

void timers_start(void);
void serial_start(void);

#endif
