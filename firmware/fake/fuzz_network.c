/* Fuzzing of the network's side under the sanitizers: sessions over a stream that is only pretended, with genuine, altered, repeated and
 * made-up frames, and DHCP answers in every state of damage. Usage: fuzz_network [frames [seed]]; `make -C firmware fuzz-network`.
 *
 * What must hold: only the genuine next frame of a session does anything, and it is answered once; whatever else comes ends the connection
 * without an act or an answer. An address changes only by a DHCP answer to our last question. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "ascon.h"
#include "dhcp.h"
#include "fake.h"
#include "fuzz_tools.h"
#include "link.h"
#include "stream.h"
#include "w5500.h"

static void fail(const char *what)
{
    fprintf(stderr, "fuzz_network: %s\n", what);
    abort();
}

/* The stream. */

static struct {
    uint8_t in[4096], out[4096];
    size_t n_in, taken_at, n_out;
    bool is_open, is_put;
} line;

void stream_start(void) {}
void stream_second(void) {}
uint8_t stream_state(void) { return line.is_open ? STREAM_OPEN : STREAM_NONE; }
void stream_hang_up(void) { line.is_open = false; }
uint16_t stream_received(void) { return (uint16_t)line.n_in; }
void stream_begin_take(void)
{
    line.taken_at = 0;
    line.is_put = false;
}
void stream_taken(uint16_t n)
{
    if (n > line.n_in) {
        fail("takes more than has come");
    }
    memmove(line.in, line.in + n, line.n_in - n);
    line.n_in -= n;
}
bool stream_has_room(void) { return line.is_open && line.n_out + 81 <= sizeof line.out; }
void stream_begin_put(void) { line.is_put = true; }
void stream_put(uint16_t n) { (void)n; }
void stream_end(void) {}
uint8_t stream_byte(uint8_t byte)
{
    if (line.is_put) {
        line.out[line.n_out++] = byte;
        return 0;
    }
    if (line.taken_at >= line.n_in) {
        fail("looks at more than has come");
    }
    return line.in[line.taken_at++];
}

static void run(void)
{
    for (int turns = 0; turns < 200 && link_idle(); turns++) {
    }
    link_idle();
}

/* The station. */

static const uint8_t key[16] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16};
static struct {
    uint8_t nonce[16];
    uint32_t n_sent, n_received;
} station;

static void number(uint32_t n, uint8_t from)
{
    station.nonce[13] = (uint8_t)n;
    station.nonce[14] = (uint8_t)(n >> 8);
    station.nonce[15] = (uint8_t)(n >> 16 | from);
}

static size_t seal(const uint8_t *message, size_t n, uint8_t *frame)
{
    uint8_t plain[7 + LONGEST + 16];
    size_t at = 0;
    if (station.n_sent == 0) {
        memcpy(plain, station.nonce + 6, 7);
        at = 7;
    }
    memcpy(plain + at, message, n);
    number(station.n_sent++, 0);
    ascon_crypt(key, station.nonce, plain + at, (uint8_t)n, false);
    return stuff(plain, at + n + 16, frame);
}

/* Frames that came from the board; each must be the next of the session. */
static uint32_t opened(void)
{
    uint32_t n_frames = 0;
    size_t begins = 0;
    for (size_t at = 0; at < line.n_out; at++) {
        if (line.out[at] != 0) {
            continue;
        }
        uint8_t plain[BATCH];
        size_t n = unstuff(line.out + begins, at - begins, plain);
        number(station.n_received++, 0x80);
        if (n < 18 || !ascon_crypt(key, station.nonce, plain, (uint8_t)(n - 16), true)) {
            fail("the board sent a frame that is not the next of the session");
        }
        n_frames += plain[0] >> 7;
        begins = at + 1;
    }
    line.n_out = 0;
    return n_frames;
}

static void connect_anew(void)
{
    uint8_t message[BATCH];
    line.n_in = 0;
    line.n_out = 0;
    line.is_open = false;
    run();
    line.is_open = true;
    run();
    /* After a first frame that was not sound the challenge waits up to 2 s. */
    static uint16_t ms;
    for (int seconds = 0; seconds < 2; seconds++) {
        fake_ms(ms = (uint16_t)(ms + 1000u));
        run();
    }
    size_t n = sound(line.out, line.n_out - 1, message);
    if (n != 9 || message[0] != 0x41 || message[2] != 1) {
        fail("no challenge");
    }
    memcpy(station.nonce, message + 3, 6);
    for (size_t at = 6; at < 13; at++) {
        station.nonce[at] = (uint8_t)draw();
    }
    station.n_sent = 0;
    station.n_received = 0;
    line.n_out = 0;
}

