/* A radio module that passes serial bytes on, at the second serial port: whole frames only.
 *
 * Such a module takes bytes faster than the air does and drops what is too much.  So frames go into
 * a queue, and the queue to the module at no more than BYTES_A_SECOND; a frame that does not fit is
 * left out whole, and the computer counts what is missing.
 */
#include <sagline.h>
#include <sagline_arduino.h>

static const uint32_t BAUD = 115200;          /* as the module is set */
static const uint32_t BYTES_A_SECOND = 3000;  /* what the air takes for sure: try it out */
static const uint8_t CONNECTED = 7;           /* the module's "connected" pin, high when it is */

static const sagline_channel channels[] SAGLINE_FLASH = {
    /* name, unit, label, index, type, multiplier, exponent, offset */
    SAGLINE_CHANNEL("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -3, 0),
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_I16, 1, -1, 0),
};
static const uint32_t PERIOD = 20000; /* µs: 50 samples a second */
static uint8_t buffer[10 * 4];
static sagline_stream streams[] = {SAGLINE_STREAM("fast", PERIOD, channels, buffer)};
static sagline emitter;

/* Your sensors: what the pins say, in the units of the table above. */
static int32_t pack_millivolts() { return analogRead(A0) * 58L; }
static int32_t battery_deciamperes() { return analogRead(A1) - 512L; }

#if defined(HAVE_HWSERIAL1) || !defined(__AVR__)
#define MODULE Serial1
#else
#define MODULE Serial /* a chip with one port: the module in place of the computer */
#endif

static const uint16_t QUEUE = 256; /* must hold the largest frame: that of the description */
static uint8_t queue[QUEUE];
static uint16_t head, waiting;

static void queue_put(void *, uint8_t byte)
{
    queue[static_cast<uint16_t>(head + waiting++) % QUEUE] = byte;
}

static bool queue_ready(void *, uint16_t size)
{
    return digitalRead(CONNECTED) == HIGH && size <= QUEUE - waiting;
}

/* Hand over what the air has had time for since the last call. */
static void pass_on(uint32_t now)
{
    static uint32_t before = now;
    uint32_t room = (now - before) / (1000000UL / BYTES_A_SECOND);
    before += room * (1000000UL / BYTES_A_SECOND);
    for (; room && waiting && MODULE.availableForWrite() > 0; room--, waiting--) {
        MODULE.write(queue[head]);
        head = static_cast<uint16_t>((head + 1u) % QUEUE);
    }
}

void setup()
{
    pinMode(CONNECTED, INPUT);
    MODULE.begin(BAUD);
    sagline_init(&emitter, queue_put, 0, "My board", "sketch 1", sagline_boot_number(A5), streams,
                 1);
    emitter.ready = queue_ready;
    while (sagline_begin(&emitter, micros()) != SAGLINE_OK) delay(1000); /* the table is wrong */
}

void loop()
{
    static bool connected = false;
    static uint32_t due = micros();
    uint32_t now = micros();
    bool there = digitalRead(CONNECTED) == HIGH;
    if (there != connected) { /* joined or gone: what waits is thrown away, half frames too */
        head = waiting = 0;
        connected = there;
        if (there) sagline_joined(&emitter, now);
    }
    if (now - due < 0x80000000UL) {
        int32_t values[] = {pack_millivolts(), battery_deciamperes()};
        sagline_sample(&emitter, 0, now, values);
        do due += PERIOD;
        while (now - due < 0x80000000UL);
    }
    sagline_idle(&emitter, now);
    pass_on(now);
}
