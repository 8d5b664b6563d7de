/* Text display, remote and buzzer, from the panel table in flash as docs/panel.md has it; compared with the reference in
 * crates/program/src/panel. A char is worked out when it is asked for: the display's driver sends one at a time, so no line is
 * ever kept. */
#include "panel.h"

#include <stddef.h>

#include "arith.h"
#include "board.h"
#include "port.h"
#include "small.h"
#include "store.h"
#include "vm.h"

/* The table: bytes of its head, then blocks. */
enum {
    ROWS_AT = 6,
    PAGES_AT,
    PAGE_TIME_AT,
    ATTENTION_PAGE_AT,
    N_KEYS_AT,
    N_ALARMS_AT,
    BUZZER_AT = 13,
    KEYS_AT,
    TEXTS_AT = 16,
    COUNTS_AT = 18,
    N_COUNTS = 14,
    PATTERNS_AT = COUNTS_AT + N_COUNTS,
    PATTERN_BYTES = 7,
    HEAD = PATTERNS_AT + 4 * PATTERN_BYTES
};

/* Texts by their order; those of alarms begin at TEXT_ALARMS. A doubt is its own text. */
enum { TEXT_WELL, TEXT_FOREIGN = PANEL_DOUBTS, TEXT_REFUSED, TEXT_ALARMS };

/* Kinds of place; those from ATTENTION on are texts, below CHARS stand no chars. */
enum { LINE_END, NUMBER, STATE, CLOCK, HAND_LEFT, ATTENTION, STEP, KEY, CHARS = ' ' };

enum { HAND = 1, TOGGLE, GIVE_BACK, RESET_TRIPS, PROCEDURE, PAGE, SILENCE };

#define KEY_FIELDS 9u
#define FROM_OUTPUT 0x80u
#define NEGATED 0x40u
#define NO_TABLE_CODE 0xFFFFFFu
#define TICKS_PER_SECOND (1000u / PANEL_TICK_MS)
#define TICKS_PER_STEP 4u
#define HELD_S 30u
#define ECHO_S 3u
#define LEARNING_S 30u
#define WALK_GAP 3u
#define WALK_PAUSE 7u
#define LEVEL_DOUBT 4u

/* What is called from many places must not be copied into them. */
#define SHARED __attribute__((noinline)) static

static struct code table; /* of length 0 without a panel: then all its bytes read 0 */
static uint16_t at;       /* the next byte to be read of it */

/* Seconds left. */
enum { PAGE_LEFT, ECHO_LEFT, LEARNING_LEFT, N_LEFT };

static struct state {
    bool is_own; /* the running program has the counts of the table's */
    uint8_t page;
    uint8_t echo; /* a key, PANEL_NO_KEY for a refused one */
    uint8_t learning;
    uint8_t left_s[N_LEFT];
    uint8_t tick;
    uint8_t level, n_standing;
    uint8_t doubt;
    uint16_t silence_left_s;
    uint16_t walked, phase;
    uint16_t attention, step; /* where their texts stand; 0 for none */
} panel;

SHARED uint8_t next(void)
{
    return code_byte(&table, at++);
}

SHARED uint16_t next_word(void)
{
    uint8_t low = next();
    return (uint16_t)(low | (uint16_t)((uint16_t)next() << 8));
}

SHARED uint8_t head(uint8_t from)
{
    at = from;
    return next();
}

SHARED void move(uint8_t n)
{
    at = (uint16_t)(at + n);
}

SHARED uint8_t ahead(uint8_t n)
{
    move(n);
    return next();
}

/* To the n-th block from here. */
SHARED uint16_t skip(uint8_t n)
{
    while (n-- != 0) {
        move(next());
    }
    return at;
}

/* To the n-th of the blocks that begin where this word of the head says. */
SHARED uint16_t find(uint8_t list, uint8_t n)
{
    at = list;
    at = next_word();
    return skip(n);
}

/* Where this sentence stands; without a display what tells it from others. */
static uint16_t sentence_at(uint8_t sentence)
{
    return PORT_HAS_PANEL ? find(TEXTS_AT, sentence) : sentence;
}

/* The output of a drive; negative when there is no such drive. */
SHARED int16_t output(uint8_t drive)
{
    return drive < vm.n_drives ? vm_output(drive) : -1;
}

/* The counts of the running program stand together, in the order of the table; every port is little-endian. */
_Static_assert(offsetof(struct vm_sizes, n_procedures) == N_COUNTS - 1, "counts of the layout");

