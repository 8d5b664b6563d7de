/* The panel over a board that a test makes up: its own copy of panel.c with everything it reads and asks renamed, so that any
 * state of a program can be shown, also states that no program reaches. */
#define vm alone_vm
#define vm_number alone_vm_number
#define vm_bit alone_vm_bit
#define vm_output alone_vm_output
#define vm_hand_left_ms alone_vm_hand_left_ms
#define vm_alarm alone_vm_alarm
#define vm_step alone_vm_step
#define board_hand alone_board_hand
#define board_reset_trip alone_board_reset_trip
#define board_procedure alone_board_procedure
#define store_key_code alone_store_key_code
#define store_learn alone_store_learn
#define panel_open alone_open
#define panel_tick alone_tick
#define panel_scan alone_scan
#define panel_char alone_char
#define panel_tone alone_tone
#define panel_doubt alone_doubt
#define panel_silence alone_silence
#define panel_code alone_code
#define panel_key alone_key
#define panel_learn alone_learn

#include "../../../../core/panel.c"

enum { MOST = 64, MOST_ACTS = 32 };

/* Beyond what a program has, everything reads as the worst that could be shown by mistake. */
static struct sample numbers[MOST];
static uint8_t bits[MOST];
static int16_t outputs[MOST];
static int32_t hand_left[MOST];
static uint8_t alarms[MOST];
static uint8_t steps[MOST];
static uint32_t codes[MOST];
static int32_t acts[MOST_ACTS][4];
static uint8_t n_acts;
static uint8_t answer;

struct vm_sizes vm;

struct sample vm_number(uint16_t slot)
{
    return numbers[slot % MOST];
}

uint8_t vm_bit(uint16_t slot)
{
    return bits[slot % MOST];
}

int16_t vm_output(uint8_t drive)
{
    return outputs[drive % MOST];
}

int32_t vm_hand_left_ms(uint8_t drive)
{
    return hand_left[drive % MOST];
}

uint8_t vm_alarm(uint8_t alarm)
{
    return alarms[alarm % MOST];
}

uint8_t vm_step(uint8_t procedure)
{
    return steps[procedure % MOST];
}

static uint8_t note(int32_t kind, int32_t part, int32_t value, int32_t time)
{
    if (n_acts < MOST_ACTS) {
        acts[n_acts][0] = kind;
        acts[n_acts][1] = part;
        acts[n_acts][2] = value;
        acts[n_acts][3] = time;
        n_acts++;
    }
    return answer;
}

uint8_t board_hand(uint8_t drive, int16_t value, uint32_t time_ms)
{
    return note(1, drive, value, (int32_t)time_ms);
}

uint8_t board_reset_trip(uint8_t trip)
{
    return note(2, trip, 0, 0);
}

uint8_t board_procedure(uint8_t procedure, uint8_t command)
{
    return note(3, procedure, command, 0);
}

uint8_t store_learn(uint8_t key, uint32_t code)
{
    return note(4, key, (int32_t)code, 0);
}

uint32_t store_key_code(uint8_t key)
{
    return codes[key % MOST];
}

/* For the test. */
struct alone_state {
    uint8_t counts[14];
    struct sample *numbers;
    uint8_t *bits;
    int16_t *outputs;
    int32_t *hand_left;
    uint8_t *alarms;
    uint8_t *steps;
    uint32_t *codes;
    uint8_t answer;
};
void alone_set(const struct alone_state *state);
uint8_t alone_act(uint8_t n, int32_t *act);

/* Each list has MOST entries. */
void alone_set(const struct alone_state *state)
{
    for (uint8_t i = 0; i < sizeof state->counts; i++) {
        ((uint8_t *)&vm)[i] = state->counts[i];
    }
    for (uint8_t i = 0; i < MOST; i++) {
        numbers[i] = state->numbers[i];
        bits[i] = state->bits[i];
        outputs[i] = state->outputs[i];
        hand_left[i] = state->hand_left[i];
        alarms[i] = state->alarms[i];
        steps[i] = state->steps[i];
        codes[i] = state->codes[i];
    }
    answer = state->answer;
    n_acts = 0;
}

/* How many acts there were since; the n-th of them. */
uint8_t alone_act(uint8_t n, int32_t *act_out)
{
    for (uint8_t i = 0; n < n_acts && i < 4; i++) {
        act_out[i] = acts[n][i];
    }
    return n_acts;
}
