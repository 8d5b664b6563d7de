#!/bin/sh
# Lays the sketch out as `tidewright build --sketch` does, with an example's tables or an empty array, and compiles it as the usual IDE
# would for an ATmega2560, against Debian's arduino-core-avr. Prints the size.
#
#   sh port/arduino/check.sh [folder]      folder: where to lay it out, default build/sketch; tables.h there is kept
set -eu
cd "$(dirname "$0")/../.."
core=${ARDUINO_AVR:-/usr/share/arduino/hardware/arduino/avr}
[ -d "$core/cores/arduino" ] || { echo "arduino-core-avr is missing: apt-get install arduino-core-avr" >&2; exit 2; }
sketch=${1:-build/sketch}/tidewright
rm -rf "$sketch/src.new"
mkdir -p "$sketch/src"
cp port/arduino/tidewright.ino "$sketch/"
cp core/*.c core/*.h core/drivers/*.c core/drivers/*.h "$sketch/src/"
cp port/arduino/sketch.c port/arduino/*.h port/arduino/*.cpp "$sketch/src/"
rm -f "$sketch/src/w5500.c" "$sketch/src/dhcp.c" "$sketch/src/stream_w5500.c"
[ -f "$sketch/src/tables.h" ] || cat > "$sketch/src/tables.h" <<'TABLES'
/* No tables: the board says hello and keeps its pins inputs. */
static const uint8_t TABLES[] PROGMEM = {0};
TABLES
objects=$sketch/objects
mkdir -p "$objects"
includes="-I$core/cores/arduino -I$core/variants/mega"
for library in EEPROM Wire SPI; do includes="$includes -I$core/libraries/$library/src"; done
flags="-Os -w -mmcu=atmega2560 -DF_CPU=16000000L -DARDUINO=10819 -DARDUINO_AVR_MEGA2560 -DARDUINO_ARCH_AVR -ffunction-sections -fdata-sections -flto $includes"
for file in "$core"/cores/arduino/*.c "$core"/libraries/Wire/src/utility/*.c; do
    avr-gcc -std=gnu11 $flags -c "$file" -o "$objects/core-$(basename "$file").o"
done
# gcc 5.4 gives DECIMAL_DIG to C alone.
for file in "$core"/cores/arduino/*.cpp "$core"/libraries/*/src/Wire.cpp "$core"/libraries/*/src/SPI.cpp; do
    avr-g++ -std=gnu++11 -fno-exceptions -fpermissive -fno-threadsafe-statics -DDECIMAL_DIG=__DECIMAL_DIG__ $flags -I"$core/libraries/Wire/src" -c "$file" -o "$objects/core-$(basename "$file").o"
done
avr-gcc -x assembler-with-cpp $flags -c "$core/cores/arduino/wiring_pulse.S" -o "$objects/core-wiring_pulse.S.o"
strict="-Wall -Wextra -Werror"
for file in "$sketch"/src/*.c; do
    avr-gcc -std=gnu11 $(echo "$flags" | sed 's/ -w / /') $strict -c "$file" -o "$objects/$(basename "$file").o"
done
# The core's own headers warn; ours are held strict as C above.
for file in "$sketch"/src/*.cpp; do
    avr-g++ -std=gnu++11 -fno-exceptions -fno-threadsafe-statics $flags -c "$file" -o "$objects/$(basename "$file").o"
done
avr-g++ -x c++ -std=gnu++11 -fno-exceptions $flags -include "$core/cores/arduino/Arduino.h" -c "$sketch/tidewright.ino" -o "$objects/sketch.ino.o"
avr-g++ -Os -flto -fuse-linker-plugin -Wl,--gc-sections -mmcu=atmega2560 -o "$sketch/tidewright.elf" "$objects"/*.o -lm
rm -rf "$objects"
echo "the sketch compiles; for an ATmega2560 it takes:"
avr-size "$sketch/tidewright.elf"

# The radio's side cannot be compiled for a chip without one: on this computer, against made-up classes of the same names.
${CXX:-c++} -std=c++11 -Wall -Wextra -Werror -DARDUINO_ARCH_ESP32 -Iport/arduino/check -Iport/arduino -Icore \
    port/arduino/check/stream_test.cpp -x c++ - -o "$sketch/stream_test" < port/arduino/stream_wifi.cpp
"$sketch/stream_test"
