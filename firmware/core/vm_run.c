/* What each operation does with its operands. Those that are arithmetic are routines of the calculator (calc.h): vm_read.c has put
 * the operands into V0 to V6, and here cells come to C0 to C4 and the result before to OLD; their words follow the page line by
 * line. The others are written out. */
#include "vm_core.h"

#include <string.h>

#include "arith.h"
#include "small.h"

struct vm_now now;
struct vm_op op;

/* Answers of routines that give a bit. Numbers are left in OLD; such a routine answers 1 when its result is not yet to be relied on. */
#define NO 0
#define YES 1
#define AS_BEFORE 2

static const struct {
    uint16_t first_bit[3], compare[11], switch_[10], set_reset[5], delay[13], stall[20], disagree[7], window[12];
    uint16_t arithmetic[12], scale[5], clamp[4], lag[19], rate[38], select[6], ramp[28], total_volume[7], total_run[10],
        modulate[43], dose[51];
    uint16_t is_starting[3], in_hand[6], holds[10], may_reset[8], curve[6], point[23], step[5], clamp_pair[3], modulate_pair[3], dose_pair[5], tick[19],
        time[17], in_place[3];
} routines IN_FLASH = {
    .first_bit = {TRUE(V0), END(YES), END(NO)},
    .compare = {
        LESS(V0, V1), END(NO),
        LESS(V1, V0), JUMP(3),
        ZERO(VARIANT), END(NO), END(YES),                /* equal */
        SMALL(X, 2), LESS(VARIANT, X), END(YES), END(NO) /* above */
    },
    .switch_ = {
        ZERO(VARIANT), JUMP(2), NOT(V0), NOT(V1),        /* rising: the number line turned round */
        LESS(V0, V1), END(YES),
        ADD(V1, V2), LESS(V1, V0), END(NO),
        END(AS_BEFORE)
    },
    .set_reset = {TRUE(V1), END(NO), TRUE(V0), END(YES), END(AS_BEFORE)},
    .delay = {
        MOVE(X, V2), TRUE(V0), MOVE(X, V1),
        EQUAL(V0, OLD), JUMP(2),
        LESS(C0, X), JUMP(4),
        SMALL(C0, 0), TRUE(V0), END(YES), END(NO),
        ADD(C0, PERIOD_MS), END(AS_BEFORE)
    },
    .stall = {
        MOVE(X, V1), SUB(X, C0), ZERO(VARIANT), JUMP(2), MOVE(X, C0), SUB(X, V1),
        ZERO(V0), JUMP(2), LESS(X, V3), JUMP(3),
        MOVE(C0, V1), SMALL(C1, 0), JUMP(2),
        ADD(C1, ELAPSED_MS), MIN(C1, V2),
        ZERO(V0), END(NO), LESS(C1, V2), END(NO), END(YES)
    },
    /* Saturating is exact here: no constant has the last seven values of its range. */
    .disagree = {MOVE(X, V0), SUB(X, V1), SUB(V1, V0), MAX(X, V1), LESS(V2, X), END(YES), END(NO)},
    .window = {
        LESS(V2, V1), JUMP(5),
        LESS(V0, V1), END(NO), LESS(V0, V2), END(YES), END(NO),
        LESS(V0, V2), END(YES), LESS(V0, V1), END(NO), END(YES)
    },
    .arithmetic = {
        SMALL(X, 1), SMALL(Y, 2), MOVE(OLD, V0),
        ZERO(VARIANT), ADD(OLD, V1), EQUAL(VARIANT, X), SUB(OLD, V1), EQUAL(VARIANT, Y), MIN(OLD, V1), LESS(Y, VARIANT), MAX(OLD, V1),
        END(0)
    },
    .scale = {MOVE(OLD, V3), MOVE(Y, V2), SMALL(Z, 1), NEAREST(OLD, V1), END(0)},
    .clamp = {MAX(V0, V1), MIN(V0, V2), MOVE(OLD, V0), END(0)},
    .lag = {
        TRUE(C0), JUMP(2), MOVE(OLD, V0), SMALL(C0, 1),
        MOVE(X, V0), SUB(X, OLD), KEEP(X, K_LAG), MUL(X, ELAPSED), ADD(X, C0), SMALL(Y, 1), SUB(X, Y),
        SCANS(V1), DIV(X, V1), ADD(OLD, X), MOVE(C0, REST), ADD(C0, Y), END(0)
    },
    .rate = {
        SMALL(X, 4), DIV(V1, X), SCANS(V1),
        SMALL(V3, 1), SMALL(V2, 5), SMALL(Y, 8), MOVE(X, C4), DIV(X, Y), MOVE(Z, REST), /* waited in X, taken in Z */
        TRUE(Z), JUMP(7),
        MOVE(C0, V0), MOVE(C1, V0), MOVE(C2, V0), MOVE(C3, V0), SMALL(OLD, 0), SMALL(Z, 1), JUMP(12),
        ADD(X, ELAPSED), LESS(X, V1), JUMP(9),
        SUB(X, V1), MOVE(OLD, V0), SUB(OLD, C3), MOVE(C3, C2), MOVE(C2, C1), MOVE(C1, C0), MOVE(C0, V0),
        ADD(Z, V3), MIN(Z, V2),
        MUL(X, Y), ADD(X, Z), MOVE(C4, X), LESS(Z, V2), END(1), END(0)
    },
    .select = {ADD(V1, V2), ADD(V3, V4), MOVE(OLD, V3), TRUE(V0), MOVE(OLD, V1), END(0)},
    .ramp = {
        SET(Y, K_UNIT), DIV(V1, Y), DIV(V2, Y), DIV(V3, Y),
        SMALL(X, 0), MAX(V0, X), SET(Z, K_DAY_LAST), MIN(V0, Z), DIV(V0, Y),
        SET(Y, K_DAY), SUB(V0, V1), NEGATIVE(V0), ADD(V0, Y), SUB(V2, V1), NEGATIVE(V2), ADD(V2, Y),
        MOVE(OLD, X), SUB(V2, V0), LEAST(X, V2), END(0),
        MIN(V2, V0), MOVE(OLD, V4), LEAST(V2, V3), END(0),
        MUL(V2, V4), DIV(V2, V3), MOVE(OLD, V2), END(0)
    },
    .total_volume = {SMALL(X, 0), MAX(V0, X), SET(X, K_FLOW), MIN(V0, X), MUL(V0, ELAPSED), SET(Y, K_PER_ML), JUMP(3)},
    /* The volume goes on in here. */
    .total_run = {
        MOVE(V1, V0), MOVE(V0, ELAPSED_MS), SET(Y, K_THOUSAND),
        ZERO(V1), END(0), ADD(V0, C0), DIV(V0, Y), ADD(OLD, V0), MOVE(C0, REST), END(0)
    },
    .modulate = {
        MOVE(X, V1), SUB(X, V0), SUB(V0, V1), ZERO(VARIANT), MOVE(V0, X), KEEP(V0, K_DEVIATION),
        SMALL(X, 0), SMALL(Y, 1), SMALL(Z, 1), NEAREST(X, V2), KEEP(X, K_PROPORTIONAL),
        MOVE(V1, X), ADD(V1, C0),
        SET(Y, K_THOUSAND), MUL(V4, Y), MUL(V5, Y),
        MOVE(OLD, V1), MAX(OLD, V4), MIN(OLD, V5), SET(Z, K_HALF), ADD(OLD, Z), DIV(OLD, Y),
        NEGATIVE(X), JUMP(3), LEAST(V1, V5), END(0), JUMP(2), LEAST(V4, V1), END(0), /* wound up */
        ZERO(V3), END(0),
        MUL(X, ELAPSED), ADD(X, C1), SCANS(V3), DIV(X, V3), MOVE(C1, REST),
        ADD(C0, X), SMALL(Z, 0), MAX(C0, Z), MIN(C0, V5), END(0)
    },
    .dose = {
        SET(Y, K_UNIT), DIV(V5, Y), DIV(V6, Y),
        SMALL(X, 0), MAX(V0, X), SET(X, K_DAY_LAST), MIN(V0, X), DIV(V0, Y),
        SUB(V0, V5), SET(Y, K_DAY), NEGATIVE(V0), ADD(V0, Y),
        SUB(V6, V5), SMALL(Z, 1), LESS(V6, Z), ADD(V6, Y), LESS(V6, Z), ADD(V6, Y),
        SMALL(X, 0), LEAST(V0, V6), JUMP(4), MOVE(X, V0), MUL(X, V4), DIV(X, V6), ADD(X, Z), /* portion in X */
        TRUE(FIRST), JUMP(4), EQUAL(X, C1), JUMP(4),
        SMALL(C0, 0), JUMP(10),
        SET(C0, K_MOST), JUMP(8),
        ZERO(V2), JUMP(6), SMALL(V6, 0), MAX(V1, V6), SET(V6, K_FLOW), MIN(V1, V6), MUL(V1, ELAPSED), ADD(C0, V1),
        MOVE(C1, X),
        MOVE(Y, V4), SET(V6, K_PER_ML), SMALL(Z, 1), TRUNCATED(V3, V6),
        ZERO(X), END(NO), LESS(C0, V3), END(YES), END(NO)
    },
    .is_starting = {LESS(UPTIME_MS, V3), END(YES), END(NO)},
    .in_hand = {SMALL(Y, 0), LEAST(Y, X), END(NO), SUB(X, PERIOD_MS), MAX(X, Y), END(YES)},
    .holds = {
        ADD(C0, ELAPSED_MS), MOVE(X, V4), MAX(X, V5), MIN(C0, X),
        MOVE(X, V5), TRUE(OLD), MOVE(X, V4), LESS(C0, X), END(YES), END(NO)
    },
    /* n in C1, the last point in V1 and V2, the next in V3 and V4, the result in V0, 1 in C2 before the first point. */
    .curve = {MOVE(C1, V0), SET(V1, K_MOST), NOT(V1), SMALL(Z, 1), SMALL(C2, 1), END(NO)},
    .point = {
        LEAST(V1, V3), END(YES),
        LESS(C1, V3), JUMP(2), MOVE(V0, V4), JUMP(11),
        LEAST(V1, C1), JUMP(9),
        MOVE(V0, C1), SUB(V0, V1), MOVE(Y, V3), SUB(Y, V1), MOVE(OLD, V2), MOVE(X, V4), SUB(X, V2), NEAREST(OLD, X), MOVE(V0, OLD),
        TRUE(C2), MOVE(V0, V4), SMALL(C2, 0), MOVE(V1, V3), MOVE(V2, V4), END(NO)
    },
    .step = {ADD(C0, PERIOD_MS), MIN(C0, V2), LESS(C0, V2), END(NO), END(YES)},
    .clamp_pair = {LESS(V2, V1), END(YES), END(NO)},
    .modulate_pair = {LESS(V5, V4), END(YES), END(NO)},
    .dose_pair = {DIV(V3, V4), SET(X, K_PORTION), LESS(V3, X), END(NO), END(YES)},
    /* Time goes on by a scan; V0 is the clock's day, VARIANT whether there is one. */
    .tick = {
        TRUE(FIRST), JUMP(4),
        MOVE(ELAPSED, PERIOD), MOVE(ELAPSED_MS, PERIOD_MS), ADD(UPTIME_MS, PERIOD_MS), ADD(SINCE_DAY_MS, PERIOD_MS),
        LESS(DAY, V0), JUMP(3), SET(X, K_LONGEST_DAY), LESS(SINCE_DAY_MS, X), END(NO),
        SMALL(SINCE_DAY_MS, 0), SMALL(X, 1), ADD(DAY, X), SET(X, K_LAST_DAY), MIN(DAY, X),
        TRUE(VARIANT), MOVE(DAY, V0), END(YES)
    },
    /* V0: minutes UTC, V1: seconds, V2: minutes that are added, Y: 1440, X: 60. The day is left in V0. */
    .time = {
        ADD(V0, V2), DIV(V0, Y), SMALL(Z, 1), EQUAL(VARIANT, Z), JUMP(6),
        MOVE(OLD, REST), MUL(OLD, X), ADD(OLD, V1), SET(X, K_THOUSAND), MUL(OLD, X), END(0),
        SMALL(X, 4), ADD(V0, X), SMALL(X, 7), DIV(V0, X), MOVE(OLD, REST), END(0) /* 1998-01-01 was a Thursday */
    },
    .in_place = {MOVE(V0, V1), ADD(V0, V2), END(0)},
    .may_reset = {SMALL(X, 2), EQUAL(VARIANT, X), JUMP(2), LEAST(C0, V2), END(NO), SMALL(X, 1), ADD(C0, X), END(YES)},
};

