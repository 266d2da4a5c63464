/* The same over BLE notifications (ble_service.md): frames go into a queue, the queue into slices.
 * A frame that does not fit is left out whole; the sequence numbers go on, so the loss shows. */
#include "trike.h"

enum { QUEUE = 1024 }; /* must hold the largest frame: that of a STREAM record */
static uint8_t queue[QUEUE];
static uint16_t head, waiting;

static void queue_put(void *to, uint8_t byte)
{
    (void)to;
    queue[(uint16_t)(head + waiting++) % QUEUE] = byte;
}

static bool queue_ready(void *to, uint16_t size)
{
    (void)to;
    return board_notify_size() && size <= QUEUE - waiting;
}

static void notify(void)
{
    uint8_t slice[244];
    uint16_t i, size = board_notify_size();
    if (size > sizeof(slice)) size = sizeof(slice);
    if (size > waiting) size = waiting;
    if (!size) return;
    for (i = 0; i < size; i++) slice[i] = queue[(uint16_t)(head + i) % QUEUE];
    if (!board_notify(slice, size)) return;
    head = (uint16_t)((head + size) % QUEUE);
    waiting = (uint16_t)(waiting - size);
}

/* The board characteristic: one BOARD frame of this moment.  The emitter's state is copied, so that
 * a frame under way is not disturbed. */
static uint8_t board_frame[128];
static uint16_t board_size;

static void board_put(void *to, uint8_t byte)
{
    (void)to;
    board_frame[board_size++] = byte; /* at most 117 bytes (ble_service.md, section 3) */
}

static void offer(const sagline *s, uint32_t clock)
{
    static sagline copy;
    copy = *s;
    copy.put = board_put;
    copy.ready = 0;
    board_size = 0;
    sagline_send_board(&copy, clock);
    board_offer(board_frame, board_size);
}

int main(void)
{
    static sagline emitter;
    bool subscribed = false;
    uint32_t offered;
    board_start();
    sagline_init(&emitter, queue_put, 0, "Kestrel", "ble example 1", board_boot(), streams,
                 STREAMS);
    emitter.ready = queue_ready;
    if (sagline_begin(&emitter, board_micros()) != SAGLINE_OK) return 1;
    offer(&emitter, offered = board_micros());
    while (board_running()) {
        bool now = board_notify_size() != 0;
        if (now != subscribed) { /* joined or gone: what waits is thrown away, half frames too */
            head = waiting = 0;
            subscribed = now;
            if (now) sagline_joined(&emitter, board_micros());
        }
        take_samples(&emitter);
        notify();
        if (board_micros() - offered >= UINT32_C(1000000)) offer(&emitter, offered = board_micros());
    }
    return 0;
}