bool panel_open(const struct code *code)
{
    table = *code;
    /* Ranges are the business of who wrote it. */
    bool is_open = code_is_table(code, 'p');
    if (!is_open) {
        table.length = 0;
    }
    struct state *p = &panel;
    BY_POINTER(p);
    uint8_t *byte = (uint8_t *)p;
    for (uint8_t n = sizeof panel; n != 0; n--) {
        *byte++ = 0;
    }
    p->left_s[PAGE_LEFT] = head(PAGE_TIME_AT);
    p->attention = sentence_at(TEXT_WELL);
    at = COUNTS_AT;
    const uint8_t *count = (const uint8_t *)&vm;
    for (uint8_t n = N_COUNTS; n != 0; n--) {
        if (next() != *count++) {
            return is_open;
        }
    }
    p->is_own = true;
    return is_open;
}

SHARED void turn(uint8_t by)
{
    uint8_t n = head(PAGES_AT);
    uint8_t page = (uint8_t)(panel.page + by);
    if (page >= n) {
        page = by == 1 ? 0 : (uint8_t)(n - 1u);
    }
    panel.page = page;
    panel.left_s[PAGE_LEFT] = HELD_S;
}

/* To the pattern of the level. */
SHARED void find_pattern(void)
{
    uint8_t level = panel.level;
    if (level != 0) {
        level--;
    }
    at = (uint8_t)(PATTERNS_AT + PATTERN_BYTES * level);
}

APART void panel_tick(void)
{
    struct state *p = &panel;
    BY_POINTER(p);
    find_pattern();
    if (++p->phase >= ahead(2) * TICKS_PER_SECOND) {
        p->phase = 0;
    }
    uint8_t tick = (uint8_t)(p->tick + 1u);
    if (tick % TICKS_PER_STEP == 0) {
        p->walked++;
    }
    if (tick == TICKS_PER_SECOND) {
        tick = 0;
        if (p->silence_left_s != 0) {
            p->silence_left_s--;
        }
        for (uint8_t i = 0; i < N_LEFT; i++) {
            if (p->left_s[i] != 0) {
                p->left_s[i]--;
            }
        }
        uint8_t page_time = PORT_HAS_PANEL ? head(PAGE_TIME_AT) : 0;
        if (page_time != 0 && p->left_s[PAGE_LEFT] == 0) {
            turn(1);
            p->left_s[PAGE_LEFT] = page_time;
        }
    }
    p->tick = tick;
}

/* Where the text of the first running procedure's step stands; 0 for none. */
static uint16_t running_step(void)
{
    if (panel.is_own) {
        for (uint8_t procedure = 0; procedure < vm.n_procedures; procedure++) {
            uint8_t step = vm_step(procedure);
            if (step != 0) {
                uint16_t firsts = find(TEXTS_AT, (uint8_t)(TEXT_ALARMS + head(N_ALARMS_AT)));
                step = (uint8_t)(step + ahead((uint8_t)(procedure + 1u)));
                if (step > next()) {
                    break;
                }
                at = firsts;
                return skip(step);
            }
        }
    }
    return 0;
}

void panel_scan(void)
{
    struct state *p = &panel;
    BY_POINTER(p);
    uint8_t level = 0;
    uint8_t n_standing = 0;
    uint8_t sentence = TEXT_WELL;
    for (uint8_t alarm = 0; alarm < vm.n_alarms; alarm++) {
        uint8_t state = vm_alarm(alarm);
        if ((state & 1u) != 0) {
            n_standing++;
            state = (uint8_t)((state >> 4 & 3u) + 1u);
            if (state > level) {
                level = state;
                sentence = p->is_own ? (uint8_t)(TEXT_ALARMS + alarm) : TEXT_FOREIGN;
            }
        }
    }
    if (p->doubt != 0) {
        sentence = p->doubt;
        level = LEVEL_DOUBT;
        n_standing++;
    }
    uint16_t attention = PORT_HAS_PANEL ? running_step() : 0;
    p->step = attention;
    if (sentence != TEXT_WELL || attention == 0) {
        attention = sentence_at(sentence);
    }
    bool is_begun = n_standing > p->n_standing || level > p->level;
    if (attention != p->attention) {
        p->attention = attention;
        p->walked = 0;
        if (level != 0 && n_standing == p->n_standing) {
            is_begun = true;
        }
    }
    p->n_standing = n_standing;
    if (is_begun) {
        p->silence_left_s = 0;
        p->page = head(ATTENTION_PAGE_AT);
        p->left_s[PAGE_LEFT] = HELD_S;
    }
    if (level != p->level) {
        p->level = level;
        p->phase = 0;
    }
}

