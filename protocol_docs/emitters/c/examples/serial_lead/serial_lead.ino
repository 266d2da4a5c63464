/* A board on a serial lead or its own USB: 8 data bits, no parity, 1 stop bit, 115200 baud.
 *
 * Fill in pack_millivolts() and battery_deciamperes(); then, with the board connected:
 *     sagline-logger record --serial PORT --out rides
 */
#include <sagline.h>
#include <sagline_arduino.h>

/* value = (raw * multiplier + offset) * 10^exponent, in the unit.  Standard names and units:
 * protocol_docs/vocabulary.md; findings and alarms go by them. */
static const sagline_channel channels[] SAGLINE_FLASH = {
    /* name, unit, label, index, type, multiplier, exponent, offset */
    SAGLINE_CHANNEL("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -3, 0),
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_I16, 1, -1, 0),
};
static const uint32_t PERIOD = 10000; /* µs: 100 samples a second */
static uint8_t buffer[10 * 4];        /* ten samples of 4 bytes to a frame */
static sagline_stream streams[] = {SAGLINE_STREAM("fast", PERIOD, channels, buffer)};
static sagline emitter;

/* Your sensors: what the pins say, in the units of the table above. */
static int32_t pack_millivolts() { return analogRead(A0) * 58L; }
static int32_t battery_deciamperes() { return analogRead(A1) - 512L; }

void setup()
{
    Serial.begin(115200);
    sagline_init(&emitter, sagline_print, static_cast<Print *>(&Serial), "My board", "sketch 1",
                 sagline_boot_number(A5), streams, 1);
    while (sagline_begin(&emitter, micros()) != SAGLINE_OK) delay(1000); /* the table is wrong */
}

void loop()
{
    static uint32_t due = micros();
    uint32_t now = micros();
    if (now - due < 0x80000000UL) {
        int32_t values[] = {pack_millivolts(), battery_deciamperes()};
        sagline_sample(&emitter, 0, now, values);
        do due += PERIOD; /* late: what is missed stays missed, and is counted */
        while (now - due < 0x80000000UL);
    }
    sagline_idle(&emitter, now);
}
