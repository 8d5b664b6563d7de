/* The requests of a test, one line each, answered by one line that begins with `ok` or `error`.
 *
 *   simchip <chip> <hz> <file.elf|file.hex>
 *
 *   power <seed> <mcusr>           run <cycles>                 pull
 *   flash <at> <hex>               poke <at> <hex>              peek <at> <n>
 *   eeprom                         eeprom_set <at> <hex>        eeprom_cut <mode>     eeprom_stop <n>
 *   ports                          give <hex>                   take                  mark
 *   serial <hex>                   serial_out                   serial_stop 0|1
 *   pin <pin> low|high|none|up|short_low|short_high   level <pin>                  watch <pin> 0|1       edges            pwm <pin>
 *   press <pin> low|high <us> <after>
 *   adc <channel> <sum> <n>
 *   probe <pin> <rom7>             probe_set <i> <code> <fault> <times>               onewire
 *   expander <kind> <address>      expander_set <address> <levels>                    expander_get <address>
 *   expander_forget <address>      expander_poke <address> <register> <value>
 *   display <address> <columns> <rows>                          text <address>
 *   clock <kind>                   clock_set <utc>              clock_stop            clock_get
 *   part_power <address> 0|1       i2c_hang <clocks>            i2c
 *   infrared <pin> <code> <repeats>                             sonar <trigger> <echo>    echo <pin> <us>
 *   pulses <pin> <n> <us>          exact 0|1                    stack                 stopwatch <i> <from> <to>   lap <i>
 *   state                          quit
 *
 * Numbers are decimal, or hexadecimal with 0x. */
#include "sim.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char words[300000];
static char *argument[8];
static int n_arguments;
static uint8_t bytes[65536];
static char text[140000];

static void ok(void) { puts("ok"); }
static void error(const char *what) { printf("error %s: %s\n", argument[0], what); }
static long number(int i) { return i < n_arguments ? strtol(argument[i], NULL, 0) : 0; }

static long hex(int i) {
    if (i >= n_arguments) return 0;
    const char *s = argument[i];
    size_t length = strlen(s);
    if (length % 2 || length / 2 > sizeof bytes) return -1;
    for (size_t j = 0; j < length; j += 2) {
        unsigned value;
        if (sscanf(s + j, "%2x", &value) != 1) return -1;
        bytes[j / 2] = (uint8_t)value;
    }
    return (long)(length / 2);
}

static void print_hex(const uint8_t *from, size_t n) {
    static const char digit[] = "0123456789abcdef";
    char *to = text;
    for (size_t i = 0; i < n; i++) {
        *to++ = digit[from[i] >> 4];
        *to++ = digit[from[i] & 15];
    }
    *to = 0;
    printf("ok %s\n", text);
}

static int drive(int i) {
    if (i >= n_arguments) return -1;
    const char *w = argument[i];
    return !strcmp(w, "low") ? DRIVE_LOW : !strcmp(w, "high") ? DRIVE_HIGH : !strcmp(w, "none") ? DRIVE_NONE
         : !strcmp(w, "up") ? DRIVE_PULL_UP : !strcmp(w, "short_low") ? DRIVE_SHORT_LOW : !strcmp(w, "short_high") ? DRIVE_SHORT_HIGH : -1;
}

static uint8_t pin(int i) { return i < n_arguments ? pin_of(argument[i]) : NO_PIN; }

static void answer(bool is_fine, const char *otherwise) {
    if (is_fine) ok();
    else error(otherwise);
}

static bool is(const char *word) { return !strcmp(argument[0], word); }

static void print_state(void) {
    bool is_cut = eeprom_stop_at && eeprom_n_writes >= eeprom_stop_at;
    printf("ok %llu %d %d %u %08x %d %llu\n", (unsigned long long)now(), chip->state, chip_is_starved, chip_n_resets,
           (unsigned)chip->pc, is_cut, (unsigned long long)chip_slept);
}

