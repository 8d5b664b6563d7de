/* Reads a program operation by operation: what the loader checks and what a scan runs come from the same few lines, so that
 * nothing is run that was not read the same way when it was checked. */
#include "vm_core.h"

#include "arith.h"
#include "small.h"

struct vm_reader reader;

/* Kinds of operands. What stands behind OPERAND_K is a decimal constant within bounds, then durations, then plain numbers. */
enum {
    OPERAND_N, OPERAND_B,
    OPERAND_K, K_NOT_NEGATIVE, K_POSITIVE, K_DUTY, K_GAIN, K_POINT,
    OPERAND_D, D_DAY, D_HALF_DAY, D_WINDOW,
    OPERAND_U, U_RESETS = OPERAND_U, U_PORTIONS, U_PROBES, U_BITS,
    U_POINTS, U_STEPS
};

/* Lowest and highest, each the number itself up to 127 or one of the calculator's constants, negative or not. */
#define CONSTANT(k) (0x80 | (k))
#define MINUS(k) (0xC0 | (k))
_Static_assert(N_CONSTANTS <= 64, "constants are told by six bits");

/* From OPERAND_K on. */
static const struct bounds {
    uint8_t lowest, highest;
} bounds[] IN_FLASH = {
    {MINUS(K_MOST), CONSTANT(K_MOST)}, {0, CONSTANT(K_MOST)}, {1, CONSTANT(K_MOST)}, {0, CONSTANT(K_THOUSAND)},
    {0, CONSTANT(K_DEVIATION)}, {MINUS(K_BILLION), CONSTANT(K_BILLION)},
    {0, CONSTANT(K_LONGEST)}, {0, CONSTANT(K_WHOLE_DAY)}, {0, CONSTANT(K_HALF_DAY)}, {CONSTANT(K_THOUSAND), CONSTANT(K_LONGEST)},
    {1, CONSTANT(K_BYTE)}, {1, 96}, {2, 4}, {5, 8}, {2, 16}, {1, 32},
};

/* The table of operations: first byte: variants that exist (bits 0 to 3), cells (bits 4 to 6), whether it stands still with a
 * bad operand (bit 7). Then its operands: kind in the low four bits, above it the variants that have it (none: it is always 0, as the code for a similar operation wants it). Lists and steps are
 * read by code. For drives, presence is in their byte h instead. */
#define ONE 1u
#define TWO 3u
#define THREE 7u
#define FOUR 15u
#define STILL STANDS_STILL
#define IN(kind, variants) ((uint8_t)((kind) | ((variants) << 4)))
#define OP_N IN(OPERAND_N, FOUR)
#define OP_B IN(OPERAND_B, FOUR)
#define OP_K IN(OPERAND_K, FOUR)
#define OP_D IN(OPERAND_D, FOUR)
#define OF(kind) IN(kind, FOUR)

