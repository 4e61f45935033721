/* SPDX-License-Identifier: Apache-2.0
 *
 * bench.h - a virtual cabinet: units on a line with settings of its own, a converter with faults, a
 * second master that counts whether its exchanges come whole, and time that moves only where
 * somebody waits.
 */
#ifndef UPHOLE_TESTS_COMMISSION_BENCH_H
#define UPHOLE_TESTS_COMMISSION_BENCH_H

#include "check.h"

#include "uphole/commission.h"
#include "uphole/simulate.h"
#include "uphole/wire.h"

#include <stdlib.h>
#include <unistd.h>

#define BENCH_AIR_MAX 8192
#define BENCH_START_US (INT64_C(5000) * 1000000)
#define FOREIGN_MAX 4

/** What the converter or the pair does to bytes. */
struct bench_faults {
    bool swapped;       /* every bit turned, both ways, and stray 00 behind each lump */
    bool echoes;        /* the converter returns what is sent */
    bool no_bias;       /* stray FF or 00 before an answer, now and then in silence */
    unsigned cut_bytes; /* of each answer, from its end */
    bool any_id;        /* what answers does so in the name of whoever was asked */
};
struct bench {
    int64_t now_us;
    struct up_clock clock;
    struct simulate_line made;
    struct virtual_line *line;
    struct fault_script *script;
    struct bench_faults faults;
    uint8_t asked_id;
    bool is_stream;               /* a serial device server: no settings that could differ */
    const struct line_plan *near; /* settings of find's port; NULL: closed */
    unsigned opens, closes;
    uint64_t bytes_sent;   /* by find */
    uint64_t sent_unasked; /* before consent */
    bool has_consented, says_yes, agrees;
    unsigned consents;
    /* on the way to find */
    size_t n_air;
    uint8_t air[BENCH_AIR_MAX];
    int64_t noise_next_us;
    unsigned noise;
    /* the second master */
    unsigned n_foreign, foreign_turn;
    struct read_request foreign[FOREIGN_MAX];
    uint8_t foreign_unit;
    int64_t foreign_every_us, foreign_round_us, foreign_next_us, foreign_asked_us;
    bool foreign_waits, foreign_spoiled;
    size_t foreign_got;
    uint8_t foreign_bytes[300];
    unsigned foreign_good, foreign_bad;
    int64_t stop_at_us; /* Ctrl-C; 0: never */
};

static inline int64_t bench_boot_us(void *context)
{
    return ((struct bench *)context)->now_us;
}
static inline bool bench_synchronised(void *context)
{
    (void)context;
    return true;
}
static inline void bench_sleep(void *context, int64_t until_us)
{
    struct bench *bench = context;
    bench->now_us = until_us > bench->now_us ? until_us : bench->now_us;
}

static inline void bench_on_air(struct bench *bench, const struct line_plan *sender,
                                const uint8_t *bytes, size_t n)
{
    uint8_t heard[1024];
    if (bench->near == NULL || n == 0)
        return;
    size_t made = n < sizeof heard ? n : sizeof heard;
    if (bench->is_stream)
        memcpy(heard, bytes, made);
    else
        made = uart_through(sender, bench->near, bytes, n, heard, sizeof heard);
    for (size_t i = 0; bench->faults.swapped && i < made; i++)
        heard[i] = (uint8_t)~heard[i];
    if (bench->faults.swapped && made < sizeof heard)
        heard[made++] = 0;
    if (bench->n_air + made > BENCH_AIR_MAX)
        return;
    memcpy(bench->air + bench->n_air, heard, made);
    bench->n_air += made;
}

/* ---- the second master ---- */

