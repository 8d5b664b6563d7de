/* DHCP client over the W5500's socket 1. Packets are neither built nor kept in memory: they are written into the chip's buffer byte
 * by byte and read out of it the same way. */
#include "dhcp.h"

#include "code.h"
#include "small.h"
#include "w5500.h"

#define SERVER_PORT 67u
#define PACKET_BYTES 300u /* BOOTP's least length, which some servers want */
#define HEAD_BYTES 240u
#define OWN_OPTIONS 8u    /* type, wanted, end */
#define LEASE_OPTIONS 12u /* requested address, server */
#define FALLBACK_AFTER 60u
#define FIRST_WAIT 4u
#define LONGEST_WAIT 64u

enum message_type { DISCOVER = 1, OFFER, REQUEST, ACK = 5, NAK };
enum option { PAD = 0, MASK = 1, ROUTER = 3, REQUESTED = 50, LEASE = 51, TYPE = 53, SERVER = 54, WANTED = 55, END = 255 };
enum state { SELECTING, REQUESTING, BOUND };

/* What the server said, four bytes each; router and mask beside each other, as in the chip's registers. */
enum { THE_ROUTER = 0, THE_MASK = 4, THE_ADDRESS = 8, THE_SERVER = 12, THE_TIME = 16, THE_TYPE = 20, LEASE_BYTES = 24 };
static uint8_t lease[LEASE_BYTES];

static struct dhcp {
    uint16_t whole, left; /* of the lease, s; one that is longer than 18 h is renewed as if it were 18 h */
    uint8_t state;
    uint8_t number;       /* of the exchange, in its id */
    uint8_t wait, next;   /* s between tries, and to the next one */
    uint8_t silent;       /* s without an answer, up to FALLBACK_AFTER */
    bool has_address;
} dhcp;

static const uint8_t head[] IN_FLASH = {1, 1, 6, 0}; /* a request, Ethernet, 6 bytes of hardware address */
static const uint8_t magic[] IN_FLASH = {0x63, 0x82, 0x53, 0x63, TYPE, 1};
static const uint8_t wanted[] IN_FLASH = {WANTED, 2, MASK, ROUTER};
static const uint8_t fallback[] IN_FLASH = {0, 0, 0, 0, 255, 255, 255, 0, 192, 168, 77, 77};

static void put_zeros(uint8_t n)
{
    while (n-- != 0) {
        w5500_byte(0);
    }
}

static void put_flash(const uint8_t *bytes, uint8_t n)
{
    while (n-- != 0) {
        w5500_byte(flash_u8(bytes++));
    }
}

static void put_bytes(const uint8_t *bytes, uint8_t n)
{
    while (n-- != 0) {
        w5500_byte(*bytes++);
    }
}

/* An address of the lease as an option. */
static void put_option(uint8_t option, const uint8_t *address)
{
    w5500_byte(option);
    w5500_byte(4);
    put_bytes(address, 4);
}

/* Says what the state wants to be said: DISCOVER, REQUEST of what was offered, or REQUEST of what we have. */
static void ask(void)
{
    uint8_t hardware[6];
    uint8_t state = dhcp.state;
    bool is_bound = state == BOUND;
    w5500_read(W5500_COMMON, W5500_SHAR, hardware, sizeof hardware);
    for (uint8_t at = 0; at < 4; at++) {
        bool is_known = is_bound && dhcp.left > dhcp.whole >> 3;
        w5500_write8(W5500_UDP, (uint8_t)(W5500_SN_DIPR + at), is_known ? lease[THE_SERVER + at] : 255);
    }
    w5500_write16(W5500_UDP, W5500_SN_DPORT, SERVER_PORT);
    w5500_begin_put(W5500_UDP);
    put_flash(head, sizeof head);
    put_bytes(&hardware[3], 3); /* the exchange's id */
    w5500_byte(dhcp.number);
    put_zeros(2);
    w5500_byte(0x80); /* answer to everybody: without an address nothing else arrives */
    put_zeros(1);
    if (is_bound) {
        put_bytes(&lease[THE_ADDRESS], 4);
    } else {
        put_zeros(4);
    }
    put_zeros(12);
    put_bytes(hardware, sizeof hardware);
    put_zeros(202);
    put_flash(magic, sizeof magic);
    w5500_byte(state == SELECTING ? DISCOVER : REQUEST);
    put_flash(wanted, sizeof wanted);
    uint8_t left = (uint8_t)(PACKET_BYTES - HEAD_BYTES - OWN_OPTIONS);
    if (state == REQUESTING) {
        put_option(REQUESTED, &lease[THE_ADDRESS]);
        put_option(SERVER, &lease[THE_SERVER]);
        left = (uint8_t)(left - LEASE_OPTIONS);
    }
    w5500_byte(END);
    put_zeros(left);
    w5500_end();
    w5500_put(W5500_UDP, PACKET_BYTES);
}

/* The lease's address, mask and router become the chip's. */
static void set_address(bool has_address)
{
    dhcp.has_address = has_address;
    w5500_write(W5500_COMMON, W5500_GAR, &lease[THE_ROUTER], 8);
    w5500_write(W5500_COMMON, W5500_SIPR, &lease[THE_ADDRESS], 4);
}