/* Where the routine of each operation begins, in words; WRITTEN has none. */
#define WRITTEN 0xFF
#define AT(name) ((uint8_t)(__builtin_offsetof(__typeof__(routines), name) / 2))
_Static_assert(__builtin_offsetof(__typeof__(routines), dose) / 2 < WRITTEN, "routines begin within 255 words");
static const uint8_t routine_of[] IN_FLASH = {
    AT(compare), AT(compare), AT(switch_), AT(set_reset), AT(first_bit), AT(first_bit), WRITTEN, AT(delay), WRITTEN, AT(stall),
    WRITTEN, AT(disagree), AT(window), WRITTEN, AT(delay), WRITTEN, AT(dose), AT(delay),
    AT(clamp) + 2, AT(arithmetic), AT(scale), AT(clamp), AT(lag), AT(rate), WRITTEN, WRITTEN, AT(select), WRITTEN,
    AT(ramp), AT(clamp) + 2, AT(total_volume), AT(total_run), AT(modulate), WRITTEN, AT(clamp) + 2,
};

uint8_t vm_ask(uint8_t question)
{
    const uint16_t *routine = routines.point;
    if (question == IS_STEP_OVER) {
        routine = routines.step;
    } else if (question == CURVE_BEGINS) {
        routine = routines.curve;
    } else if (question == IS_NEW_DAY) {
        routine = routines.tick;
    } else if (question == IS_PAIR_WRONG) {
        routine = routines.clamp_pair;
        if (op.code == OP_MODULATE) {
            routine = routines.modulate_pair;
        } else if (op.code == OP_DOSE) {
            routine = routines.dose_pair;
        }
    }
    return calc_run(routine);
}