static void put(const uint8_t *bytes, size_t n)
{
    memcpy(line.in + line.n_in, bytes, n);
    line.n_in += n;
    run();
}

static uint64_t sessions(uint64_t n_frames)
{
    uint8_t before[BATCH] = {2, 1, 0};
    size_t n_before = 3;
    uint64_t n_genuine = 0;
    connect_anew();
    for (uint64_t frame = 0; frame < n_frames; frame++) {
        uint8_t message[LONGEST];
        uint8_t bytes[BATCH];
        size_t n = 2 + below(LONGEST - 1u);
        for (size_t at = 0; at < LONGEST; at++) {
            message[at] = below(3) == 0 ? 0 : (uint8_t)draw();
        }
        message[0] = (uint8_t)below(0x18);
        if (message[0] == 2) {
            message[2] = 0; /* no records: they would come in between */
        }
        uint32_t acts = fake_n_acts();
        uint32_t way = below(8);
        bool is_genuine = way < 5;
        if (is_genuine || way == 5) {
            n = seal(message, n, bytes);
            if (!is_genuine) {
                size_t at = below((uint32_t)n - 1u);
                bytes[at] = (uint8_t)(bytes[at] ^ 1u << below(8));
                if (bytes[0] == 0) {
                    bytes[0] = 77; /* an empty frame first would be nothing */
                }
            }
        } else if (way == 6) {
            n = n_before;
            memcpy(bytes, before, n); /* what went before, perhaps in another session */
        } else {
            n = 1 + below(200);
            for (size_t at = 0; at < n; at++) {
                bytes[at] = below(30) == 0 ? 0 : (uint8_t)draw();
            }
            bytes[0] |= 1;
            bytes[n - 1] = n == 1 ? 1 : 0;
            bytes[n++] = 0;
        }
        put(bytes, n);
        acts = fake_n_acts() - acts;
        if (is_genuine) {
            n_genuine++;
            if (!line.is_open || opened() != 1 || acts > 1) {
                fail("a genuine frame was not answered once");
            }
            memcpy(before, bytes, n);
            n_before = n;
        } else if (line.is_open || line.n_out != 0 || acts != 0) {
            fail("a frame that nobody sealed was taken");
        }
        if (!line.is_open || below(100) == 0) {
            connect_anew();
        }
        if (below(4) == 0) {
            fake_scan();
        }
    }
    return n_genuine;
}

/* The W5500 under dhcp.c: registers, one packet that came, the last that went. */

static struct {
    uint8_t registers[64];
    uint8_t came[1600], went[1600];
    size_t n_came, at, n_went;
    bool is_put;
} chip;

void w5500_start(uint8_t select_pin) { (void)select_pin; }
void w5500_read(uint8_t block, uint8_t address, uint8_t *bytes, uint8_t n)
{
    (void)block;
    memcpy(bytes, chip.registers + address, n);
}
void w5500_write(uint8_t block, uint8_t address, const uint8_t *bytes, uint8_t n)
{
    if (block == W5500_COMMON) {
        memcpy(chip.registers + address, bytes, n);
    }
}
void w5500_write8(uint8_t block, uint8_t address, uint8_t value) { w5500_write(block, address, &value, 1); }
void w5500_write16(uint8_t block, uint8_t address, uint16_t value)
{
    (void)block;
    (void)address;
    (void)value;
}
uint16_t w5500_received(uint8_t block)
{
    (void)block;
    return (uint16_t)chip.n_came;
}
void w5500_begin_take(uint8_t block)
{
    (void)block;
    chip.at = 0;
    chip.is_put = false;
}
void w5500_begin_put(uint8_t block)
{
    (void)block;
    chip.n_went = 0;
    chip.is_put = true;
}
uint8_t w5500_byte(uint8_t byte)
{
    if (chip.is_put) {
        if (chip.n_went >= sizeof chip.went) {
            fail("a packet without an end");
        }
        chip.went[chip.n_went++] = byte;
        return 0;
    }
    return chip.at < chip.n_came ? chip.came[chip.at++] : 0;
}
void w5500_end(void) {}
void w5500_taken(uint8_t block, uint16_t n)
{
    (void)block;
    (void)n;
    chip.n_came = 0;
}
void w5500_put(uint8_t block, uint16_t n)
{
    (void)block;
    if (n != chip.n_went) {
        fail("a packet of another length than was said");
    }
}

