/* The W5500 Ethernet chip over SPI: its registers and the two sockets that are used, socket 0 for the station (TCP) and socket 1 for
 * addresses (UDP). Names of registers are the data sheet's.
 *
 * A block is where a register or buffer is: the control byte of the chip's SPI frame without its write bit. */
#ifndef W5500_H
#define W5500_H

#include <stdbool.h>
#include <stdint.h>

enum w5500_block { W5500_COMMON = 0x00, W5500_TCP = 0x08, W5500_UDP = 0x28 };

/* Registers of the common block. */
enum { W5500_MR = 0x00, W5500_GAR = 0x01, W5500_SUBR = 0x05, W5500_SHAR = 0x09, W5500_SIPR = 0x0F, W5500_PHYCFGR = 0x2E, W5500_VERSIONR = 0x39 };
#define W5500_RESET 0x80u
#define W5500_IS_LINKED 0x01u
#define W5500_VERSION 0x04u

/* Registers of a socket. */
enum {
    W5500_SN_MR = 0x00,
    W5500_SN_CR = 0x01,
    W5500_SN_IR = 0x02,
    W5500_SN_SR = 0x03,
    W5500_SN_PORT = 0x04,
    W5500_SN_DIPR = 0x0C,
    W5500_SN_DPORT = 0x10,
    W5500_SN_TX_FSR = 0x20,
    W5500_SN_TX_WR = 0x24,
    W5500_SN_RX_RSR = 0x26,
    W5500_SN_RX_RD = 0x28
};
enum w5500_mode { W5500_MODE_TCP = 0x01, W5500_MODE_UDP = 0x02 };
enum w5500_command { W5500_OPEN = 0x01, W5500_LISTEN = 0x02, W5500_DISCON = 0x08, W5500_CLOSE = 0x10, W5500_SEND = 0x20, W5500_RECV = 0x40 };
enum w5500_status { W5500_CLOSED = 0x00, W5500_INIT = 0x13, W5500_LISTENING = 0x14, W5500_ESTABLISHED = 0x17, W5500_CLOSE_WAIT = 0x1C };
#define W5500_SEND_OK 0x10u

/* The chip on this select pin; nothing of it is touched. */
void w5500_start(uint8_t select_pin);

uint8_t w5500_read8(uint8_t block, uint8_t address);
void w5500_write8(uint8_t block, uint8_t address, uint8_t value);
uint16_t w5500_read16(uint8_t block, uint8_t address);
void w5500_write16(uint8_t block, uint8_t address, uint16_t value);
void w5500_read(uint8_t block, uint8_t address, uint8_t *bytes, uint8_t n);
void w5500_write(uint8_t block, uint8_t address, const uint8_t *bytes, uint8_t n);

/* Opens a socket on a port; false when the chip does not take it. */
bool w5500_open(uint8_t block, uint8_t mode, uint16_t port);
/* Gives a command and waits until the chip has taken it (some us; given up after 0.5 ms). */
void w5500_command(uint8_t block, uint8_t command);

/* A stream from the received bytes or into those to be sent: begin, w5500_byte for each, end. `n` of the end is how many are done with;
 * those of a socket to be sent go out. Nothing else may be called between. */
uint16_t w5500_received(uint8_t block);
uint16_t w5500_room(uint8_t block);
void w5500_begin_take(uint8_t block);
void w5500_begin_put(uint8_t block);
uint8_t w5500_byte(uint8_t byte);
void w5500_end(void);
void w5500_taken(uint8_t block, uint16_t n);
void w5500_put(uint8_t block, uint16_t n);

#endif
