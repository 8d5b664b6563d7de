/* Whole-number arithmetic: saturation, products of 64 bits over a divisor, floored quotients. Small rather than fast: each divisor above
 * 1 under a product takes 64 steps of some 25 cycles. */
#ifndef ARITH_H
#define ARITH_H

#include <stdbool.h>
#include <stdint.h>

/* Saturating. */
int32_t arith_add(int32_t a, int32_t b);
int32_t arith_subtract(int32_t a, int32_t b);
int32_t arith_clamp(int32_t value, int32_t lowest, int32_t highest);

/* CALC_TRUNCATED: a * b / (calc[Y] * calc[Z]), exact within; the low half of what exceeds 32 bits. */
uint32_t arith_truncated(uint32_t a, uint32_t b);
/* CALC_NEAREST: base + nearest(calc[V0] * b / (calc[Y] * calc[Z])), halves away from zero, exact within, saturating. */
int32_t arith_nearest(int32_t base, int32_t b);
/* The same for anybody: base + nearest(a * b / c). */
int32_t arith_scaled(int32_t base, int32_t a, int32_t b, uint32_t c);
/* Without overflow, also of INT32_MIN. */
uint32_t arith_magnitude(int32_t value);

/* Quotient rounded down; the remainder, which is never negative, is left in arith_rest. The divisor is above 0. */
int32_t arith_floored(int32_t value, int32_t divisor);
extern int32_t arith_rest;

#endif