static inline void bench_foreign_end(struct bench *bench)
{
    const struct read_request *request = &bench->foreign[bench->foreign_turn];
    const bool is_good = !bench->foreign_spoiled &&
                         bench->foreign_got == pdu_answer_length(request) + 3 &&
                         rtu_crc_is_right(bench->foreign_bytes, bench->foreign_got);
    bench->foreign_good += is_good;
    bench->foreign_bad += !is_good;
    bench->foreign_waits = false;
    if (++bench->foreign_turn < bench->n_foreign)
        bench->foreign_next_us = bench->now_us + 20000;
    else {
        bench->foreign_turn = 0;
        bench->foreign_round_us += bench->foreign_every_us;
        bench->foreign_next_us = bench->foreign_round_us;
    }
}
static inline void bench_foreign_ask(struct bench *bench)
{
    uint8_t pdu[PDU_MAX], frame[RTU_ADU_MAX];
    const size_t n = rtu_put_frame(frame, bench->foreign_unit, pdu,
                                   pdu_put_read(pdu, &bench->foreign[bench->foreign_turn]));
    virtual_line_receive(bench->line, bench->now_us, 0, frame, n);
    bench_on_air(bench, &bench->made.line, frame, n);
    bench->foreign_waits = true;
    bench->foreign_spoiled = false;
    bench->foreign_got = 0;
    bench->foreign_asked_us = bench->now_us;
}
static inline int64_t bench_foreign_us(const struct bench *bench)
{
    if (bench->n_foreign == 0)
        return INT64_MAX;
    return bench->foreign_waits ? bench->foreign_asked_us + 700000 : bench->foreign_next_us;
}

static inline void bench_rename(uint8_t *frame, size_t n, uint8_t unit_id)
{
    frame[0] = unit_id;
    const uint16_t crc = crc16(frame, n - 2);
    frame[n - 2] = (uint8_t)(crc & 0xFF);
    frame[n - 1] = (uint8_t)(crc >> 8);
}

/* ---- time ---- */

/** Takes what leaves the units now. */
static inline void bench_collect(struct bench *bench)
{
    static uint8_t whole[300]; /* an answer is put on the air in one piece: a sampled receiver needs
                                  its bits */
    static size_t n;
    uint8_t bytes[300];
    unsigned connection;
    for (;;) {
        const size_t got =
            virtual_line_send(bench->line, bench->now_us, &connection, bytes, sizeof bytes);
        if (got == 0)
            break;
        if (n + got <= sizeof whole) {
            memcpy(whole + n, bytes, got);
            n += got;
        }
        if (bench->foreign_waits && bench->foreign_got + got <= sizeof bench->foreign_bytes) {
            memcpy(bench->foreign_bytes + bench->foreign_got, bytes, got);
            bench->foreign_got += got;
        }
    }
    const int64_t next_us = virtual_line_next_us(bench->line);
    if (n == 0 ||
        (bench->made.line.medium == LINE_MEDIUM_SERIAL && next_us < bench->now_us + 20000))
        return; /* more of it leaves soon */
    const uint8_t stray[] = {0xFF, 0x00};
    if (bench->faults.no_bias && bench->noise++ % 2 == 0)
        bench_on_air(bench, &bench->made.line, stray, sizeof stray);
    if (bench->faults.any_id && n > 4)
        bench_rename(whole, n, bench->asked_id);
    bench_on_air(bench, &bench->made.line, whole,
                 n > bench->faults.cut_bytes ? n - bench->faults.cut_bytes : 1);
    n = 0;
    if (bench->foreign_waits)
        bench_foreign_end(bench);
}

static inline void bench_events(struct bench *bench)
{
    bench_collect(bench);
    if (bench->faults.no_bias && bench->now_us >= bench->noise_next_us) {
        const uint8_t stray = bench->noise++ % 3 == 0 ? 0x00 : 0xFF;
        bench_on_air(bench, &bench->made.line, &stray, 1);
        bench->noise_next_us = bench->now_us + 3700000;
    }
    if (bench_foreign_us(bench) > bench->now_us)
        return;
    if (bench->foreign_waits)
        bench_foreign_end(bench);
    else
        bench_foreign_ask(bench);
}

