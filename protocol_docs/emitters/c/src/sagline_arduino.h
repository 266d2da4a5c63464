/* What a sketch needs besides the emitter: bytes into any Print (a serial port, a file), and a boot
 * number.  For the Arduino core's API; C++11.  MIT licence.
 */
#ifndef SAGLINE_ARDUINO_H
#define SAGLINE_ARDUINO_H

#include <Arduino.h>

#ifdef __AVR__
#include <avr/eeprom.h>
#endif

#include "sagline.h"

/* Use it as `put`, and `static_cast<Print *>(&Serial)` as `to`; it waits while the port is full. */
static inline void sagline_print(void *to, uint8_t byte)
{
    static_cast<Print *>(to)->write(byte);
}

/* A number unlike the last start's.  On AVR it is counted up in the last word of the EEPROM; on
 * others it is drawn from the noise of an unconnected analogue pin and the moment of the call, which
 * meets the last one once in 65,536 starts: count it up in flash where your core can. */
static inline uint16_t sagline_boot_number(uint8_t unconnected_pin)
{
#ifdef __AVR__
    uint16_t *place = reinterpret_cast<uint16_t *>(E2END - 1);
    uint16_t boot = static_cast<uint16_t>(eeprom_read_word(place) + 1u);
    (void)unconnected_pin;
    eeprom_update_word(place, boot);
    return boot;
#else
    uint32_t mixed = static_cast<uint32_t>(micros());
    uint8_t i;
    for (i = 0; i < 64; i++)
        mixed = (mixed << 5) ^ (mixed >> 27) ^ static_cast<uint32_t>(analogRead(unconnected_pin)) ^
                static_cast<uint32_t>(micros());
    return static_cast<uint16_t>(mixed ^ (mixed >> 16));
#endif
}

#endif
