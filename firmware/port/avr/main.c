/* The loop: one round, then sleep until something happens. */
#include "port.h"
#include "runtime.h"

int main(void)
{
    port_start();
    runtime_start();
    for (;;) {
        runtime_round();
        port_sleep();
    }
}