/** Lets time pass until then, or until something is on the air. */
static inline void bench_wait(struct bench *bench, int64_t until_us)
{
    for (;;) {
        bench_events(bench);
        if (bench->n_air > 0 || bench->now_us >= until_us)
            return;
        int64_t next_us = virtual_line_next_us(bench->line);
        const int64_t foreign_us = bench_foreign_us(bench);
        next_us = foreign_us < next_us ? foreign_us : next_us;
        if (bench->faults.no_bias && bench->noise_next_us < next_us)
            next_us = bench->noise_next_us;
        next_us = next_us > bench->now_us ? next_us : bench->now_us + 100;
        bench->now_us = next_us < until_us ? next_us : until_us;
    }
}

/* ---- find's port ---- */

static inline enum up_rc bench_open(void *context, struct up_error *error)
{
    struct bench *bench = context;
    (void)error;
    bench->opens++;
    bench->n_air = 0;
    return UP_OK;
}
static inline void bench_close(void *context)
{
    struct bench *bench = context;
    bench->closes++;
    bench->near = NULL;
    virtual_line_forget(bench->line, 0);
}
static inline enum up_rc bench_send(void *context, const uint8_t *bytes, size_t n,
                                    struct up_error *error)
{
    struct bench *bench = context;
    uint8_t heard[1024];
    size_t made = n;
    bench->bytes_sent += n;
    if (!bench->has_consented)
        bench->sent_unasked += n;
    if (bench->near->share_line == LINE_LISTENS)
        return UP_FAIL(error, UP_E_USAGE, "only listened to");
    const uint8_t *at = line_speaks_rtu(bench->near) ? bytes : bytes + 6;
    const bool only_reads = (at[1] >= 1 && at[1] <= 4) || at[1] == MODBUS_ENCAPSULATED;
    if (!only_reads || (line_speaks_rtu(bench->near) && (at[0] == 0 || at[0] > 247)))
        fail_msg("unit %u function %02X was sent", at[0], at[1]);
    if (bench->foreign_waits)
        bench->foreign_spoiled = true;
    if (bench->is_stream)
        memcpy(heard, bytes, n);
    else
        made = uart_through(bench->near, &bench->made.line, bytes, n, heard, sizeof heard);
    for (size_t i = 0; bench->faults.swapped && i < made; i++)
        heard[i] = (uint8_t)~heard[i];
    bench->asked_id = bytes[0];
    if (bench->faults.any_id)
        bench_rename(heard, made, bench->made.units[0].unit_id);
    if (bench->faults.echoes)
        bench_on_air(bench, bench->near, bytes, n);
    if (bench->faults.swapped) {
        const uint8_t stray = 0xFF; /* turned on its way back */
        bench_on_air(bench, bench->near, &stray, 1);
    }
    virtual_line_receive(bench->line, bench->now_us, 0, heard, made);
    return UP_OK;
}
static inline ssize_t bench_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                                    struct up_error *error)
{
    struct bench *bench = context;
    (void)error;
    bench_wait(bench, deadline_us > bench->now_us ? deadline_us : bench->now_us);
    const size_t n = bench->n_air < room ? bench->n_air : room;
    memcpy(into, bench->air, n);
    bench->n_air -= n;
    memmove(bench->air, bench->air + n, bench->n_air);
    return (ssize_t)n;
}
static inline void bench_flush(void *context)
{
    ((struct bench *)context)->n_air = 0;
}

static inline struct port *bench_make_port(void *context, const struct line_plan *line)
{
    struct bench *bench = context;
    struct port *port = malloc(sizeof *port);
    assert_non_null(port);
    assert_null(bench->near); /* one at a time */
    bench->near = line;
    *port = (struct port){.open = bench_open,
                          .close = bench_close,
                          .send = bench_send,
                          .receive = bench_receive,
                          .flush = bench_flush,
                          .context = bench};
    return port;
}
static inline void bench_drop_port(void *context, struct port *port)
{
    ((struct bench *)context)->near = NULL;
    free(port);
}
static inline bool bench_is_stopped(void *context)
{
    const struct bench *bench = context;
    return bench->stop_at_us != 0 && bench->now_us >= bench->stop_at_us;
}
static inline bool bench_consent(void *context, const struct find_report *report)
{
    struct bench *bench = context;
    bench->consents++;
    bench->has_consented =
        report->heard.has_master || report->heard.has_runs ? bench->agrees : bench->says_yes;
    return bench->has_consented;
}

