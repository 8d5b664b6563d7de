/* A pretended board for tests and fuzzing of the link: it answers board.h, store.h, vm.h and port.h with what a test set, and
 * keeps a log of every act. */
#ifndef FAKE_H
#define FAKE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* One act that the link had carried out; `kind` is the message type (0x80 | type for those of store.h). */
struct fake_act {
    uint8_t kind;
    uint8_t part;
    int32_t value;
    uint32_t time;
    uint8_t bytes[56];
    uint8_t n_bytes;
};

/* As after a reset; the log is empty, every act will be answered DONE. */
void fake_reset(void);

/* Bytes to the serial line, and what came out of it since the last call; true when all that is waiting has come out. */
void fake_receive(const uint8_t *bytes, size_t n);
size_t fake_sent(uint8_t *bytes, size_t room);

/* Acts so far, and the n-th of the last FAKE_LOG. */
#define FAKE_LOG 64u
uint32_t fake_n_acts(void);
struct fake_act fake_act(uint32_t n);

/* What acts are answered with from now on, and the verdict of an upload's end. */
void fake_answer(uint8_t answer, uint8_t verdict);

/* The pretended program: counts of struct vm_sizes, and the values of scan n, which come out of fake_value. */
void fake_program(uint16_t n_numbers, uint16_t n_bits, uint16_t n_cells, uint8_t n_number_inputs, uint8_t n_bit_inputs,
                  uint8_t n_drives, uint8_t n_trips, uint8_t n_alarms, uint8_t n_procedures);
uint32_t fake_value(uint32_t kind, uint32_t index, uint32_t scan);
void fake_scan(void);

/* The journal: an event more; and up to which it was acknowledged. */
void fake_event(uint8_t code, uint16_t argument, uint16_t minute);
void fake_next_event(uint8_t sequence);
uint8_t fake_acknowledged(void);

/* Network: key (null for none), boot counter, time, and what stands on the SPI bus (null: nothing, reads 0xFF). */
void fake_key(const uint8_t *key);
void fake_boots(uint32_t boots);
void fake_ms(uint16_t ms);
typedef uint8_t (*fake_spi)(uint8_t byte);
typedef void (*fake_select)(bool is_selected);
void fake_bus(fake_spi spi, fake_select select);

#endif
