// What stream_wifi.cpp uses of the Arduino API's radio classes, made up for a computer: one network that the test switches, one caller whose
// bytes the test gives and takes.
#ifndef WIFI_H
#define WIFI_H

#include <cstdint>
#include <cstring>
#include <deque>

struct Wire {
    std::deque<uint8_t> to_board, from_board;
    bool is_open = false;
};

struct WiFiClient {
    Wire *wire = nullptr;
    explicit operator bool() const { return wire != nullptr; }
    int available() { return wire ? (int)wire->to_board.size() : 0; }
    int read() {
        if (!wire || wire->to_board.empty()) return -1;
        int byte = wire->to_board.front();
        wire->to_board.pop_front();
        return byte;
    }
    size_t write(const uint8_t *bytes, size_t n) {
        if (wire) wire->from_board.insert(wire->from_board.end(), bytes, bytes + n);
        return n;
    }
    uint8_t connected() { return wire && wire->is_open; }
    void setNoDelay(bool) {}
    void stop() {
        if (wire) wire->is_open = false;
        wire = nullptr;
    }
};

extern Wire *calling;

struct WiFiServer {
    explicit WiFiServer(uint16_t) {}
    void begin() {}
    WiFiClient available() {
        WiFiClient client;
        client.wire = calling;
        calling = nullptr;
        return client;
    }
};

enum { WL_CONNECTED = 3, WL_DISCONNECTED = 6, WIFI_STA = 1 };

struct Radio {
    int state = WL_DISCONNECTED, n_joins = 0;
    int status() { return state; }
    void mode(int) {}
    void begin(const char *, const char *) { n_joins++; }
};
extern Radio WiFi;

#endif
