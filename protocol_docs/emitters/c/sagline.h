/* Sagline emitter: makes a microcontroller speak the format of protocol_docs/frame_format.md (the §
 * below are its sections), over any link that takes bytes, or straight into a log file.
 *
 * C99, also C++17.  No allocation, no floating point, no library beyond the compiler's own headers.
 * Include it in one source file.  Not reentrant: call it from one place, not also from interrupts.
 * How to use it: protocol_docs/emitters/README.md.  MIT licence.
 */
#ifndef SAGLINE_H
#define SAGLINE_H

#include <stdbool.h>
#include <stdint.h>

/* ---- Limits, to be set before the header is included ---------------------------------------- */

#ifndef SAGLINE_NAME /* bytes of a channel's name, at most 48; every standard name fits 28 */
#define SAGLINE_NAME 28
#endif
#ifndef SAGLINE_UNIT /* bytes of a unit, at most 16 */
#define SAGLINE_UNIT 6
#endif
#ifndef SAGLINE_LABEL /* bytes of a label, at most 32 */
#define SAGLINE_LABEL 12
#endif
#ifndef SAGLINE_RUN /* bytes of RAM that stuffing needs.  Below 254 it also bounds a frame: a stream's
                       buffer to SAGLINE_RUN - 18 bytes, an event's text to SAGLINE_RUN - 21 */
#define SAGLINE_RUN 254
#endif
#ifndef SAGLINE_LOG /* 0 leaves out what writes log files, and its 40 bytes of RAM */
#define SAGLINE_LOG 1
#endif
#ifndef SAGLINE_REPEAT /* µs between descriptions; §5.1 asks for 5 s or less */
#define SAGLINE_REPEAT UINT32_C(4000000)
#endif

#if SAGLINE_NAME > 48 || SAGLINE_UNIT > 16 || SAGLINE_LABEL > 32
#error "sagline: a text is longer than the format allows (frame_format.md, section 8)"
#endif
#if SAGLINE_RUN < 64 || SAGLINE_RUN > 254
#error "sagline: SAGLINE_RUN must be 64 to 254"
#endif

/* Where tables of channels live.  On chips whose flash lies in an address space of its own
 * (8-bit AVR), mark them SAGLINE_FLASH, or they cost RAM; elsewhere the mark means nothing. */
#ifndef SAGLINE_FLASH
#ifdef __AVR__
#include <avr/pgmspace.h>
#define SAGLINE_FLASH PROGMEM
#define SAGLINE_READ(address) pgm_read_byte(address)
#else
#define SAGLINE_FLASH
#define SAGLINE_READ(address) (*(address))
#endif
#endif

/* ---- What you describe ---------------------------------------------------------------------- */

enum { /* sample types, §5.3 */
    SAGLINE_U8 = 1, SAGLINE_I8, SAGLINE_U16, SAGLINE_I16, SAGLINE_U32, SAGLINE_I32, SAGLINE_F32
};
enum { SAGLINE_FAULT = 1, SAGLINE_CLEARED, SAGLINE_NOTE }; /* events, §5.6 */

/* A clock that seems to have gone on by this much or more (70.5 minutes) went back a little. */
#define SAGLINE_BACK_ UINT32_C(0xFC000000)

#define SAGLINE_NONE INT32_MIN /* as a value: no reading (§5.4); not for u32 and f32 */

/* value = (raw * multiplier + offset) * 10^exponent, in unit.  A text too long for its array does
 * not compile, or, where only its closing zero finds no room, is refused by sagline_begin. */
typedef struct {
    char name[SAGLINE_NAME + 1];
    char unit[SAGLINE_UNIT + 1];
    char label[SAGLINE_LABEL + 1];
    uint8_t type;
    uint8_t index; /* 0: whole vehicle; else motor, cell or sensor, from 1 */
    uint8_t flags; /* 1: `missing` is in force */
    int8_t exponent;
    int32_t multiplier;
    int32_t offset;
    int32_t missing; /* raw value that means "no reading"; of u32 and f32 the bits */
} sagline_channel;

/* A channel that always reads, and one that may have no reading. */
#define SAGLINE_CHANNEL(name, unit, label, index, type, multiplier, exponent, offset) \
    {name, unit, label, type, index, 0, exponent, multiplier, offset, 0}
