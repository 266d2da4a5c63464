/* board.h on an emulated 32-bit chip (Cortex-M3, Arm's Cortex-M System Design Kit: its UART and
 * timer), for the tests: the pins of host_board.c, in real time, bytes as they are over the serial
 * port.  Addresses and registers: Arm DAI 0385D, section 4.1, and DDI 0479D, sections 4.2 and 4.3
 * (numbers from memory, and borne out by the emulator). */
#include "board.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define TIMER_CONTROL REGISTER(0x40000000)
#define TIMER_VALUE REGISTER(0x40000004)
#define TIMER_RELOAD REGISTER(0x40000008)
#define UART_DATA REGISTER(0x40004000)
#define UART_STATE REGISTER(0x40004004)
#define UART_CONTROL REGISTER(0x40004008)
#define UART_DIVIDER REGISTER(0x40004010)
enum { CLOCK_MHZ = 25 };

extern uint32_t data_image[], data_begin[], data_end[], bss_begin[], bss_end[], stack_top[];
int main(void);
void start(void);

static uint16_t reads;

static void stay(void)
{
    for (;;) __asm__ volatile("wfi");
}

void start(void)
{
    uint32_t *to, *from = data_image;
    for (to = data_begin; to < data_end;) *to++ = *from++;
    for (to = bss_begin; to < bss_end;) *to++ = 0;
    main();
    stay();
}

struct vectors {
    uint32_t *stack;
    void (*handlers[15])(void);
};
__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    stack_top, {start, stay, stay, stay, stay, stay},
};

void board_start(void)
{
    TIMER_RELOAD = UINT32_C(0xFFFFFFFF);
    TIMER_VALUE = UINT32_C(0xFFFFFFFF);
    TIMER_CONTROL = 1;
    UART_DIVIDER = CLOCK_MHZ * 1000000 / 115200;
    UART_CONTROL = 1;
}

uint16_t board_boot(void) { return 7; }
uint32_t board_micros(void) { return (UINT32_C(0xFFFFFFFF) - TIMER_VALUE) / CLOCK_MHZ; }

uint16_t board_analog(uint8_t pin)
{
    static const uint16_t taps[] = {2235, 2980, 3118, 2930};
    if (pin == PIN_CURRENT) return reads++ % ADC_FULL;
    if (pin == PIN_THERMISTOR) return 2048;
    return taps[pin - PIN_TAP_1];
}

bool board_running(void) { return board_micros() < UINT32_C(3000000); }

void board_serial(void *to, uint8_t byte)
{
    (void)to;
    while (UART_STATE & 1u) {}
    UART_DATA = byte;
}
