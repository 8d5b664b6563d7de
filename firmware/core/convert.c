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

/* The value comes to OLD. V2 is the temperature; of analogue inputs V0 is the sum, Y its full scale, V1 the reference in uV (of a
 * TMP36 in 10 uV), Z 1; C0 to C2 are the calibration. */
static const struct {
    uint16_t ds18b20[6], tmp36[12], voltage[3], ntc[2], ph[49], linear[8], conductivity[15], ultrasonic[25], flow[12], calibration[6];
} routines IN_FLASH = {
    .ds18b20 = {MOVE(OLD, V0), SET(X, K_UNIT), MUL(OLD, X), SMALL(X, 4), DIV(OLD, X), END(FINE)},
    .tmp36 = {SMALL(OLD, 0), NEAREST(OLD, V1), SET(X, K_TMP36_ZERO), SUB(OLD, X),
        SET(X, K_TMP36_HIGHEST), LESS(X, OLD), END(NOT_A_MEASUREMENT),
        SET(X, K_FORTY), ADD(X, OLD), NEGATIVE(X), END(NOT_A_MEASUREMENT), END(FINE)},
    .voltage = {SMALL(OLD, 0), NEAREST(OLD, V1), END(FINE)},
    .ntc = {NEAREST(OLD, V1), END(FINE)},
    .ph = {READ(V4), ZERO(V4), END(NOT_A_MEASUREMENT),
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

/* The temperature to compensate with, or this one and an uncertain result. */
static void take_temperature(struct sample temperature, uint16_t usual)
{
    if (temperature.quality == BAD) {
        temperature.value = usual;
        temperature.quality = UNCERTAIN;
    }
    if (temperature.quality > result.quality) {
        result.quality = temperature.quality;
    }
    calc[V2] = temperature.value;
}

/* Points every thirty-second part of full scale, in 4 m degC. */
static void convert_ntc(uint16_t at)
{
    uint32_t place = (uint32_t)calc[V0] * 32;
    uint8_t index = (uint8_t)(place / (uint32_t)calc[Y]);
    at = (uint16_t)(at + (uint16_t)(2 * index));
    int32_t point[2];
    for (uint8_t i = 0; i < 2; i++) {
        int16_t value = (int16_t)wiring_u16(at);
        if (value == INT16_MIN) {
            result.quality = BAD;
        }
        point[i] = value * INT32_C(4);
        at = (uint16_t)(at + 2);
    }
    calc[V0] = (int32_t)(place % (uint32_t)calc[Y]);
    calc[V1] = point[1] - point[0];
    calc[OLD] = point[0];
    run(routines.ntc);
}

static void convert_ph(const struct correction *correction, struct sample temperature)
{
    uint16_t midpoint_mv = vm_next_byte();
    calc[V3] = midpoint_mv | (uint16_t)((uint16_t)vm_next_byte() << 8);
    calc_put(C0, 0);
    calc[C1] = IDEAL_SLOPE_UV;
    calc[C2] = IDEAL_SLOPE_UV;
    if (correction->kind == 2) {
        uint16_t words[3];
        memcpy(words, correction->payload, sizeof words);
        calc[C0] = (int16_t)words[0] * INT32_C(10);
        calc[C1] = words[1];
        calc[C2] = words[2];
    }
    take_temperature(temperature, 25000);
    run(routines.ph);
}

static void convert_analogue(const struct number_entry *entry, const struct correction *correction, struct sample temperature)
{
    uint32_t full = (uint32_t)entry->second * wiring.full_scale;
    int32_t sum = calc[V0];
    if (sum <= 0 || (uint32_t)sum >= full - entry->second) {
        result.quality = BAD;
        return;
    }
    calc[Y] = (int32_t)full;
    calc_put(Z, 1);
    if (entry->driver == NTC) {
        convert_ntc(entry->fields_at);
        return;
    }
    calc[V1] = wiring.reference_mv * (entry->driver == TMP36 ? INT32_C(100) : INT32_C(1000));
    if (entry->driver == TMP36) {
        run(routines.tmp36);
        return;
    }
    run(routines.voltage);
    if (entry->driver == PH_ELECTRODE) {
        convert_ph(correction, temperature);
        return;
    }
    run(routines.linear);
    if (entry->driver == CONDUCTIVITY && result.quality != BAD) {
        calc[V3] = vm_read_decimal();
        if (calc[V3] != 0) {
            take_temperature(temperature, 25000);
            run(routines.conductivity);
        }
    }
}

struct sample wiring_convert(const struct number_entry *entry, int32_t raw, const struct correction *correction,
                             struct sample temperature, uint16_t period_ms)
{
    result.quality = GOOD;
    wiring_seek(entry->fields_at);
    calc[V0] = raw;
    switch (entry->driver) {
    case DS18B20:
        if (raw == DS18B20_POWER_ON || raw < DS18B20_LOWEST || raw > DS18B20_HIGHEST) {
            result.quality = BAD;
        }
        run(routines.ds18b20);
        break;
    case ULTRASONIC:
        take_temperature(temperature, 20000);
        run(routines.ultrasonic);
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
        convert_analogue(entry, correction, temperature);
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
