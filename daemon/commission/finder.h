/* SPDX-License-Identifier: Apache-2.0
 *
 * finder.h - one search under way: its port, its bounds, and the one way in which it asks.
 *
 * Nothing is sent before consent: until then the port is opened as one that is only listened to,
 * which refuses to send by itself.
 */
#ifndef UPHOLE_COMMISSION_FINDER_H
#define UPHOLE_COMMISSION_FINDER_H

#include "reply.h"
#include "settings.h"

#define QUESTION_BYTES 8 /* of a read in RTU: a run of so many may be another master's */
#define SLICE_US 90000   /* longest wait without a look at is_stopped */

struct finder {
    const struct find_options *options;
    struct find_report *report;
    struct up_error *error;
    enum up_rc rc;
    bool has_ended, may_ask, has_opened;
    struct port *port; /* NULL: none */
    struct line_plan line;
    uint16_t transaction;
    int64_t deadline_us, sent_us, heard_us, said_us;
    int64_t slowest_us;
    int64_t usual_us; /* an exchange that is answered, a moving mean */
    int64_t phase_left_us;
    uint8_t phase, asked_id;
    struct line_errors errors_before;
    struct overhearer ear; /* hears what nobody here asked for, at the open settings */
    unsigned said_questions;
    uint32_t times[OVERHEAR_QUESTIONS_MAX];     /* as the ear counted them last */
    const struct map *suspect[FIND_SCORES_MAX]; /* maps that may be the unit's (never.c) */
    uint8_t suspicion[FIND_SCORES_MAX];
    unsigned n_suspects;
    struct batches batches;
};

int64_t finder_now_us(const struct finder *finder);
/** True while there is time, requests are left, and nobody asked to stop. Tells of progress, too.
 */
bool finder_goes_on(struct finder *finder);
/** Opens the port at these settings, closing the one before; false where it can't (ended). */
bool finder_open(struct finder *finder, const struct line_plan *line);
void finder_close(struct finder *finder);
/** Reads what comes until then, at most `room` bytes and one slice; 0: nothing. */
size_t finder_receive(struct finder *finder, int64_t until_us, uint8_t *bytes, size_t room);
/** Bytes that nobody here asked for: where they are another master's, or may be, consent is asked
 * for anew. False: there is none, and the search has ended. */
bool finder_take_unasked(struct finder *finder, const uint8_t *bytes, size_t n);
/** Waits, and hears what comes meanwhile. */
void finder_pause(struct finder *finder, int64_t for_us);
/**
 * Asks, and waits `wait_ms` for the first byte behind the request's own time. False where nothing
 * could be sent: refused, stopped, port gone. Evidence is counted here.
 */
bool finder_ask(struct finder *finder, const struct asked *asked, uint32_t wait_ms,
                struct reply *reply);
/** Puts together a read for the unit that is being asked, and asks; up to three times where another
 * master's bytes were around the answer or the unit was busy. */
bool finder_read(struct finder *finder, uint8_t unit_id, const struct read_request *request,
                 struct reply *reply);

/* hear.c */
void finder_begin_hearing(struct finder *finder);
/** Bytes that nobody here asked for. True where a frame of another master was among them. */
bool finder_hear(struct finder *finder, const uint8_t *bytes, size_t n);
/** Listens before anything is asked. */
void finder_listen_first(struct finder *finder);
/** Waits for a moment in which the other master, as it was heard, asks nothing for `need_us`. */
void finder_wait_for_gap(struct finder *finder, int64_t need_us);

/* the steps */
void search_run(struct finder *finder);
void identify_run(struct finder *finder);
void sweep_run(struct finder *finder);
void watch_run(struct finder *finder);
/** May this register be asked? Not where the map, or one that may be the unit's, says never. */
bool never_allows(const struct finder *finder, uint8_t table, unsigned first, unsigned count);
/** Judges the known maps by what has been read so far. */
void never_judge_maps(struct finder *finder);

#endif
