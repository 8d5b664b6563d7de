/* The link: frames of the cable, and every request to the act or the words that answer it. Requests are read in place and carried
 * out before their answer is written, for both may stand in the same buffer. */
#include "link.h"

#include <stddef.h>
#include <string.h>

#include "board.h"
#include "code.h"
#include "frame.h"
#include "link_out.h"
#include "port.h"
#include "small.h"
#include "store.h"
#include "version.h"
#include "vm.h"
#include "wiring.h"
#ifdef NETWORK
#include "network.h"
#endif

#ifndef PORT_CHIP
#define PORT_CHIP 0
#endif

#define MOST_EVENTS 8u
#define MOST_RAW 12u
#define KEY_BYTES 16u
#define CALIBRATION_BYTES 14u

uint8_t link_buffer[LINK_BUFFER];
uint8_t link_n;

/* How far the frame in link_buffer has gone out. */
static uint8_t sent;

/* A frame from the cable, still stuffed; one byte beyond the longest is enough to know that it is too long. */
static struct cable {
    uint8_t bytes[LINK_MESSAGE + 2u + 1u];
    uint8_t n;
    bool is_whole;
} cable;

/* What was done last on each line, so that nothing is done twice. */
struct last_act {
    uint8_t id, code, detail;
};
#ifdef NETWORK
static struct last_act last[2];
#define LAST_OF(line) (line)
#else
static struct last_act last[1];
#define LAST_OF(line) ((void)(line), 0)
#endif

void link_put8(uint8_t value)
{
    link_buffer[link_n++] = value;
}

void link_put16(uint16_t value)
{
    link_put8((uint8_t)value);
    link_put8((uint8_t)(value >> 8));
}

void link_put32(uint32_t value)
{
    link_put16((uint16_t)value);
    link_put16((uint16_t)(value >> 16));
}

/* Every chip that this runs on is little-endian, as the link is. */
static uint16_t read16(const uint8_t *at)
{
    uint16_t value;
    memcpy(&value, at, sizeof value);
    return value;
}

static uint32_t read32(const uint8_t *at)
{
    uint32_t value;
    memcpy(&value, at, sizeof value);
    return value;
}

static void put_bytes(const void *from, uint8_t n)
{
    const uint8_t *byte = from;
    while (n-- != 0) {
        link_put8(*byte++);
    }
}

void link_forget(uint8_t line)
{
    last[LAST_OF(line)].id = 0;
}

void link_start(void)
{
    ON_RESTART(link_n = sent = cable.n = 0);
    ON_RESTART(cable.is_whole = false);
    ON_RESTART(link_forget(LINK_CABLE));
    record_start();
#ifdef NETWORK
    network_start();
#endif
}

/* The identity of the confirmed program: the last four bytes of what its slot holds, which is sound or nothing; 0 without one. */
static void put_confirmed_crc(void)
{
    struct code slot = store_program_code(RUN_CONFIRMED);
    uint16_t at = (uint16_t)(code_byte(&slot, 4) | (uint16_t)code_byte(&slot, 5) << 8);
    if (code_byte(&slot, 0) != 'T') {
        at = 0xFFF0u; /* behind any end, where 0 is read */
    }
    at = (uint16_t)(at - 4u);
    for (uint8_t n = 4; n != 0; n--) {
        link_put8(code_byte(&slot, at++));
    }
}

/* What the loader found out about the program stands in the answer as it stands in memory. */
_Static_assert(offsetof(struct vm_sizes, n_number_inputs) == 8 && offsetof(struct vm_sizes, period_ms) == 14,
               "HELLO sends the first 16 bytes of struct vm_sizes");
#define PROGRAM_SIZES 16u