/* True or bad. */
bool vm_is_set(uint8_t operand)
{
    return op.quality[operand] == BAD || calc[operand] != 0;
}

/* True and not bad. */
bool vm_is_sure(uint8_t operand)
{
    return op.quality[operand] != BAD && (uint8_t)calc[operand] != 0;
}

static bool run_vote(void)
{
    uint8_t n_operands = op.variant == 2 ? 3 : 2;
    uint8_t n_usable = 0;
    uint8_t n_true = 0;
    for (uint8_t i = 0; i < n_operands; i++) {
        if (op.quality[i] != BAD) {
            n_usable++;
            if ((uint8_t)calc[i] != 0) {
                n_true++;
            }
        }
    }
    uint8_t n_needed = 1;
    if (n_usable == n_operands) {
        if (op.variant != 0) {
            n_needed = 2;
        }
    } else if (n_usable != 0) {
        op.worst = UNCERTAIN;
    }
    return n_true >= n_needed;
}

static bool run_trip(uint8_t old)
{
    op.worst = GOOD;
    if (now.is_new_day) {
        calc_put(C0, 0);
    }
    if (vm_is_set(V0)) {
        return true;
    }
    if ((old & 1) == 0) {
        return false;
    }
    if ((old & RESET_WAITS) != 0) {
        calc_put(C0, 0);
        return false;
    }
    return !vm_is_sure(V1) || calc_run(routines.may_reset) == NO;
}