static const struct {
    uint8_t compare[3], compare_slots[3], switch_[4], set_reset[3], all[1], any[1], vote[4], delay[4], trip[4], stall[5],
        quality_test[3], disagree[4], window[4], substitute_bit[4], alarm[4], drive[7], dose[8], short_alarm[4];
    uint8_t constant[2], arithmetic[3], scale[5], clamp[4], lag[3], rate[3], combine[1], substitute[4], select[6], time[1],
        ramp[6], curve[2], total_volume[3], total_run[2], modulate[7], drive_duty[7], procedure[2];
    uint8_t end;
} formats IN_FLASH = {
    {THREE, OP_N, OP_K},
    {THREE, OP_N, OP_N},
    {TWO | STILL, OP_N, OP_K, OF(K_NOT_NEGATIVE)},
    {ONE | STILL, OP_B, OP_B},
    {FOUR},
    {FOUR},
    {THREE, OP_B, OP_B, IN(OPERAND_B, 4)},
    {THREE | CELLS(1) | STILL, OP_B, IN(OPERAND_D, 5), IN(OPERAND_D, 6)},
    {THREE | CELLS(1), OP_B, IN(OPERAND_B, 6), IN(U_RESETS, 2)},
    {TWO | CELLS(2) | STILL, OP_B, OP_N, OP_D, OF(K_POSITIVE)},
    {FOUR, IN(OPERAND_N, 3), IN(OPERAND_B, 12)},
    {ONE, OP_N, OP_N, OF(K_NOT_NEGATIVE)},
    {ONE, OP_N, OF(D_DAY), OF(D_DAY)},
    {ONE, OP_B, OP_B, IN(OPERAND_B, 0)},
    {THREE | CELLS(1), OP_B, OP_D, OP_D},
    {TWO | CELLS(1), OP_B, OP_B, OP_B, OP_D, OP_D, OP_D},
    {ONE | CELLS(2) | STILL, OP_N, OP_N, OP_B, OF(K_NOT_NEGATIVE), OF(U_PORTIONS), OF(D_DAY), OF(D_DAY)},
    {THREE | CELLS(1), OP_B, OP_D, IN(OPERAND_D, 0)},
    {ONE, OP_K},
    {FOUR, OP_N, OP_N},
    {ONE, OP_N, OP_K, OF(K_POSITIVE), OP_K},
    {ONE, OP_N, OP_K, OP_K},
    {ONE | CELLS(1) | STILL, OP_N, OP_D},
    {ONE | CELLS(5) | STILL, OP_N, OF(D_WINDOW)},
    {FOUR},
    {TWO, OP_N, IN(OPERAND_K, 1), IN(OPERAND_N, 2)},
    {FOUR, OP_B, IN(OPERAND_K, 5), IN(OPERAND_N, 10), IN(OPERAND_K, 3), IN(OPERAND_N, 12)},
    {FOUR},
    {ONE, OP_N, OF(D_DAY), OF(D_DAY), OF(D_HALF_DAY), OF(K_DUTY)},
    {ONE, OP_N},
    {TWO | CELLS(1) | STILL, OP_N, OP_B},
    {TWO | CELLS(1) | STILL, OP_B},
    {TWO | CELLS(2) | STILL, OP_N, OP_K, OF(K_GAIN), OP_D, OF(K_DUTY), OF(K_DUTY)},
    {TWO, OP_N, OP_B, OP_B, OP_D, OP_D, OP_D},
    {TWO | CELLS(1), IN(OPERAND_B, 2)},
    0,
};

#define AT(name) ((uint8_t)__builtin_offsetof(__typeof__(formats), name))
static const uint8_t starts[] IN_FLASH = {
    AT(compare), AT(compare_slots), AT(switch_), AT(set_reset), AT(all), AT(any), AT(vote), AT(delay), AT(trip), AT(stall),
    AT(quality_test), AT(disagree), AT(window), AT(substitute_bit), AT(alarm), AT(drive), AT(dose), AT(short_alarm),
    AT(constant), AT(arithmetic), AT(scale), AT(clamp), AT(lag), AT(rate), AT(combine), AT(substitute), AT(select), AT(time),
    AT(ramp), AT(curve), AT(total_volume), AT(total_run), AT(modulate), AT(drive_duty), AT(procedure), AT(end),
};

void vm_fail(uint8_t verdict)
{
    if (reader.verdict == VM_SOUND) {
        reader.verdict = verdict;
    }
}

uint8_t vm_next_byte(void)
{
    uint16_t at = reader.at;
    if (at >= reader.end) {
        vm_fail(VM_TRUNCATED);
        return 0;
    }
    reader.at = (uint16_t)(at + 1u);
    return code_byte(&reader.code, at);
}

static bool is_checking(void)
{
    return reader.mode < VM_PASS;
}

uint32_t vm_read_unsigned(void)
{
    uint32_t value = 0;
    uint8_t shift = 0;
    uint8_t byte;
    do {
        byte = vm_next_byte();
        if ((shift != 0 && byte == 0) || (shift == 28 && byte > 0x0F)) {
            vm_fail(VM_NUMBER);
        }
        value |= (uint32_t)(byte & 0x7F) << shift;
        shift = (uint8_t)(shift + 7);
    } while (byte >= 0x80 && shift < 35);
    return value;
}

