// The control runtime on any chip that the Arduino API knows. `tidewright build --sketch` writes this folder whole, with the
// tables of one system in src/tables.h; nothing in it needs to be edited.
//
// The API gives no sleep, no cause of a reset and no guard of the stack on most chips: what is lost by that stands in
// docs/firmware.md, "The Arduino port". Chips with an image of their own (ATmega328P, 32U4, 2560) should use that.

#include "src/sketch.h"

void setup() {
    sketch_start();
}

void loop() {
    sketch_run();
}
