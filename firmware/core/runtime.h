/* The runtime: from reset to the first scan, scans on time, and what happens between them (docs/firmware.md). The first part
 * is for a port's main, the second for drivers and board.c. */
#ifndef RUNTIME_H
#define RUNTIME_H

#include <stdbool.h>
#include <stdint.h>

/* Boot up to the first scan being due; port_start has been called. */
void runtime_start(void);
/* One round of the main loop: what is due and one act of each kind; the caller sleeps until the next interrupt. */
void runtime_round(void);

/* Into the journal, with the minute. */
void runtime_event(uint8_t code, uint16_t argument);
/* Tells when an input's quality goes to bad or comes back; `input` as EVENT_INPUT_BAD has it. */
void runtime_quality(uint16_t input, uint8_t old_quality, uint8_t quality);

/* What board.c reads and asks. */
struct runtime {
    bool is_running;       /* a program runs; without one every output is in its safe state */
    bool is_wired;         /* the tables block is sound */
    uint8_t reset_cause;   /* bits as EVENT_RESET */
    bool reset_is_wanted;  /* when the answer is out */
    uint8_t by_key;        /* OUTPUT_BY_KEY while acts come from a remote key */
    uint32_t n_scans;
    uint32_t n_skipped;
    uint16_t longest_scan; /* 64 us */
};
extern struct runtime runtime;

#endif
