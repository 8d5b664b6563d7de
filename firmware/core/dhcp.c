/* DHCP client over the W5500's socket 1. Packets are neither built nor kept in memory: they are written into the chip's buffer byte
 * by byte and read out of it the same way. */
#include "dhcp.h"

#include "code.h"
#include "w5500.h"

#define CLIENT_PORT 68u
#define SERVER_PORT 67u
#define PACKET_BYTES 300u /* BOOTP's least length, which some servers want */
#define FALLBACK_AFTER 60u
#define FIRST_WAIT 4u
#define LONGEST_WAIT 60u
#define FOREVER 0xFFFFFFFFul

enum message_type { DISCOVER = 1, OFFER, REQUEST, ACK = 5, NAK };
enum option { PAD = 0, MASK = 1, ROUTER = 3, REQUESTED = 50, LEASE = 51, TYPE = 53, SERVER = 54, WANTED = 55, END = 255 };
enum state { SELECTING, REQUESTING, BOUND };

/* What of an answer matters. */
struct lease {
    uint8_t mask[4], router[4], time[4], server[4], type[4];
    uint8_t address[4];
};

static struct {
    uint32_t lease, left; /* s */
    uint8_t server[4];
    uint8_t state;
    uint8_t number;       /* of the exchange, in its id */
    uint8_t wait, next;   /* s between tries and to the next one */
    uint8_t silent;       /* s without an answer, up to FALLBACK_AFTER */
    bool has_address;
} dhcp;

/* What stands in front of the options; and the address without an answer, with its mask. */
static const uint8_t magic[] IN_FLASH = {0x63, 0x82, 0x53, 0x63};
static const uint8_t fallback[] IN_FLASH = {192, 168, 77, 77, 255, 255, 255, 0};

static void put_zeros(uint8_t n)
{
    while (n-- != 0) {
        w5500_byte(0);
    }
}

static void put_bytes(const uint8_t *bytes, uint8_t n)
{
    while (n-- != 0) {
        w5500_byte(*bytes++);
    }
}

static void put_option(uint8_t option, const uint8_t *address)
{
    w5500_byte(option);
    w5500_byte(4);
    put_bytes(address, 4);
}

/* DISCOVER, or REQUEST: of an offer (`offer`), or of the address that we have. */
static void ask(uint8_t type, const struct lease *offer, bool everybody)
{
    uint8_t hardware[6];
    uint8_t own[4] = {0, 0, 0, 0};
    w5500_read(W5500_COMMON, W5500_SHAR, hardware, sizeof hardware);
    if (dhcp.state == BOUND) {
        w5500_read(W5500_COMMON, W5500_SIPR, own, sizeof own);
    }
    uint8_t to[4] = {255, 255, 255, 255};
    w5500_write(W5500_UDP, W5500_SN_DIPR, everybody ? to : dhcp.server, 4);
    w5500_write16(W5500_UDP, W5500_SN_DPORT, SERVER_PORT);
    w5500_begin_put(W5500_UDP);
    w5500_byte(1); /* request, Ethernet, 6 bytes of hardware address, no hops */
    w5500_byte(1);
    w5500_byte(6);
    w5500_byte(0);
    put_bytes(&hardware[3], 3); /* the exchange's id */
    w5500_byte(dhcp.number);
    put_zeros(2);
    w5500_byte(0x80); /* answer to everybody: without an address nothing else arrives */
    w5500_byte(0);
    put_bytes(own, sizeof own);
    put_zeros(12);
    put_bytes(hardware, sizeof hardware);
    put_zeros(202);
    for (uint8_t at = 0; at < sizeof magic; at++) {
        w5500_byte(flash_u8(&magic[at]));
    }
    w5500_byte(TYPE);
    w5500_byte(1);
    w5500_byte(type);
    w5500_byte(WANTED);
    w5500_byte(2);
    w5500_byte(MASK);
    w5500_byte(ROUTER);
    uint8_t left = (uint8_t)(PACKET_BYTES - 240u - 7u);
    if (offer != 0) {
        put_option(REQUESTED, offer->address);
        put_option(SERVER, offer->server);
        left = (uint8_t)(left - 12u);
    }
    w5500_byte(END);
    put_zeros((uint8_t)(left - 1u));
    w5500_end();
    w5500_put(W5500_UDP, PACKET_BYTES);
}

static void discover(void)
{
    dhcp.number++;
    dhcp.state = SELECTING;
    ask(DISCOVER, 0, true);
}

/* Begins anew; the address stays what it is. */
static void begin(void)
{
    dhcp.state = SELECTING;
    dhcp.wait = FIRST_WAIT;
    dhcp.next = 1;
}

/* Address and mask; none without bytes. The router is set apart. */
static void set_address(const uint8_t *address, const uint8_t *mask)
{
    uint8_t none[4] = {0, 0, 0, 0};
    w5500_write(W5500_COMMON, W5500_SIPR, address == 0 ? none : address, 4);
    w5500_write(W5500_COMMON, W5500_SUBR, mask == 0 ? none : mask, 4);
    dhcp.has_address = address != 0;
}

void dhcp_start(void)
{
    dhcp.silent = 0;
    dhcp.left = 0;
    set_address(0, 0);
    begin();
}