APART static int32_t bound(const uint8_t *at)
{
    uint8_t code = flash_u8(at);
    if (code < 0x80) {
        return code;
    }
    int32_t value = calc_constant(code & 0x3F);
    return code < 0xC0 ? value : -value;
}

static int32_t read_constant(uint8_t kind)
{
    uint32_t count = vm_read_unsigned();
    bool is_negative = false;
    if (kind < OPERAND_U) {
        uint8_t exponent = count & 3;
        uint8_t verdict = VM_RANGE;
        count >>= 2;
        /* A decimal grows by tens, a duration from ms to s, min and h. */
        uint16_t factor = 1000;
        uint8_t next = 60;
        if (kind < OPERAND_D) {
            is_negative = (count & 1) != 0;
            count = (count + 1) >> 1;
            verdict = VM_NUMBER;
            factor = 10;
            next = 10;
        }
        for (; exponent != 0; exponent--) {
            if (is_checking() && count > (uint32_t)INT32_MAX / factor) {
                vm_fail(verdict);
            }
            count *= factor;
            factor = next;
        }
    }
    int32_t value = (int32_t)(is_negative ? 0u - count : count);
    /* Also while it runs: on this rests that no divisor is 0 and no list longer than its place, whatever became of the bytes. */
    const struct bounds *bound_of = &bounds[kind - OPERAND_K];
    if (value < bound(&bound_of->lowest) || value > bound(&bound_of->highest)) {
        vm_fail(VM_RANGE);
    }
    return value;
}

static void take_constant(uint8_t operand, uint8_t kind)
{
    calc[operand] = read_constant(kind);
}

void vm_seek(const struct code *code, uint16_t at)
{
    reader.code = *code;
    reader.at = at;
    reader.end = (uint16_t)(code->length - 4u);
    reader.mode = VM_COUNT;
    reader.verdict = VM_SOUND;
}

int32_t vm_read_decimal(void)
{
    return read_constant(OPERAND_K);
}

int32_t vm_read_duration(void)
{
    return read_constant(OPERAND_D);
}

void vm_skip(uint8_t n)
{
    for (; n != 0; n--) {
        vm_next_byte();
    }
}

static uint16_t read_slot(void)
{
    uint16_t slot = vm_next_byte();
    if (reader.is_wide) {
        slot = (uint16_t)(slot | (uint16_t)vm_next_byte() << 8);
    }
    return slot;
}

/* True when the slot's content is wanted. */
APART static bool is_wanted(uint16_t slot, uint16_t limit)
{
    if (reader.mode != VM_COUNT && slot >= limit) {
        vm_fail(VM_OPERAND);
        return false;
    }
    return reader.mode == VM_RUN;
}

APART static void note_quality(uint8_t operand, uint8_t quality)
{
    op.quality[operand] = quality;
    if (quality > op.worst) {
        op.worst = quality;
    }
}

static void read_number(uint8_t operand)
{
    uint16_t slot = read_slot();
    if (is_wanted(slot, reader.limit->n_numbers)) {
        calc[operand] = *vm_number_at(slot);
        note_quality(operand, *vm_quality_at(slot) & QUALITY_MASK);
    }
}

static void read_bit(uint8_t operand)
{
    uint16_t slot = read_slot();
    uint16_t top = reader.is_wide ? 0x8000 : 0x80;
    if (is_wanted(slot & (uint16_t)(top - 1), reader.limit->n_bits)) {
        uint8_t bit = *vm_bit_at(slot & (uint16_t)(top - 1)) & BIT_MASK;
        calc_put(operand, (bit & 1) ^ ((slot & top) != 0));
        note_quality(operand, bit >> 1);
    }
}

static void read_list(void)
{
    uint8_t n = (uint8_t)(op.variant + 2);
    if (op.variant == 3) {
        n = (uint8_t)read_constant(U_BITS);
    }
    uint8_t n_false = 0;
    bool is_any = false;
    for (; n != 0 && reader.verdict == VM_SOUND; n--) {
        read_bit(0);
        if ((uint8_t)calc[V0] != 0) {
            is_any = true;
        } else {
            n_false++;
        }
    }
    calc_put(V0, op.code == OP_ALL ? n_false == 0 : is_any);
}