static void put_hello(void)
{
    link_put8(LINK_PROTOCOL);
    link_put8(PORT_CHIP);
    link_put8(wiring.board);
    link_put8(RUNTIME_MAJOR);
    link_put8(RUNTIME_MINOR);
    link_put8(RUNTIME_PATCH);
    put_bytes(&wiring.crc, sizeof wiring.crc);
    put_bytes(&vm.crc, sizeof vm.crc);
    put_confirmed_crc();
    uint32_t boots = board_boot_counter();
    link_put16((uint16_t)boots);
    link_put8((uint8_t)(boots >> 16));
    link_put8(board_reset_cause());
    link_put8((uint8_t)(board_program() | board_fallback() << 4));
    put_bytes(&vm, PROGRAM_SIZES);
    link_put32(board_scan_number());
    link_put32(board_skipped_scans());
    link_put16(board_longest_scan_ticks());
    link_put16(board_free_stack());
    link_put8(store_newest_event());
}

static void put_events(uint8_t from)
{
    struct event event;
    link_put8(store_newest_event());
    for (uint8_t n = MOST_EVENTS; n != 0 && store_event_after(from, &event); n--) {
        link_put8(event.sequence);
        link_put8(event.code);
        link_put16(event.argument);
        link_put16(event.minute);
        from = (uint8_t)(event.sequence + 1u);
    }
}

/* What requests may be: bytes behind type and id, and whether it is an act. A chunk has any number above its offset. */
#define ACT 0x80u
#define CHUNK_FIELDS 0x1Fu
static const uint8_t fields_of[] IN_FLASH = {
    1, 2, 1, 1 | ACT, 7 | ACT, 1 | ACT, 2 | ACT, 0, 4 | ACT, 1, 14 | ACT, 1 | ACT, 1, 2 | ACT, CHUNK_FIELDS | ACT,
    1 | ACT, ACT, ACT, ACT, KEY_BYTES | ACT,
};

/* Answers a request that only reads; what is there to tell is appended. */
static uint8_t tell(uint8_t line, uint8_t type, uint8_t first, uint8_t second)
{
    switch (type) {
    case HELLO:
        link_forget(line);
        put_hello();
        break;
    case SUBSCRIBE:
        record_subscribe(line, first, second);
        break;
    case EVENTS:
        put_events(first);
        break;
    case CLOCK: {
        uint8_t quality;
        link_put32(board_clock(&quality));
        link_put8(quality);
        break;
    }
    case CALIBRATION:
        if (!store_calibration(first, &link_buffer[link_n])) {
            return ANSWER_NO_SUCH_PART;
        }
        link_n = (uint8_t)(link_n + CALIBRATION_BYTES);
        break;
    default: /* RAW */
        if (first >= vm.n_number_inputs) {
            return ANSWER_NO_SUCH_PART;
        }
        for (uint8_t left = MOST_RAW; left != 0 && first < vm.n_number_inputs; left--) {
            link_put32((uint32_t)board_raw(first++));
        }
    }
    return ANSWER_DONE;
}

/* Carries out an act of n bytes of fields. `detail` comes as 0. */
static uint8_t act(uint8_t line, uint8_t type, const uint8_t *field, uint8_t n, uint8_t *detail)
{
    uint8_t first = field[0];
    if (type >= HAND && type <= PROCEDURE) {
        *detail = (uint8_t)(board_scan_number() + 1u);
    }
    switch (type) {
    case ACKNOWLEDGE:
        store_events_confirmed(first);
        return ANSWER_DONE;
    case HAND:
        return board_hand(first, (int16_t)read16(field + 1), read32(field + 3));
    case RESET_TRIP:
        return board_reset_trip(first);
    case PROCEDURE:
        return board_procedure(first, field[1]);
    case SET_CLOCK:
        return board_set_clock(read32(field));
    case CALIBRATE:
        return board_calibrate(field);
    case LEARN_KEY:
        return board_learn_key(first);
    case UPLOAD:
        *detail = STORE_CHUNK;
        return board_upload_begin(read16(field));
    case CHUNK:
        return board_upload_chunk(read16(field), field + 2, (uint8_t)(n - 2u));
    case UPLOAD_END:
        return first == 0 ? ANSWER_BAD_VALUE : board_upload_end(first, detail);
    case CONFIRM:
        return board_confirm();
    case REVERT:
        return board_revert();
    case RESTART:
        return board_restart();
    default: /* SET_KEY */
        if (line != LINK_CABLE) {
            return ANSWER_NOT_ALLOWED;
        }
#ifdef NETWORK
        network_key_changed();
#endif
        return board_set_key(field);
    }
}

