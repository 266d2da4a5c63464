/* A complete recorder: the same samples, written as a log file on a memory card. */
#include "trike.h"

int main(void)
{
    static sagline emitter;
    uint32_t synced;
    board_start();
    sagline_init(&emitter, board_card, 0, "Kestrel", "card example 1", board_boot(), streams,
                 STREAMS);
    if (sagline_log_begin(&emitter, board_micros(), 0, "card example 1", "memory card", "") !=
        SAGLINE_OK)
        return 1;
    sagline_log_setting(&emitter, "motor_current_limit", "60");
    synced = board_micros();
    while (board_running()) {
        take_samples(&emitter);
        if (board_micros() - synced >= UINT32_C(1000000)) { /* a power cut costs one second */
            board_card_sync();
            synced = board_micros();
        }
    }
    sagline_log_end(&emitter, "switched off", board_micros());
    board_card_sync();
    return 0;
}
