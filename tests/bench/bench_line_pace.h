/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_line_pace.h - a surface unit on a pty that takes the time which a wire would take: what the
 * line's benches measure against.
 *
 *   request arrives ─ 8 characters ─ t3.5 ─ answer, character by character in lumps of 8 ─▶ its
 * last lump is written at the exact end
 *
 * The time of a question is when its bytes can be read; a question within t3.5 of the end of the
 * last answer is a violation.
 */
#ifndef UPHOLE_TESTS_BENCH_LINE_PACE_H
#define UPHOLE_TESTS_BENCH_LINE_PACE_H

#include "../gather/made.h"
#include "../gather/pty.h"

#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <time.h>

#define PACE_LUMP 8
#define PACE_SPIN_NS                                                                               \
    80000 /* the last part of a wait is spun away: a timer's lateness would count against the      \
             master */
#define PACE_UNITS 256

struct pace {
    struct pty pty;
    double character_ns, quiet_ns;
    bool alive[PACE_UNITS];
    pthread_t thread;
    atomic_bool stopping;
    atomic_uint requests, violations;
    atomic_uint answered[PACE_UNITS];
    atomic_llong first_ns, newest_ns; /* arrival of the first and the newest question */
    int64_t answer_end_ns;
};

static inline int64_t pace_now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}
static inline void pace_wait_until(int64_t at_ns)
{
    int64_t sleep_ns = at_ns - PACE_SPIN_NS;
    struct timespec until = {.tv_sec = (time_t)(sleep_ns / 1000000000),
                             .tv_nsec = (long)(sleep_ns % 1000000000)};
    if (sleep_ns > pace_now_ns())
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
    while (pace_now_ns() < at_ns)
        ;
}

static inline size_t pace_close_frame(uint8_t *frame, size_t n)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < n; i++) {
        crc ^= frame[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    frame[n] = (uint8_t)(crc & 0xFF);
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}

static inline void pace_answer(struct pace *pace, const uint8_t *request, int64_t arrived_ns)
{
    uint8_t frame[300] = {0};
    double at_ns = (double)arrived_ns + 8 * pace->character_ns + pace->quiet_ns;
    unsigned count = (unsigned)request[4] << 8 | request[5];
    if (!pace->alive[request[0]] || count == 0 || count > 125)
        return;
    memcpy(frame, request, 2);
    frame[2] = (uint8_t)(2 * count);
    size_t n = pace_close_frame(frame, 3 + 2 * (size_t)count);
    for (size_t at = 0; at < n; at += PACE_LUMP) {
        size_t lump = n - at < PACE_LUMP ? n - at : PACE_LUMP;
        at_ns += (double)lump * pace->character_ns;
        pace_wait_until((int64_t)at_ns);
        if (at + lump >= n)
            pace->answer_end_ns = pace_now_ns();
        if (write(pace->pty.master, frame + at, lump) != (ssize_t)lump)
            return;
    }
    atomic_fetch_add(&pace->answered[request[0]], 1);
}

static inline void *pace_run(void *argument)
{
    struct pace *pace = argument;
    uint8_t request[8];
    size_t n = 0;
    prctl(PR_SET_TIMERSLACK, 1UL);
    while (!atomic_load(&pace->stopping)) {
        struct pollfd wait = {.fd = pace->pty.master, .events = POLLIN};
        if (poll(&wait, 1, 50) <= 0)
            continue;
        int64_t now_ns = pace_now_ns();
        ssize_t got = read(pace->pty.master, request + n, sizeof request - n);
        if (got <= 0)
            continue;
        n += (size_t)got;
        if (n < sizeof request)
            continue;
        n = 0;
        if (pace->answer_end_ns != 0 &&
            (double)now_ns < (double)pace->answer_end_ns + pace->quiet_ns)
            atomic_fetch_add(&pace->violations, 1);
        if (atomic_load(&pace->first_ns) == 0)
            atomic_store(&pace->first_ns, now_ns);
        atomic_store(&pace->newest_ns, now_ns);
        atomic_fetch_add(&pace->requests, 1);
        pace_answer(pace, request, now_ns);
    }
    return NULL;
}

/** Opens the pty, writes its path into the line, and answers for unit ids 1 to `units`. Ends the
 * program where no pty can be had. */
static inline void pace_start(struct pace *pace, struct line_plan *line, unsigned units)
{
    memset(pace, 0, sizeof *pace);
    if (pty_open(&pace->pty) != 0) {
        fprintf(stderr, "skipped: no pseudo-terminal can be had here\n");
        exit(77);
    }
    pace->character_ns = 1e9 * line_bits_per_character(line) / line->baud;
    pace->quiet_ns = line->baud > 19200 ? 1750000 : 3.5 * pace->character_ns;
    for (unsigned unit = 1; unit <= units; unit++)
        pace->alive[unit] = true;
    snprintf(line->device, sizeof line->device, "%s", pace->pty.path);
    pthread_create(&pace->thread, NULL, pace_run, pace);
}
static inline void pace_stop(struct pace *pace)
{
    atomic_store(&pace->stopping, true);
    pthread_join(pace->thread, NULL);
    pty_close(&pace->pty);
}

#endif