/* ---- life ---- */

static inline void bench_init(struct bench *bench)
{
    memset(bench, 0, sizeof *bench);
    bench->now_us = BENCH_START_US;
    bench->clock = (struct up_clock){.boot_us = bench_boot_us,
                                     .utc_us = bench_boot_us,
                                     .is_synchronised = bench_synchronised,
                                     .sleep_until = bench_sleep,
                                     .context = bench,
                                     .boot = 9};
    bench->made.line = (struct line_plan){.name = "pad-line",
                                          .medium = LINE_MEDIUM_SERIAL,
                                          .device = "/dev/bench",
                                          .baud = 9600,
                                          .data_bits = 8,
                                          .parity = 'N',
                                          .stop_bits = 1,
                                          .response_timeout_ms = 1000};
    bench->made.reply_delay_us = 8000;
    bench->says_yes = true;
    bench->noise_next_us = bench->now_us + 700000;
}
/** A map from its text, as a person writes it. */
static inline struct map *bench_map(const char *text)
{
    char path[] = "/tmp/uphole-bench-XXXXXX";
    struct plan_faults faults = {0};
    struct map *map = NULL;
    const int fd = mkstemp(path);
    assert_true(fd >= 0 && write(fd, text, strlen(text)) == (ssize_t)strlen(text));
    close(fd);
    if (map_from_file(path, &map, &faults) != UP_OK)
        fail_msg("line %d: %s\n%s", faults.fault[0].line, faults.fault[0].text, text);
    unlink(path);
    return map;
}
static inline struct map *bench_known_map(const char *name)
{
    struct plan_faults faults = {0};
    struct map *map = NULL;
    if (map_by_name(name, UPHOLE_SOURCE_DIR "/config/maps", &map, &faults) != UP_OK)
        fail_msg("%s", faults.fault[0].text);
    return map;
}
static inline void bench_unit(struct bench *bench, uint8_t unit_id, const struct map *map,
                              uint32_t refresh_ms)
{
    bench->made.units[bench->made.n_units++] =
        (struct virtual_unit_options){.map = map,
                                      .unit_id = unit_id,
                                      .seed = 7,
                                      .refresh_ms = refresh_ms,
                                      .no_discharge = true,
                                      .powered_at_ms = -100000};
}
static inline void bench_script(struct bench *bench, const char *text)
{
    struct up_error error = {0};
    if (fault_script_from_text("bench", text, strlen(text), &bench->script, &error) != UP_OK)
        fail_msg("%s", error.why);
}
static inline struct find_options bench_options(struct bench *bench)
{
    return (struct find_options){
        .line = bench->made.line,
        .last = 255,
        .listen_ms = 2000,
        .wait_ms = FIND_WAIT_MS,
        .watch_ms = 0,
        .watch_every_ms = 1000,
        .at_most_ms = FIND_AT_MOST_MS,
        .at_most_requests = FIND_REQUESTS_AT_MOST,
        .clock = &bench->clock,
        .ports = {.make = bench_make_port, .drop = bench_drop_port, .context = bench},
        .context = bench,
        .is_stopped = bench_is_stopped,
        .consent = bench_consent};
}
/** Makes the line and runs; the report is on the heap, bench_end frees it. */
static inline struct find_report *bench_find(struct bench *bench,
                                             const struct find_options *options)
{
    struct up_error error = {0};
    struct find_report *report = calloc(1, sizeof *report);
    if (bench->line == NULL)
        bench->line = virtual_line_create(&bench->made, bench->script, 3, bench->now_us, &error);
    assert_non_null(bench->line);
    assert_non_null(report);
    if (find_run(options, report, &error) != UP_OK)
        fail_msg("%s", error.why);
    assert_null(bench->near); /* the port is closed, whatever came */
    return report;
}
static inline void bench_end(struct bench *bench, struct find_report *report)
{
    virtual_line_destroy(bench->line);
    fault_script_free(bench->script);
    free(report);
}

#endif
