/* What of the chip's flash is the link: two programs for the ATmega328P are measured (sizes.mk), both over the pretended board, this one
 * with the link and, compiled with WITHOUT_LINK, without it. */
#include "code.h"
#include "fake.h"
#include "link.h"

#ifdef WITHOUT_LINK
void link_start(void) {}
void link_scan_done(void) {}
bool link_idle(void) { return false; }
bool link_is_quiet(void) { return false; }
bool link_has_room(void) { return false; }
void link_command(uint8_t kind, uint8_t part, int16_t value, uint32_t time_ms)
{
    (void)kind;
    (void)part;
    (void)value;
    (void)time_ms;
}
#endif

int main(void)
{
    /* The whole runtime has these anyway. */
    struct code code = {CODE_MEMORY, 1, 0};
    volatile uint16_t kept = crc16_add(code_byte(&code, 0), 1);
    (void)kept;
    fake_reset();
    for (;;) {
        link_idle();
        fake_scan();
        link_is_quiet();
    }
}