/* The address that needs nobody, or none; a mask that a server may leave out. */
static void set_fixed(bool is_fallback)
{
    for (uint8_t at = 0; at < sizeof fallback; at++) {
        lease[at] = is_fallback || at < THE_ADDRESS ? flash_u8(&fallback[at]) : 0;
    }
    set_address(is_fallback);
    dhcp.state = SELECTING;
}

/* Looks for a server; the address stays what it is. */
static void begin(void)
{
    dhcp.state = SELECTING;
    dhcp.wait = FIRST_WAIT;
    dhcp.next = 1;
}

void dhcp_start(void)
{
    dhcp.silent = 0;
    set_fixed(false);
    begin();
}

bool dhcp_has_address(void)
{
    return dhcp.has_address;
}

bool dhcp_second(void)
{
    struct dhcp *now = &dhcp;
    BY_POINTER(now);
    bool has_changed = false;
    if (now->state == BOUND) {
        if (--now->left == 0) {
            dhcp_start();
            return true;
        }
        if (now->left > now->whole >> 1) {
            return false;
        }
    } else if (now->silent < FALLBACK_AFTER && ++now->silent == FALLBACK_AFTER) {
        set_fixed(true);
        has_changed = true;
    }
    if (--now->next == 0) {
        now->next = now->wait;
        if (now->wait < LONGEST_WAIT) {
            now->wait = (uint8_t)(now->wait << 1);
        }
        if (now->state == REQUESTING) {
            now->state = SELECTING;
        }
        now->number++;
        ask();
    }
    return has_changed;
}

/* Bytes of the packet that is being read; behind its end there are zeros. */
static uint16_t unread;

static uint8_t take(void)
{
    if (unread == 0) {
        return 0;
    }
    unread--;
    return w5500_byte(0);
}

static void skip(uint8_t n)
{
    while (n-- != 0) {
        take();
    }
}

static bool take_same(const uint8_t *bytes, uint8_t n)
{
    bool is_same = true;
    while (n-- != 0) {
        if (take() != *bytes++) {
            is_same = false;
        }
    }
    return is_same;
}

/* Puts the first n bytes where they belong; those behind them are passed over. */
static void take_into(uint8_t *to, uint8_t length)
{
    for (uint8_t at = 0; at < length && unread != 0; at++) {
        uint8_t byte = take();
        if (to != 0 && at < 4) {
            to[at] = byte;
        }
    }
}

static uint8_t *place_of(uint8_t option)
{
    switch (option) {
    case MASK:
        return &lease[THE_MASK];
    case ROUTER:
        return &lease[THE_ROUTER];
    case LEASE:
        return &lease[THE_TIME];
    case SERVER:
        return &lease[THE_SERVER];
    case TYPE:
        return &lease[THE_TYPE];
    default:
        return 0;
    }
}

/* Reads what has come, as far as it is an answer to our last question: type and lease. Anything else changes nothing. */
static void read_answer(void)
{
    uint8_t hardware[6];
    uint8_t address[4];
    lease[THE_TYPE] = 0;
    w5500_read(W5500_COMMON, W5500_SHAR, hardware, sizeof hardware);
    w5500_begin_take(W5500_UDP);
    unread = 8;
    skip(6); /* from whom: not asked, for nobody can prove it */
    uint16_t n = take();
    n = (uint16_t)(n << 8 | take());
    unread = n;
    bool is_ours = take() == 2;
    skip(3);
    is_ours &= take_same(&hardware[3], 3);
    is_ours &= take() == dhcp.number;
    skip(8);
    take_into(address, 4);
    skip(8);
    is_ours &= take_same(hardware, sizeof hardware);
    skip(202);
    for (uint8_t at = 0; at < 4; at++) {
        is_ours &= take() == flash_u8(&magic[at]);
    }
    if (is_ours) {
        for (uint8_t at = 0; at < 4; at++) {
            lease[THE_TIME + at] = 0;
            if (dhcp.state == SELECTING) {
                lease[THE_ADDRESS + at] = address[at];
            }
        }
        uint8_t option;
        while (unread != 0 && (option = take()) != END) {
            if (option != PAD) {
                uint8_t length = take();
                take_into(place_of(option), length);
            }
        }
    }
    w5500_end();
    w5500_taken(W5500_UDP, (uint16_t)(8u + n));
}

bool dhcp_idle(void)
{
    struct dhcp *now = &dhcp;
    BY_POINTER(now);
    if (w5500_received(W5500_UDP) == 0) {
        return false;
    }
    read_answer();
    uint8_t type = lease[THE_TYPE];
    if (now->state == SELECTING) {
        if (type == OFFER) {
            now->state = REQUESTING;
            ask();
        }
        return false;
    }
    bool was_bound = now->state == BOUND;
    if (type == NAK) {
        begin();
        if (was_bound) {
            dhcp_start();
        }
        return was_bound;
    }
    uint16_t whole = (uint16_t)((uint16_t)lease[THE_TIME + 2] << 8 | lease[THE_TIME + 3]);
    if ((lease[THE_TIME + 0] | lease[THE_TIME + 1]) != 0) {
        whole = UINT16_MAX;
    }
    if (type != ACK || whole == 0) {
        return false;
    }
    now->whole = whole;
    now->left = whole;
    now->state = BOUND;
    now->silent = 0;
    now->wait = LONGEST_WAIT;
    now->next = 1;
    set_address(true);
    return !was_bound;
}