APART void link_carry_out(uint8_t line, const uint8_t *request, uint8_t n)
{
    uint8_t type = request[0];
    uint8_t id = request[1];
    const uint8_t *field = request + 2;
    uint8_t first = field[0];
    uint8_t second = field[1];
    uint8_t code = ANSWER_UNKNOWN;
    uint8_t detail = 0;
    uint8_t is_act = ACT;
    struct last_act *done = &last[LAST_OF(line)];
    n = (uint8_t)(n - 2u);
    if ((uint8_t)(type - 1u) < sizeof fields_of) {
        uint8_t fields = flash_u8(&fields_of[type - 1u]);
        is_act = fields & ACT;
        fields &= CHUNK_FIELDS;
        if (is_act != 0 && id != 0 && id == done->id) {
            code = done->code;
            detail = done->detail;
        } else if (fields == CHUNK_FIELDS ? n < 3u : n != fields) {
            code = ANSWER_BAD_VALUE;
        } else if (is_act == 0) {
            code = ANSWER_DONE;
        } else {
            code = act(line, type, field, n, &detail);
            if (code != ANSWER_BUSY) {
                done->id = id;
                done->code = code;
                done->detail = detail;
            }
        }
    }
    /* From here on the answer stands where the request may have stood. */
    link_n = 1;
    link_put8(type | IS_ANSWER);
    link_put8(id);
    link_put8(code);
    if (is_act == 0) {
        if (code == ANSWER_DONE) {
            link_buffer[3] = tell(line, type, first, second);
        }
        return;
    }
    link_put8(detail);
    if (code == ANSWER_REFUSED && type == HAND) {
        link_put16((uint16_t)vm_output(first));
        link_put32((uint32_t)vm_hand_left_ms(first));
    }
}

/* The message in link_buffer goes out on this line. */
static void send(uint8_t line)
{
#ifdef NETWORK
    if (line == LINK_NETWORK) {
        network_send();
        link_n = 0;
        return;
    }
#else
    (void)line;
#endif
    link_put16(frame_crc(&link_buffer[1], (uint8_t)(link_n - 1u)));
    link_n = frame_stuff(link_buffer, (uint8_t)(link_n - 1u));
    sent = 0;
}

/* Received bytes up to the end of a frame; what follows a whole one waits in the port. */
static void receive(void)
{
    struct cable *now = &cable;
    BY_POINTER(now);
    while (!now->is_whole) {
        int16_t byte = port_uart_get();
        if (byte < 0) {
            return;
        }
        if (byte == 0) {
            uint8_t n = now->n;
            now->n = 0;
            if (n <= LINK_MESSAGE + 3u) {
                n = frame_unstuff(now->bytes, n);
                if (n >= 4u && frame_crc(now->bytes, (uint8_t)(n - 2u)) == read16(&now->bytes[n - 2u])) {
                    now->n = (uint8_t)(n - 2u);
                    now->is_whole = true;
                }
            }
        } else if (now->n < sizeof cable.bytes) {
            now->bytes[now->n++] = (uint8_t)byte;
        } else {
            now->n = sizeof cable.bytes + 1u; /* too long: nothing until the next 0 */
        }
    }
}

bool link_is_quiet(void)
{
    return link_n == 0 && !cable.is_whole;
}

APART bool link_idle(void)
{
    while (sent < link_n && port_uart_room() != 0) {
        port_uart_put(link_buffer[sent++]);
    }
    receive();
    if (sent < link_n) {
        return true;
    }
    link_n = 0;
    sent = 0;
    if (cable.is_whole) {
        link_carry_out(LINK_CABLE, cable.bytes, cable.n);
        cable.is_whole = false;
        cable.n = 0;
        send(LINK_CABLE);
        return true;
    }
#ifdef NETWORK
    if (network_idle()) {
        return true;
    }
    if (record_line() == LINK_NETWORK && !network_has_room()) {
        return false;
    }
#endif
    if (record_part()) {
        send(record_line());
        return true;
    }
    return false;
}
