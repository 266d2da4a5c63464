/* Two motor controllers and a cell monitor in one log, read through the functions of readings.cpp,
 * which are yours to write. */
#include <sagline.h>
#include <sagline_arduino.h>

#include "readings.h"

#define NO_READING INT16_MIN
#define EACH(n)                                                                                     \
    SAGLINE_CHANNEL_OR_NONE("controller_battery_current", "A", "", n, SAGLINE_I16, 1, -1, 0,        \
                            NO_READING),                                                            \
        SAGLINE_CHANNEL_OR_NONE("motor_current", "A", "", n, SAGLINE_I16, 1, -1, 0, NO_READING),    \
        SAGLINE_CHANNEL_OR_NONE("duty_cycle", "1", "", n, SAGLINE_I16, 1, -3, 0, NO_READING),       \
        SAGLINE_CHANNEL_OR_NONE("motor_speed", "r/min", "", n, SAGLINE_I16, 1, 0, 0, NO_READING)
static const sagline_channel drive_channels[] SAGLINE_FLASH = {EACH(1), EACH(2)};

#define WARMTH(name, n) \
    SAGLINE_CHANNEL_OR_NONE(name, "\xC2\xB0" "C", "", n, SAGLINE_I16, 1, -2, 0, NO_READING)
static const sagline_channel warmth_channels[] SAGLINE_FLASH = {
    WARMTH("motor_temperature", 1), WARMTH("controller_temperature", 1),
    WARMTH("motor_temperature", 2), WARMTH("controller_temperature", 2),
};

#define CELL(n) \
    SAGLINE_CHANNEL_OR_NONE("cell_voltage", "V", "", n, SAGLINE_I16, 1, -3, 0, NO_READING)
static const sagline_channel cell_channels[] SAGLINE_FLASH = {
    CELL(1), CELL(2), CELL(3), CELL(4),  CELL(5),  CELL(6),
    CELL(7), CELL(8), CELL(9), CELL(10), CELL(11), CELL(12),
};

enum { DRIVE, WARM, CELLS_OF_PACK, STREAMS };
static const uint32_t PERIODS[STREAMS] = {20000, 1000000, 200000}; /* µs */
static uint8_t drive_buffer[5 * 8 * 2], warmth_buffer[4 * 2], cell_buffer[12 * 2];
static sagline_stream streams[STREAMS] = {
    SAGLINE_STREAM("drive", PERIODS[DRIVE], drive_channels, drive_buffer),
    SAGLINE_STREAM("warmth", PERIODS[WARM], warmth_channels, warmth_buffer),
    SAGLINE_STREAM("cells", PERIODS[CELLS_OF_PACK], cell_channels, cell_buffer),
};
static sagline emitter;
static_assert(NOTHING == SAGLINE_NONE, "one word for no reading");

static controller_reading controllers[CONTROLLERS];

static void ask_controllers()
{
    uint8_t n;
    for (n = 0; n < CONTROLLERS; n++) {
        controller_reading fresh = {NOTHING, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING};
        controllers[n] = fresh;
        if (!read_controller(n, &fresh)) continue;
        controllers[n] = fresh;
    }
}

static void take(uint8_t stream, uint32_t now)
{
    int32_t values[CELLS]; /* the most that a stream has */
    uint8_t n, at = 0;
    if (stream == CELLS_OF_PACK) {
        for (n = 0; n < CELLS; n++) values[n] = NOTHING;
        if (!read_cells(values))
            for (n = 0; n < CELLS; n++) values[n] = NOTHING;
    } else {
        ask_controllers();
        for (n = 0; n < CONTROLLERS; n++) {
            const controller_reading *one = &controllers[n];
            if (stream == DRIVE) {
                values[at++] = one->battery_deciamperes;
                values[at++] = one->motor_deciamperes;
                values[at++] = one->duty_permille;
                values[at++] = one->motor_rpm;
            } else {
                values[at++] = one->motor_centigrade;
                values[at++] = one->stage_centigrade;
            }
        }
    }
    sagline_sample(&emitter, stream, now, values);
}

void setup()
{
    Serial.begin(115200);
    sagline_init(&emitter, sagline_print, static_cast<Print *>(&Serial), "My board", "sketch 1",
                 sagline_boot_number(A5), streams, STREAMS);
    while (sagline_begin(&emitter, micros()) != SAGLINE_OK) delay(1000); /* a table is wrong */
}

void loop()
{
    static uint32_t due[STREAMS];
    static bool started = false;
    uint32_t now = micros();
    uint8_t n;
    for (n = 0; n < STREAMS; n++) {
        if (!started) due[n] = now;
        if (now - due[n] < 0x80000000UL) {
            take(n, now);
            do due[n] += PERIODS[n];
            while (now - due[n] < 0x80000000UL);
        }
    }
    started = true;
    sagline_idle(&emitter, now);
}
