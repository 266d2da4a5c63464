/* Reads calls from standard input, one a line, and makes them; writes the bytes. */
#include "sagline.h"

#include <inttypes.h>
#include <stdio.h>

static const sagline_channel fast[] = {
    SAGLINE_CHANNEL_OR_NONE("pack_voltage", "V", "", 0, SAGLINE_U16, 1, -2, 0, 65535),
    SAGLINE_CHANNEL("battery_current", "A", "", 0, SAGLINE_I16, 1, -1, 0),
};
static const sagline_channel odd[] = {
    SAGLINE_CHANNEL_OR_NONE("a", "1", "", 1, SAGLINE_I32, 1, 0, 0, -7),
    SAGLINE_CHANNEL("a", "1", "", 2, SAGLINE_U8, 1, 0, 0),
    SAGLINE_CHANNEL_OR_NONE("a", "1", "", 3, SAGLINE_I8, 1, 0, 0, -128),
    SAGLINE_CHANNEL("a", "1", "", 4, SAGLINE_U32, 1, 0, 0),
    SAGLINE_CHANNEL("a", "1", "", 5, SAGLINE_F32, 1, 0, 0),
};
static uint8_t fast_buffer[5 * 4], odd_buffer[14];
static sagline_stream streams[] = {
    SAGLINE_STREAM("fast", 10000, fast, fast_buffer),
    SAGLINE_STREAM("odd", 0, odd, odd_buffer),
};
static bool room = true;

static void put(void *to, uint8_t byte) { fputc(byte, (FILE *)to); }
static bool ready(void *to, uint16_t size)
{
    (void)to;
    (void)size;
    return room;
}

int main(void)
{
    static sagline s;
    char call[16], words[64];
    int64_t a[6];
    int32_t values[5];
    int i;
    sagline_init(&s, put, stdout, "K", "1", 9, streams, 2);
    s.ready = ready;
    while (scanf("%15s", call) == 1) {
        for (i = 0; i < 6; i++)
            if (scanf("%" SCNd64, &a[i]) != 1) return 1;
        if (scanf("%63s", words) != 1) return 1;
        for (i = 0; i < 5; i++) values[i] = (int32_t)a[i + 1];
        switch (call[0]) {
        case 'l': if (sagline_log_begin(&s, (uint32_t)a[0], a[1], words, "card", "")) return 2; break;
        case 'b': if (sagline_begin(&s, (uint32_t)a[0])) return 2; break;
        case '0': sagline_sample(&s, 0, (uint32_t)a[0], values); break;
        case '1': sagline_sample(&s, 1, (uint32_t)a[0], values); break;
        case 'e':
            sagline_event(&s, (uint8_t)a[1], (uint16_t)a[2], (uint8_t)a[3], words, (uint32_t)a[0]);
            break;
        case 'k': sagline_skip(&s, (uint8_t)a[1], (uint32_t)a[2]); break;
        case 'j': sagline_joined(&s, (uint32_t)a[0]); break;
        case 'c':
            sagline_change(&s);
            if (sagline_changed(&s, (uint32_t)a[0])) return 2;
            break;
        case 'i': sagline_idle(&s, (uint32_t)a[0]); break;
        case 'r': room = a[0] != 0; break;
        case 'm': sagline_log_mark(&s, (uint16_t)a[1], words, (uint32_t)a[0]); break;
        case 'w': sagline_log_wall(&s, a[1], (uint32_t)a[0]); break;
        case 'x': sagline_log_end(&s, words, (uint32_t)a[0]); break;
        default: return 3;
        }
    }
    return 0;
}
