/* The serial line by interrupts, and SPI. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "internal.h"
#include "port.h"

/* Powers of two. The receiving ring takes a whole frame, however long a scan keeps the main loop. */
#define N_RECEIVED 64u
#define N_TO_SEND 16u

#if defined(__AVR_ATmega32U4__)
#define UCSRA UCSR1A
#define UCSRB UCSR1B
#define UBRR UBRR1
#define UDR UDR1
#define RECEIVED_vect USART1_RX_vect
#define EMPTY_vect USART1_UDRE_vect
#else
#define UCSRA UCSR0A
#define UCSRB UCSR0B
#define UBRR UBRR0
#define UDR UDR0
#if defined(__AVR_ATmega2560__)
#define RECEIVED_vect USART0_RX_vect
#define EMPTY_vect USART0_UDRE_vect
#else
#define RECEIVED_vect USART_RX_vect
#define EMPTY_vect USART_UDRE_vect
#endif
#endif
/* Bits have the same places in all of them. */
#define RECEIVE_INTERRUPT 0x80u
#define SENT_INTERRUPT 0x20u
#define RECEIVER_ON 0x10u
#define TRANSMITTER_ON 0x08u
#define DOUBLE_SPEED 0x02u

static uint8_t received[N_RECEIVED];
static volatile uint8_t received_in, received_out;
static uint8_t to_send[N_TO_SEND];
static volatile uint8_t to_send_in, to_send_out;

ISR(RECEIVED_vect)
{
    uint8_t byte = UDR;
    uint8_t next = (uint8_t)(received_in + 1u) % N_RECEIVED;
    if (next != received_out) { /* else it is lost: its frame fails its checksum */
        received[received_in] = byte;
        received_in = next;
    }
}

ISR(EMPTY_vect)
{
    uint8_t place = to_send_out;
    UDR = to_send[place];
    place = (uint8_t)(place + 1u) % N_TO_SEND;
    to_send_out = place;
    if (place == to_send_in) {
        UCSRB = RECEIVE_INTERRUPT | RECEIVER_ON | TRANSMITTER_ON;
    }
}

void serial_start(void)
{
    UCSRA = DOUBLE_SPEED;
    UBRR = (F_CPU / 8 + 115200 / 2) / 115200 - 1; /* 117 647 baud: 2.1 % fast, within what 8N1 bears */
    UCSRB = RECEIVE_INTERRUPT | RECEIVER_ON | TRANSMITTER_ON;
}

int16_t port_uart_get(void)
{
    uint8_t place = received_out;
    if (place == received_in) {
        return -1;
    }
    uint8_t byte = received[place];
    received_out = (uint8_t)(place + 1u) % N_RECEIVED;
    return byte;
}

uint8_t port_uart_room(void)
{
    return (uint8_t)(to_send_out - to_send_in - 1) % N_TO_SEND;
}

void port_uart_put(uint8_t byte)
{
    uint8_t place = to_send_in;
    to_send[place] = byte;
    to_send_in = (uint8_t)(place + 1u) % N_TO_SEND;
    UCSRB = RECEIVE_INTERRUPT | SENT_INTERRUPT | RECEIVER_ON | TRANSMITTER_ON;
}

#if defined(__AVR_ATmega328P__)
#define SPI_SS (1u * 8 + 2) /* PB2, PB3, PB5: SS, MOSI, SCK */
#define SPI_MOSI (1u * 8 + 3)
#define SPI_SCK (1u * 8 + 5)
#else
#define SPI_SS (1u * 8 + 0) /* PB0, PB2, PB1 */
#define SPI_MOSI (1u * 8 + 2)
#define SPI_SCK (1u * 8 + 1)
#endif

void port_spi_start(uint8_t select_pin)
{
    port_pin_output(select_pin, true);
    /* As an input the chip's own select pin could make it a slave. */
    if ((pin_registers(SPI_SS)[PIN_DIRECTION] & pin_mask(SPI_SS)) == 0) {
        port_pin_output(SPI_SS, true);
    }
    port_pin_output(SPI_MOSI, false);
    port_pin_output(SPI_SCK, false);
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X); /* 8 MHz */
}

void port_spi_select(uint8_t select_pin, bool is_selected)
{
    port_pin_output(select_pin, !is_selected);
}

uint8_t port_spi(uint8_t byte)
{
    SPDR = byte;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    return SPDR;
}