#define SAGLINE_CHANNEL_OR_NONE(name, unit, label, index, type, multiplier, exponent, offset, \
                                missing)                                                      \
    {name, unit, label, type, index, 1, exponent, multiplier, offset, missing}

/* Channels sampled together.  The buffer gathers the samples of one frame: it decides how many go
 * into one, and so how long a sample waits. */
typedef struct {
    const char *name;
    uint32_t period; /* µs between samples; 0: irregular, one sample a frame */
    const sagline_channel *channels;
    uint8_t count;
    uint8_t *buffer;
    uint16_t size;
    /* The emitter's own: */
    uint8_t held;      /* samples in the buffer */
    bool started;      /* `last` is the clock of the sample before */
    uint16_t row;      /* bytes of one sample */
    uint32_t sequence; /* of the first sample in the buffer */
    uint32_t clock;    /* of the first sample in the buffer */
    uint32_t last;
} sagline_stream;

#define SAGLINE_STREAM(name, period, channels, buffer)                                            \
    {name, period, channels, (uint8_t)(sizeof(channels) / sizeof((channels)[0])), buffer,         \
     (uint16_t)sizeof(buffer), 0, false, 0, 0, 0, 0}

/* Takes the next byte of the stream. */
typedef void (*sagline_put)(void *to, uint8_t byte);
/* Whether a frame of up to `size` bytes may be put now.  If not, the whole frame is left out and
 * its samples' numbers go on, so that the reader counts exactly what is missing. */
typedef bool (*sagline_ready)(void *to, uint16_t size);

typedef struct {
    sagline_put put;
    sagline_ready ready; /* may be null: always ready, `put` waits */
    void *to;            /* handed to both */
    const char *board;
    const char *firmware;
    sagline_stream *streams;
    uint8_t stream_count;
    uint8_t revision;
    uint16_t boot;
    /* The emitter's own: */
    uint8_t next; /* part of the description to send next; past stream_count: all sent */
    bool owed;    /* the description must go out whole before samples and events do */
    bool full;    /* the last block was a full one */
    uint8_t run_length;
    uint32_t described; /* clock of the last description */
    uint32_t events;
    uint32_t crc;
    uint8_t bad_stream;  /* where sagline_begin found something wrong; of a text of the board 255 */
    uint8_t bad_channel; /* its place in the stream from 0; of the stream's own name 255 */
    uint8_t run[SAGLINE_RUN];
#if SAGLINE_LOG
    bool logging;
    bool timed;         /* a TIME record has been written */
    uint32_t frames;    /* device frames written */
    uint64_t position;  /* device bytes written */
    uint64_t monotonic; /* the clock without its wraps, µs; may be preset before sagline_log_begin */
    uint64_t time_written;
    int64_t wall_offset; /* wall time - monotonic, µs */
#endif
} sagline;

/* ---- Frames (§3) ---------------------------------------------------------------------------- */

static inline void sagline_block_(sagline *s, uint8_t code)
{
    uint8_t i;
    s->put(s->to, code);
    for (i = 0; i < s->run_length; i++) s->put(s->to, s->run[i]);
#if SAGLINE_LOG
    s->position += (uint32_t)s->run_length + 1u;
#endif
    s->run_length = 0;
}

static inline void sagline_stuff_(sagline *s, uint8_t byte)
{
    if (byte == 0) {
        sagline_block_(s, (uint8_t)(s->run_length + 1u));
        s->full = false;
    } else if (s->run_length < SAGLINE_RUN) { /* below 254 the limits keep a run shorter */
        s->run[s->run_length++] = byte;
        if (s->run_length == 254) {
            sagline_block_(s, 255);
            s->full = true;
        }
    }
}

static inline void sagline_u8_(sagline *s, uint8_t byte)
{
    uint8_t bit;
    s->crc ^= byte;
    for (bit = 0; bit < 8; bit++)
        s->crc = (s->crc >> 1) ^ ((s->crc & 1u) ? UINT32_C(0xEDB88320) : 0u);
    sagline_stuff_(s, byte);
}

static inline void sagline_u16_(sagline *s, uint16_t number)
{
    sagline_u8_(s, (uint8_t)(number & 0xFFu));
    sagline_u8_(s, (uint8_t)(number >> 8));
}

static inline void sagline_u32_(sagline *s, uint32_t number)
{
    sagline_u16_(s, (uint16_t)(number & 0xFFFFu));
    sagline_u16_(s, (uint16_t)(number >> 16));
}

