// The radio's side of stream.h on a computer: what is looked at and not taken is there again, frames in pieces, a caller that goes, a network
// that goes and comes.
#include <cassert>
#include <cstdio>

#include "WiFi.h"

extern "C" {
#include "stream.h"
}

Wire *calling;
Radio WiFi;

static void give(Wire &wire, const char *text) {
    wire.to_board.insert(wire.to_board.end(), text, text + strlen(text));
}

static void expect(const char *text) {
    assert(stream_received() == strlen(text));
    stream_begin_take();
    for (; *text; text++) assert(stream_byte(0) == (uint8_t)*text);
    assert(stream_byte(0) == 0);
    stream_end();
}

int main() {
    stream_start();
    stream_second();
    assert(WiFi.n_joins == 1);
    for (int second = 0; second < 29; second++) stream_second();
    assert(WiFi.n_joins == 1);
    stream_second();
    assert(WiFi.n_joins == 2);
    assert(stream_state() == STREAM_NONE && !stream_has_room());

    WiFi.state = WL_CONNECTED;
    assert(stream_state() == STREAM_NONE);
    Wire first;
    first.is_open = true;
    calling = &first;
    assert(stream_state() == STREAM_OPEN && stream_has_room());
    give(first, "abc");
    assert(stream_state() == STREAM_OPEN);
    expect("abc");
    expect("abc");
    give(first, "def");
    stream_taken(2);
    stream_state();
    expect("cdef");
    stream_begin_put();
    for (const char *text = "answer"; *text; text++) stream_byte((uint8_t)*text);
    stream_end();
    stream_put(6);
    assert(first.from_board.size() == 6 && first.from_board.front() == 'a');

    // More than a frame waits in the caller until there is room again.
    for (int i = 0; i < 100; i++) give(first, "x");
    stream_state();
    assert(stream_received() == 81);
    stream_taken(81);
    stream_state();
    assert(stream_received() == 23);

    // A second caller is not taken while one stands.
    Wire second;
    second.is_open = true;
    calling = &second;
    assert(stream_state() == STREAM_OPEN);
    assert(calling == &second);

    first.is_open = false;
    assert(stream_state() == STREAM_ENDED);
    stream_taken(23);
    assert(stream_state() == STREAM_NONE);
    assert(stream_state() == STREAM_OPEN);

    WiFi.state = WL_DISCONNECTED;
    assert(stream_state() == STREAM_NONE);
    stream_second();
    assert(!second.is_open);
    puts("stream_wifi: as stream.h says");
    return 0;
}
