/* A calculator for whole numbers of 32 bits. On a processor of 8 bits each such operation written out takes some twenty bytes of code;
 * here it takes one word of a routine in flash. The operations of the VM that work with numbers are such routines, and so are the
 * conversions of raw codes: their exact results stand in docs/control-program.md.
 *
 * A routine is straight-line but for short jumps forward, so it ends after at most as many steps as it has words. */
#ifndef CALC_H
#define CALC_H

#include <stdbool.h>
#include <stdint.h>

#include "code.h"

/* Its numbers. */
enum {
    V0, V1, V2, V3, V4, V5, V6, /* operands */
    OLD,                        /* result before, and result */
    C0, C1, C2, C3, C4,         /* state */
    PERIOD, PERIOD_MS,          /* of the scan; PERIOD in 250 ms */
    ELAPSED, ELAPSED_MS,        /* since the last scan: 0 in the first */
    UPTIME_MS,                  /* since reset */
    SINCE_DAY_MS,               /* since the day ended, or reset */
    DAY,                        /* that daily counts belong to */
    VARIANT,                    /* of the operation */
    FIRST,                      /* 1 in the first scan */
    REST,                       /* remainder of the last DIV */
    X, Y, Z,
    N_CALC
};
extern int32_t calc[N_CALC];

/* One word: what is done with d (a number) and s (a number, or a small constant). Sums and differences saturate. */
enum {
    CALC_END,       /* answers s */
    CALC_MOVE,      /* d = s */
    CALC_ADD,
    CALC_SUB,
    CALC_MIN,
    CALC_MAX,
    CALC_MUL,       /* low 32 bits */
    CALC_DIV,       /* floor; remainder, never negative, to REST; s > 0 */
    CALC_NEAREST,   /* d + nearest(V0 * s / (Y * Z)), exact within; Y > 0, Z > 0 */
    CALC_TRUNCATED, /* d * s / (Y * Z), exact within, none of them negative */
    CALC_NOT,       /* ~d */
    CALC_SET,       /* d = constant s of this file's table */
    CALC_SMALL,     /* d = s as it stands, 0 to 31 */
    CALC_KEEP,      /* d kept to plus or minus constant s */
    CALC_READ,      /* d = the next decimal constant of what is being read */
    CALC_JUMP,      /* s words onward */
    /* These do the next word only if it is so; the odd ones are the opposite of the one before. */
    CALC_LESS = 18, /* d < s */
    CALC_LEAST,     /* d >= s */
    CALC_ZERO,      /* d = 0 */
    CALC_TRUE,      /* d is not 0 */
    CALC_NEGATIVE,  /* d < 0 */
    CALC_EQUAL = 24 /* d = s */
};

/* Constants of CALC_SET and CALC_KEEP. */
enum {
    K_MOST, K_LAG, K_DEVIATION, K_PROPORTIONAL, K_FLOW, K_PER_ML, K_UNIT, K_DAY_LAST, K_DAY, K_THOUSAND, K_HALF,
    K_MINUTE, K_KELVIN, K_COLDEST, K_HOTTEST, K_REFERENCE, K_NEUTRAL, K_MOST_PH, K_REFERRED, K_WARMEST_AIR, K_SOUND,
    K_SOUND_RISE, K_HALF_WAY, K_LONGEST_ECHO, K_BILLION, K_LEAST_FACTOR, K_TMP36_ZERO, K_TMP36_HIGHEST, K_FORTY, K_PORTION,
    K_LONGEST_DAY, K_LAST_DAY,
    /* Not for routines, whose s is five bits. */
    K_LONGEST, K_WHOLE_DAY, K_HALF_DAY, K_BYTE,
    N_CONSTANTS
};

#define DO(operation, d, s) \
    ((uint16_t)((d) | (((operation) & 7) << 5) | (((s) | (((operation) >> 3) << 5)) << 8)))
#define END(s) DO(CALC_END, 0, s)
#define MOVE(d, s) DO(CALC_MOVE, d, s)
#define ADD(d, s) DO(CALC_ADD, d, s)
#define SUB(d, s) DO(CALC_SUB, d, s)
#define MIN(d, s) DO(CALC_MIN, d, s)
#define MAX(d, s) DO(CALC_MAX, d, s)
#define MUL(d, s) DO(CALC_MUL, d, s)
#define DIV(d, s) DO(CALC_DIV, d, s)
#define NEAREST(d, s) DO(CALC_NEAREST, d, s)
#define TRUNCATED(d, s) DO(CALC_TRUNCATED, d, s)
#define NOT(d) DO(CALC_NOT, d, 0)
#define SET(d, s) DO(CALC_SET, d, s)
#define SMALL(d, s) DO(CALC_SMALL, d, s)
#define KEEP(d, s) DO(CALC_KEEP, d, s)
/* d in ms to units of 250 ms, at least one scan; Z is lost. */
#define SCANS(d) SET(Z, K_UNIT), DIV(d, Z), MAX(d, PERIOD)
#define READ(d) DO(CALC_READ, d, 0)
#define JUMP(n) DO(CALC_JUMP, 0, n)
#define LESS(d, s) DO(CALC_LESS, d, s)
#define LEAST(d, s) DO(CALC_LEAST, d, s)
#define EQUAL(d, s) DO(CALC_EQUAL, d, s)
#define TRUE(d) DO(CALC_TRUE, d, 0)
#define ZERO(d) DO(CALC_ZERO, d, 0)
#define NEGATIVE(d) DO(CALC_NEGATIVE, d, 0)

int32_t calc_constant(uint8_t k);
/* One number; shorter than writing four bytes. */
void calc_put(uint8_t at, int16_t value);
/* Runs a routine in flash; what its END answers. */
uint8_t calc_run(const uint16_t *routine);
/* Some CALC_NEAREST since this was made false went beyond 32 bits, sum included. */
extern bool calc_overflowed;

#endif
