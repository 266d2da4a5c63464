/* Reads the calls of test_segments.py from standard input, one a line, and makes them; writes what
 * each call sends as a line of hex. */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define SAGLINE_REPEAT UINT32_MAX /* the description comes when a call asks for it */
#include "sagline.h"

static const sagline_channel plain[] = {SAGLINE_CHANNEL("n", "1", "", 0, SAGLINE_U16, 1, 0, 0)};
static const sagline_channel wide[] = {
    SAGLINE_CHANNEL("n", "1", "", 0, SAGLINE_U16, 1, 0, 0),
    SAGLINE_CHANNEL("m", "1", "", 0, SAGLINE_U16, 1, 0, 0),
};
static const sagline_channel other[] = {
    SAGLINE_CHANNEL("n", "1", "", 0, SAGLINE_U16, 1, 0, 0),
    SAGLINE_CHANNEL("p", "1", "", 0, SAGLINE_U8, 1, 0, 0),
};
static const sagline_channel beside[] = {SAGLINE_CHANNEL("w", "1", "", 0, SAGLINE_U8, 1, 0, 0)};
static uint8_t buffer[5 * 4], second[1];
static bool room = true;

static void put(void *to, uint8_t byte)
{
    (void)to;
    printf("%02x", byte);
}
static bool ready(void *to, uint16_t size)
{
    (void)to;
    (void)size;
    return room;
}

int main(void)
{
    static sagline s;
    static sagline_stream fast[2], fresh = SAGLINE_STREAM("fast", 10000, plain, buffer);
    static sagline_stream slow = SAGLINE_STREAM("slow", 100000000, beside, second);
    char call[16], text[64];
    unsigned long a[4];
    uint32_t n;
    int32_t values[2] = {0, 7};
    while (scanf("%15s %lu %lu %lu %lu %63s", call, a, a + 1, a + 2, a + 3, text) == 6) {
        uint32_t clock = (uint32_t)a[0];
        if (!strcmp(call, "init")) {
            fast[0] = fresh;
            fast[0].size = 5 * 2;
            fast[1] = slow;
            sagline_init(&s, put, 0, "Kestrel", "3", (uint16_t)a[1], fast, a[2] ? 2 : 1);
            s.ready = ready;
        } else if (!strcmp(call, "begin")) {
            if (sagline_begin(&s, clock)) return 2;
        } else if (!strcmp(call, "log")) {
            if (sagline_log_begin(&s, clock, 0, "t", "s", "")) return 2;
        } else if (!strcmp(call, "append")) {
            if (sagline_log_append(&s, clock, 0, "t", "s", "")) return 2;
        } else if (!strcmp(call, "idle")) {
            sagline_idle(&s, clock);
        } else if (!strcmp(call, "describe")) {
            sagline_joined(&s, clock);
        } else if (!strcmp(call, "skip")) {
            sagline_skip(&s, 0, clock);
        } else if (!strcmp(call, "changed")) {
            sagline_change(&s);
            s.revision = (uint8_t)(a[1] - 1u); /* the number that comes round has come so far */
            fast[0].channels = !strcmp(text, "n,m") ? wide : !strcmp(text, "n,p") ? other : plain;
            fast[0].count = fast[0].channels == plain ? 1 : 2;
            fast[0].size = fast[0].channels == plain ? 10 : fast[0].channels == wide ? 20 : 15;
            if (sagline_changed(&s, clock)) return 2;
        } else if (!strcmp(call, "samples")) {
            for (n = 0; n < a[1]; n++) {
                values[0] = (int32_t)(a[2] + n);
                sagline_sample(&s, 0, clock + n * 10000u, values);
            }
        } else if (!strcmp(call, "beside")) {
            values[0] = (int32_t)a[2];
            sagline_sample(&s, 1, clock, values);
        } else if (!strcmp(call, "event")) {
            room = a[1] != 0;
            sagline_event(&s, SAGLINE_NOTE, 0, 0, text, clock);
            room = true;
        } else {
            return 3;
        }
        putchar('\n');
    }
    return 0;
}
