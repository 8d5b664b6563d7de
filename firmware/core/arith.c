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

/* On numbers of 64 bits, low and high half. For AVR in assembler, because C has no carry: half of the code and of the time. */
#if defined(__AVR__)
/* The product grows from above into the factor's place. */
#define MULTIPLY(low, high, by, n) \
    __asm__("1: clc\n\tsbrs %A0, 0\n\trjmp 2f\n\tadd %A1, %A3\n\tadc %B1, %B3\n\tadc %C1, %C3\n\tadc %D1, %D3\n" \
            "2: ror %D1\n\tror %C1\n\tror %B1\n\tror %A1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0\n\t" \
            "dec %2\n\tbrne 1b" \
            : "+&r"(low), "+&r"(high), "+&r"(n) \
            : "r"(by))
#define DOUBLE(low, high) \
    __asm__("lsl %A0\n\trol %B0\n\trol %C0\n\trol %D0\n\trol %A1\n\trol %B1\n\trol %C1\n\trol %D1" : "+&r"(low), "+&r"(high))
/* One is added before. */
#define HALVE(low, high) \
    __asm__("sec\n\tadc %A0, r1\n\tadc %B0, r1\n\tadc %C0, r1\n\tadc %D0, r1\n\tadc %A1, r1\n\tadc %B1, r1\n\tadc %C1, r1\n\t" \
            "adc %D1, r1\n\tlsr %D1\n\tror %C1\n\tror %B1\n\tror %A1\n\tror %D0\n\tror %C0\n\tror %B0\n\tror %A0" \
            : "+&r"(low), "+&r"(high))
#define DIVIDE(low, high, rest, by, n) \
    __asm__("1: lsl %A0\n\trol %B0\n\trol %C0\n\trol %D0\n\trol %A1\n\trol %B1\n\trol %C1\n\trol %D1\n\t" \
            "rol %A2\n\trol %B2\n\trol %C2\n\trol %D2\n\tbrcs 2f\n\t" \
            "cp %A2, %A4\n\tcpc %B2, %B4\n\tcpc %C2, %C4\n\tcpc %D2, %D4\n\tbrcs 3f\n" \
            "2: sub %A2, %A4\n\tsbc %B2, %B4\n\tsbc %C2, %C4\n\tsbc %D2, %D4\n\tinc %A0\n" \
            "3: dec %3\n\tbrne 1b" \
            : "+&r"(low), "+&r"(high), "+&r"(rest), "+&r"(n) \
            : "r"(by))
#else
#define WHOLE(low, high) ((uint64_t)(high) << 32 | (low))
#define BECOMES(low, high, expression) \
    do { \
        uint64_t whole = (expression); \
        (high) = (uint32_t)(whole >> 32); \
        (low) = (uint32_t)whole; \
    } while (0)
#define MULTIPLY(low, high, by, n) BECOMES(low, high, ((void)(n), (uint64_t)(low) * (by)))
#define DOUBLE(low, high) BECOMES(low, high, WHOLE(low, high) << 1)
#define HALVE(low, high) BECOMES(low, high, (WHOLE(low, high) + 1) >> 1)
#define DIVIDE(low, high, rest, by, n) BECOMES(low, high, ((void)(n), (void)(rest), WHOLE(low, high) / (by)))
#endif

/* Half of floor(x) + 1, or floor(x), of x = a * b / (Y * Z), doubled before when it will be halved. */
APART static uint32_t over(uint32_t a, uint32_t b)
{
    uint32_t upper = 0;
    uint8_t n = 32;
    MULTIPLY(a, upper, b, n);
    if (is_halved) {
        DOUBLE(a, upper);
    }
    /* Two floored divisions are one by the product. */
    for (uint8_t i = Y; i <= Z; i++) {
        uint32_t divisor = (uint32_t)calc[i];
        if (divisor != 1) {
            b = 0;
            n = 64;
            DIVIDE(a, upper, b, divisor, n);
        }
    }
    /* floor(x + 1/2) = floor((floor(2 x) + 1) / 2). */
    if (is_halved) {
        HALVE(a, upper);
    }
    exceeds = upper != 0;
    return a;
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
