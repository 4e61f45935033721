/* SPDX-License-Identifier: Apache-2.0
 *
 * stamp.c - the only reader of clocks, and the judge of how far the box's clock can be trusted.
 *
 * UTC may be stepped by anyone at any time; CLOCK_BOOTTIME only runs forward, also through suspend,
 * and starts anew with each boot. CLOCK_MONOTONIC stands still while the box is suspended, so the
 * difference of the two is the time asleep.
 */
#include "uphole/stamp.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#define ASLEEP_LEAST_US 500000
#define HOLDOVER_MS (24 * 3600 * INT64_C(1000))

static int64_t read_us(clockid_t id)
{
    struct timespec now = {0};
    clock_gettime(id, &now); /* can't fail for the two clocks used here */
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}
static int64_t system_boot_us(void *context)
{
    (void)context;
    return read_us(CLOCK_BOOTTIME);
}
static int64_t system_utc_us(void *context)
{
    (void)context;
    return read_us(CLOCK_REALTIME);
}
/** Both clocks can't be read at once. Boot time is read first, so that a thread that is put off
 * between the two finds less sleep than there was, and never more. */
static int64_t system_asleep_us(void *context)
{
    (void)context;
    const int64_t boot_us = read_us(CLOCK_BOOTTIME);
    const int64_t asleep_us = boot_us - read_us(CLOCK_MONOTONIC);
    return asleep_us > 0 ? asleep_us : 0;
}
static bool system_is_synchronised(void *context)
{
    (void)context;
    struct timex state = {.modes = 0};
    int answer = adjtimex(&state);
    return answer >= 0 && answer != TIME_ERROR && (state.status & STA_UNSYNC) == 0;
}

/** Sleeps to an absolute instant; a signal doesn't cut it short. Each turn of the loop is one
 * interruption. */
static void system_sleep_until(void *context, int64_t boot_us)
{
    (void)context;
    struct timespec until = {.tv_sec = boot_us / 1000000, .tv_nsec = boot_us % 1000000 * 1000};
    if (boot_us <= 0)
        return;
    int rc;
    do {
        rc = clock_nanosleep(CLOCK_BOOTTIME, TIMER_ABSTIME, &until, NULL);
    } while (rc == EINTR);
    if (rc == 0)
        return;
    /* A kernel that can't sleep on this clock: the same span on CLOCK_MONOTONIC, which differs only
     * across a suspend. */
    int64_t monotonic_us = read_us(CLOCK_MONOTONIC) + boot_us - read_us(CLOCK_BOOTTIME);
    if (monotonic_us <= 0)
        return;
    until.tv_sec = monotonic_us / 1000000;
    until.tv_nsec = monotonic_us % 1000000 * 1000;
    do {
        rc = clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
    } while (rc == EINTR);
}

void clock_boot_id(char text[static 37])
{
    static const char NONE[37] = "00000000-0000-0000-0000-000000000000";
    char read_text[37] = "";
    ssize_t got = -1;
    int fd = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    if (fd >= 0) {
        got = read(fd, read_text, 36);
        close(fd);
    }
    memcpy(text, NONE, sizeof NONE);
    if (got == 36 && strspn(read_text, "0123456789abcdef-") == 36)
        memcpy(text, read_text, 36);
}

/** First 8 hex digits of the boot id. */
static uint32_t boot_number(void)
{
    char text[37];
    uint32_t number = 0;
    clock_boot_id(text);
    for (int i = 0; i < 8; i++) {
        char c = text[i];
        uint32_t digit = c >= 'a' && c <= 'f' ? (uint32_t)(c - 'a' + 10) : (uint32_t)(c - '0');
        number = number << 4 | (digit & 15);
    }
    return number;
}

void clock_of_system(struct up_clock *clock)
{
    *clock = (struct up_clock){
        .boot_us = system_boot_us,
        .utc_us = system_utc_us,
        .is_synchronised = system_is_synchronised,
        .sleep_until = system_sleep_until,
        .context = NULL,
        .boot = boot_number(),
        .asleep_us = system_asleep_us,
    };
}

int64_t sleep_watch_step(struct sleep_watch *watch, int64_t asleep_us)
{
    const int64_t slept_us = asleep_us - watch->seen_us;
    if (slept_us < ASLEEP_LEAST_US) /* what a reading fell short of, or nothing */
        return 0;
    watch->seen_us = asleep_us;
    return slept_us;
}

enum clock_state clock_watch_step(struct clock_watch *watch, bool synchronised, int64_t utc_ms,
                                  int64_t boot_ms)
{
    /* The floor can be too high: a clock that once ran ahead leaves journaled times in the future.
     * A synchronised clock that is not older than this build is believed then, or one bad hour
     * would make the box distrust every later one. */
    if (utc_ms < watch->floor_utc_ms && !(synchronised && utc_ms >= stamp_build_utc_ms()))
        return CLOCK_STATE_NEVER_SET;
    if (synchronised) {
        watch->was_synchronised = true;
        watch->synchronised_ms = boot_ms;
        return CLOCK_STATE_SYNCHRONISED;
    }
    if (watch->was_synchronised && boot_ms - watch->synchronised_ms <= HOLDOVER_MS)
        return CLOCK_STATE_HOLDOVER;
    return CLOCK_STATE_UNSYNCHRONISED;
}

struct stamp stamp_take(const struct up_clock *clock, struct clock_watch *watch)
{
    struct stamp now = {.boot = clock->boot};
    now.boot_ms = clock->boot_us(clock->context) / 1000;
    now.utc_ms = clock->utc_us(clock->context) / 1000;
    bool synchronised = clock->is_synchronised(clock->context);
    now.clock = (uint8_t)clock_watch_step(watch, synchronised, now.utc_ms, now.boot_ms);
    return now;
}

int64_t stamp_build_utc_ms(void)
{
    return UPHOLE_BUILD_UTC_S * 1000;
}
