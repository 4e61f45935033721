/* SPDX-License-Identifier: Apache-2.0
 *
 * status_view.h - what the local socket shows of the daemon: a read-only look at core, lines and
 * processes, taken by core's own thread between two passes.
 */
#ifndef UPHOLE_STATUS_VIEW_H
#define UPHOLE_STATUS_VIEW_H

#include "core.h"
#include "hold.h"
#include "retain.h"

#include "uphole/gather.h"

#include <sys/types.h>

/** How the last reload ended; at.boot_ms 0: there was none. */
struct status_reload {
    bool refused;
    struct stamp at;
    char why[240]; /* a sentence where it was refused */
};

/** All borrowed for one pass. */
struct status_view {
    struct core *core;
    const struct plan *plan;
    const struct up_clock *clock;
    struct gatherer *const *gatherers; /* one a line of the plan; NULL where it does not run */
    struct clock_watch *watch;         /* of the caller's thread */
    const struct stamp *began;         /* of this run */
    uint64_t run;
    bool safe;                           /* the journal's check has ended well */
    const struct hold_book *holds;       /* NULL: none */
    const struct retain *retain;         /* NULL: none */
    const struct status_reload *reload;  /* NULL: none */
    const struct reload_shown *reloaded; /* NULL: none; reload.h */
    struct stamp clock_since;            /* of the clock's state; the socket fills it in */
    pid_t side;                          /* the SCADA side, 0: it does not run */
};

/** One well at one destination. */
struct status_delivery {
    uint8_t state; /* enum delivery_state */
    bool acknowledges;
    uint64_t waiting;           /* records */
    int64_t waiting_ms;         /* how long the oldest of them has waited; 0: none waits */
    uint64_t pos, seq, gap_pos; /* accepted up to here */
    struct stamp since;         /* of the state; boot_ms 0: not known */
    const char *reason;         /* of the destination; "" where there is none */
};
void status_delivery_of(const struct core *core, uint16_t destination, uint16_t well_index,
                        int64_t now_boot_ms, struct status_delivery *out);

/** The well as it stands at `now`: the newest commit measured anew, so ages are those of now. */
void status_snapshot(const struct core *core, uint16_t well_index, const struct stamp *now,
                     struct snapshot *out);
/** What physics and steps say of the units of its channels: rows that are doubted, at most UNIT_DOUBTS_MAX. */
size_t status_unit_doubts(const struct core *core, uint16_t well_index, const struct stamp *now,
                          struct unit_doubt_now *into);
/** The word of a source's unit-setting register, as it was last read in this run. False: it was not. */
bool status_unit_word(const struct core *core, uint16_t well_index, uint8_t source, unsigned index, uint16_t *word);
/** The newest scan of a source in this run, whatever came of it; NULL where it was not asked yet.
 */
const struct scan *status_newest_scan(const struct core *core, uint16_t well_index, uint8_t source);

/** True while a hold keeps the line's port closed. */
bool status_port_is_free(const struct status_view *view, uint16_t line);

struct status_space {
    uint64_t bytes, free_bytes; /* of the journal; at most a minute old */
    double bytes_a_day;         /* as planned */
    uint16_t days_left;
    int64_t grown_bytes, grown_ms; /* since the first look at it */
    struct journal_room room;
};
void status_space_of(const struct core *core, struct status_space *out);

/** "answered in part", "without a port": how a poll ended, for people. */
const char *status_outcome_words(uint8_t outcome);
/** How many scans of a source ended how, since the program started: an array of OUTCOME_COUNT. */
const uint64_t *status_outcomes(const struct core *core, uint16_t well_index, uint8_t source);
/** The open row of the ledger of this kind, or NULL. */
const struct gap *status_open_row(const struct core *core, uint16_t well_index, uint8_t source,
                                  uint8_t kind);
/** The order under way at a destination and well, and how many records are left; NULL: none. */
const struct row_order *status_order_of(const struct core *core, uint16_t destination,
                                        uint16_t well_index, uint64_t *left);

/** The words of a channel in the newest block of `scan` that holds it whole; NULL where it is not
 * there. A coil's or discrete input's bit is put into `bit`. */
const uint16_t *status_words(const struct scan *scan, const struct channel *channel, uint16_t *bit);

#endif
