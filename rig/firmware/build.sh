#!/usr/bin/env bash
# Builds the firmware and holds its size against the chip. Run by Meson; by hand:
#
#     rig/firmware/build.sh SOURCE-ROOT OUTPUT.elf STACK C-SOURCE...
#
# Prints how much of flash and of RAM is used. STACK bytes of RAM are reserved for the
# stack; a test in simavr measures what it really takes. Exit status: 0 built, 1 more than 75 % used, else the compiler's.
set -euo pipefail
root=$1 out=$2 STACK=$3
shift 3
chip=atmega328p FLASH=32768 RAM=2048
avr-gcc -mmcu="$chip" -std=c11 -Os -Wall -Wextra -Werror -ffreestanding -ffunction-sections -fdata-sections \
    -fshort-enums -Wl,--gc-sections -I "$root" -o "$out" "$@" -lm
# Sections: code, data with initial values (in flash and in RAM), data without.
read -r text data bss < <(avr-size "$out" | awk 'NR == 2 {print $1, $2, $3}')
flash=$((text + data)) ram=$((data + bss + STACK)) status=0
for row in "flash $flash $FLASH" "RAM $ram $RAM"; do
    read -r what used size <<<"$row"
    printf 'firmware: %s %d of %d bytes, %d.%d %%' "$what" "$used" "$size" $((used * 100 / size)) $((used * 1000 / size % 10))
    [ "$what" = RAM ] && printf ' (%d of them for the stack)' "$STACK"
    if [ $((used * 4)) -ge $((size * 3)) ]; then printf ': too much, 75 %% is the limit'; status=1; fi
    echo
done
[ "$status" = 0 ] || rm -f "$out"
exit "$status"