static void read_probes(void)
{
    uint8_t n = (uint8_t)read_constant(U_PROBES);
    op.options = n;
    for (uint8_t i = 0; i < n && reader.verdict == VM_SOUND; i++) {
        read_number(i);
    }
}

static void read_curve(void)
{
    vm_ask(CURVE_BEGINS);
    for (uint8_t n = (uint8_t)read_constant(U_POINTS); n != 0 && reader.verdict == VM_SOUND; n--) {
        take_constant(V3, K_POINT);
        take_constant(V4, K_POINT);
        if (vm_ask(IS_POINT_BEHIND)) {
            vm_fail(VM_RANGE);
        }
    }
}

static void read_procedure(void)
{
    uint8_t n_steps = (uint8_t)read_constant(U_STEPS);
    uint8_t present = 0;
    uint8_t next = 0;
    uint8_t command = 0;
    if (reader.mode == VM_RUN) {
        command = *vm_quality_at(op.slot) >> COMMAND_SHIFT;
        present = (uint8_t)calc[OLD];
        next = present;
        if (command == VM_STOP || vm_is_set(V0)) {
            next = 0;
        } else if (present == 0 && command == VM_START) {
            next = 1;
        }
    }
    for (uint8_t step = 1; step <= n_steps && reader.verdict == VM_SOUND; step++) {
        uint8_t head = vm_next_byte();
        uint8_t kind = head >> 6;
        if (kind == 3) {
            vm_fail(VM_VARIANT);
        }
        take_constant(V2, OPERAND_D);
        bool is_done = command == VM_CONFIRM;
        if (kind == 2) {
            read_bit(1);
            is_done |= vm_is_sure(V1);
        }
        if (step == present && step == next) {
            if (vm_ask(IS_STEP_OVER)) {
                next = 0;
                is_done |= kind == 0;
            }
            if (is_done) {
                next = step == n_steps ? 0 : (uint8_t)(step + 1);
            }
        }
        for (uint8_t n = head & 0x3F; n != 0; n--) {
            uint8_t force = vm_next_byte();
            uint8_t of_drive = force & 0x7F;
            if (reader.mode != VM_COUNT && of_drive >= reader.limit->n_drives) {
                vm_fail(VM_PROCEDURE);
            } else if (reader.mode == VM_RUN && step == next) {
                *vm_hand_at(of_drive) |= (force & 0x80) != 0 ? FORCED_ON : FORCED_OFF;
            }
        }
    }
    if (next != present) {
        calc_put(C0, 0);
    }
    calc_put(V0, next);
    op.worst = GOOD;
}

void vm_check_counts(void)
{
    const struct vm_sizes *n = &reader.before;
    const struct vm_sizes *limit = reader.limit;
    IN_REGISTER(n);
    if (n->n_numbers > limit->n_numbers || n->n_bits > limit->n_bits || n->n_cells > limit->n_cells
        || n->n_drives > limit->n_drives) {
        vm_fail(VM_TOO_MANY);
    }
}

APART static uint8_t part_of(uint8_t code)
{
    if (code == OP_DRIVE || code == OP_DRIVE_DUTY) {
        return PART_DRIVE;
    }
    if (code == OP_TRIP) {
        return PART_TRIP;
    }
    if (code == OP_ALARM || code == OP_SHORT_ALARM) {
        return PART_ALARM;
    }
    return code == OP_PROCEDURE ? PART_PROCEDURE : PART_NONE;
}

/* Byte h of a drive; gives which operands are there, from bit 0 on. */
static uint8_t read_options(void)
{
    uint8_t options = vm_next_byte();
    if ((options & 0x30) == 0x30 || (op.code == OP_DRIVE_DUTY && (options & 0xC0) != 0)) {
        vm_fail(VM_VARIANT);
    }
    op.options = options;
    return (uint8_t)(1 | (options & 7) << 1 | (options & 0xC0) >> 2);
}

