/* The W5500's SPI frames: two bytes of address, a control byte, then data with the address counting up. */
#include "w5500.h"

#include "port.h"

#define WRITE 0x04u
#define TO_SEND 0x08u  /* from a socket's registers to its buffers */
#define RECEIVED 0x10u

static uint8_t select_pin;

void w5500_start(uint8_t pin)
{
    select_pin = pin;
    port_spi_start(pin);
}

static void begin(uint8_t control, uint16_t address)
{
    port_spi_select(select_pin, true);
    port_spi((uint8_t)(address >> 8));
    port_spi((uint8_t)address);
    port_spi(control);
}

uint8_t w5500_byte(uint8_t byte)
{
    return port_spi(byte);
}

void w5500_end(void)
{
    port_spi_select(select_pin, false);
}

void w5500_read(uint8_t block, uint8_t address, uint8_t *bytes, uint8_t n)
{
    begin(block, address);
    while (n-- != 0) {
        *bytes++ = port_spi(0);
    }
    w5500_end();
}

void w5500_write(uint8_t block, uint8_t address, const uint8_t *bytes, uint8_t n)
{
    begin(block | WRITE, address);
    while (n-- != 0) {
        port_spi(*bytes++);
    }
    w5500_end();
}

uint8_t w5500_read8(uint8_t block, uint8_t address)
{
    uint8_t value;
    w5500_read(block, address, &value, 1);
    return value;
}

void w5500_write8(uint8_t block, uint8_t address, uint8_t value)
{
    w5500_write(block, address, &value, 1);
}

uint16_t w5500_read16(uint8_t block, uint8_t address)
{
    uint8_t bytes[2];
    w5500_read(block, address, bytes, 2);
    return (uint16_t)((uint16_t)bytes[0] << 8 | bytes[1]);
}

void w5500_write16(uint8_t block, uint8_t address, uint16_t value)
{
    uint8_t bytes[2] = {(uint8_t)(value >> 8), (uint8_t)value};
    w5500_write(block, address, bytes, 2);
}

/* Sizes change while they are read: the data sheet wants two equal readings. */
static uint16_t steady(uint8_t block, uint8_t address)
{
    uint16_t value = w5500_read16(block, address);
    for (uint8_t tries = 8; tries != 0; tries--) {
        uint16_t again = w5500_read16(block, address);
        if (again == value) {
            return value;
        }
        value = again;
    }
    return 0;
}

void w5500_command(uint8_t block, uint8_t command)
{
    w5500_write8(block, W5500_SN_CR, command);
    for (uint8_t tries = 50; tries != 0 && w5500_read8(block, W5500_SN_CR) != 0; tries--) {
    }
}

bool w5500_open(uint8_t block, uint8_t mode, uint16_t port)
{
    w5500_write8(block, W5500_SN_MR, mode);
    w5500_write16(block, W5500_SN_PORT, port);
    w5500_command(block, W5500_OPEN);
    return w5500_read8(block, W5500_SN_SR) != W5500_CLOSED;
}

uint16_t w5500_received(uint8_t block)
{
    return steady(block, W5500_SN_RX_RSR);
}

uint16_t w5500_room(uint8_t block)
{
    return steady(block, W5500_SN_TX_FSR);
}

void w5500_begin_take(uint8_t block)
{
    begin((uint8_t)(block + RECEIVED), w5500_read16(block, W5500_SN_RX_RD));
}

void w5500_begin_put(uint8_t block)
{
    begin((uint8_t)(block + TO_SEND) | WRITE, w5500_read16(block, W5500_SN_TX_WR));
}

static void advance(uint8_t block, uint8_t address, uint16_t n, uint8_t command)
{
    w5500_write16(block, address, (uint16_t)(w5500_read16(block, address) + n));
    w5500_command(block, command);
}

void w5500_taken(uint8_t block, uint16_t n)
{
    advance(block, W5500_SN_RX_RD, n, W5500_RECV);
}

void w5500_put(uint8_t block, uint16_t n)
{
    advance(block, W5500_SN_TX_WR, n, W5500_SEND);
}
