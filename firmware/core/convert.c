/* Raw codes to values, bit for bit as docs/control-program.md, section 8, by routines of the calculator. A wiring table that was opened
 * keeps every divisor above 0 but those that are checked here. */
#include "wiring.h"

#include <string.h>

#include "vm_core.h"

#define IDEAL_SLOPE_UV 59159u
#define DS18B20_POWER_ON (85 * 16)
#define DS18B20_LOWEST (-55 * 16)
#define DS18B20_HIGHEST (125 * 16)

/* Answers. */
#define FINE 0
#define NOT_A_MEASUREMENT 1

/* The value comes to OLD. V2 is the temperature; of analogue inputs V0 is the sum, V1 the reference in mV, Y the full scale of one
 * conversion, and once the sum is found within its range that of the sum, Z 1; C0 to C2 are the calibration. */
static const struct {
    uint16_t ds18b20[6], sum[9], tmp36[15], voltage[5], ntc_place[7], ntc[9], ph[51], linear[8], conductivity[15], ultrasonic[25], flow[12],
        calibration[6];
} routines IN_FLASH = {
    .ds18b20 = {MOVE(OLD, V0), SET(X, K_UNIT), MUL(OLD, X), SMALL(X, 4), DIV(OLD, X), END(FINE)},
    .sum = {MUL(Y, X), SUB(Y, X), LEAST(V0, Y), END(NOT_A_MEASUREMENT), ADD(Y, X), SMALL(Z, 1), LESS(V0, Z), END(NOT_A_MEASUREMENT),
        END(FINE)},
    .tmp36 = {SMALL(X, 10), MUL(V1, X), MUL(V1, X), SMALL(OLD, 0), NEAREST(OLD, V1), SET(X, K_TMP36_ZERO), SUB(OLD, X),
        SET(X, K_TMP36_HIGHEST), LESS(X, OLD), END(NOT_A_MEASUREMENT),
        SET(X, K_FORTY), ADD(X, OLD), NEGATIVE(X), END(NOT_A_MEASUREMENT), END(FINE)},
    .voltage = {SET(X, K_THOUSAND), MUL(V1, X), SMALL(OLD, 0), NEAREST(OLD, V1), END(FINE)},
    /* Points every thirty-second part of full scale, in 4 m degC: which one comes to V0; then the last one is V1, the next V2. */
    .ntc_place = {ADD(V0, V0), ADD(V0, V0), ADD(V0, V0), ADD(V0, V0), ADD(V0, V0), DIV(V0, Y), END(FINE)},
    .ntc = {MOVE(V0, REST), MOVE(OLD, V1), SUB(V2, V1), ADD(V2, V2), ADD(V2, V2), ADD(OLD, OLD), ADD(OLD, OLD), NEAREST(OLD, V2), END(FINE)},
    .ph = {SMALL(X, 10), MUL(C0, X), READ(V4), ZERO(V4), END(NOT_A_MEASUREMENT),
        SET(X, K_THOUSAND), MUL(V3, X), SUB(OLD, V3), MOVE(V0, OLD),
        MOVE(Y, V4), SMALL(Z, 0), SUB(Z, V4), MAX(Y, Z),                  /* gain without its sign, */
        SMALL(Z, 0), SUB(Z, V0), NEGATIVE(V4), MOVE(V0, Z), SMALL(Z, 1),  /* which goes to the voltage */
        SMALL(OLD, 0), NEAREST(OLD, X),
        SET(X, K_DEVIATION), LESS(X, OLD), END(NOT_A_MEASUREMENT), ADD(X, OLD), NEGATIVE(X), END(NOT_A_MEASUREMENT),
        SET(X, K_KELVIN), ADD(X, V2),
        SET(Y, K_COLDEST), LESS(X, Y), END(NOT_A_MEASUREMENT), SET(Y, K_HOTTEST), LESS(Y, X), END(NOT_A_MEASUREMENT),
        SUB(C0, OLD), MOVE(V0, C0), MOVE(Y, C2), NEGATIVE(C0), MOVE(Y, C1), ZERO(Y), END(NOT_A_MEASUREMENT),
        MOVE(Z, X), SET(X, K_REFERENCE), SET(OLD, K_NEUTRAL), NEAREST(OLD, X),
        NEGATIVE(OLD), END(NOT_A_MEASUREMENT), SET(X, K_MOST_PH), LESS(X, OLD), END(NOT_A_MEASUREMENT), END(FINE)},
    .linear = {READ(V3), READ(V4), SUB(OLD, V3), MOVE(V0, OLD), SET(Y, K_DEVIATION), SMALL(OLD, 0), NEAREST(OLD, V4), END(FINE)},
    .conductivity = {SET(X, K_REFERRED), SUB(V2, X), MOVE(V0, V3), SMALL(Y, 1), SET(X, K_BILLION), NEAREST(X, V2),
        SET(Y, K_LEAST_FACTOR), LESS(X, Y), END(NOT_A_MEASUREMENT),
        MOVE(Y, X), MOVE(V0, OLD), SET(X, K_BILLION), SMALL(OLD, 0), NEAREST(OLD, X), END(FINE)},
    .ultrasonic = {SET(X, K_LONGEST_ECHO), LESS(X, V0), END(NOT_A_MEASUREMENT), SMALL(X, 1), LESS(V0, X), END(NOT_A_MEASUREMENT),
        SET(X, K_FORTY), SMALL(Y, 0), SUB(Y, X), MAX(V2, Y), SET(X, K_WARMEST_AIR), MIN(V2, X),
        SET(X, K_SOUND_RISE), MUL(V2, X), SET(X, K_THOUSAND), DIV(V2, X), SET(X, K_SOUND), ADD(V2, X),
        READ(OLD), SET(Y, K_HALF_WAY), SMALL(Z, 1), NOT(OLD), NEAREST(OLD, V2), NOT(OLD), END(FINE)},
    .flow = {READ(Y), SMALL(X, 1), LESS(Y, X), END(NOT_A_MEASUREMENT), LESS(Z, X), END(NOT_A_MEASUREMENT),
        NEGATIVE(V0), END(NOT_A_MEASUREMENT), SET(X, K_MINUTE), SMALL(OLD, 0), NEAREST(OLD, X), END(FINE)},
    .calibration = {MOVE(V0, OLD), SET(Y, K_DEVIATION), SMALL(Z, 1), MOVE(OLD, C0), NEAREST(OLD, C1), END(FINE)},
};

