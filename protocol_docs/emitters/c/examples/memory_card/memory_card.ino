/* A recorder without a computer: a log on a memory card, one file a start, safe to cut off.
 *
 * Copy the files to a computer; each is a log:
 *     sagline-logger verify RIDE7.SAG
 *     sagline-analyser plot RIDE7.SAG
 */
#include <SD.h>
#include <SPI.h>

#include <sagline.h>
#include <sagline_arduino.h>

static const uint8_t CARD_SELECT = 10;

static const sagline_channel channels[] SAGLINE_FLASH = {
    /* name, unit, label, index, type, multiplier, exponent, offset */
    SAGLINE_CHANNEL("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -3, 0),
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_I16, 1, -1, 0),
};
static const uint32_t PERIOD = 10000; /* µs: 100 samples a second */
static uint8_t buffer[25 * 4];        /* a frame every quarter of a second */
static sagline_stream streams[] = {SAGLINE_STREAM("fast", PERIOD, channels, buffer)};
static sagline emitter;
static File file;

/* Your sensors: what the pins say, in the units of the table above. */
static int32_t pack_millivolts() { return analogRead(A0) * 58L; }
static int32_t battery_deciamperes() { return analogRead(A1) - 512L; }

/* Nothing can be recorded: blink, so that nobody rides off believing it is. */
static void stop_and_blink()
{
    pinMode(LED_BUILTIN, OUTPUT);
    for (;;) {
        digitalWrite(LED_BUILTIN, HIGH);
        delay(200);
        digitalWrite(LED_BUILTIN, LOW);
        delay(200);
    }
}

void setup()
{
    char name[13]; /* eight signs, a dot and three more: what every card takes */
    uint16_t boot = sagline_boot_number(A5);
    snprintf(name, sizeof name, "RIDE%u.SAG", static_cast<unsigned>(boot % 10000u));
    if (!SD.begin(CARD_SELECT)) stop_and_blink();
    file = SD.open(name, FILE_WRITE); /* appends: a file of this name is gone on with */
    if (!file) stop_and_blink();
    sagline_init(&emitter, sagline_print, static_cast<Print *>(&file), "My board", "sketch 1", boot,
                 streams, 1);
    if (sagline_log_append(&emitter, micros(), 0, "memory_card 1", "memory card", "") != SAGLINE_OK)
        stop_and_blink();
    sagline_log_setting(&emitter, "motor_current_limit", "60"); /* what is in force, for comparing */
}

void loop()
{
    static uint32_t due = micros(), kept = micros();
    uint32_t now = micros();
    if (now - due < 0x80000000UL) {
        int32_t values[] = {pack_millivolts(), battery_deciamperes()};
        sagline_sample(&emitter, 0, now, values);
        do due += PERIOD;
        while (now - due < 0x80000000UL);
    }
    sagline_idle(&emitter, now);
    if (now - kept >= 1000000UL) { /* a power cut costs one second */
        file.flush();
        kept = now;
    }
}
