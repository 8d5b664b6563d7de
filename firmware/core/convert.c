/* Raw codes to values, bit for bit as docs/control-program.md, section 8. A wiring table that was opened keeps every divisor
 * above 0 but those that are checked here. */
#include "wiring.h"

#include "arith.h"
#include "vm_core.h"

#define MILLION 1000000u
#define BILLION 1000000000u
#define IDEAL_SLOPE_UV 59159u
#define SLOPE_REFERENCE 298150000u
#define ZERO_CELSIUS_MK 273150
#define DS18B20_POWER_ON (85 * 16)

static struct sample result;

/* base + magnitude or base - magnitude, when the last product over a divisor and the sum fit; else bad. */
static void put_moved(int32_t base, uint32_t magnitude, bool down)
{
    uint32_t room = down ? (uint32_t)base - (uint32_t)INT32_MIN : (uint32_t)INT32_MAX - (uint32_t)base;
    if (arith_exceeds() || magnitude > room) {
        result.quality = BAD;
    } else {
        result.value = arith_move(base, magnitude, down);
    }
}

/* base + nearest(a * b / c). */
static void put_scaled(int32_t base, int32_t a, int32_t b, uint32_t c)
{
    put_moved(base, arith_nearest(arith_magnitude(a), arith_magnitude(b), c, 1), (a ^ b) < 0);
}

static void keep_within(int32_t lowest, int32_t highest)
{
    if (result.value < lowest || result.value > highest) {
        result.quality = BAD;
    }
}

/* A temperature to compensate with, or this one and an uncertain result. */
static int32_t temperature_or(struct sample temperature, int32_t usual)
{
    if (temperature.quality == BAD) {
        result.quality = UNCERTAIN;
        return usual;
    }
    if (temperature.quality > result.quality) {
        result.quality = temperature.quality;
    }
    return temperature.value;
}

static int32_t payload(const struct correction *correction, uint8_t at)
{
    const uint8_t *bytes = &correction->payload[at];
    uint32_t value = 0;
    for (uint8_t i = 4; i-- != 0;) {
        value = value << 8 | bytes[i];
    }
    return (int32_t)value;
}

/* Points every thirty-second part of full scale, in 4 m degC. */
static void convert_ntc(uint16_t table_at, uint32_t sum, uint32_t full)
{
    uint32_t place = sum * 32;
    uint8_t index = (uint8_t)(place / full);
    int16_t point[2];
    for (uint8_t i = 0; i < 2; i++) {
        uint16_t at = (uint16_t)(table_at + (uint16_t)(2 * (index + i)));
        point[i] = (int16_t)(wiring_byte(at) | (uint16_t)wiring_byte((uint16_t)(at + 1u)) << 8);
        if (point[i] == INT16_MIN) {
            result.quality = BAD;
        }
    }
    int32_t low = point[0] * INT32_C(4);
    put_scaled(low, point[1] * INT32_C(4) - low, (int32_t)(place - index * full), full);
}

static void convert_ph(int32_t microvolts, const struct correction *correction, struct sample temperature)
{
    uint16_t midpoint_mv = vm_next_byte();
    midpoint_mv = (uint16_t)(midpoint_mv | (uint16_t)vm_next_byte() << 8);
    int32_t gain = vm_read_decimal();
    if (gain == 0) {
        result.quality = BAD;
        return;
    }
    int32_t electrode = arith_scaled(0, microvolts - midpoint_mv * INT32_C(1000), gain < 0 ? -1000 : 1000, arith_magnitude(gain));
    int32_t kelvin = temperature_or(temperature, 25000);
    int32_t offset = 0;
    uint32_t acid = IDEAL_SLOPE_UV;
    uint32_t base = IDEAL_SLOPE_UV;
    if (correction->kind == 2) {
        uint32_t first = (uint32_t)payload(correction, 0);
        offset = (int16_t)first * INT32_C(10);
        acid = first >> 16;
        base = (uint32_t)payload(correction, 4) & 0xFFFF;
    }
    if (electrode < -1000000 || electrode > 1000000 || kelvin < 250000 - ZERO_CELSIUS_MK || kelvin > 400000 - ZERO_CELSIUS_MK) {
        result.quality = BAD;
        return;
    }
    int32_t below = offset - electrode;
    uint32_t slope = below < 0 ? acid : base;
    if (slope == 0) {
        result.quality = BAD;
        return;
    }
    uint32_t away = arith_nearest(arith_magnitude(below), SLOPE_REFERENCE, slope, (uint32_t)(kelvin + ZERO_CELSIUS_MK));
    put_moved(7000, away, below < 0);
    keep_within(0, 14000);
}