/* Both substitutes: which operand is the result. The one in place of a bad first is operand 1 or 2; the absent one is 0 and good. */
static void run_substitute(void)
{
    op.worst = op.quality[0];
    if (op.worst == BAD) {
        op.worst = op.quality[1] | op.quality[2];
        if (op.worst == GOOD) {
            op.worst = UNCERTAIN;
        }
        calc_run(routines.in_place);
    }
    calc_run(routines.clamp + 2);
}

/* Both drives, from and to OLD; `full` is 1 or FULL_DUTY. */
static void run_drive(uint16_t full)
{
    struct vm_op *it = &op;
    IN_REGISTER(it);
    uint8_t options = it->options;
    uint16_t at_power_up = (options & 8) != 0 ? full : 0;
    if (now.is_first) {
        calc_put(OLD, (int16_t)at_power_up);
    }
    uint16_t old = (uint16_t)calc[OLD];
    uint16_t wanted = (uint16_t)arith_clamp(calc[V0], 0, full);
    if (it->quality[0] == BAD) {
        wanted = (options & 0x10) != 0 ? full : (options & 0x20) != 0 ? old : 0;
    }
    if (calc_run(routines.is_starting) == YES) {
        wanted = at_power_up;
    }
    uint16_t hand = *vm_hand_at(it->ordinal);
    if ((hand & FORCED_OFF) != 0) {
        wanted = 0;
    } else if ((hand & FORCED_ON) != 0) {
        wanted = full;
    }
    hand &= HAND_MASK;
    int32_t *left = vm_hand_left_at(it->ordinal);
    calc[X] = *left;
    if (calc_run(routines.in_hand) == YES) {
        *left = calc[X];
        wanted = hand > full ? full : hand;
    }
    /* A modulated drive has neither times nor a cell: all are 0 and decide nothing. */
    if (calc_run(routines.holds) == YES) {
        wanted = old;
    }
    bool is_blocked = false;
    if ((options & 1) != 0 && !vm_is_sure(V1)) {
        wanted = 0;
        is_blocked = true;
    }
    if (vm_is_set(V2)) {
        wanted = it->variant != 0 ? full : 0;
        is_blocked = true;
    }
    if (is_blocked) {
        *vm_hand_at(it->ordinal) |= BLOCKED;
    }
    if (wanted != old) {
        calc_put(C0, 0);
    }
    it->worst = GOOD;
    calc_put(OLD, (int16_t)wanted);
}