static bool chip_commands(void) {
    if (is("power")) chip_power((uint32_t)number(1), (uint8_t)number(2)), ds18b20_power(), ok();
    else if (is("run")) chip_run(strtoull(argument[1] ? argument[1] : "0", NULL, 0)), print_state();
    else if (is("state")) print_state();
    else if (is("pull")) chip_pull_power(), pins_reset(), ok();
    else if (is("flash")) {
        long n = hex(2), start = number(1);
        if (n < 0 || start < 0 || (unsigned long)(start + n) > chip->flashend + 1ul) error("not in flash");
        else memcpy(chip->flash + start, bytes, (size_t)n), ok();
    } else if (is("poke")) {
        long n = hex(2), start = number(1);
        if (n < 0 || start < 0 || start + n > chip->ramend + 1l) error("not in memory");
        else memcpy(chip->data + start, bytes, (size_t)n), ok();
    } else if (is("peek")) {
        long n = number(2), start = number(1);
        if (n < 0 || start < 0 || start + n > chip->ramend + 1l) error("not in memory");
        else print_hex(chip->data + start, (size_t)n);
    } else if (is("exact")) chip_is_exact = number(1), ok();
    else if (is("stack")) printf("ok %u %u\n", chip->ramend, chip_lowest_sp);
    else if (is("stopwatch")) {
        long i = number(1);
        if (i < 0 || i > 3) error("four of them");
        else probes[i] = (struct probe){.from = (uint32_t)number(2), .to = (uint32_t)number(3)}, ok();
    } else if (is("lap")) {
        long i = number(1);
        if (i < 0 || i > 3) error("four of them");
        else printf("ok %u %llu %llu\n", probes[i].n, (unsigned long long)probes[i].longest, (unsigned long long)probes[i].total);
    } else return false;
    return true;
}

static bool memory_commands(void) {
    if (is("eeprom")) print_hex(eeprom, eeprom_size);
    else if (is("eeprom_set")) {
        long n = hex(2), start = number(1);
        if (n < 0 || start < 0 || start + n > eeprom_size) error("not in EEPROM");
        else memcpy(eeprom + start, bytes, (size_t)n), ok();
    } else if (is("eeprom_cut")) eeprom_cut((int)number(1)), ok();
    else if (is("eeprom_stop")) {
        eeprom_stop_at = number(1) ? eeprom_n_writes + (uint64_t)number(1) : 0;
        printf("ok %u\n", eeprom_n_writes);
    } else if (is("ports")) debug_port_start(), ok();
    else if (is("give")) {
        long n = hex(1);
        if (n < 0) error("hexadecimal bytes");
        else debug_port_give(bytes, (size_t)n), ok();
    } else if (is("take")) print_hex(bytes, debug_port_take(bytes, sizeof bytes));
    else if (is("mark")) {
        printf("ok %u %llu %llu\n", mark_n, (unsigned long long)mark_longest, (unsigned long long)mark_total);
        mark_n = 0;
        mark_longest = mark_total = 0;
    } else if (is("serial")) {
        long n = hex(1);
        if (n < 0) error("hexadecimal bytes");
        else serial_give(bytes, (size_t)n), ok();
    } else if (is("serial_out")) print_hex(bytes, serial_take(bytes, sizeof bytes));
    else if (is("serial_stop")) serial_stop_at_zero = number(1), printf("ok %u %zu\n", serial_n_overruns, serial_waiting());
    else return false;
    return true;
}

static void print_edges(void) {
    static struct edge edges[4096];
    size_t n = edges_take(edges, 4096);
    fputs("ok", stdout);
    for (size_t i = 0; i < n; i++)
        printf(" %llu:P%c%u=%d", (unsigned long long)edges[i].when, 'A' + edges[i].pin / 8, edges[i].pin % 8u, edges[i].level);
    putchar('\n');
}

static bool pin_commands(void) {
    static const char no_pin[] = "no such pin";
    if (is("edges")) {
        print_edges();
        return true;
    }
    bool wants_pin = is("pin") || is("level") || is("watch") || is("pwm") || is("press") || is("probe") || is("infrared") ||
                     is("sonar") || is("echo") || is("pulses");
    if (!wants_pin) return false;
    uint8_t p = pin(1);
    if (p == NO_PIN) {
        error(no_pin);
        return true;
    }
    if (is("pin")) {
        if (drive(2) < 0) error("low, high, none or up");
        else pin_drive(p, (uint8_t)drive(2)), ok();
    } else if (is("level")) printf("ok %d %d %d\n", pin_level(p), pin_is_output(p), pin_is_pulled_up(p));
    else if (is("watch")) pin_watch(p, number(2)), ok();
    else if (is("pwm")) {
        uint32_t permille, hz;
        pin_pwm(p, &permille, &hz);
        printf("ok %u %u\n", permille, hz);
    } else if (is("press")) {
        if (drive(2) < 0 || drive(4) < 0) error("low, high, none or up");
        else answer(press(p, drive(2) == DRIVE_HIGH, (uint32_t)number(3), (uint8_t)drive(4)), "too much waits for this pin");
    } else if (is("probe")) {
        long n = hex(2);
        int i = n == 7 ? ds18b20_add(p, bytes) : -1;
        if (i < 0) error("seven bytes of ROM code, sixteen probes on eight buses at most");
        else printf("ok %d\n", i);
    } else if (is("infrared")) answer(infrared_send(p, (uint32_t)strtoul(argument[2], NULL, 0), (unsigned)number(3)), "too much waits");
    else if (is("sonar")) answer(pin(2) != NO_PIN && echo_add(p, pin(2)), "four at most, on two pins");
    else if (is("echo")) answer(echo_set(p, (uint32_t)strtoul(argument[2], NULL, 0)), "no sensor there");
    else answer(pulses_send(p, (uint32_t)number(2), (uint32_t)number(3)), "too much waits for this pin");
    return true;
}

