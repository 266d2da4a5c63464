/* A memory card whose one file is standard output. */
#ifndef SD_H
#define SD_H

#include <Arduino.h>

#define FILE_WRITE 1

class File : public Print {
public:
    size_t write(uint8_t byte) override { return Serial.write(byte); }
    void flush() { fflush(stdout); }
    explicit operator bool() const { return true; }
};

class SDClass {
public:
    bool begin(uint8_t) { return true; }
    File open(const char *, int) { return File(); }
};
static SDClass SD;

#endif