/* All four are the floor of a mean of some neighbours among the usable ones in order. */
static void run_combine(void)
{
    uint8_t n = 0;
    for (uint8_t i = 0; i < op.options; i++) {
        if (op.quality[i] != BAD) {
            int32_t next = calc[i];
            int32_t *place = &calc[n];
            for (uint8_t before = n; before != 0 && place[-1] > next; before--) {
                *place = place[-1];
                place--;
            }
            *place = next;
            n++;
        }
    }
    calc_put(OLD, 0);
    if (n == 0) {
        return;
    }
    if (n != op.options) {
        op.worst = UNCERTAIN;
    }
    uint8_t from = 0;
    uint8_t to = (uint8_t)(n - 1);
    if (op.variant == 1) {
        from = to / 2;
        to = n / 2;
    } else if (op.variant == 2) {
        to = 0;
    } else if (op.variant == 3) {
        from = to;
    }
    n = (uint8_t)(to - from + 1);
    uint32_t mean = 0;
    uint8_t rests = 0;
    for (; from <= to; from++) {
        mean += (uint32_t)arith_floored(calc[from], n);
        rests = (uint8_t)(rests + (uint8_t)arith_rest);
    }
    calc[OLD] = (int32_t)(mean + rests / n);
}

static void run_time(void)
{
    op.worst = now.clock_quality;
    calc[V0] = (int32_t)(now.clock_s / 60u) + ZONE_MINUTES_BEFORE;
    calc_put(V1, (uint8_t)(now.clock_s % 60u));
    calc_put(V2, 0);
    calc_put(Y, 1440);
    if (op.variant != 3) {
        zone_offset();
    }
    calc_put(X, 60);
    calc_run(routines.time);
    if (op.variant == 2) {
        calc[OLD] = zone_day_of_year((uint16_t)calc[V0]);
    }
}

/* From and to OLD. */
APART static void run_written(uint8_t bit)
{
    bool result;
    switch (op.code) {
    case OP_VOTE:
        result = run_vote();
        break;
    case OP_TRIP:
        result = run_trip(bit);
        break;
    case OP_QUALITY_TEST:
        result = op.worst > (uint8_t)(~op.variant & 1);
        op.worst = GOOD;
        break;
    case OP_DRIVE:
        run_drive(1);
        return;
    case OP_DRIVE_DUTY:
        run_drive(FULL_DUTY);
        return;
    case OP_COMBINE:
        run_combine();
        return;
    case OP_TIME:
        run_time();
        return;
    default:
        run_substitute();
        return;
    }
    calc_put(OLD, result);
}

static bool is_number(void)
{
    return op.code >= FIRST_NUMBER_OP;
}

APART static uint8_t *flags_at(void)
{
    return is_number() ? vm_quality_at(op.slot) : vm_bit_at(op.slot);
}

/* Of a number its value, then cells. */
APART static void exchange(bool is_inward)
{
    vm_exchange_with(&calc[OLD], is_inward);
    if (is_number()) {
        vm_exchange(vm_number_at(op.slot), sizeof calc[0]);
    } else {
        vm_exchange_with(&calc[C0], is_inward);
    }
    vm_exchange(vm_cell_at(op.cell), (uint8_t)(N_CELLS_OF(op.traits) * sizeof calc[0]));
}

void vm_fetch(void)
{
    calc_put(OLD, *flags_at() & 1);
    calc_put(C0, 0);
    exchange(false);
}

APART void vm_run(void)
{
    struct vm_op *it = &op;
    IN_REGISTER(it);
    calc_put(VARIANT, it->variant);
    if (now.is_new_day && (it->code == OP_TOTAL_VOLUME || it->code == OP_TOTAL_RUN) && it->variant == 0) {
        calc_put(OLD, 0);
        calc_put(C0, 0);
    }
    uint8_t *flags = flags_at();
    if ((it->traits & STANDS_STILL) == 0 || it->worst != BAD) {
        uint8_t at = flash_u8(&routine_of[it->index]);
        if (at == WRITTEN) {
            run_written(*flags);
        } else {
            if (it->part == PART_ALARM && it->worst == BAD) {
                calc_put(V0, 1);
            }
            uint8_t answer = calc_run((const uint16_t *)&routines + at);
            if (is_number()) {
                if (answer != 0) {
                    it->worst = UNCERTAIN;
                }
            } else if (answer != AS_BEFORE) {
                calc_put(OLD, answer);
            }
        }
    }
    exchange(true);
    uint8_t worst = it->worst;
    if (!is_number()) {
        worst = (uint8_t)((uint8_t)calc[OLD] | worst << 1);
    }
    *flags = worst;
}
