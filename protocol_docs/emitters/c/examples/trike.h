/* The generic board of the examples: what it measures, and how a sample is taken. */
#ifndef TRIKE_H
#define TRIKE_H

#include "../sagline.h"
#include "board.h"
#include "measures.h"

enum { FAST, SLOW, STREAMS };
enum { CELLS = 4 };
#define FAST_PERIOD UINT32_C(10000)
#define SLOW_PERIOD UINT32_C(200000)

/* Current: a Hall sensor, 25 mV/A around half of a 3.3 V reference.  One of 4096 counts is
 * 3.3 V / 4096 / 0.025 V/A = 0.032227 A, and no current is 2048 counts: (raw - 2048) * 32227e-6 A.
 * Calibrate: read the counts without current and put them in place of 2048. */
static const sagline_channel fast_channels[] SAGLINE_FLASH = {
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_U16, 32227, -6,
                    -INT32_C(2048) * 32227),
};

#define CELL(n) \
    SAGLINE_CHANNEL_OR_NONE("cell_voltage", "V", "", n, SAGLINE_U16, 1, -3, 0, 0xFFFF)
static const sagline_channel slow_channels[] SAGLINE_FLASH = {
    SAGLINE_CHANNEL_OR_NONE("motor_temperature", "\xC2\xB0""C", "rear", 1, SAGLINE_I16, 1, -2, 0,
                            INT16_MIN),
    CELL(1), CELL(2), CELL(3), CELL(4),
};

static uint8_t fast_buffer[10 * 2];        /* ten samples of one u16: a frame every 100 ms */
static uint8_t slow_buffer[2 + CELLS * 2]; /* one sample */
static sagline_stream streams[STREAMS] = {
    SAGLINE_STREAM("fast", FAST_PERIOD, fast_channels, fast_buffer),
    SAGLINE_STREAM("slow", SLOW_PERIOD, slow_channels, slow_buffer),
};

/* Rows of the data sheet of a 10 kOhm thermistor; copy those of yours. */
static const thermistor_row thermistor[] = {
    {94143, -2000}, {32014, 0}, {10000, 2500}, {3661, 5000},
    {1518, 7500},   {697, 10000}, {351, 12500},
};
#define THERMISTOR_ROWS ((uint8_t)(sizeof(thermistor) / sizeof(thermistor[0])))
#define THERMISTOR_FIXED 10000

/* uV for a count at each tap: reference * (upper + lower) / lower / 4096, then calibrated;
 * here lower 10 kOhm and upper 10, 20, 33, 51 kOhm on 3.3 V. */
static const uint32_t tap_gain[CELLS] = {1611, 2417, 3464, 4915};

static inline void take_fast(sagline *s, uint32_t clock)
{
    int32_t values[1];
    values[0] = board_analog(PIN_CURRENT);
    sagline_sample(s, FAST, clock, values);
}

static inline void take_slow(sagline *s, uint32_t clock)
{
    int32_t values[1 + CELLS];
    uint16_t taps[CELLS];
    uint8_t i;
    values[0] = thermistor_centi(board_analog(PIN_THERMISTOR), ADC_FULL, THERMISTOR_FIXED,
                                 thermistor, THERMISTOR_ROWS);
    for (i = 0; i < CELLS; i++) taps[i] = board_analog((uint8_t)(PIN_TAP_1 + i));
    cells_mv(taps, tap_gain, CELLS, values + 1);
    sagline_sample(s, SLOW, clock, values);
}

/* Takes what is due.  The clock is read once for each sample, when it is taken. */
static inline void take_samples(sagline *s)
{
    static uint32_t fast_due, slow_due;
    static bool started;
    uint32_t now = board_micros();
    if (!started) {
        started = true;
        fast_due = slow_due = now;
    }
    if (now - fast_due < UINT32_C(0x80000000)) {
        take_fast(s, now);
        do fast_due += FAST_PERIOD;
        while (now - fast_due < UINT32_C(0x80000000)); /* late: what is missed stays missed */
    }
    if (now - slow_due < UINT32_C(0x80000000)) {
        take_slow(s, now);
        do slow_due += SLOW_PERIOD;
        while (now - slow_due < UINT32_C(0x80000000));
    }
    sagline_idle(s, now);
}

#endif