/* Length of a text, cut between two UTF-8 characters when it is longer than `most`. */
static inline uint16_t sagline_length_(const char *text, uint16_t most)
{
    uint16_t n = 0;
    if (!text) return 0;
    while (n < most && text[n]) n++;
    if (text[n])
        while (n > 0 && ((uint8_t)text[n] & 0xC0u) == 0x80u) n--;
    return n;
}

static inline void sagline_text_(sagline *s, const char *text, uint16_t most)
{
    uint16_t i, n = sagline_length_(text, most);
    sagline_u16_(s, n);
    for (i = 0; i < n; i++) sagline_u8_(s, (uint8_t)text[i]);
}

#define SAGLINE_TEXT_ ((uint16_t)(SAGLINE_RUN < 254 ? SAGLINE_RUN - 21 : 1024))

static inline void sagline_start_(sagline *s, uint8_t kind)
{
    s->crc = UINT32_C(0xFFFFFFFF);
    s->run_length = 0;
    s->full = false;
    sagline_u8_(s, kind);
}

static inline void sagline_finish_(sagline *s)
{
    uint32_t crc = s->crc ^ UINT32_C(0xFFFFFFFF);
    uint8_t i;
    for (i = 0; i < 4; i++, crc >>= 8) sagline_stuff_(s, (uint8_t)(crc & 0xFFu));
    if (!s->full || s->run_length) sagline_block_(s, (uint8_t)(s->run_length + 1u));
    s->put(s->to, 0);
#if SAGLINE_LOG
    s->position++;
#endif
}

#if SAGLINE_LOG
/* Carry the 32-bit clock on past its wraps; a clock that reads a little less is not followed.  The
 * board may be silent for 70 minutes; call sagline_idle at least that often. */
static inline void sagline_advance_(sagline *s, uint32_t clock)
{
    uint32_t on = clock - (uint32_t)(s->monotonic & UINT32_C(0xFFFFFFFF));
    if (on < SAGLINE_BACK_) s->monotonic += on;
}

/* A host record and its two clocks (§6).  `position` counts device bytes only, so it is kept. */
static inline uint64_t sagline_host_start_(sagline *s, uint8_t kind)
{
    uint64_t position = s->position, wall = s->monotonic + (uint64_t)s->wall_offset;
    sagline_start_(s, kind);
    sagline_u32_(s, (uint32_t)(s->monotonic & UINT32_C(0xFFFFFFFF)));
    sagline_u32_(s, (uint32_t)(s->monotonic >> 32));
    sagline_u32_(s, (uint32_t)(wall & UINT32_C(0xFFFFFFFF)));
    sagline_u32_(s, (uint32_t)(wall >> 32));
    return position;
}

static inline void sagline_host_finish_(sagline *s, uint64_t position)
{
    sagline_finish_(s);
    s->position = position;
}

static inline void sagline_log_time_(sagline *s)
{
    uint64_t position = sagline_host_start_(s, 0x85);
    sagline_u32_(s, (uint32_t)(position & UINT32_C(0xFFFFFFFF)));
    sagline_u32_(s, (uint32_t)(position >> 32));
    sagline_host_finish_(s, position);
    s->timed = true;
    s->time_written = s->monotonic;
}
#endif

/* Start a device frame of `body` bytes if it may go out now. */
static inline bool sagline_open_(sagline *s, uint8_t kind, uint16_t body)
{
    if (s->owed && kind > 0x02) return false;
    if (s->ready && !s->ready(s->to, (uint16_t)(body + 6u + (body + 4u) / 254u))) return false;
#if SAGLINE_LOG
    if (s->logging) { /* §6.3: a TIME at least every second */
        if (!s->timed || s->monotonic - s->time_written >= 500000u) sagline_log_time_(s);
        s->frames++;
    }
#endif
    sagline_start_(s, kind);
    return true;
}

/* ---- Device records (§5) -------------------------------------------------------------------- */

/* Copy a channel out of wherever it lives. */
static inline void sagline_fetch_(sagline_channel *to, const sagline_channel *from)
{
    const uint8_t *bytes = (const uint8_t *)from;
    uint8_t *copy = (uint8_t *)to;
    uint8_t i;
    for (i = 0; i < (uint8_t)sizeof(sagline_channel); i++) copy[i] = SAGLINE_READ(bytes + i);
}