void panel_doubt(uint8_t doubt)
{
    panel.doubt = doubt;
}

void panel_silence(uint16_t time_s)
{
    panel.silence_left_s = time_s;
}

uint16_t panel_tone(void)
{
    uint8_t buzzer = head(BUZZER_AT);
    uint8_t level = panel.level;
    int16_t allowed = output(buzzer);
    if (allowed > 0) {
        level = LEVEL_DOUBT;
    } else if (allowed == 0 && (level != LEVEL_DOUBT || vm_hand_left_ms(buzzer) > 0)) {
        level = 0;
    }
    uint16_t phase = panel.phase;
    if (level != 0 && buzzer != 0xFFu && panel.silence_left_s == 0 && phase < 32u) {
        find_pattern();
        uint16_t hz = next_word();
        uint8_t beeps = (uint8_t)(ahead((uint8_t)(1u + (phase >> 3))) >> (phase & 7u));
        if ((beeps & 1u) != 0) {
            return hz;
        }
    }
    return 0;
}

static uint8_t text_char(uint8_t kind, uint8_t width, uint8_t column)
{
    struct state *p = &panel;
    BY_POINTER(p);
    uint8_t before = 0;
    at = p->attention;
    if (kind == STEP) {
        at = p->step;
    } else if (kind == KEY) {
        at = 0;
        if (p->left_s[ECHO_LEFT] != 0) {
            uint8_t key = p->echo;
            if (key == PANEL_NO_KEY) {
                find(TEXTS_AT, TEXT_REFUSED);
            } else {
                find(KEYS_AT, key);
                before = KEY_FIELDS;
            }
        }
    }
    if (at == 0) {
        return ' ';
    }
    uint8_t length = (uint8_t)(next() - before);
    if (length > width) {
        uint8_t shift = (uint8_t)(p->walked % (uint8_t)(length + WALK_GAP + WALK_PAUSE));
        while (shift > WALK_PAUSE) {
            shift--;
            if (++column == (uint8_t)(length + WALK_GAP)) {
                column = 0;
            }
        }
    }
    return column < length ? ahead((uint8_t)(before + column)) : ' ';
}

/* The `back`-th char from the right of a number in its field. Every digit is worked out, for one that does not fit is shown
 * nowhere. */
APART static uint8_t number_char(int32_t shown, uint8_t decimals, uint8_t point, uint8_t field, uint8_t back)
{
    uint32_t left = arith_magnitude(shown);
    uint8_t sign = shown < 0 ? '-' : ' ';
    uint8_t out = ' ';
    /* A digit before the point, where there is one. */
    uint8_t least = decimals;
    if (least != 0) {
        least++;
    }
    for (uint8_t i = 0; i < field; i++) {
        uint8_t character = sign;
        if (i == decimals && i != 0) {
            character = point;
        } else if (left != 0 || i <= least) {
            character = (uint8_t)('0' + left % 10u);
            left /= 10u;
        } else {
            sign = ' ';
        }
        if (i == back) {
            out = character;
        }
    }
    if (left != 0 || (shown < 0 && sign != ' ') || field <= least) {
        out = shown < 0 ? '<' : '>';
    }
    return out;
}

/* A char of a place, whose fields come next. */
static uint8_t place_char(uint8_t kind, uint8_t width, uint8_t column)
{
    if (kind >= ATTENTION) {
        return text_char(kind, width, column);
    }
    uint8_t field = (uint8_t)(width - 1u);
    uint8_t back = (uint8_t)(field - column);
    uint8_t low = next();
    uint8_t high = next();
    int32_t value = 0;
    uint8_t quality = BAD;
    uint16_t slot = (uint16_t)(low | (uint16_t)((high & (NEGATED - 1u)) << 8));
    if (kind == HAND_LEFT) {
        if (low < vm.n_drives) {
            value = vm_hand_left_ms(low);
        }
        if (value <= 0) {
            return ' ';
        }
        quality = GOOD;
    } else if ((high & FROM_OUTPUT) != 0) {
        value = output(low);
        if (value >= 0) {
            quality = GOOD;
        }
    } else if (kind == STATE) {
        if (slot < (panel.is_own ? vm.n_bits : vm.n_bit_inputs + 2u)) {
            uint8_t bit = vm_bit(slot);
            value = bit & 1u;
            quality = bit >> 1 & 3u;
        }
    } else if (slot < (panel.is_own ? vm.n_numbers : (uint16_t)vm.n_number_inputs)) {
        struct sample sample = vm_number(slot);
        value = sample.value;
        quality = sample.quality;
    }
    if (column == 0) {
        return quality == UNCERTAIN ? '?' : ' ';
    }
    if (quality >= BAD) {
        return '-';
    }
    if (kind == STATE) {
        if ((value > 0 ? NEGATED : 0) == (high & NEGATED)) {
            column = (uint8_t)(column + field);
        }
        return ahead((uint8_t)(column - 1u));
    }
    uint8_t decimals = 2;
    uint8_t point = ':';
    if (kind != NUMBER) {
        /* Sixties as a number with two decimals: h:mm of a clock, m:ss or 2h05 of what is left. */
        uint32_t ms = (uint32_t)value;
        uint16_t unit = 60000u;
        if (kind == HAND_LEFT) {
            ms += 999u;
            point = 'h';
            if (ms < 3600000u) {
                unit = 1000;
                point = ':';
            }
        }
        uint16_t count = (uint16_t)(ms / unit);
        value = count + (uint16_t)(count / 60u * 40u);
    } else {
        decimals = next();
        point = '.';
        uint16_t multiplier = next_word();
        uint16_t divisor = next_word();
        value = arith_scaled((int16_t)next_word(), value, multiplier, divisor);
    }
    return number_char(value, decimals, point, field, back);
}

