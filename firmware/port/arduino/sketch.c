/* Start and turn of the sketch: as the main of the other ports. */
#include "sketch.h"

#include "port.h"
#include "runtime.h"

void sketch_start(void)
{
    port_start();
    runtime_start();
}

void sketch_run(void)
{
    runtime_round();
    port_sleep();
}
