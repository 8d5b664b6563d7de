/* What each operation does with its operands. Its state and its result before are in storage; vm_read.c has read the rest. */
#include "vm_core.h"

#include "arith.h"

struct vm_now now;

#define UNIT_MS 250
#define DAY_UNITS INT32_C(345600)
#define DAY_LAST_MS 86399999
/* Flows above this count as this, µL/min. */
#define HIGHEST_FLOW 50000000
/* A volume is integrated in µL/240, for a flow in µL/min over quarter seconds. */
#define PARTS_PER_ML 240000
#define LAG_REACH 16777215
#define MODULATE_REACH 1000000
#define PROPORTIONAL_REACH 10000000

static int32_t smaller(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static int32_t larger(int32_t a, int32_t b)
{
    return a < b ? b : a;
}

/* Time constants in units of 250 ms, at least one scan. */
static int32_t scans_at_least(int32_t units)
{
    return larger(units, now.period);
}

/* Time of day kept to a day, since `from`, in units, modulo a day. */
static int32_t since(int32_t time, int32_t from)
{
    time = arith_clamp(time, 0, DAY_LAST_MS) / UNIT_MS - from / UNIT_MS;
    return time < 0 ? time + DAY_UNITS : time;
}

static bool compare(uint8_t relation, int32_t a, int32_t b)
{
    if (relation == 0) {
        return a > b;
    }
    return relation == 1 ? a >= b : a == b;
}

static bool run_switch(const struct vm_op *op, bool old)
{
    int32_t n = op->value[0];
    int32_t start = op->value[1];
    if (op->variant != 0) {
        n = ~n;
        start = ~start;
    }
    if (n < start) {
        return true;
    }
    return n > arith_add(start, op->value[2]) ? false : old;
}

static bool run_vote(struct vm_op *op)
{
    uint8_t n_operands = op->variant == 2 ? 3 : 2;
    uint8_t n_usable = 0;
    uint8_t n_true = 0;
    for (uint8_t i = 0; i < n_operands; i++) {
        if (op->quality[i] != BAD) {
            n_usable++;
            n_true = (uint8_t)(n_true + (op->value[i] != 0));
        }
    }
    if (n_usable != 0 && n_usable != n_operands) {
        op->worst = UNCERTAIN;
    }
    return n_true >= (op->variant != 0 && n_usable == n_operands ? 2 : 1);
}

static bool run_delay(const struct vm_op *op, bool input, bool old, int32_t *cell)
{
    if (input == old) {
        cell[0] = 0;
        return old;
    }
    cell[0] += now.period_ms;
    if (cell[0] < op->value[input ? 1 : 2] + now.period_ms) {
        return old;
    }
    cell[0] = 0;
    return input;
}

/* True or bad. */
static bool is_set(const struct vm_op *op, uint8_t operand)
{
    return op->value[operand] != 0 || op->quality[operand] == BAD;
}

/* True and not bad. */
static bool is_sure(const struct vm_op *op, uint8_t operand)
{
    return op->value[operand] != 0 && op->quality[operand] != BAD;
}

static bool run_trip(struct vm_op *op, uint8_t old, int32_t *cell)
{
    op->worst = GOOD;
    if (now.is_new_day) {
        cell[0] = 0;
    }
    if (is_set(op, 0)) {
        return true;
    }
    if ((old & 1) == 0) {
        return false;
    }
    if ((old & RESET_WAITS) != 0) {
        cell[0] = 0;
        return false;
    }
    if (is_sure(op, 1) && (op->variant == 2 || cell[0] < op->value[2])) {
        cell[0] = arith_add(cell[0], 1);
        return false;
    }
    return true;
}

static bool run_stall(const struct vm_op *op, int32_t *cell)
{
    int32_t n = op->value[1];
    int32_t time = op->value[2];
    int32_t gained = op->variant != 0 ? arith_subtract(cell[0], n) : arith_subtract(n, cell[0]);
    if (op->value[0] == 0 || gained >= op->value[3]) {
        cell[0] = n;
        cell[1] = 0;
    } else {
        cell[1] = smaller(cell[1] + now.elapsed_ms, time);
    }
    return op->value[0] != 0 && cell[1] >= time;
}

static bool run_disagree(const struct vm_op *op)
{
    int32_t a = op->value[0];
    int32_t b = op->value[1];
    uint32_t apart = a > b ? (uint32_t)a - (uint32_t)b : (uint32_t)b - (uint32_t)a;
    return apart > (uint32_t)op->value[2];
}

static bool run_window(const struct vm_op *op)
{
    bool is_after = op->value[0] >= op->value[1];
    bool is_before = op->value[0] < op->value[2];
    return op->value[1] <= op->value[2] ? is_after && is_before : is_after || is_before;
}

/* Both substitutes: which operand is the result; its quality becomes `worst`. The one in place of a bad first is operand 1 or 2;
 * the absent one is 0 and good. */
static int32_t run_substitute(struct vm_op *op)
{
    op->worst = op->quality[0];
    if (op->worst != BAD) {
        return op->value[0];
    }
    op->worst = op->quality[1] | op->quality[2];
    if (op->worst == GOOD) {
        op->worst = UNCERTAIN;
    }
    return op->value[1] | op->value[2];
}

/* Both drives; `full` is 1 or FULL_DUTY, `old` the result before. */
static int16_t run_drive(struct vm_op *op, int16_t old, int16_t full, int32_t *cell)
{
    int16_t at_power_up = (op->options & 8) != 0 ? full : 0;
    if (now.is_first) {
        old = at_power_up;
    }
    int16_t wanted = (int16_t)arith_clamp(op->value[0], 0, full);
    if (op->quality[0] == BAD) {
        wanted = 0;
        if ((op->options & 0x10) != 0) {
            wanted = full;
        } else if ((op->options & 0x20) != 0) {
            wanted = old;
        }
    }
    if (now.uptime_ms < op->value[3]) {
        wanted = at_power_up;
    }
    uint16_t hand = *vm_hand_at(op->ordinal);
    if ((hand & FORCED_OFF) != 0) {
        wanted = 0;
    } else if ((hand & FORCED_ON) != 0) {
        wanted = full;
    }
    int32_t *left = vm_hand_left_at(op->ordinal);
    if (*left > 0) {
        wanted = (int16_t)smaller(hand & HAND_MASK, full);
        *left = larger(*left - now.period_ms, 0);
    }
    int32_t lasted = 0;
    if (full == 1) {
        lasted = smaller(cell[0] + now.elapsed_ms, larger(op->value[4], op->value[5]));
        if (lasted < op->value[old != 0 ? 4 : 5]) {
            wanted = old;
        }
    }
    if ((op->options & 1) != 0 && !is_sure(op, 1)) {
        wanted = 0;
    }
    if (is_set(op, 2)) {
        wanted = op->variant != 0 ? full : 0;
    }
    if (full == 1) {
        cell[0] = wanted == old ? lasted : 0;
    }
    op->worst = GOOD;
    return wanted;
}

static int32_t flow_of(int32_t flow)
{
    return arith_clamp(flow, 0, HIGHEST_FLOW) * now.elapsed;
}

static bool run_dose(const struct vm_op *op, int32_t *cell)
{
    int32_t length = op->value[6] / UNIT_MS - op->value[5] / UNIT_MS;
    while (length <= 0) {
        length += DAY_UNITS;
    }
    int32_t portion = since(op->value[0], op->value[5]);
    portion = portion < length ? portion * op->value[4] / length + 1 : 0;
    if (now.is_first) {
        cell[0] = INT32_MAX;
    } else if (portion != cell[1]) {
        cell[0] = 0;
    } else if (op->value[2] != 0) {
        cell[0] = arith_add(cell[0], flow_of(op->value[1]));
    }
    cell[1] = portion;
    return portion > 0
           && (uint32_t)cell[0] < arith_truncated((uint32_t)op->value[3], PARTS_PER_ML, (uint32_t)op->value[4]);
}

/* The result of an operation that gives a bit; `old` is its slot. */
static bool run_bit(struct vm_op *op, uint8_t old, int32_t *cell)
{
    bool was = (old & 1) != 0;
    switch (op->code) {
    case OP_COMPARE:
    case OP_COMPARE_SLOTS:
        return compare(op->variant, op->value[0], op->value[1]);
    case OP_SWITCH:
        return run_switch(op, was);
    case OP_SET_RESET:
        return op->value[1] == 0 && (op->value[0] != 0 || was);
    case OP_VOTE:
        return run_vote(op);
    case OP_DELAY:
        return run_delay(op, op->value[0] != 0, was, cell);
    case OP_ALARM:
    case OP_SHORT_ALARM:
        return run_delay(op, is_set(op, 0), was, cell);
    case OP_TRIP:
        return run_trip(op, old, cell);
    case OP_STALL:
        return run_stall(op, cell);
    case OP_QUALITY_TEST: {
        uint8_t quality = op->worst;
        op->worst = GOOD;
        return quality > ((op->variant & 1) != 0 ? GOOD : UNCERTAIN);
    }
    case OP_DISAGREE:
        return run_disagree(op);
    case OP_WINDOW:
        return run_window(op);
    case OP_SUBSTITUTE_BIT:
        return run_substitute(op) != 0;
    case OP_DRIVE:
        return run_drive(op, was, 1, cell) != 0;
    case OP_DOSE:
        return run_dose(op, cell);
    default:
        return op->value[0] != 0;
    }
}

static int32_t run_arithmetic(const struct vm_op *op)
{
    int32_t a = op->value[0];
    int32_t b = op->value[1];
    switch (op->variant) {
    case 0:
        return arith_add(a, b);
    case 1:
        return arith_subtract(a, b);
    case 2:
        return smaller(a, b);
    default:
        return larger(a, b);
    }
}

static int32_t run_lag(const struct vm_op *op, int32_t y, int32_t *cell)
{
    int32_t n = op->value[0];
    if (cell[0] == 0) {
        y = n;
        cell[0] = 1;
    }
    int32_t step = arith_clamp(arith_subtract(n, y), -LAG_REACH, LAG_REACH) * now.elapsed + cell[0] - 1;
    y = arith_add(y, arith_floored(step, scans_at_least(op->value[1] / UNIT_MS), cell));
    cell[0]++;
    return y;
}

static int32_t run_rate(struct vm_op *op, int32_t result, int32_t *cell)
{
    int32_t n = op->value[0];
    int32_t interval = scans_at_least(op->value[1] / 1000);
    uint8_t taken = (uint8_t)(cell[4] & 7);
    int32_t waited = cell[4] >> 3;
    uint8_t i = 3;
    if (taken == 0) {
        result = 0;
        taken = 1;
        do {
            cell[i] = n;
        } while (i-- != 0);
    } else {
        waited += now.elapsed;
        if (waited >= interval) {
            waited -= interval;
            result = arith_subtract(n, cell[3]);
            do {
                cell[i] = cell[i - 1];
            } while (--i != 0);
            cell[0] = n;
            if (taken < 5) {
                taken++;
            }
        }
    }
    cell[4] = waited * 8 + taken;
    if (taken < 5) {
        op->worst = UNCERTAIN;
    }
    return result;
}

/* All four are the floor of a mean of some neighbours among the usable ones in order. */
static int32_t run_combine(struct vm_op *op)
{
    int32_t *value = op->value;
    uint8_t n = 0;
    for (uint8_t i = 0; i < op->options; i++) {
        if (op->quality[i] == BAD) {
            continue;
        }
        int32_t next = value[i];
        uint8_t at = n++;
        for (; at != 0 && value[at - 1] > next; at--) {
            value[at] = value[at - 1];
        }
        value[at] = next;
    }
    if (n == 0) {
        return 0;
    }
    if (n != op->options) {
        op->worst = UNCERTAIN;
    }
    uint8_t from = 0;
    uint8_t to = (uint8_t)(n - 1);
    switch (op->variant) {
    case 0:
        break;
    case 1:
        from = to / 2;
        to = n / 2;
        break;
    case 2:
        to = 0;
        break;
    default:
        from = to;
        break;
    }
    n = (uint8_t)(to - from + 1);
    uint32_t mean = 0;
    int32_t rests = 0;
    for (; from <= to; from++) {
        int32_t rest;
        mean += (uint32_t)arith_floored(value[from], n, &rest);
        rests += rest;
    }
    return (int32_t)(mean + (uint32_t)rests / n);
}

static int32_t run_time(struct vm_op *op)
{
    op->worst = now.clock_quality;
    if (op->variant == 3) {
        return (int32_t)(now.clock_s % 86400u * 1000u);
    }
    struct local_time local;
    zone_local(&reader.code, &reader.zone, now.clock_s, &local);
    if (op->variant == 0) {
        return (int32_t)(local.second_of_day * 1000u);
    }
    return op->variant == 1 ? local.weekday : local.day_of_year;
}

static int32_t run_ramp(const struct vm_op *op)
{
    int32_t length = op->value[2] / UNIT_MS - op->value[1] / UNIT_MS;
    if (length < 0) {
        length += DAY_UNITS;
    }
    int32_t into = since(op->value[0], op->value[1]);
    int32_t left = length - into;
    int32_t nearest = smaller(into, left);
    int32_t ramp = op->value[3] / UNIT_MS;
    if (left <= 0) {
        return 0;
    }
    return nearest >= ramp ? op->value[4] : nearest * op->value[4] / ramp;
}

/* Both totals. A remainder with one more scan's gain stays below 2^31. */
static int32_t run_total(struct vm_op *op, int32_t total, int32_t *cell)
{
    int32_t gain = now.elapsed_ms;
    int32_t per_unit = 1000;
    uint8_t running = 0;
    if (op->code == OP_TOTAL_VOLUME) {
        gain = flow_of(op->value[0]);
        per_unit = PARTS_PER_ML;
        running = 1;
    }
    if (op->value[running] != 0) {
        total = arith_add(total, arith_floored(cell[0] + gain, per_unit, cell));
    }
    return total;
}

static int32_t run_modulate(const struct vm_op *op, int32_t *cell)
{
    int32_t deviation = arith_clamp(arith_subtract(op->value[0], op->value[1]), -MODULATE_REACH, MODULATE_REACH);
    if (op->variant == 0) {
        deviation = -deviation;
    }
    int32_t proportional = arith_clamp(arith_scaled(0, deviation, op->value[2], 1), -PROPORTIONAL_REACH, PROPORTIONAL_REACH);
    int32_t duty = proportional + cell[0];
    int32_t lowest = op->value[4] * 1000;
    int32_t highest = op->value[5] * 1000;
    bool is_wound_up = (duty >= highest && proportional > 0) || (duty <= lowest && proportional < 0);
    if (op->value[3] != 0 && !is_wound_up) {
        int32_t step = arith_floored(proportional * now.elapsed + cell[1], scans_at_least(op->value[3] / UNIT_MS), &cell[1]);
        cell[0] = arith_clamp(cell[0] + step, 0, highest);
    }
    return (arith_clamp(duty, lowest, highest) + 500) / 1000;
}

/* The result of an operation that gives a number; `old` is its slot's value. */
static int32_t run_number(struct vm_op *op, int32_t old, int32_t *cell)
{
    const int32_t *value = op->value;
    switch (op->code) {
    case OP_ARITHMETIC:
        return run_arithmetic(op);
    case OP_SCALE:
        return arith_scaled(value[3], value[0], value[1], (uint32_t)value[2]);
    case OP_CLAMP:
        return arith_clamp(value[0], value[1], value[2]);
    case OP_LAG:
        return run_lag(op, old, cell);
    case OP_RATE:
        return run_rate(op, old, cell);
    case OP_COMBINE:
        return run_combine(op);
    case OP_SUBSTITUTE:
        return run_substitute(op);
    case OP_SELECT:
        return value[0] != 0 ? value[1] | value[2] : value[3] | value[4];
    case OP_TIME:
        return run_time(op);
    case OP_RAMP:
        return run_ramp(op);
    case OP_CURVE:
        return value[1];
    case OP_TOTAL_VOLUME:
    case OP_TOTAL_RUN:
        return run_total(op, old, cell);
    case OP_MODULATE:
        return run_modulate(op, cell);
    case OP_DRIVE_DUTY:
        return run_drive(op, (int16_t)old, FULL_DUTY, cell);
    case OP_PROCEDURE:
        op->worst = GOOD;
        return value[0];
    default:
        return value[0];
    }
}

void vm_run(struct vm_op *op)
{
    int32_t *cell = vm_cell_at(op->cell);
    bool stands_still = op->stands_still && op->worst == BAD;
    if (op->code < FIRST_NUMBER_OP) {
        uint8_t *bit = vm_bit_at(op->slot);
        uint8_t value = *bit & 1;
        if (!stands_still) {
            value = run_bit(op, *bit, cell);
        }
        *bit = (uint8_t)(value | op->worst << 1);
        return;
    }
    int32_t *number = vm_number_at(op->slot);
    if (now.is_new_day && op->variant == 0 && (op->code == OP_TOTAL_VOLUME || op->code == OP_TOTAL_RUN)) {
        *number = 0;
        cell[0] = 0;
    }
    if (!stands_still) {
        *number = run_number(op, *number, cell);
    }
    *vm_quality_at(op->slot) = op->worst;
}