static inline uint8_t sagline_size_(uint8_t type)
{
    return type <= SAGLINE_I8 ? 1 : type <= SAGLINE_I16 ? 2 : 4;
}

/* Bytes of a stream's STREAM record. */
static inline uint16_t sagline_stream_body_(const sagline_stream *stream)
{
    uint16_t body = (uint16_t)(12u + sagline_length_(stream->name, 48));
    uint8_t i;
    for (i = 0; i < stream->count; i++) {
        sagline_channel c;
        sagline_fetch_(&c, &stream->channels[i]);
        body = (uint16_t)(body + 22u + sagline_length_(c.name, SAGLINE_NAME) +
                          sagline_length_(c.unit, SAGLINE_UNIT) +
                          sagline_length_(c.label, SAGLINE_LABEL));
    }
    return body;
}

/* One BOARD frame; also what the board characteristic of ble_service.md holds. */
static inline bool sagline_send_board(sagline *s, uint32_t clock)
{
    uint16_t body = (uint16_t)(15u + sagline_length_(s->board, 48) +
                               sagline_length_(s->firmware, 48));
    if (!sagline_open_(s, 0x01, body)) return false;
    sagline_u16_(s, 0x0001); /* version 1.0 */
    sagline_u8_(s, s->revision);
    sagline_u16_(s, s->boot);
    sagline_u32_(s, clock);
    sagline_u8_(s, s->stream_count);
    sagline_text_(s, s->board, 48);
    sagline_text_(s, s->firmware, 48);
    sagline_finish_(s);
    return true;
}

static inline bool sagline_send_stream(sagline *s, uint8_t number)
{
    const sagline_stream *stream = &s->streams[number];
    uint8_t i;
    if (!sagline_open_(s, 0x02, sagline_stream_body_(stream))) return false;
    sagline_u8_(s, number);
    sagline_u16_(s, s->boot);
    sagline_u8_(s, s->revision);
    sagline_u32_(s, stream->period);
    sagline_u8_(s, stream->count);
    sagline_text_(s, stream->name, 48);
    for (i = 0; i < stream->count; i++) {
        sagline_channel c;
        uint32_t missing;
        uint8_t size;
        sagline_fetch_(&c, &stream->channels[i]);
        size = sagline_size_(c.type);
        missing = (c.flags & 1u) ? (uint32_t)c.missing : 0u;
        if (size < 4) missing &= (UINT32_C(1) << (8u * size)) - 1u;
        sagline_text_(s, c.name, SAGLINE_NAME);
        sagline_text_(s, c.unit, SAGLINE_UNIT);
        sagline_text_(s, c.label, SAGLINE_LABEL);
        sagline_u8_(s, c.type);
        sagline_u8_(s, c.index);
        sagline_u8_(s, c.flags);
        sagline_u8_(s, (uint8_t)c.exponent);
        sagline_u32_(s, (uint32_t)c.multiplier);
        sagline_u32_(s, (uint32_t)c.offset);
        sagline_u32_(s, missing);
    }
    sagline_finish_(s);
    return true;
}

/* Send what is due of the description.  sagline_sample and sagline_event do it by themselves; call
 * it in the loop of a board that may be silent for seconds. */
static inline void sagline_idle(sagline *s, uint32_t clock)
{
#if SAGLINE_LOG
    sagline_advance_(s, clock);
#endif
    uint8_t n;
    for (n = 0; n < s->stream_count; n++) { /* a long silence is counted before the clock wraps */
        sagline_stream *stream = &s->streams[n];
        uint32_t since = clock - stream->last;
        if (stream->period && stream->started && !stream->held && since >= UINT32_C(0x40000000) &&
            since < SAGLINE_BACK_) {
            uint32_t skipped = since / stream->period;
            if (skipped) skipped--; /* the next sample is one step more */
            stream->sequence += skipped;
            stream->last += skipped * stream->period;
        }
    }
    if (s->next > s->stream_count && clock - s->described >= SAGLINE_REPEAT) s->next = 0;
    while (s->next <= s->stream_count) {
        if (!(s->next ? sagline_send_stream(s, (uint8_t)(s->next - 1u))
                      : sagline_send_board(s, clock)))
            return;
        if (s->next == 0) s->described = clock;
        s->next++;
    }
    s->owed = false;
}

