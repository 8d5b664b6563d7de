/* Whole-number arithmetic; contract in arith.h. */
#include "arith.h"

#include "calc.h"

int32_t arith_rest;

/* Linking as a whole would copy these into the calculator, where each of them stands once. */
#define APART __attribute__((noinline))

uint32_t arith_magnitude(int32_t value)
{
    return value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
}

static uint8_t top(int32_t value)
{
    return (uint8_t)((uint32_t)value >> 24);
}

APART int32_t arith_add(int32_t a, int32_t b)
{
    int32_t sum = (int32_t)((uint32_t)a + (uint32_t)b);
    /* Overflowed when both have the sign that the sum has not. */
    uint8_t signs = (uint8_t)((top(a) ^ top(sum)) & (top(b) ^ top(sum)));
    if ((signs & 0x80) != 0) {
        sum = sum < 0 ? INT32_MAX : INT32_MIN;
    }
    return sum;
}

APART int32_t arith_subtract(int32_t a, int32_t b)
{
    return ~arith_add(~a, b);
}

APART int32_t arith_clamp(int32_t value, int32_t lowest, int32_t highest)
{
    if (value < lowest) {
        return lowest;
    }
    return value > highest ? highest : value;
}

#define TOP 0x80000000u

static bool is_halved, exceeds;

/* Half of floor(x) + 1, or floor(x), of x = a * b / (Y * Z), doubled before when it will be halved. 64-bit shifts go by single bits,
 * for which small processors have an instruction. */
APART static uint32_t over(uint32_t a, uint32_t b)
{
    /* The product grows from above into a's place. */
    uint32_t upper = 0;
    for (uint8_t n = 32; n != 0; n--) {
        bool carries = false;
        if ((a & 1u) != 0) {
            upper += b;
            carries = upper < b;
        }
        a >>= 1;
        if ((upper & 1u) != 0) {
            a |= TOP;
        }
        upper >>= 1;
        if (carries) {
            upper |= TOP;
        }
    }
    if (is_halved) {
        upper <<= 1;
        if ((a & TOP) != 0) {
            upper |= 1u;
        }
        a <<= 1;
    }
    /* Two floored divisions are one by the product. */
    for (uint8_t i = Y; i <= Z; i++) {
        uint32_t c = (uint32_t)calc[i];
        if (upper == 0) {
            a /= c;
        } else if (c != 1) {
            b = 0;
            for (uint8_t n = 64; n != 0; n--) {
                bool carries = (b & TOP) != 0;
                b <<= 1;
                if ((upper & TOP) != 0) {
                    b |= 1u;
                }
                upper <<= 1;
                if ((a & TOP) != 0) {
                    upper |= 1u;
                }
                a <<= 1;
                if (carries || b >= c) {
                    b -= c;
                    a |= 1u;
                }
            }
        }
    }
    /* floor(x + 1/2) = floor((floor(2 x) + 1) / 2). */
    if (is_halved) {
        a++;
        if (a == 0) {
            upper++;
        }
        a >>= 1;
        if ((upper & 1u) != 0) {
            a |= TOP;
        }
        upper >>= 1;
    }
    exceeds = upper != 0;
    return exceeds ? UINT32_MAX : a;
}

APART uint32_t arith_truncated(uint32_t a, uint32_t b)
{
    is_halved = false;
    return over(a, b);
}

APART int32_t arith_nearest(int32_t base, int32_t b)
{
    bool down = ((top(calc[V0]) ^ top(b)) & 0x80) != 0;
    is_halved = true;
    uint32_t far = over(arith_magnitude(calc[V0]), arith_magnitude(b));
    /* ~x turns the number line round, ends included, so one direction serves both. */
    if (down) {
        base = ~base;
    }
    uint32_t room = (uint32_t)INT32_MAX - (uint32_t)base;
    if (exceeds || far > room) {
        calc_overflowed = true;
        far = room;
    }
    base = (int32_t)((uint32_t)base + far);
    return down ? ~base : base;
}

int32_t arith_scaled(int32_t base, int32_t a, int32_t b, uint32_t c)
{
    calc[V0] = a;
    calc[Y] = (int32_t)c;
    calc_put(Z, 1);
    return arith_nearest(base, b);
}

APART int32_t arith_floored(int32_t value, int32_t divisor)
{
    int32_t quotient = value / divisor;
    int32_t rest = value % divisor;
    if (rest < 0) {
        rest += divisor;
        quotient--;
    }
    arith_rest = rest;
    return quotient;
}
