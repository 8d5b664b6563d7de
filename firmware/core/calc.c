/* The calculator; contract in calc.h. */
#include "calc.h"

#include "arith.h"
#include "small.h"
#include "vm_core.h"

int32_t calc[N_CALC];
bool calc_overflowed;

static const int32_t constants[N_CONSTANTS] IN_FLASH = {
    [K_MOST] = INT32_MAX,
    [K_LAG] = 16777215,
    [K_DEVIATION] = 1000000,       /* also a million of anything else */
    [K_PROPORTIONAL] = 10000000,
    [K_FLOW] = 50000000,           /* uL/min */
    [K_PER_ML] = 240000,           /* uL/240 */
    [K_UNIT] = 250,
    [K_DAY_LAST] = 86399999,
    [K_DAY] = 345600,              /* in 250 ms */
    [K_THOUSAND] = 1000,
    [K_HALF] = 500,
    [K_MINUTE] = 60000000,
    [K_KELVIN] = 273150,
    [K_COLDEST] = 250000,
    [K_HOTTEST] = 400000,
    [K_REFERENCE] = 298150000,
    [K_NEUTRAL] = 7000,
    [K_MOST_PH] = 14000,
    [K_REFERRED] = 25000,
    [K_WARMEST_AIR] = 60000,
    [K_SOUND] = 331300,
    [K_SOUND_RISE] = 606,
    [K_HALF_WAY] = 2000,
    [K_LONGEST_ECHO] = 23200,
    [K_BILLION] = 1000000000,
    [K_LEAST_FACTOR] = 100000000,
    [K_TMP36_ZERO] = 50000,
    [K_TMP36_HIGHEST] = 125000,
    [K_FORTY] = 40000,
    [K_PORTION] = 8000,            /* mL */
    [K_LONGEST_DAY] = 90000000,    /* 25 h, ms */
    [K_LAST_DAY] = 49710,          /* of a clock of 32 bits */
    [K_LONGEST] = 2073600000,      /* 24 days, ms */
    [K_WHOLE_DAY] = 86400000,      /* ms */
    [K_HALF_DAY] = 43200000,
    [K_BYTE] = 255,
};

APART int32_t calc_constant(uint8_t k)
{
    return (int32_t)flash_u32(&constants[k]);
}

APART void calc_put(uint8_t at, int16_t value)
{
    calc[at] = value;
}

uint8_t calc_run(const uint16_t *routine)
{
    for (;;) {
        uint16_t word = flash_u16(routine);
        routine++;
        uint8_t first = (uint8_t)word;
        uint8_t second = (uint8_t)(word >> 8);
        uint8_t small = second & 31;
        int32_t s = calc[small < N_CALC ? small : 0];
        int32_t *at = &calc[first & 31];
        int32_t d = *at;
        bool holds;
        uint8_t what = (uint8_t)(first >> 5 | (second >> 5) << 3);
        switch (what) {
        case CALC_END:
            return small;
        case CALC_MOVE:
            d = s;
            break;
        case CALC_ADD:
            d = arith_add(d, s);
            break;
        case CALC_SUB:
            d = arith_subtract(d, s);
            break;
        case CALC_MIN:
            if (s < d) {
                d = s;
            }
            break;
        case CALC_MAX:
            if (s > d) {
                d = s;
            }
            break;
        case CALC_MUL:
            d = (int32_t)((uint32_t)d * (uint32_t)s);
            break;
        case CALC_DIV:
            d = arith_floored(d, s);
            calc[REST] = arith_rest;
            break;
        case CALC_NEAREST:
            d = arith_nearest(d, s);
            break;
        case CALC_TRUNCATED:
            d = (int32_t)arith_truncated((uint32_t)d, (uint32_t)s);
            break;
        case CALC_NOT:
            d = ~d;
            break;
        case CALC_SMALL:
            d = small;
            break;
        case CALC_SET:
        case CALC_KEEP: {
            int32_t reach = calc_constant(small);
            d = what == CALC_SET ? reach : arith_clamp(d, -reach, reach);
            break;
        }
        case CALC_READ:
            d = vm_read_decimal();
            break;
        case CALC_JUMP:
            routine += small;
            continue;
        default:
            switch (what & ~1u) {
            case CALC_LESS:
                holds = d < s;
                break;
            case CALC_EQUAL:
                holds = d == s;
                break;
            case CALC_ZERO:
                holds = d == 0;
                break;
            default:
                holds = d < 0;
                break;
            }
            if (holds == ((what & 1) != 0)) {
                routine++;
            }
            continue;
        }
        *at = d;
    }
}
