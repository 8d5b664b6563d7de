/* Bytes of programs and tables, wherever they stand: flash, EEPROM or memory. Everything that is read in place goes
 * through here, so that neither a program nor a table needs a copy in SRAM. */
#ifndef CODE_H
#define CODE_H

#include <stdbool.h>
#include <stdint.h>

enum code_place { CODE_FLASH, CODE_EEPROM, CODE_MEMORY };

struct code {
    uint8_t place;   /* enum code_place */
    uint16_t length; /* bytes that belong to it */
    uintptr_t base;  /* address of its first byte in that place */
};

/* The byte at this offset; 0 at and beyond the end, never a read outside. */
uint8_t code_byte(const struct code *code, uint16_t offset);

/* Two bytes, the lower first. */
uint16_t code_u16(const struct code *code, uint16_t offset);

/* Constant tables of the runtime itself: they stay in flash, also where flash is another address space. */
#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
/* Keeps the compiler from writing a static's address into each access, which takes twice the code. */
#define IN_REGISTER(pointer) __asm__("" : "+b"(pointer))
#define flash_u8(at) pgm_read_byte(at)
#define flash_u16(at) pgm_read_word(at)
#define flash_u32(at) pgm_read_dword(at)
#else
#define IN_FLASH
#define IN_REGISTER(pointer) (void)(pointer)
#define flash_u8(at) (*(const uint8_t *)(at))
#define flash_u16(at) (*(const uint16_t *)(at))
#define flash_u32(at) (*(const uint32_t *)(at))
#endif

/* CRC-32 (IEEE 802.3, reflected, initial and final 0xFFFFFFFF) and CRC-16 (CCITT, 0x1021, initial 0xFFFF, not reflected), by
 * the byte: start with CRC32_START or CRC16_START; the final complement of CRC-32 is crc32_end. */
#define CRC32_START 0xFFFFFFFFu
#define CRC16_START 0xFFFFu
uint32_t crc32_add(uint32_t crc, uint8_t byte);
#define crc32_end(crc) (~(crc))
uint16_t crc16_add(uint16_t crc, uint8_t byte);

/* CRC-32 of all of it. */
uint32_t code_crc(const struct code *code);

/* The last four bytes are the CRC-32 of those before: how every table and program ends. */
bool code_is_whole(const struct code *code);

/* Whole, and begins as tables do: T, this letter, format 1, its length. */
bool code_is_table(const struct code *code, uint8_t letter);

#endif
