/* board.h on a simulated 8-bit chip, for the tests: the pins and the clock of host_board.c, bytes in
 * hex over the chip's serial port. */
#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

static uint32_t now;
static uint16_t reads;

static void send(char c)
{
    while (!(UCSR0A & (1 << UDRE0))) {}
    UDR0 = (uint8_t)c;
}

void board_start(void)
{
    UBRR0 = 0;
    UCSR0A = 1 << U2X0;
    UCSR0B = 1 << TXEN0;
}

#ifndef BOOT
#define BOOT 7
#endif
uint16_t board_boot(void) { return BOOT; }
uint32_t board_micros(void) { return now; }
uint16_t board_analog(uint8_t pin)
{
    static const uint16_t taps[] = {2235, 2980, 3118, 2930};
    if (pin == PIN_CURRENT) return reads++ % ADC_FULL;
    if (pin == PIN_THERMISTOR) return 2048;
    return taps[pin - PIN_TAP_1];
}

bool board_running(void)
{
    now += 1000;
    if (now != 3000000) return true;
    return false;
}

void board_serial(void *to, uint8_t byte)
{
    static const char digits[] = "0123456789abcdef";
    static uint8_t column;
    (void)to;
    send(digits[byte >> 4]);
    send(digits[byte & 15]);
    if (++column == 32) {
        column = 0;
        send('\n');
    }
}

/* The card is the same serial port: what it prints is what was appended. */
void board_card(void *to, uint8_t byte) { board_serial(to, byte); }
void board_card_sync(void) {}

/* After main: end the line and stop the simulator (asleep with interrupts off). */

void __attribute__((noreturn)) exit(int status)
{
    (void)status;
    send('\n');
    cli();
    sleep_mode();
    for (;;) {}
}