static inline void sagline_describe_(sagline *s, uint32_t clock)
{
    s->next = 0;
    s->owed = true;
    sagline_idle(s, clock);
}

/* Send the samples that wait in a stream's buffer. */
static inline void sagline_flush(sagline *s, uint8_t number)
{
    sagline_stream *stream = &s->streams[number];
    uint16_t i, bytes = (uint16_t)(stream->held * stream->row);
    if (!stream->held) return;
    if (sagline_open_(s, 0x03, (uint16_t)(14u + bytes))) {
        sagline_u8_(s, number);
        sagline_u16_(s, s->boot);
        sagline_u32_(s, stream->sequence);
        sagline_u32_(s, stream->clock);
        sagline_u8_(s, s->revision);
        sagline_u8_(s, stream->held);
        for (i = 0; i < bytes; i++) sagline_u8_(s, stream->buffer[i]);
        sagline_finish_(s);
    }
    stream->sequence += stream->held;
    stream->held = 0;
}

/* What is sent for a value: no reading, and what does not fit the type, becomes the missing code;
 * in a channel that has none, the nearest that fits. */
static inline uint32_t sagline_fit_(const sagline_channel *c, int32_t value)
{
    int32_t least, most;
    switch (c->type) {
    case SAGLINE_U8: least = 0; most = UINT8_MAX; break;
    case SAGLINE_I8: least = INT8_MIN; most = INT8_MAX; break;
    case SAGLINE_U16: least = 0; most = UINT16_MAX; break;
    case SAGLINE_I16: least = INT16_MIN; most = INT16_MAX; break;
    case SAGLINE_I32:
        return (uint32_t)((c->flags & 1u) && value == SAGLINE_NONE ? c->missing : value);
    default: return (uint32_t)value; /* u32, f32: the bits, as given */
    }
    if (value < least || value > most)
        value = (c->flags & 1u) ? c->missing : value < least ? least : most;
    return (uint32_t)value;
}

/* Take one sample: a raw value for each channel of the stream, in order, read at `clock` µs.  A
 * frame goes out when the buffer is full.  A sample that comes later than its period skips the
 * numbers of those that were not taken, so that they show as lost (§5.7). */
static inline void sagline_sample(sagline *s, uint8_t number, uint32_t clock,
                                  const int32_t *values)
{
    sagline_stream *stream = &s->streams[number];
    uint8_t i, *to;
    sagline_idle(s, clock);
    if (stream->period && stream->started) {
        uint32_t half = stream->period / 2u, since = clock - stream->last;
        uint32_t off = clock - (stream->clock + stream->held * stream->period);
        uint32_t steps = since < SAGLINE_BACK_ ? (since + half) / stream->period : 1u;
        /* A frame says the clock of its first sample only; one that strays begins a new frame. */
        if (stream->held && (steps > 1u || off + half > 2u * half)) sagline_flush(s, number);
        if (steps > 1u) stream->sequence += steps - 1u;
    }
    if (!stream->held) stream->clock = clock;
    to = stream->buffer + stream->held * stream->row;
    for (i = 0; i < stream->count; i++) {
        sagline_channel c;
        uint32_t raw;
        uint8_t size;
        sagline_fetch_(&c, &stream->channels[i]);
        raw = sagline_fit_(&c, values[i]);
        for (size = sagline_size_(c.type); size; size--, raw >>= 8) *to++ = (uint8_t)(raw & 0xFFu);
    }
    stream->held++;
    stream->started = true;
    stream->last = clock;
    if (!stream->period || stream->held == 255 ||
        (uint32_t)(stream->held + 1u) * stream->row > stream->size)
        sagline_flush(s, number);
}

/* Samples that the board could not take: their numbers are left out and show as lost. */
static inline void sagline_skip(sagline *s, uint8_t number, uint32_t samples)
{
    sagline_flush(s, number);
    s->streams[number].sequence += samples;
    s->streams[number].started = false;
}

/* A fault, its end (same number and index) or a note; number and index may be 0. */
static inline void sagline_event(sagline *s, uint8_t event, uint16_t number, uint8_t index,
                                 const char *text, uint32_t clock)
{
    sagline_idle(s, clock);
    if (sagline_open_(s, 0x04, (uint16_t)(17u + sagline_length_(text, SAGLINE_TEXT_)))) {
        sagline_u8_(s, event);
        sagline_u16_(s, s->boot);
        sagline_u32_(s, s->events);
        sagline_u32_(s, clock);
        sagline_u16_(s, number);
        sagline_u8_(s, index);
        sagline_text_(s, text, SAGLINE_TEXT_);
        sagline_finish_(s);
    }
    s->events++;
}