APART static void read_operands(uint8_t at, uint8_t end)
{
    uint8_t present = 0;
    uint8_t variant_bit = (uint8_t)(0x10u << op.variant);
    bool is_drive = op.part == PART_DRIVE;
    if (is_drive) {
        present = read_options();
    }
    for (uint8_t operand = 0; at < end; at++, operand++) {
        uint8_t format = flash_u8((const uint8_t *)&formats + at);
        bool is_there = is_drive ? (present & 1) != 0 : (format & variant_bit) != 0;
        present >>= 1;
        calc_put(operand, 0);
        op.quality[operand] = GOOD;
        if (!is_there) {
            continue;
        }
        uint8_t kind = format & 15;
        if (kind == OPERAND_N) {
            read_number(operand);
        } else if (kind == OPERAND_B) {
            read_bit(operand);
        } else {
            take_constant(operand, kind);
        }
    }
    switch (op.code) {
    case OP_ALL:
    case OP_ANY:
        read_list();
        break;
    case OP_COMBINE:
        read_probes();
        break;
    case OP_CURVE:
        read_curve();
        break;
    case OP_PROCEDURE:
        read_procedure();
        break;
    default:
        break;
    }
    bool has_pair = op.code == OP_CLAMP || op.code == OP_MODULATE || op.code == OP_DOSE;
    if (has_pair && is_checking() && reader.verdict == VM_SOUND && vm_ask(IS_PAIR_WRONG)) {
        vm_fail(VM_RANGE);
    }
}

bool vm_next(void)
{
    struct vm_reader *from = &reader;
    IN_REGISTER(from);
    if (from->verdict != VM_SOUND || from->at >= from->end) {
        return false;
    }
    uint8_t head = vm_next_byte();
    uint8_t code = head & 0x3F;
    bool is_number = code >= FIRST_NUMBER_OP;
    uint8_t index = (uint8_t)(code - (is_number ? FIRST_NUMBER_OP - LAST_BIT_OP : OP_COMPARE));
    if (code == 0 || code > LAST_OP || (code > LAST_BIT_OP && !is_number)) {
        vm_fail(VM_OPERATION);
        return false;
    }
    uint8_t at = flash_u8(&starts[index]);
    uint8_t traits = flash_u8((const uint8_t *)&formats + at);
    uint8_t part = part_of(code);
    struct vm_op *it = &op;
    IN_REGISTER(it);
    it->code = code;
    it->variant = head >> 6;
    it->index = index;
    it->worst = GOOD;
    it->traits = traits;
    it->part = part;
    calc_put(V0, 0);
    calc_put(V1, 0);
    if ((traits & (1u << it->variant)) == 0) {
        vm_fail(VM_VARIANT);
        return false;
    }
    it->cell = from->before.n_cells;
    from->before.n_cells = (uint16_t)(from->before.n_cells + N_CELLS_OF(traits));
    if (part != PART_NONE) {
        it->ordinal = N_OF(&from->before, part)++;
    }
    uint16_t *bank = is_number ? &from->before.n_numbers : &from->before.n_bits;
    it->slot = (*bank)++;
    if (!is_checking()) {
        /* A program whose bytes changed since they were checked stops here, before it leaves its storage. */
        vm_check_counts();
    }
    if (from->verdict == VM_SOUND) {
        if (from->mode == VM_RUN) {
            vm_fetch();
        }
        read_operands((uint8_t)(at + 1), flash_u8(&starts[index + 1]));
    }
    if (is_checking() && from->verdict == VM_SOUND) {
        if ((code == OP_PROCEDURE && from->before.n_drives != 0)) {
            vm_fail(VM_PROCEDURE);
        }
        if (part != PART_NONE && N_OF(&from->before, part) == 0) {
            vm_fail(VM_TOO_MANY);
        }
        vm_check_counts();
        from->before.n_ops++;
        if (code == OP_TRIP && it->variant == 1) {
            from->n_retained++;
        } else if (code == OP_TOTAL_VOLUME || code == OP_TOTAL_RUN) {
            from->n_retained = (uint16_t)(from->n_retained + 4);
        }
    }
    return from->verdict == VM_SOUND;
}