uint8_t panel_char(uint8_t row, uint8_t column)
{
    uint8_t n_rows = head(ROWS_AT);
    if (row < n_rows) {
        at = HEAD;
        skip((uint8_t)(panel.page * n_rows + row));
        next();
        uint8_t kind;
        while ((kind = next()) != LINE_END) {
            uint8_t width = 1;
            uint8_t n = 0;
            if (kind < CHARS) {
                width = next();
                n = next();
            }
            if (column < width) {
                return kind < CHARS ? place_char(kind, width, column) : kind;
            }
            column = (uint8_t)(column - width);
            move(n);
        }
    }
    return ' ';
}

uint32_t panel_code(uint32_t frame)
{
    uint8_t command = (uint8_t)(frame >> 16);
    uint8_t inverse = (uint8_t)(frame >> 24);
    return (command ^ inverse) == 0xFFu && command != 0xFFu ? frame & NO_TABLE_CODE : PANEL_NO_CODE;
}

/* Does what the fields of a key's block say that come next. */
static bool act(void)
{
    uint8_t action = next();
    uint8_t part = next();
    uint16_t value = next_word();
    uint8_t n = (uint8_t)value;
    uint16_t time_s = next_word();
    if (action >= PAGE) {
        if (action == PAGE) {
            turn(n);
        } else {
            panel_silence(time_s);
        }
        return true;
    }
    uint8_t answer;
    if (action <= GIVE_BACK) {
        if (action == TOGGLE && output(part) > 0) {
            value = 0;
        }
        answer = board_hand(part, (int16_t)value, time_s * (uint32_t)1000);
    } else if (!panel.is_own) {
        return false;
    } else if (action == PROCEDURE) {
        if (n > VM_STOP) {
            n = part < vm.n_procedures && vm_step(part) != 0 ? VM_CONFIRM : VM_START;
        }
        answer = board_procedure(part, n);
    } else {
        answer = ANSWER_DONE;
        while (n-- != 0) {
            answer |= board_reset_trip(part++);
        }
    }
    return answer == ANSWER_DONE;
}

uint8_t panel_key(uint32_t code)
{
    struct state *p = &panel;
    BY_POINTER(p);
    uint8_t key = p->learning;
    bool is_done;
    if (p->left_s[LEARNING_LEFT] != 0) {
        p->left_s[LEARNING_LEFT] = 0;
        is_done = store_learn(key, code) == STORE_DONE;
    } else {
        uint8_t n_keys = head(N_KEYS_AT);
        for (key = 0;; key++) {
            if (key >= n_keys) {
                return PANEL_NO_KEY;
            }
            find(KEYS_AT, key);
            next();
            uint32_t own = next_word();
            own |= (uint32_t)next() << 16;
            uint32_t learned = store_key_code(key);
            if (learned != STORE_NO_KEY) {
                own = learned;
            }
            if (own == code) {
                break;
            }
        }
        is_done = act();
    }
    p->echo = is_done ? key : PANEL_NO_KEY;
    p->left_s[ECHO_LEFT] = ECHO_S;
    return key;
}

bool panel_learn(uint8_t key)
{
    bool is_key = PORT_HAS_PANEL && key < head(N_KEYS_AT);
    panel.learning = key;
    panel.left_s[LEARNING_LEFT] = is_key ? LEARNING_S : 0;
    return is_key || key == PANEL_NO_KEY;
}