static bool part_commands(void) {
    static const char none[] = "no such part";
    uint8_t address = (uint8_t)number(1);
    if (is("adc")) answer(analog_set(address, (uint16_t)number(2), (uint8_t)number(3)), "channel below 16, 1 to 16 conversions, sum within them");
    else if (is("probe_set")) answer(ds18b20_set((int)number(1), (int16_t)number(2), (int)number(3), (int)number(4)), none);
    else if (is("onewire")) printf("ok %u %u %s\n", onewire_n_violations, ds18b20_conversions((int)number(1)), onewire_violation);
    else if (is("expander")) answer(expander_add((uint8_t)number(1), (uint8_t)number(2)), "kind 8, 17 or 74; a free address");
    else if (is("expander_set")) answer(expander_set(address, (uint16_t)number(2)), none);
    else if (is("expander_get")) {
        uint16_t levels, directions, latches;
        if (!expander_get(address, &levels, &directions, &latches)) error(none);
        else printf("ok %u %u %u\n", levels, directions, latches);
    } else if (is("expander_forget")) answer(expander_forget(address), none);
    else if (is("expander_poke")) answer(expander_poke(address, (uint8_t)number(2), (uint8_t)number(3)), none);
    else if (is("display")) answer(display_add(address, (uint8_t)number(2), (uint8_t)number(3)), "two at most, a free address");
    else if (is("text")) {
        if (!display_text(address, text, sizeof text)) error(none);
        else printf("ok %u %s\n", display_violations(address), text);
    } else if (is("clock")) answer(clock_add((uint8_t)number(1)), "one clock, kind 1 or 2");
    else if (is("clock_set")) clock_set(strtoull(argument[1] ? argument[1] : "0", NULL, 0)), ok();
    else if (is("clock_stop")) clock_stop(), ok();
    else if (is("clock_get")) {
        uint64_t utc;
        bool runs = clock_get(&utc);
        printf("ok %d %llu\n", runs, (unsigned long long)utc);
    } else if (is("part_power")) {
        struct i2c_part *part = i2c_part(address);
        if (part && !part->is_powered && number(2)) part->power(part);
        if (part) part->is_powered = number(2);
        answer(part != NULL, none);
    } else if (is("i2c_hang")) i2c_hang((unsigned)number(1)), ok();
    else if (is("i2c")) printf("ok %d %u %u %u\n", i2c_is_hung(), i2c_n_recovered, i2c_n_bytes, pin_n_conflicts);
    else return false;
    return true;
}

/* A line of standard input; what was printed goes out before it waits. */
static bool next_line(void) {
    static char buffer[65536];
    static size_t n, at_byte;
    size_t length = 0;
    for (;;) {
        while (at_byte < n) {
            char c = buffer[at_byte++];
            if (c == '\n') {
                words[length] = 0;
                return true;
            }
            if (length + 1 < sizeof words) words[length++] = c;
        }
        fflush(stdout);
        ssize_t got = read(0, buffer, sizeof buffer);
        if (got <= 0) return false;
        n = (size_t)got;
        at_byte = 0;
    }
}

int main(int argc, char **argv) {
    static char out[1 << 16];
    if (argc != 4) {
        fprintf(stderr, "usage: simchip <chip> <hz> <file.elf|file.hex>\n");
        return 2;
    }
    setvbuf(stdout, out, _IOFBF, sizeof out);
    if (!chip_make(argv[1], (uint32_t)strtoul(argv[2], NULL, 0), argv[3])) {
        fprintf(stderr, "simchip: no chip %s, or no program in %s\n", argv[1], argv[3]);
        return 3;
    }
    while (next_line()) {
        n_arguments = 0;
        memset(argument, 0, sizeof argument);
        for (char *word = strtok(words, " "); word && n_arguments < 8; word = strtok(NULL, " ")) argument[n_arguments++] = word;
        if (n_arguments == 0) continue;
        if (is("quit")) break;
        if (!chip_commands() && !memory_commands() && !pin_commands() && !part_commands()) error("unknown request");
    }
    return 0;
}
