/* What this example asks of you: write these two functions in readings.cpp. */
#ifndef READINGS_H
#define READINGS_H

#include <stdint.h>

static const uint8_t CONTROLLERS = 2, CELLS = 12;

/* One controller, in whole numbers.  A reading that it does not give stays NOTHING. */
static const int32_t NOTHING = INT32_MIN;
struct controller_reading {
    int32_t battery_deciamperes; /* 0.1 A, positive when it draws */
    int32_t motor_deciamperes;   /* 0.1 A, positive when it drives forward */
    int32_t duty_permille;       /* -1000 to 1000 */
    int32_t motor_rpm;           /* of the shaft: electrical divided by pole pairs */
    int32_t motor_centigrade;    /* 0.01 degrees C */
    int32_t stage_centigrade;
};

/* Fill `reading` with what controller 0 or 1 said last; false when it has said nothing new for too
 * long, and then nothing is sent for it: an old value passed off as new misleads every finding. */
bool read_controller(uint8_t which, controller_reading *reading);

/* Fill `millivolts` with the cells, from the negative end; false when the monitor is silent.  A cell
 * that it does not give: NOTHING. */
bool read_cells(int32_t *millivolts);

#endif
