#!/usr/bin/env bash
# RAM and flash of the emitter and of the serial example, by `size`, for each compiler that is here.
# usage: protocol_docs/emitters/c/measure.sh
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# The emitter alone: one stream of two channels, called from outside, so that nothing is dropped.
cat > "$work/emitter.c" <<'C'
#include "sagline.h"
extern void put(void *to, uint8_t byte);
static const sagline_channel channels[] SAGLINE_FLASH = {
    SAGLINE_CHANNEL("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -2, 0),
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_I16, 1, -1, 0),
};
static uint8_t buffer[40];
static sagline_stream streams[] = {SAGLINE_STREAM("fast", 10000, channels, buffer)};
static sagline s;
uint8_t begin(uint16_t boot, uint32_t clock)
{
    sagline_init(&s, put, 0, "Kestrel", "1", boot, streams, 1);
#if SAGLINE_LOG
    return sagline_log_begin(&s, clock, 0, "1", "card", "");
#else
    return sagline_begin(&s, clock);
#endif
}
void sample(uint32_t clock, const int32_t *values) { sagline_sample(&s, 0, clock, values); }
void event(uint32_t clock) { sagline_event(&s, SAGLINE_FAULT, 1, 0, "hot", clock); }
#if SAGLINE_LOG
void mark(uint32_t clock) { sagline_log_mark(&s, 1, "", clock); }
void end(uint32_t clock) { sagline_log_end(&s, "off", clock); }
#endif
C

measure() { # label, compiler, flags...
    local label=$1 compiler=$2
    shift 2
    command -v "$compiler" > /dev/null || { printf '%-18s (no %s here)\n' "$label" "$compiler"; return; }
    one() { # what, source, flags...
        local what=$1 source=$2
        shift 2
        "$compiler" -std=c99 -Os -I"$here" "$@" -c "$source" -o "$work/out.o"
        # flash = text + data, RAM = data + bss; the rest of the firmware and the stack come on top
        "${compiler%gcc}size" "$work/out.o" | awk -v chip="$label" -v what="$what" \
            'NR == 2 { printf "%-18s %-34s flash %5d B   RAM %5d B\n", chip, what, $1 + $2, $2 + $3 }'
    }
    one "emitter" "$work/emitter.c" -DSAGLINE_LOG=0 "$@"
    one "emitter, short frames (RUN 64)" "$work/emitter.c" -DSAGLINE_LOG=0 -DSAGLINE_RUN=64 "$@"
    one "emitter that writes log files" "$work/emitter.c" "$@"
    one "serial example, sensors included" "$here/examples/serial.c" -DSAGLINE_LOG=0 "$@"
}

measure "host" gcc
measure "8-bit AVR" avr-gcc -mmcu=atmega328p
measure "32-bit Cortex-M0+" arm-none-eabi-gcc -mcpu=cortex-m0plus -mthumb
measure "32-bit Cortex-M4" arm-none-eabi-gcc -mcpu=cortex-m4 -mthumb
