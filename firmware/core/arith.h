/* Whole-number arithmetic of the control program: saturation, 64-bit products, floored quotients. Small rather than fast: a
 * product over a divisor takes up to 0.3 ms at 16 MHz, and a program has few of them. */
#ifndef ARITH_H
#define ARITH_H

#include <stdbool.h>
#include <stdint.h>

/* base + magnitude, or base - magnitude when `down`; saturates. */
int32_t arith_move(int32_t base, uint32_t magnitude, bool down);
int32_t arith_add(int32_t a, int32_t b);
int32_t arith_subtract(int32_t a, int32_t b);
int32_t arith_clamp(int32_t value, int32_t lowest, int32_t highest);
/* Without overflow, also of INT32_MIN. */
uint32_t arith_magnitude(int32_t value);

/* a * b / c and a * b / (c * d), exact within; c and d above 0, a * b below 2^63. What exceeds 32 bits comes as
 * UINT32_MAX, which saturates whatever it is added to. */
uint32_t arith_truncated(uint32_t a, uint32_t b, uint32_t c);
uint32_t arith_nearest(uint32_t a, uint32_t b, uint32_t c, uint32_t d);
/* The last of these exceeded 32 bits. */
bool arith_exceeds(void);
/* base + nearest(a * b / c), saturating; halves away from zero. */
int32_t arith_scaled(int32_t base, int32_t a, int32_t b, uint32_t c);

/* Quotient rounded down, and the remainder that is never negative. The divisor is above 0. */
int32_t arith_floored(int32_t value, int32_t divisor, int32_t *remainder);

#endif
