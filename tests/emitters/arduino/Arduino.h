/* The little of the Arduino core's API that the sketches use, on the computer that tests them: the
 * clock stands still within one loop(), every port and card is standard output. */
#ifndef ARDUINO_H
#define ARDUINO_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

enum { LOW, HIGH };
enum { INPUT, OUTPUT };
enum { A0 = 14, A1, A2, A3, A4, A5, LED_BUILTIN = 13 };

class Print {
public:
    virtual size_t write(uint8_t byte) = 0;

protected:
    ~Print() {}
};

class HardwareSerial : public Print {
public:
    void begin(unsigned long) {}
    size_t write(uint8_t byte) override;
    int availableForWrite() { return 63; }
};
extern HardwareSerial Serial, Serial1;

unsigned long micros();
void delay(unsigned long ms);
int analogRead(uint8_t pin);
int digitalRead(uint8_t pin);
void digitalWrite(uint8_t pin, uint8_t level);
void pinMode(uint8_t pin, uint8_t mode);

void setup();
void loop();

#endif
