/* What the examples need of your chip.  Write these few functions for it; nothing else here knows
 * the hardware. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

enum { PIN_CURRENT, PIN_THERMISTOR, PIN_TAP_1 }; /* PIN_TAP_1 + n: tap n + 1 */
#define ADC_FULL 4096 /* counts at the reference voltage: 12 bits */

void board_start(void);             /* clocks, analogue inputs, link */
uint16_t board_boot(void);          /* counted up at each start in EEPROM or flash, or random */
uint32_t board_micros(void);        /* free-running µs, modulo 2^32 */
uint16_t board_analog(uint8_t pin); /* 0 to ADC_FULL - 1 */
bool board_running(void);           /* true for ever on a board; false ends a test or a log */

void board_serial(void *to, uint8_t byte); /* waits until the byte is taken */

/* BLE, as ble_service.md: give the stack `count` bytes for one notification; false: not now. */
bool board_notify(const uint8_t *bytes, uint16_t count);
uint16_t board_notify_size(void); /* ATT_MTU - 3; 0: nobody has subscribed */
void board_offer(const uint8_t *frame, uint16_t count); /* what the board characteristic holds */

/* Memory card: a file open for writing. */
void board_card(void *to, uint8_t byte);
void board_card_sync(void); /* make what was written survive a power cut */

#endif
