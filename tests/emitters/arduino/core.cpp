/* Runs a sketch for three seconds of its own time, from START µs on. */
#include <Arduino.h>
#include <stdlib.h>

HardwareSerial Serial, Serial1;
static unsigned long now;
static unsigned long begun;

size_t HardwareSerial::write(uint8_t byte)
{
    putchar(byte);
    return 1;
}

unsigned long micros() { return static_cast<uint32_t>(now); }

void delay(unsigned long)
{
    fputs("the sketch gave up\n", stderr);
    exit(1);
}

/* A0 counts its readings, so that each sample is unlike the next. */
int analogRead(uint8_t pin)
{
    static int reads;
    return pin == A0 ? reads++ % 900 : 612;
}

/* The radio: somebody listens from half a second on, but for the second that begins at 1.5 s. */
int digitalRead(uint8_t)
{
    unsigned long at = (now - begun) / 500000u;
    return at >= 1 && at != 3 && at != 4 ? HIGH : LOW;
}

void digitalWrite(uint8_t, uint8_t) {}
void pinMode(uint8_t, uint8_t) {}

int main()
{
    const char *start = getenv("START");
    begun = now = start ? strtoul(start, 0, 10) : 0;
    setup();
    for (; now - begun < 3000000u; now += 250) loop();
    return 0;
}
