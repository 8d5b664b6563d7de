// The connection with a station over the radio of boards that have one, through the client classes of the Arduino API (stream.h). Address
// and name come from the network (DHCP is the core's); the board listens, one connection at a time.
#include "port_config.h"

#ifdef NETWORK

#include <WiFi.h>

#include "wifi_access.h"

extern "C" {
#include "stream.h"
}

// A frame is at most 81 bytes; what has come is kept here until it is taken, for a client can only be read once.
static const uint16_t FRAME = 81;
// The radio is asked to join again after so long without.
static const uint8_t JOIN_S = 30;

static WiFiServer server(STREAM_PORT);
static WiFiClient client;
static uint8_t come[FRAME], going[FRAME];
static uint16_t n_come, n_looked, n_going;
static uint8_t waited_s;
static bool is_listening, was_connected;

static bool is_named() {
    return sizeof WIFI_NAME > 1;
}

static void forget() {
    client.stop();
    n_come = 0;
    was_connected = false;
}

extern "C" void stream_start(void) {
    forget();
    is_listening = false;
    waited_s = JOIN_S;
    if (is_named()) {
        WiFi.mode(WIFI_STA);
    }
}

extern "C" void stream_second(void) {
    if (!is_named() || WiFi.status() == WL_CONNECTED) {
        waited_s = JOIN_S;
        return;
    }
    if (is_listening) {
        forget();
        is_listening = false;
    }
    if (++waited_s >= JOIN_S) {
        waited_s = 0;
        WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
    }
}

static void take_in() {
    while (n_come < FRAME && client.available() > 0) {
        const int byte = client.read();
        if (byte < 0) {
            break;
        }
        come[n_come++] = (uint8_t)byte;
    }
}

extern "C" uint8_t stream_state(void) {
    if (!is_named() || WiFi.status() != WL_CONNECTED) {
        return STREAM_NONE;
    }
    if (!is_listening) {
        server.begin();
        is_listening = true;
    }
    if (!was_connected) {
        WiFiClient caller = server.available();
        if (!caller) {
            return STREAM_NONE;
        }
        client = caller;
        client.setNoDelay(true);
        n_come = 0;
        was_connected = true;
    }
    take_in();
    if (client.connected()) {
        return STREAM_OPEN;
    }
    if (n_come > 0) {
        return STREAM_ENDED;
    }
    forget();
    return STREAM_NONE;
}

extern "C" void stream_hang_up(void) {
    forget();
}

extern "C" uint16_t stream_received(void) {
    return n_come;
}

extern "C" void stream_begin_take(void) {
    n_looked = 0;
    n_going = FRAME + 1;
}

extern "C" void stream_taken(uint16_t n) {
    if (n > n_come) {
        n = n_come;
    }
    n_come = (uint16_t)(n_come - n);
    memmove(come, come + n, n_come);
    take_in();
}

// The core keeps what it cannot send at once; a client that takes nothing more is ended by the session's silence.
extern "C" bool stream_has_room(void) {
    return was_connected && client.connected();
}

extern "C" void stream_begin_put(void) {
    n_going = 0;
}

extern "C" void stream_put(uint16_t n) {
    client.write(going, n < n_going ? n : n_going);
}

// A put counts up from 0; a take has n_going out of range.
extern "C" uint8_t stream_byte(uint8_t byte) {
    if (n_going < FRAME) {
        going[n_going++] = byte;
        return 0;
    }
    return n_looked < n_come ? come[n_looked++] : 0;
}

extern "C" void stream_end(void) {
}

#endif
