/* SPDX-License-Identifier: Apache-2.0
 *
 * line_inside.h - what a line remembers; shared by line.c (steps), line_scan.c (one poll),
 * line_watch.c (bytes nobody asked for), line_port.c (opening and losing the port), line_plan.c
 * (another plan) and line_heard.c (a line that only listens).
 */
#ifndef UPHOLE_GATHER_LINE_INSIDE_H
#define UPHOLE_GATHER_LINE_INSIDE_H

#include "exchange.h"
#include "ranges.h"
#include "turn.h"

/** A source of this line. Its turn stands in line->turns at the same index. */
struct asked_source {
    uint16_t well; /* index of plan->wells */
    uint8_t source;
    const struct source_entry *entry;
    struct read_plan reads;
    unsigned n_avoid;
    struct register_range avoid[AVOID_MAX]; /* ranges that the unit refused as a whole */
    int64_t told_slow_us;
    bool was_silent;     /* its last scan: not one byte came, asked twice */
    struct skip refused; /* by a full ring; count 0: none */
    struct line_counts counts;
};

/** The poll under way. */
struct poll_state {
    int source; /* -1: none */
    unsigned range, tries_of_range, busy_retries, silent_in_row;
    bool was_reopened;
    uint8_t failure; /* enum outcome of the last try that failed */
    int64_t begun_us, ended_us;
    struct gathered out; /* out.scan is being filled */
};

struct hearing; /* line_heard.c */

struct line {
    struct line_options options;
    const struct line_plan *plan;
    struct wire wire;
    struct clock_watch watch;
    size_t n;
    struct asked_source *sources;
    struct turn *turns;
    uint64_t served;
    uint32_t random;
    int64_t entries_checked_us;

    bool is_open, was_good, is_lost_told;
    int64_t opened_us, lost_us, reopen_at_us;
    uint32_t open_failures;

    bool is_listening, another_master, is_resting;
    int64_t listen_until_us, foreign_us, rest_from_us, pause_until_us;
    struct stamp master_since;
    bool is_master_told, was_master_told; /* of the one that is there; of any */
    int64_t master_told_us;
    uint32_t masters_untold; /* since the last that was told, with the one that is there */

    uint32_t echoes_in_row;
    bool is_echo_told;

    bool is_held; /* hold.c: the port is closed for others */
    int64_t held_since_us, hold_until_us;

    uint32_t recent_stray; /* heard while nobody was asked, not long ago */
    int64_t recent_stray_us;

    struct sleep_watch sleep;
    bool wakes; /* due times are being accounted that passed while the box slept */

    struct poll_state poll;
    struct hearing *hearing; /* NULL: this line asks */
    struct line_counts totals;
};

#define LINE_COUNT(line, source, what) ((line)->totals.what++, (source)->counts.what++)

/* line.c */
int64_t line_now_us(const struct line *line);
struct stamp line_stamp(struct line *line);
/** response_timeout, or twice the slowest answer seen: how long the line must be quiet before it is
 * trusted again. */
int64_t line_rest_us(const struct line *line);
/* line_put.c */
/** Puts an item into the ring; a full ring's loss is counted and handed over later. */
void line_put(struct line *line, const struct gathered *item);
/** Hands over what a full ring refused, if there is room now. */
void line_put_rest(struct line *line);
/* line.c */
__attribute__((format(printf, 4, 5))) void line_tell(struct line *line, uint8_t level,
                                                     const char *kind, const char *format, ...);
/** Puts the skips of all due times that ended unserved by `now_us`. */
void line_account(struct line *line, int64_t now_us);
/** Ends all due times of one source up to now. The open one's turn is cut off by `cut_off` (enum
 * gap_cause), where nothing else kept it from being asked. */
void line_account_end(struct line *line, size_t i, int64_t now_us, uint8_t cut_off);
/* line_plan.c */
/** Where the due times of a source begin on this line. */
int64_t line_first_due_from_ms(const struct line *line, size_t i);
/* line.c */
uint32_t line_random(struct line *line);
bool line_is_scanning(const struct line *line);

/* line_scan.c */
/** Begins a poll; none where the entry's date changed just now (the next step takes the new one).
 */
void scan_begin(struct line *line, int source);
/** True where a range that stands alone must wait for quiet; the rest has begun then. */
bool scan_must_rest(struct line *line, const struct read_range *range);
/** Asks the range whose turn it is, once. */
void scan_ask(struct line *line);
/** Ends the poll under way: what was not asked counts as not answered. */
void scan_end(struct line *line);
/** The same; of what passed meanwhile only dues up to `until_us` are told behind it. */
void scan_end_told(struct line *line, int64_t until_us);
/** A poll that could not be asked, since the port is gone. */
void scan_without_port(struct line *line, int source);

/* line_watch.c */
void watch_stray(struct line *line, uint32_t n);
/** Says once that a converter seems to return our own questions, where they don't get stripped. */
void watch_echo(struct line *line, bool is_echoed);
void watch_rest(struct line *line, int64_t from_us);
/** One wait of resting or listening. */
void watch_step_rest(struct line *line);
void watch_step_listen(struct line *line);
void watch_slow_answer(struct line *line, struct asked_source *source, int64_t took_us);

/* line_port.c */
/** Opens the port if it may; false and rows for the polls that are due where it can't be opened. */
bool port_try_open(struct line *line);
void port_lose(struct line *line, bool by_us);
/** When the next attempt makes sense. */
int64_t port_next_us(const struct line *line, int64_t now_us);

/* line_heard.c */
/** Memory for a line that only listens; false without. Nothing for a line that asks. */
bool hearing_make(struct line *line);
void hearing_free(struct line *line);
/** Puts what is due by `now_us`: before line_account, which counts what was not claimed. */
void hearing_expire(struct line *line, int64_t now_us);
/** Puts the scan under way of source `i`, whole or not. */
void hearing_close_scan(struct line *line, size_t i);
/** The entries stand elsewhere in memory and say the same: another plan was taken. */
void hearing_entries_moved(struct line *line);
/** Hears until the next deadline, at most a slice. */
int64_t hearing_step(struct line *line);

#endif
