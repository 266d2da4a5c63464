/* Counts to values in whole numbers: thermistor and cell taps.
 *
 * (A linear sensor needs nothing: send its counts, and state scale and offset in the descriptor.) */
#ifndef MEASURES_H
#define MEASURES_H

#include <stdint.h>

#include "../sagline.h"

/* log2(number) * 4096, number 1 to 65535; within 3.  Each squaring of a number in [1, 2) doubles its
 * logarithm: when the square passes 2, the next binary digit is 1. */
static inline int32_t log2_4096(uint16_t number)
{
    int32_t whole = 15;
    uint32_t m = number;
    uint8_t digit;
    if (!number) return 0;
    for (; m < UINT32_C(0x8000); m <<= 1) whole--;
    for (digit = 0; digit < 12; digit++) {
        m = (m * m) >> 15;
        whole *= 2;
        if (m >= UINT32_C(0x10000)) {
            m >>= 1;
            whole++;
        }
    }
    return whole;
}

/* Rows of the thermistor's data sheet, coldest first: ohm, and temperature in 0.01 °C. */
typedef struct {
    uint32_t ohm;
    int16_t temperature;
} thermistor_row;

/* Logarithm of a resistance of more than 16 bits as well. */
static inline int32_t log2_ohm(uint32_t ohm)
{
    int32_t more = 0;
    for (; ohm > 65535u; ohm >>= 1) more += 4096;
    return log2_4096((uint16_t)ohm) + more;
}

/* Temperature in 0.01 °C from the counts of a divider: `fixed` ohm to the reference, thermistor to
 * ground.  SAGLINE_NONE outside the rows: a broken or shorted lead is no temperature.
 *
 * Between two rows holds the beta equation 1/T = 1/T1 + ln(R/R1)/B with the B that these rows have:
 * 1/T is linear in log R.  One B over the whole range errs by more than half a degree. */
static inline int32_t thermistor_centi(uint16_t counts, uint16_t full, uint16_t fixed,
                                       const thermistor_row *rows, uint8_t count)
{
    int32_t log, upper, lower = 0;
    uint8_t i;
    if (counts == 0 || counts >= full) return SAGLINE_NONE;
    log = log2_4096(fixed) + log2_4096(counts) - log2_4096((uint16_t)(full - counts));
    upper = log2_ohm(rows[0].ohm);
    if (log > upper) return SAGLINE_NONE;
    for (i = 1; i < count; i++, upper = lower) {
        lower = log2_ohm(rows[i].ohm);
        if (log >= lower) {
            uint32_t cold = (uint32_t)(rows[i - 1].temperature + INT32_C(27315)); /* 0.01 K */
            uint32_t warm = (uint32_t)(rows[i].temperature + INT32_C(27315));
            uint32_t w = ((uint32_t)(log - lower) << 14) / (uint32_t)(upper - lower);
            uint32_t mean = (w * warm + ((UINT32_C(1) << 14) - w) * cold + 8192u) >> 14;
            return (int32_t)((cold * warm + mean / 2u) / mean) - INT32_C(27315);
        }
    }
    return SAGLINE_NONE;
}

/* Cell voltages in mV from the taps above each cell, lowest first.  `gain[n]`: µV at the tap for
 * one count, calibrated: (volts by a multimeter) * 1,000,000 / counts. */
static inline void cells_mv(const uint16_t *counts, const uint32_t *gain, uint8_t cells,
                            int32_t *millivolts)
{
    int32_t below = 0;
    uint8_t i;
    for (i = 0; i < cells; i++) {
        int32_t tap = (int32_t)((counts[i] * gain[i] + 500u) / 1000u);
        millivolts[i] = tap - below;
        below = tap;
    }
}

#endif
