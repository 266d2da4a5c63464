/* Two controllers and a monitor that give known values; the second falls silent now and then, and the
 * monitor does not give cell 3. */
#include "readings.h"

bool read_controller(uint8_t which, controller_reading *reading)
{
    static int32_t turn;
    turn++;
    if (which == 1 && turn % 10 < 4) return false;
    reading->battery_deciamperes = 100 + which;
    reading->motor_deciamperes = -200 - which;
    reading->duty_permille = 500;
    reading->motor_rpm = 3000 + which;
    reading->motor_centigrade = 4150;
    return true;
}

bool read_cells(int32_t *millivolts)
{
    uint8_t n;
    for (n = 0; n < CELLS; n++)
        if (n != 2) millivolts[n] = 3600 + n;
    return true;
}