/* A frame of the maker's own: `body` of 1 to 4092 bytes, its first byte the kind, 40 to 7F (§4). */
static inline bool sagline_send(sagline *s, const uint8_t *body, uint16_t count)
{
    uint16_t i;
    if (count == 0 || count > 4092 || (SAGLINE_RUN < 254 && count > SAGLINE_RUN - 4)) return false;
    if (!sagline_open_(s, body[0], count)) return false;
    for (i = 1; i < count; i++) sagline_u8_(s, body[i]);
    sagline_finish_(s);
    return true;
}

/* ---- Starting ------------------------------------------------------------------------------- */

static inline void sagline_init(sagline *s, sagline_put put, void *to, const char *board,
                                const char *firmware, uint16_t boot, sagline_stream *streams,
                                uint8_t stream_count)
{
    uint16_t i;
    for (i = 0; i < (uint16_t)sizeof(*s); i++) ((uint8_t *)s)[i] = 0;
    s->put = put;
    s->to = to;
    s->board = board;
    s->firmware = firmware;
    s->boot = boot; /* must differ from the last start's: counted up in EEPROM, or random (§5.7) */
    s->streams = streams;
    s->stream_count = stream_count;
}

/* What sagline_begin finds wrong with the description (§5.9), the first fault in the order of the
 * streams and channels. */
enum {
    SAGLINE_OK = 0,
    SAGLINE_BAD_STREAMS,  /* more than 16 streams */
    SAGLINE_BAD_CHANNELS, /* not 1 to 64 channels, or more text than a frame holds */
    SAGLINE_BAD_CHANNEL,  /* no name, unknown type, multiplier 0, exponent beyond 22 */
    SAGLINE_BAD_TWICE,    /* two channels of one key: name, and index where there is one */
    SAGLINE_BAD_BUFFER,   /* buffer too small for one sample, or larger than a frame holds */
    SAGLINE_BAD_TEXT      /* over its limit, without its closing zero, or not UTF-8 */
};

/* Whether a text ends within `room` bytes and is UTF-8 (RFC 3629). */
static inline bool sagline_is_text_(const char *text, uint16_t room)
{
    uint16_t i = 0;
    if (!text) return true;
    while (i < room && text[i]) {
        uint8_t first = (uint8_t)text[i++], least = 0x80, most = 0xBF, more;
        if (first < 0x80) continue;
        if (first < 0xC2 || first > 0xF4) return false;
        more = first < 0xE0 ? 1 : first < 0xF0 ? 2 : 3;
        if (first == 0xE0) least = 0xA0;
        if (first == 0xED) most = 0x9F;
        if (first == 0xF0) least = 0x90;
        if (first == 0xF4) most = 0x8F;
        for (; more; more--, least = 0x80, most = 0xBF) {
            if (i >= room || (uint8_t)text[i] < least || (uint8_t)text[i] > most) return false;
            i++;
        }
    }
    return i < room;
}

/* A channel's key (§5.3), ended by a zero. */
static inline void sagline_key_(char *key, const sagline_channel *c)
{
    uint8_t n, part = 100;
    for (n = 0; n < SAGLINE_NAME && c->name[n]; n++) key[n] = c->name[n];
    if (c->index) {
        key[n++] = '_';
        for (; part; part /= 10)
            if (c->index >= part) key[n++] = (char)('0' + c->index / part % 10);
    }
    key[n] = 0;
}