static uint64_t leases(uint64_t n_packets)
{
    static const uint8_t hardware[6] = {2, 0x54, 0x64, 7, 8, 9};
    uint64_t n_leases = 0;
    memcpy(chip.registers + W5500_SHAR, hardware, 6);
    dhcp_start();
    dhcp_second();
    for (uint64_t packet = 0; packet < n_packets; packet++) {
        uint8_t *p = chip.came + 8;
        size_t n = 240;
        memset(chip.came, 0, sizeof chip.came);
        memcpy(p, chip.went, 240); /* an answer echoes the question's head */
        p[0] = 2;
        for (size_t at = 16; at < 20; at++) {
            p[at] = (uint8_t)draw();
        }
        static const uint8_t types[] = {2, 5, 5, 6, 1, 9};
        uint8_t type = types[below(sizeof types)];
        if (chip.went[242] == 1 && below(3) != 0) {
            type = 2; /* DISCOVER is mostly offered something */
        }
        p[n++] = 53;
        p[n++] = 1;
        p[n++] = type;
        for (uint32_t options = below(8); options != 0; options--) {
            static const uint8_t kinds[] = {0, 1, 3, 51, 54, 53, 255, 99};
            uint8_t kind = below(2) == 0 ? 51 : kinds[below(sizeof kinds)];
            uint8_t length = below(8) == 0 ? (uint8_t)draw() : 4;
            p[n++] = kind;
            p[n++] = length;
            for (uint8_t at = 0; at < length && n < 1400; at++) {
                p[n++] = below(2) == 0 ? 0 : (uint8_t)draw();
            }
        }
        uint32_t damage = below(4);
        if (damage == 0) {
            size_t at = below(below(2) == 0 ? 240 : (uint32_t)n);
            p[at] = (uint8_t)(p[at] ^ 1u << below(8));
        } else if (damage == 1) {
            n = below((uint32_t)n + 1u);
        }
        memset(p + n, 0, 8);
        bool is_ours = n >= 240 && p[0] == 2 && memcmp(p + 4, chip.went + 4, 4) == 0 && memcmp(p + 28, hardware, 6) == 0
                       && memcmp(p + 236, chip.went + 236, 4) == 0;
        uint16_t said = below(16) == 0 ? (uint16_t)draw() : (uint16_t)n; /* the chip's word for the length */
        is_ours = is_ours && said >= 240;
        chip.came[6] = (uint8_t)(said >> 8);
        chip.came[7] = (uint8_t)said;
        chip.n_came = 8 + n;
        uint8_t address[4];
        memcpy(address, chip.registers + W5500_SIPR, 4);
        dhcp_idle();
        if (memcmp(address, chip.registers + W5500_SIPR, 4) != 0) {
            n_leases++;
            if (!is_ours) {
                fail("an address came from a packet that is no answer of ours");
            }
        }
        if (dhcp_has_address() && memcmp(chip.registers + W5500_SIPR, "\0\0\0\0", 4) == 0 && below(1000) == 0) {
            dhcp_start();
        }
        for (uint32_t seconds = below(6); seconds != 0; seconds--) {
            dhcp_second();
        }
    }
    return n_leases;
}

int main(int argc, char **argv)
{
    uint64_t n = argc > 1 ? strtoull(argv[1], NULL, 10) : 100000;
    uint64_t seed = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    state = seed * 0x9E3779B97F4A7C15ull + 1;
    make_table();
    fake_reset();
    fake_program(40, 50, 42, 12, 10, 14, 4, 9, 2);
    fake_key(key);
    fake_boots(70000);
    uint64_t n_genuine = sessions(n);
    uint64_t n_leases = leases(n);
    printf("fuzz_network: %" PRIu64 " frames, seed %" PRIu64 ": %" PRIu64 " genuine; %" PRIu64 " DHCP packets: %" PRIu64
           " changes of address; no fault found\n",
           n, seed, n_genuine, n, n_leases);
    return 0;
}
