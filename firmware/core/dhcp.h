/* The board's address (RFC 2131 and 2132): asked for, renewed at half of the lease, asked from everybody at seven eighths, given up at
 * its end; a static one after a minute without an answer. Address, mask and router stand in the W5500's registers. */
#ifndef DHCP_H
#define DHCP_H

#include <stdbool.h>
#include <stdint.h>

/* The cable is in: begins anew, without an address. */
void dhcp_start(void);
/* Once a second. True when the address has changed or gone: connections must end. */
bool dhcp_second(void);
/* Reads what has come. True when the address has changed or gone. */
bool dhcp_idle(void);
/* There is an address. */
bool dhcp_has_address(void);

#endif
