/* Reads counts, prints what the examples' conversions make of them. */
#include "measures.h"

#include <inttypes.h>
#include <stdio.h>

static const thermistor_row rows[] = {
    {94143, -2000}, {32014, 0}, {10000, 2500}, {3661, 5000},
    {1518, 7500},   {697, 10000}, {351, 12500},
};

int main(void)
{
    char what[16];
    uint32_t n, full, gain[8];
    uint16_t counts[8];
    int32_t cells[8];
    uint8_t i, many;
    while (scanf("%15s", what) == 1) {
        if (what[0] == 't') {
            if (scanf("%" SCNu32 " %" SCNu32, &n, &full) != 2) return 1;
            printf("%" PRId32 "\n", thermistor_centi((uint16_t)n, (uint16_t)full, 10000, rows,
                                                     (uint8_t)(sizeof(rows) / sizeof(rows[0]))));
        } else {
            if (scanf("%" SCNu8, &many) != 1 || many > 8) return 1;
            for (i = 0; i < many; i++)
                if (scanf("%" SCNu16 " %" SCNu32, &counts[i], &gain[i]) != 2) return 1;
            cells_mv(counts, gain, many, cells);
            for (i = 0; i < many; i++) printf("%" PRId32 "%c", cells[i], i + 1 < many ? ' ' : '\n');
        }
    }
    return 0;
}
