/* Codes of journal events; their arguments beside them. Also in docs/link.md: change both. */
#ifndef EVENTS_H
#define EVENTS_H

enum event_code {
    EVENT_GAP = 1,        /* how many events were lost here */
    EVENT_RESET,          /* cause: bit 0 power, 1 pin, 2 brown-out, 3 watchdog, 4 wanted, 5 self test */
    EVENT_PROGRAM,        /* low byte: enum store_program that runs; high byte: enum store_fallback */
    EVENT_TRIP,           /* trip */
    EVENT_TRIP_RESET,     /* trip */
    EVENT_ALARM,          /* alarm */
    EVENT_ALARM_OVER,     /* alarm */
    EVENT_INPUT_BAD,      /* low byte: input; high byte: 0 number, 1 bit */
    EVENT_INPUT_GOOD,     /* the same */
    EVENT_STEP,           /* low byte: procedure, high byte: step, 0 at its end */
    EVENT_HAND,           /* low byte: drive; high byte: 0 given back or over, 1 begun; bit 15: by remote key */
    EVENT_CALIBRATED,     /* input */
    EVENT_CLOCK_SET,      /* seconds that it was off, signed, saturating */
    EVENT_CLOCK_LOST,     /* 0 */
    EVENT_DEVICE_LOST,    /* device of the wiring table */
    EVENT_DEVICE_BACK,    /* device */
    EVENT_SELF_TEST,      /* 1 flash CRC, 2 memory, 3 output does not follow, 4 stack, 5 wiring table */
    EVENT_OVERRUN,        /* scans skipped since boot, low 16 bits; at the first and then each doubling */
    EVENT_KEY_LEARNED,    /* key of the table */
    EVENT_TRIPS_LOST      /* low 16 bits of the CRC of the program whose retained state was not this program's */
};

#endif
