/* SPDX-License-Identifier: Apache-2.0
 *
 * stamp.h - instants. UTC is a label; every interval is CLOCK_BOOTTIME within one boot. Only daemon/base/stamp.c reads
 * clocks; everything else is handed a `struct up_clock`, and tests hand in their own.
 */
#ifndef UPHOLE_STAMP_H
#define UPHOLE_STAMP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Trust in the box's clock, as published (points.md section 4). */
enum clock_state {
    CLOCK_STATE_UNKNOWN = 0,
    CLOCK_STATE_SYNCHRONISED = 1,
    CLOCK_STATE_HOLDOVER = 2, /* was synchronised in this boot, at most 24 h ago */
    CLOCK_STATE_UNSYNCHRONISED = 3,
    CLOCK_STATE_NEVER_SET = 4 /* earlier than the newer of build time and newest journaled time */
};

/** Plain data, copied freely. `boot_ms` values compare only within one `boot`. */
struct stamp {
    int64_t utc_ms;  /* ms since 1970-01-01T00:00:00Z, a label */
    int64_t boot_ms; /* CLOCK_BOOTTIME, ms */
    uint32_t boot;   /* first 32 bits of the kernel's boot id */
    uint8_t clock;   /* enum clock_state */
};

/** Where time comes from. `clock_of_system` is the real one; the lock-step harness moves its own. */
struct up_clock {
    int64_t (*boot_us)(void *context);
    int64_t (*utc_us)(void *context);
    bool (*is_synchronised)(void *context); /* adjtimex: state is not TIME_ERROR */
    void (*sleep_until)(void *context, int64_t boot_us);
    void *context;
    uint32_t boot;
    int64_t (*asleep_us)(void *context); /* how long the box was suspended in this boot; NULL: never */
};

/** Fills `clock` with the system's clocks and this boot's id. Never fails: an unreadable boot id gives boot 0. */
void clock_of_system(struct up_clock *clock);
/** The kernel's boot id as text (36 characters), or 32 zeros and dashes where it can't be read. */
void clock_boot_id(char text[static 37]);

static inline int64_t clock_boot_us(const struct up_clock *clock)
{
    return clock->boot_us(clock->context);
}
static inline int64_t clock_boot_ms(const struct up_clock *clock)
{
    return clock->boot_us(clock->context) / 1000;
}

/** How long the box was suspended in this boot, us: CLOCK_BOOTTIME goes on meanwhile, and nobody runs. Never more than it was. */
static inline int64_t clock_asleep_us(const struct up_clock *clock)
{
    return clock->asleep_us == NULL ? 0 : clock->asleep_us(clock->context);
}

/** Memory of one observer of suspends. Set `seen_us` to clock_asleep_us at its begin. */
struct sleep_watch {
    int64_t seen_us;
};
/** Half a second of sleep or more since it was told last: how long, us; else 0 (pure). */
int64_t sleep_watch_step(struct sleep_watch *watch, int64_t asleep_us);

/** Memory of one observer of the clock's state; zero it, then set `floor_utc_ms`. One a thread: it is not shared. */
struct clock_watch {
    int64_t floor_utc_ms;        /* newer of build time and newest journaled time */
    int64_t synchronised_ms;     /* boot_ms when last seen synchronised */
    bool was_synchronised;
};

/** Judges the clock's state from what was read (pure). Holdover lasts 24 h. */
enum clock_state clock_watch_step(struct clock_watch *watch, bool synchronised, int64_t utc_ms,
                                  int64_t boot_ms);
/** Reads all clocks once and judges their state. */
struct stamp stamp_take(const struct up_clock *clock, struct clock_watch *watch);

/** Build time, ms since 1970, the floor below which a clock was never set. Set by the build system. */
int64_t stamp_build_utc_ms(void);

#define STAMP_TEXT_MAX 40
/** `2031-03-01T06:00:05.120Z`: RFC 3339, UTC, milliseconds, years 0000 to 9999 (clamped). Returns `into`. */
const char *stamp_to_text(int64_t utc_ms, char into[static STAMP_TEXT_MAX]);
/** `2031-03-01 06:00:05Z`: for people's tables, truncated to the second. Returns `into`. */
const char *stamp_to_short_text(int64_t utc_ms, char into[static STAMP_TEXT_MAX]);
/** `31 min`, `3 h 12`, `4 d 6 h`, `50 s`: how long, for people. Returns `into`. */
const char *duration_to_text(int64_t ms, char into[static STAMP_TEXT_MAX]);
/**
 * Reads RFC 3339 text (a leap second counts as the next second's start; fraction truncated to ms, floor). Whole text must match.
 * Returns false, leaving `utc_ms` untouched, where it is not RFC 3339. Source: RFC 3339 section 5.6, appendix D.
 */
bool stamp_from_text(const char *text, size_t length, int64_t *utc_ms);
/** Reads an ISO 8601 duration of weeks, days, hours, minutes, seconds (`PT28S`, `P1DT2H`; years and months have no fixed length). Whole text. */
bool duration_from_text(const char *text, size_t length, int64_t *ms);

#endif
