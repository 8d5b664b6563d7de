/* Whole-number arithmetic; contract in arith.h. */
#include "arith.h"

int32_t arith_move(int32_t base, uint32_t magnitude, bool down)
{
    /* ~x turns the number line round, ends included, so one direction serves both. */
    if (down) {
        base = ~base;
    }
    uint32_t room = (uint32_t)INT32_MAX - (uint32_t)base;
    base = magnitude > room ? INT32_MAX : (int32_t)((uint32_t)base + magnitude);
    return down ? ~base : base;
}

uint32_t arith_magnitude(int32_t value)
{
    return value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
}

int32_t arith_add(int32_t a, int32_t b)
{
    return arith_move(a, arith_magnitude(b), b < 0);
}

int32_t arith_subtract(int32_t a, int32_t b)
{
    return ~arith_add(~a, b);
}

int32_t arith_clamp(int32_t value, int32_t lowest, int32_t highest)
{
    if (value < lowest) {
        return lowest;
    }
    return value > highest ? highest : value;
}

/* A number of 64 bits. */
static uint32_t high, low;

static void double_it(void)
{
    high = high << 1 | low >> 31;
    low <<= 1;
}

static void multiply(uint32_t a, uint32_t b)
{
    uint32_t upper = 0;
    for (uint8_t n = 32; n != 0; n--) {
        bool carries = false;
        if ((a & 1u) != 0) {
            upper += b;
            carries = upper < b;
        }
        a >>= 1;
        if ((upper & 1u) != 0) {
            a |= 0x80000000u;
        }
        upper >>= 1;
        if (carries) {
            upper |= 0x80000000u;
        }
    }
    high = upper;
    low = a;
}

static void divide(uint32_t divisor)
{
    if (divisor == 1) {
        return;
    }
    if (high == 0) {
        low /= divisor;
        return;
    }
    uint32_t rest = 0;
    for (uint8_t n = 64; n != 0; n--) {
        bool carries = (rest & 0x80000000u) != 0;
        rest = rest << 1 | high >> 31;
        double_it();
        if (carries || rest >= divisor) {
            rest -= divisor;
            low |= 1u;
        }
    }
}

bool arith_exceeds(void)
{
    return high != 0;
}

static uint32_t result(void)
{
    return high != 0 ? UINT32_MAX : low;
}

uint32_t arith_truncated(uint32_t a, uint32_t b, uint32_t c)
{
    multiply(a, b);
    divide(c);
    return result();
}

uint32_t arith_nearest(uint32_t a, uint32_t b, uint32_t c, uint32_t d)
{
    multiply(a, b);
    /* floor(x + 1/2) = floor((floor(2 x) + 1) / 2), and two floored divisions are one by the product. */
    double_it();
    divide(c);
    divide(d);
    uint32_t is_odd = low & 1u;
    low = low >> 1 | high << 31;
    high >>= 1;
    low += is_odd;
    if (low == 0 && is_odd != 0) {
        high++;
    }
    return result();
}

int32_t arith_scaled(int32_t base, int32_t a, int32_t b, uint32_t c)
{
    return arith_move(base, arith_nearest(arith_magnitude(a), arith_magnitude(b), c, 1), (a ^ b) < 0);
}

int32_t arith_floored(int32_t value, int32_t divisor, int32_t *remainder)
{
    int32_t quotient = value / divisor;
    int32_t rest = value % divisor;
    if (rest < 0) {
        rest += divisor;
        quotient--;
    }
    *remainder = rest;
    return quotient;
}