static inline uint8_t sagline_check_(sagline *s)
{
    uint8_t n, i, j, k;
    char key[SAGLINE_NAME + 5], others[SAGLINE_NAME + 5];
    s->bad_stream = s->bad_channel = 255;
    if (s->stream_count > 16) return SAGLINE_BAD_STREAMS;
    if (!sagline_is_text_(s->board, 49) || !sagline_is_text_(s->firmware, 49))
        return SAGLINE_BAD_TEXT;
    for (n = 0; n < s->stream_count; n++) {
        sagline_stream *stream = &s->streams[n];
        uint16_t most = SAGLINE_RUN < 254 ? SAGLINE_RUN - 18 : 4092 - 14;
        s->bad_stream = n;
        if (!sagline_is_text_(stream->name, 49)) return SAGLINE_BAD_TEXT;
        if (!stream->count || stream->count > 64) return SAGLINE_BAD_CHANNELS;
        stream->row = 0;
        for (i = 0; i < stream->count; i++) {
            sagline_channel c;
            sagline_fetch_(&c, &stream->channels[i]);
            s->bad_channel = i;
            if (!sagline_is_text_(c.name, sizeof c.name) ||
                !sagline_is_text_(c.unit, sizeof c.unit) ||
                !sagline_is_text_(c.label, sizeof c.label))
                return SAGLINE_BAD_TEXT;
            sagline_key_(key, &c);
            if (!c.name[0] || !c.type || c.type > SAGLINE_F32 || !c.multiplier ||
                c.exponent < -22 || c.exponent > 22)
                return SAGLINE_BAD_CHANNEL;
            stream->row = (uint16_t)(stream->row + sagline_size_(c.type));
            for (j = 0; j < i; j++) {
                sagline_channel other;
                sagline_fetch_(&other, &stream->channels[j]);
                sagline_key_(others, &other);
                for (k = 0; key[k] && key[k] == others[k]; k++) {}
                if (key[k] == others[k]) return SAGLINE_BAD_TWICE;
            }
        }
        s->bad_channel = 255;
        if (sagline_stream_body_(stream) > 4092) return SAGLINE_BAD_CHANNELS;
        if (stream->size < stream->row || stream->size > most) return SAGLINE_BAD_BUFFER;
    }
    s->bad_stream = 255;
    return SAGLINE_OK;
}

/* Check the description, then send it behind one zero, which ends whatever a boot message began. */
static inline uint8_t sagline_begin(sagline *s, uint32_t clock)
{
    uint8_t problem = sagline_check_(s);
    if (problem) return problem;
    s->put(s->to, 0);
    sagline_describe_(s, clock);
    return SAGLINE_OK;
}

/* A listener has just joined (BLE: it subscribed): what waits is dropped, the description sent. */
static inline void sagline_joined(sagline *s, uint32_t clock)
{
    uint8_t i;
    for (i = 0; i < s->stream_count; i++) {
        s->streams[i].sequence += s->streams[i].held;
        s->streams[i].held = 0;
    }
    sagline_describe_(s, clock);
}

/* Before streams or scales change: sends what waits; after the change call sagline_changed. */
static inline void sagline_change(sagline *s)
{
    uint8_t i;
    for (i = 0; i < s->stream_count; i++) sagline_flush(s, i);
}

/* The description was changed (§5.8): checks it and sends it with the next revision. */
static inline uint8_t sagline_changed(sagline *s, uint32_t clock)
{
    uint8_t problem = sagline_check_(s);
    if (problem) return problem;
    s->revision++;
    sagline_describe_(s, clock);
    return SAGLINE_OK;
}

/* The bits of a float, as an f32 channel takes them. */
static inline int32_t sagline_float(float value)
{
    int32_t bits = 0;
    uint8_t i;
    for (i = 0; i < 4; i++) ((uint8_t *)&bits)[i] = ((const uint8_t *)&value)[i];
    return bits;
}

/* ---- A log file, written by the board itself (§6) ------------------------------------------- */

#if SAGLINE_LOG
/* The description, and the texts of CAPTURE: against its rules a log has no start (§6.5). */
static inline uint8_t sagline_check_log_(sagline *s, const char *program, const char *source,
                                         const char *note)
{
    uint8_t problem = sagline_check_(s);
    if (!problem && !(sagline_is_text_(program, 49) && sagline_is_text_(source, SAGLINE_TEXT_ + 1u) &&
                      sagline_is_text_(note, SAGLINE_TEXT_ + 1u)))
        problem = SAGLINE_BAD_TEXT;
    return problem;
}

/* Instead of sagline_begin, with a `put` that writes to the file: checks everything, and writes the
 * head of the log, then the description.  `wall` is µs since 1970-01-01 UTC, 0 when not known (set
 * it later). */
