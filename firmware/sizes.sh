#!/bin/sh
# Prints what the images take: flash and statics of each by avr-size, beside the chip's; and of the smallest chip's code which
# module takes how much. The image is compiled as one unit, so modules are measured compiled alone: their sum is more than the image.
# Usage: sizes.sh <build folder> <image>...
set -e
build=$1
shift

echo "image                        flash  of      statics  of"
for image in "$@"; do
    case $image in
    atmega328p*) flash=32256 sram=2048 ;;
    atmega32u4*) flash=28672 sram=2560 ;;
    *) flash=65280 sram=8192 ;;
    esac
    if [ -f "$build/$image.elf" ]; then
        avr-size "$build/$image.elf" | awk -v image="$image" -v flash=$flash -v sram=$sram 'NR == 2 {
            printf "%-27s %6d  %-6d  %7d  %d\n", image, $1 + $2, flash, $2 + $3, sram }'
    fi
done
echo
echo "module compiled alone, atmega328p    flash  statics"
for source in core/*.c core/drivers/*.c port/avr/*.c; do
    avr-gcc -std=c11 -Icore -Icore/drivers -Iport/avr -DNETWORK -mmcu=atmega328p -DF_CPU=16000000UL $SMALL -fno-lto -c "$source" \
        -o "$build/module.o"
    avr-size "$build/module.o" | awk -v name="$source" 'NR == 2 { printf "%-36s %5d  %7d\n", name, $1 + $2, $2 + $3 }'
done
rm -f "$build/module.o"