bool dhcp_has_address(void)
{
    return dhcp.has_address;
}

bool dhcp_second(void)
{
    bool has_changed = false;
    if (dhcp.state == BOUND) {
        if (dhcp.lease == FOREVER) {
            return false;
        }
        if (--dhcp.left == 0) {
            set_address(0, 0);
            dhcp.silent = 0;
            begin();
            return true;
        }
        if (dhcp.left > dhcp.lease >> 1) {
            return false;
        }
    } else if (dhcp.silent < FALLBACK_AFTER && ++dhcp.silent == FALLBACK_AFTER) {
        uint8_t bytes[8];
        for (uint8_t at = 0; at < sizeof bytes; at++) {
            bytes[at] = flash_u8(&fallback[at]);
        }
        set_address(bytes, bytes + 4);
        has_changed = true;
    }
    if (--dhcp.next != 0) {
        return has_changed;
    }
    dhcp.next = dhcp.wait;
    if (dhcp.wait < LONGEST_WAIT) {
        dhcp.wait = (uint8_t)(dhcp.wait * 2u < LONGEST_WAIT ? dhcp.wait * 2u : LONGEST_WAIT);
    }
    if (dhcp.state == BOUND) {
        dhcp.number++;
        ask(REQUEST, 0, dhcp.left <= dhcp.lease >> 3);
    } else {
        discover();
    }
    return has_changed;
}

static uint32_t big_endian(const uint8_t *bytes)
{
    uint32_t value = 0;
    for (uint8_t n = 4; n != 0; n--) {
        value = value << 8 | *bytes++;
    }
    return value;
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

/* Puts the first four bytes of an option where they belong, if anywhere. */
static void take_option(struct lease *lease, uint8_t option)
{
    uint8_t *to = option == MASK     ? lease->mask
                  : option == ROUTER ? lease->router
                  : option == LEASE  ? lease->time
                  : option == SERVER ? lease->server
                  : option == TYPE   ? lease->type
                                     : 0;
    uint8_t length = take();
    for (uint8_t at = 0; at < length && unread != 0; at++) {
        uint8_t byte = take();
        if (to != 0 && at < 4) {
            to[at] = byte;
        }
    }
}

/* Reads what has come; false when it is no answer to our last question. */
static bool read_answer(struct lease *lease)
{
    uint8_t hardware[6];
    w5500_read(W5500_COMMON, W5500_SHAR, hardware, sizeof hardware);
    w5500_begin_take(W5500_UDP);
    unread = 8;
    skip(6); /* from whom: not asked, for nobody can prove it */
    uint16_t n = take();
    n = (uint16_t)(n << 8 | take());
    unread = n;
    bool is_ours = take() == 2;
    skip(3);
    is_ours = take_same(&hardware[3], 3) && is_ours;
    is_ours = take() == dhcp.number && is_ours;
    skip(8);
    for (uint8_t at = 0; at < 4; at++) {
        lease->address[at] = take();
    }
    skip(8);
    is_ours = take_same(hardware, sizeof hardware) && is_ours;
    skip(202);
    for (uint8_t at = 0; at < sizeof magic; at++) {
        is_ours = take() == flash_u8(&magic[at]) && is_ours;
    }
    while (unread != 0) {
        uint8_t option = take();
        if (option == END) {
            break;
        }
        if (option != PAD) {
            take_option(lease, option);
        }
    }
    w5500_end();
    w5500_taken(W5500_UDP, (uint16_t)(8u + n));
    return is_ours;
}

static bool take_lease(const struct lease *lease)
{
    uint8_t before[4];
    bool is_same = dhcp.has_address;
    uint32_t time = big_endian(lease->time);
    if (time == 0) {
        return false;
    }
    w5500_read(W5500_COMMON, W5500_SIPR, before, sizeof before);
    for (uint8_t at = 0; at < 4; at++) {
        dhcp.server[at] = lease->server[at];
        is_same = is_same && before[at] == lease->address[at];
    }
    set_address(lease->address, lease->mask);
    w5500_write(W5500_COMMON, W5500_GAR, lease->router, 4);
    dhcp.lease = time;
    dhcp.left = time;
    dhcp.state = BOUND;
    dhcp.silent = 0;
    dhcp.wait = LONGEST_WAIT;
    dhcp.next = 1;
    return !is_same;
}

bool dhcp_idle(void)
{
    struct lease lease = {{255, 255, 255, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}, {0, 0, 0, 0}};
    if (w5500_received(W5500_UDP) == 0 || !read_answer(&lease)) {
        return false;
    }
    uint8_t type = lease.type[0];
    if (type == OFFER && dhcp.state == SELECTING) {
        dhcp.state = REQUESTING;
        ask(REQUEST, &lease, true);
    } else if (type == ACK && dhcp.state != SELECTING) {
        return take_lease(&lease);
    } else if (type == NAK && dhcp.state != SELECTING) {
        bool had_lease = dhcp.state == BOUND;
        begin();
        if (had_lease) {
            set_address(0, 0);
            dhcp.silent = 0;
        }
        return had_lease;
    }
    return false;
}