static inline uint8_t sagline_log_begin(sagline *s, uint32_t clock, int64_t wall,
                                        const char *program, const char *source, const char *note)
{
    static const char mark[] = "Sagline";
    uint64_t position = s->position;
    uint8_t i, problem = sagline_check_log_(s, program, source, note);
    if (problem) return problem;
    s->logging = true;
    if (!s->monotonic) s->monotonic = clock;
    sagline_advance_(s, clock);
    s->wall_offset = (int64_t)((uint64_t)wall - s->monotonic);
    sagline_start_(s, 0x80);
    for (i = 0; mark[i]; i++) sagline_u8_(s, (uint8_t)mark[i]);
    sagline_u16_(s, 0x0001);
    sagline_host_finish_(s, position);
    position = sagline_host_start_(s, 0x81);
    sagline_text_(s, program, 48);
    sagline_text_(s, source, SAGLINE_TEXT_);
    sagline_text_(s, note, SAGLINE_TEXT_);
    sagline_host_finish_(s, position);
    s->next = UINT8_MAX; /* SETTING and FILE may follow before the first device frame */
    s->described = clock - SAGLINE_REPEAT;
    return SAGLINE_OK;
}

/* The same for a file that holds logs of earlier starts: the zero ends what the power cut in two, and
 * LOG and CAPTURE begin a capture behind it (§6.5).  The boot number must differ all the same. */
static inline uint8_t sagline_log_append(sagline *s, uint32_t clock, int64_t wall,
                                         const char *program, const char *source, const char *note)
{
    uint8_t problem = sagline_check_log_(s, program, source, note);
    if (problem) return problem;
    s->put(s->to, 0);
    return sagline_log_begin(s, clock, wall, program, source, note);
}

/* A setting in force ("motor_current_limit", "60"); right after sagline_log_begin. */
static inline void sagline_log_setting(sagline *s, const char *name, const char *value)
{
    uint64_t position = sagline_host_start_(s, 0x82);
    sagline_text_(s, name, 48);
    sagline_text_(s, value, SAGLINE_TEXT_);
    sagline_host_finish_(s, position);
}

/* A part of an attached file, in order; right after sagline_log_begin.  `size` is the whole file's,
 * at most 65536; `count` at most 2048 (SAGLINE_RUN - 21 when that is below 254).  Name `board`: the
 * board file, which the analyser reads from the log. */
static inline bool sagline_log_file(sagline *s, const char *name, uint32_t size, uint32_t offset,
                                    const uint8_t *bytes, uint16_t count)
{
    uint64_t position;
    uint16_t i;
    if (size > 65536u || offset > size || count > size - offset || count > 2048 ||
        (SAGLINE_RUN < 254 && count > SAGLINE_RUN - 21))
        return false;
    position = sagline_host_start_(s, 0x83);
    sagline_text_(s, name, 48);
    sagline_u32_(s, size);
    sagline_u32_(s, offset);
    for (i = 0; i < count; i++) sagline_u8_(s, bytes[i]);
    sagline_host_finish_(s, position);
    return true;
}

/* The rider marked this moment; `number` counts from 1 in each log. */
static inline void sagline_log_mark(sagline *s, uint16_t number, const char *text, uint32_t clock)
{
    uint64_t position;
    sagline_advance_(s, clock);
    position = sagline_host_start_(s, 0x86);
    sagline_u16_(s, number);
    sagline_text_(s, text, SAGLINE_TEXT_);
    sagline_host_finish_(s, position);
}

/* The time of day has become known, say from a satellite receiver. */
static inline void sagline_log_wall(sagline *s, int64_t wall, uint32_t clock)
{
    sagline_advance_(s, clock);
    s->wall_offset = (int64_t)((uint64_t)wall - s->monotonic);
    s->timed = false; /* the next frame brings a TIME that says so */
}

/* Sends what waits and closes the log.  One that power cut off before is as readable without. */
static inline void sagline_log_end(sagline *s, const char *reason, uint32_t clock)
{
    uint64_t position;
    sagline_advance_(s, clock);
    sagline_change(s);
    position = sagline_host_start_(s, 0x8F);
    sagline_u32_(s, s->frames);
    sagline_u32_(s, 0);
    sagline_u32_(s, 0); /* no foreign bytes: they never crossed a link */
    sagline_u32_(s, 0);
    sagline_text_(s, reason, SAGLINE_TEXT_);
    sagline_host_finish_(s, position);
    s->logging = false;
}
#endif

#endif /* SAGLINE_H */
