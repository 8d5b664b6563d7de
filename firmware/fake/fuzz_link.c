/* Fuzzing of the cable's side of the link under the sanitizers: frames in every state of damage, and an oracle written apart from
 * frame.c that knows which of them are sound. Usage: fuzz_link [frames [seed]]; `make -C firmware fuzz-link N=10000000`.
 *
 * What must hold for each batch: an act only if it held a sound frame, at most one for each; one answer for each sound frame and none
 * for anything else; every frame that comes out is sound itself. The sanitizers watch the rest. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fake.h"
#include "fuzz_tools.h"
#include "link.h"

/* Sound frames in a stream whose first `*n_left` bytes are left from before; `is_answer` counts only those. */
struct stream {
    uint8_t piece[BATCH];
    size_t n;
    bool is_too_long;
};

static uint32_t count(struct stream *stream, const uint8_t *bytes, size_t n, bool must_be_sound, bool answers_only)
{
    uint32_t n_sound = 0;
    uint8_t message[BATCH];
    for (size_t at = 0; at < n; at++) {
        if (bytes[at] != 0) {
            if (stream->n < BATCH) {
                stream->piece[stream->n++] = bytes[at];
            } else {
                stream->is_too_long = true;
            }
            continue;
        }
        size_t length = stream->is_too_long ? 0 : sound(stream->piece, stream->n, message);
        if (must_be_sound && length == 0) {
            fprintf(stderr, "fuzz_link: the board sent a frame that is not sound\n");
            abort();
        }
        if (length != 0 && (!answers_only || (message[0] & 0x80) != 0)) {
            n_sound++;
        }
        stream->n = 0;
        stream->is_too_long = false;
    }
    return n_sound;
}

/* A message: of a known type and its right length half of the time. */
static size_t make_message(uint8_t *message)
{
    static const uint8_t fields[] = {1, 2, 1, 1, 7, 1, 2, 0, 4, 1, 14, 1, 1, 2, 3, 1, 0, 0, 0, 16};
    size_t n = 2 + below(LONGEST - 1u);
    for (size_t at = 0; at < LONGEST; at++) {
        message[at] = below(3) == 0 ? 0 : (uint8_t)draw();
    }
    if (below(4) != 0) {
        uint8_t type = (uint8_t)below(sizeof fields);
        message[0] = (uint8_t)(type + 1);
        if (below(4) != 0) {
            n = 2u + fields[type] + (type == 14 ? below(50) : 0);
        }
    }
    return n;
}

/* Its frame with the final 0; the checksum is right. */
static size_t make_frame(uint8_t *frame)
{
    uint8_t plain[LONGEST + 2];
    size_t n = make_message(plain);
    uint16_t crc = checksum(plain, n);
    plain[n++] = (uint8_t)crc;
    plain[n++] = (uint8_t)(crc >> 8);
    return stuff(plain, n, frame);
}

static size_t mutate(uint8_t *frame, size_t n)
{
    for (uint32_t times = 1 + below(3); times != 0 && n > 1; times--) {
        size_t at = below((uint32_t)n);
        switch (below(7)) {
        case 0:
            frame[at] ^= (uint8_t)(1u << below(8));
            break;
        case 1:
            frame[at] = (uint8_t)draw();
            break;
        case 2: /* cut off, the next frame follows at once */
            n = at;
            break;
        case 3: /* a byte lost */
            memmove(frame + at, frame + at + 1, n - at - 1);
            n--;
            break;
        case 4: /* a byte twice */
            if (n < BATCH / 2) {
                memmove(frame + at + 1, frame + at, n - at);
                n++;
            }
            break;
        case 5: /* two neighbours swapped */
            if (at + 1 < n) {
                uint8_t byte = frame[at];
                frame[at] = frame[at + 1];
                frame[at + 1] = byte;
            }
            break;
        default: /* a piece in the middle doubled */
            if (n < BATCH / 4) {
                memmove(frame + at + (n - at), frame + at, n - at);
                n += n - at;
            }
        }
    }
    return n;
}

int main(int argc, char **argv)
{
    uint64_t n_frames = argc > 1 ? strtoull(argv[1], NULL, 10) : 100000;
    uint64_t seed = argc > 2 ? strtoull(argv[2], NULL, 10) : 1;
    state = seed * 0x9E3779B97F4A7C15ull + 1;
    make_table();
    fake_reset();
    fake_program(40, 50, 42, 12, 10, 14, 4, 9, 2);
    struct stream in = {.n = 0}, out = {.n = 0};
    uint64_t n_sound = 0, n_acts = 0, n_bytes = 0;
    for (uint64_t frame = 0; frame < n_frames; frame++) {
        uint8_t bytes[BATCH];
        size_t n = 0;
        uint32_t way = below(16);
        if (way < 3) {
            n = make_frame(bytes);
        } else if (way < 13) {
            n = mutate(bytes, make_frame(bytes));
        } else {
            n = below(way == 15 ? BATCH : 80);
            for (size_t at = 0; at < n; at++) {
                bytes[at] = below(way == 14 ? 4 : 40) == 0 ? 0 : (uint8_t)draw();
            }
        }
        if (below(64) == 0) {
            fake_answer((uint8_t)below(12), (uint8_t)draw());
        }
        uint32_t acts_before = fake_n_acts();
        uint32_t sound_here = count(&in, bytes, n, false, false);
        fake_receive(bytes, n);
        for (int turns = 0; turns < 2000 && link_idle(); turns++) {
        }
        uint8_t sent[4096];
        size_t n_sent = fake_sent(sent, sizeof sent);
        uint32_t answers = count(&out, sent, n_sent, true, true);
        uint32_t acts = fake_n_acts() - acts_before;
        if (answers != sound_here || acts > sound_here) {
            fprintf(stderr, "fuzz_link: frame %" PRIu64 " of seed %" PRIu64 ": %u sound frames in, %u answers, %u acts\n", frame, seed,
                    sound_here, answers, acts);
            for (size_t at = 0; at < n; at++) {
                fprintf(stderr, "%02x ", bytes[at]);
            }
            fprintf(stderr, "\n");
            return 1;
        }
        n_sound += sound_here;
        n_acts += acts;
        n_bytes += n;
        if (below(4) == 0) {
            fake_scan();
        }
    }
    printf("fuzz_link: %" PRIu64 " frames, %" PRIu64 " bytes, seed %" PRIu64 ": %" PRIu64 " sound, %" PRIu64
           " acts, each from a sound frame; no fault found\n",
           n_frames, n_bytes, seed, n_sound, n_acts);
    return 0;
}