static struct sample result;

static void run(const uint16_t *routine)
{
    calc_overflowed = false;
    if (calc_run(routine) != FINE || calc_overflowed) {
        result.quality = BAD;
    }
    result.value = calc[OLD];
}

static void convert_ntc(uint16_t at)
{
    run(routines.ntc_place);
    at = (uint16_t)(at + 2u * (uint8_t)calc[V0]);
    for (uint8_t i = V1; i <= V2; i++) {
        int16_t value = (int16_t)wiring_u16(at);
        if (value == INT16_MIN) {
            result.quality = BAD;
        }
        calc_put(i, value);
        at = (uint16_t)(at + 2u);
    }
    run(routines.ntc);
}

/* Of what is compensated: no better than the temperature. */
static void compensate(const uint16_t *routine, uint8_t quality)
{
    if (quality > result.quality) {
        result.quality = quality;
    }
    run(routine);
}

static void convert_ph(const struct number_entry *entry, const struct correction *correction, uint8_t quality)
{
    calc[V3] = wiring_u16(entry->fields_at);
    vm_skip(2);
    calc_put(C0, 0);
    calc[C1] = IDEAL_SLOPE_UV;
    calc[C2] = IDEAL_SLOPE_UV;
    if (correction->kind == 2) {
        uint16_t words[3];
        memcpy(words, correction->payload, sizeof words);
        calc_put(C0, (int16_t)words[0]);
        calc[C1] = words[1];
        calc[C2] = words[2];
    }
    compensate(routines.ph, quality);
}

static void convert_analogue(const struct number_entry *entry, const struct correction *correction, uint8_t quality)
{
    calc_put(X, entry->second);
    calc_put(Y, (int16_t)wiring.full_scale);
    calc_put(V1, (int16_t)wiring.reference_mv);
    run(routines.sum);
    if (result.quality == BAD) {
        return;
    }
    if (entry->driver == NTC) {
        convert_ntc(entry->fields_at);
        return;
    }
    if (entry->driver == TMP36) {
        run(routines.tmp36);
        return;
    }
    run(routines.voltage);
    if (entry->driver == PH_ELECTRODE) {
        convert_ph(entry, correction, quality);
        return;
    }
    run(routines.linear);
    if (entry->driver == CONDUCTIVITY && result.quality != BAD) {
        calc[V3] = vm_read_decimal();
        if (calc[V3] != 0) {
            compensate(routines.conductivity, quality);
        }
    }
}

struct sample wiring_convert(const struct number_entry *entry, int32_t raw, const struct correction *correction,
                             struct sample temperature, uint16_t period_ms)
{
    result.quality = GOOD;
    wiring_seek(entry->fields_at);
    calc[V0] = raw;
    calc[V2] = temperature.value;
    if (temperature.quality == BAD) {
        /* The usual one. */
        calc_put(V2, entry->driver == ULTRASONIC ? 20000 : 25000);
        temperature.quality = UNCERTAIN;
    }
    switch (entry->driver) {
    case DS18B20:
        if (raw == DS18B20_POWER_ON || raw < DS18B20_LOWEST || raw > DS18B20_HIGHEST) {
            result.quality = BAD;
        }
        run(routines.ds18b20);
        break;
    case ULTRASONIC:
        compensate(routines.ultrasonic, temperature.quality);
        break;
    case PULSE_FLOW:
        calc_put(Z, (int16_t)period_ms);
        run(routines.flow);
        break;
    case PARAMETER:
        result.value = vm_read_decimal();
        if (correction->kind == 3) {
            memcpy(&result.value, correction->payload, sizeof result.value);
        }
        return result;
    default:
        convert_analogue(entry, correction, temperature.quality);
        break;
    }
    if (correction->kind == 1 && result.quality != BAD && entry->driver != PH_ELECTRODE) {
        memcpy(&calc[C0], correction->payload, 8);
        run(routines.calibration);
    }
    if (result.quality == BAD) {
        result.value = 0;
    }
    return result;
}