static void convert_linear(int32_t microvolts)
{
    int32_t zero = vm_read_decimal();
    int32_t per_volt = vm_read_decimal();
    bool is_below = microvolts < zero;
    uint32_t above = is_below ? (uint32_t)zero - (uint32_t)microvolts : (uint32_t)microvolts - (uint32_t)zero;
    put_moved(0, arith_nearest(above, arith_magnitude(per_volt), MILLION, 1), is_below != (per_volt < 0));
}

/* To 25 degC by c / (1 + a (t - 25 degC)). */
static void convert_conductivity(struct sample temperature)
{
    int32_t per_kelvin = vm_read_decimal();
    if (per_kelvin == 0) {
        return;
    }
    int32_t t = temperature_or(temperature, 25000);
    bool is_below = t < 25000;
    uint32_t apart = is_below ? 25000u - (uint32_t)t : (uint32_t)t - 25000u;
    apart = arith_truncated(apart, arith_magnitude(per_kelvin), 1);
    uint32_t factor = BILLION + apart;
    uint32_t most = 3 * BILLION;
    if (is_below != (per_kelvin < 0)) {
        factor = BILLION - apart;
        most = 9 * (BILLION / 10);
    }
    if (apart > most) {
        result.quality = BAD;
        return;
    }
    put_moved(0, arith_nearest(arith_magnitude(result.value), BILLION, factor, 1), result.value < 0);
}

static void convert_ultrasonic(int32_t echo_us, struct sample temperature)
{
    if (echo_us < 1 || echo_us > 23200) {
        result.quality = BAD;
        return;
    }
    int32_t t = arith_clamp(temperature_or(temperature, 20000), -40000, 60000);
    uint32_t um_per_ms = (uint32_t)(331300 + t * 606 / 1000);
    put_moved(vm_read_decimal(), arith_nearest((uint32_t)echo_us, um_per_ms, 2000, 1), true);
}

static void convert_flow(int32_t pulses, uint16_t period_ms)
{
    int32_t per_litre = vm_read_decimal();
    if (per_litre <= 0 || pulses < 0 || period_ms == 0) {
        result.quality = BAD;
        return;
    }
    put_moved(0, arith_nearest((uint32_t)pulses, 60 * MILLION, (uint32_t)per_litre, period_ms), false);
}

static void convert_analogue(const struct number_entry *entry, int32_t sum, const struct correction *correction,
                             struct sample temperature)
{
    uint32_t full = (uint32_t)entry->second * wiring.full_scale;
    if (sum <= 0 || (uint32_t)sum >= full - entry->second) {
        result.quality = BAD;
        return;
    }
    if (entry->driver == NTC) {
        convert_ntc(entry->fields_at, (uint32_t)sum, full);
        return;
    }
    uint16_t fraction = entry->driver == TMP36 ? 100 : 1000;
    uint32_t voltage = arith_nearest((uint32_t)sum, (uint32_t)wiring.reference_mv * fraction, full, 1);
    switch (entry->driver) {
    case TMP36:
        result.value = (int32_t)voltage - 50000;
        keep_within(-40000, 125000);
        break;
    case PH_ELECTRODE:
        convert_ph((int32_t)voltage, correction, temperature);
        break;
    default:
        convert_linear((int32_t)voltage);
        if (entry->driver == CONDUCTIVITY && result.quality != BAD) {
            convert_conductivity(temperature);
        }
        break;
    }
}

struct sample wiring_convert(const struct number_entry *entry, int32_t raw, const struct correction *correction,
                             struct sample temperature, uint16_t period_ms)
{
    result.value = 0;
    result.quality = GOOD;
    wiring_seek(entry->fields_at);
    switch (entry->driver) {
    case DS18B20:
        result.value = raw;
        keep_within(-55 * 16, 125 * 16);
        if (raw == DS18B20_POWER_ON) {
            result.quality = BAD;
        }
        result.value = (int32_t)((uint32_t)raw * 125u);
        result.value = result.value < 0 ? ~(~result.value >> 1) : result.value >> 1;
        break;
    case ULTRASONIC:
        convert_ultrasonic(raw, temperature);
        break;
    case PULSE_FLOW:
        convert_flow(raw, period_ms);
        break;
    case PARAMETER:
        result.value = correction->kind == 3 ? payload(correction, 0) : vm_read_decimal();
        break;
    default:
        convert_analogue(entry, raw, correction, temperature);
        break;
    }
    if (correction->kind == 1 && result.quality != BAD && entry->driver != PH_ELECTRODE && entry->driver != PARAMETER) {
        put_scaled(payload(correction, 0), result.value, payload(correction, 4), MILLION);
    }
    if (result.quality == BAD) {
        result.value = 0;
    }
    return result;
}
