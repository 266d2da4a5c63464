/* board.h on a host, for the tests: invented pins, an own clock that runs `SPEED` times as fast as
 * real time (0: as fast as it can), bytes to standard output. */
#include "board.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static uint32_t now, until;
static unsigned long pace;
static uint32_t reads;

static unsigned long option(const char *name, unsigned long otherwise)
{
    const char *text = getenv(name);
    return text ? strtoul(text, 0, 10) : otherwise;
}

void board_start(void)
{
    setvbuf(stdout, 0, _IOFBF, 4096);
    now = (uint32_t)option("START", 0);
    until = now + (uint32_t)option("MICROSECONDS", 3000000);
    pace = option("PACE", 0);
}

uint16_t board_boot(void) { return (uint16_t)option("BOOT", 7); }
uint32_t board_micros(void) { return now; }
uint16_t board_analog(uint8_t pin)
{
    static const uint16_t taps[] = {2235, 2980, 3118, 2930};
    if (pin == PIN_CURRENT) return (uint16_t)(reads++ % ADC_FULL); /* each sample unlike the next */
    if (pin == PIN_THERMISTOR) return (uint16_t)option("THERMISTOR", 2048);
    return taps[pin - PIN_TAP_1];
}

bool board_running(void)
{
    now += 1000;
    if (pace && now % 100000 == 0) { /* real hardware hands bytes on as they come */
        fflush(stdout);
        usleep((useconds_t)pace);
    }
    return until - now < UINT32_C(0x80000000) && until != now;
}

void board_serial(void *to, uint8_t byte)
{
    (void)to;
    putchar(byte);
}

/* A radio that takes a slice every third try and whose listener comes late and once drops out. */
bool board_notify(const uint8_t *bytes, uint16_t count)
{
    static uint32_t tries;
    if (tries++ % 3) return false;
    printf("%lu ", (unsigned long)now);
    while (count--) printf("%02x", (unsigned)*bytes++);
    putchar('\n');
    return true;
}

uint16_t board_notify_size(void)
{
    return now < 500000 || (now > 1200000 && now < 1500000) ? 0 : (uint16_t)option("SLICE", 20);
}

void board_offer(const uint8_t *frame, uint16_t count)
{
    printf("offer ");
    while (count--) printf("%02x", (unsigned)*frame++);
    putchar('\n');
}

void board_card(void *to, uint8_t byte) { board_serial(to, byte); }
void board_card_sync(void) { fflush(stdout); }
