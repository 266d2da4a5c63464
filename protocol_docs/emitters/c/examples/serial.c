/* A board on a serial lead: 8 data bits, no parity, 1 stop bit. */
#include "trike.h"

int main(void)
{
    static sagline emitter;
    board_start();
    sagline_init(&emitter, board_serial, 0, "Kestrel", "serial example 1", board_boot(), streams,
                 STREAMS);
    if (sagline_begin(&emitter, board_micros()) != SAGLINE_OK) return 1;
    sagline_event(&emitter, SAGLINE_NOTE, 0, 0, "ready", board_micros());
    while (board_running()) take_samples(&emitter);
    sagline_change(&emitter); /* sends what waits */
    return 0;
}
