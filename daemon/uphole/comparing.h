/* SPDX-License-Identifier: Apache-2.0
 *
 * comparing.h - one session of `uphole compare`: the channels, what was typed for each, and what came of it.
 */
#ifndef UPHOLE_COMPARING_H
#define UPHOLE_COMPARING_H

#include "unit_link.h"

#include "uphole/stamp.h"

#define COMPARE_PAIRS_MAX (MAP_CHANNELS_MAX * (SOURCE_KINDS - 1))
#define COMPARE_ROLE_MAX 32
#define COMPARE_SAID_MAX 200

enum pair_state { PAIR_OPEN = 0, PAIR_DONE, PAIR_SKIPPED };

/** One channel of the session. */
struct pair {
    unsigned point;
    uint8_t source, state; /* enum pair_state */
    const struct channel *channel; /* of the link's plan */
    const char *given;     /* on the command line; NULL: it is asked for */
    struct screen_value value;
    int64_t instant_ms, instant_utc_ms; /* of the key press */
    struct compare_result result;
    bool is_confirmed;
    char said[COMPARE_SAID_MAX]; /* of the confirmation, or why there is none */
};

struct comparing {
    struct socket_asked asked;
    struct unit_link *link;
    struct up_clock clock;
    bool confirms; /* --confirm: without asking */
    char role[COMPARE_ROLE_MAX + 1]; /* "": not stated yet */
    uint8_t source; /* --source; SOURCE_NONE: all */
    bool is_stopped; /* by q, the end of input or a signal */
    int64_t began_utc_ms, ended_utc_ms;
    unsigned n;
    struct pair pair[COMPARE_PAIRS_MAX];
};

/** Set by a signal; looked at ten times a second. */
bool comparing_has_stopped(void);
/** Waits for a scan later than the instant where that can change the verdict, at most a poll and some seconds. Returns 0, or an exit code with
 *  `error` filled. */
int comparing_judge(struct comparing *comparing, struct pair *pair, struct up_error *error);
/** At the keyboard, channel by channel. Returns 0, or an exit code with `error` filled; what is done stands in the pairs. */
int comparing_walk(struct comparing *comparing, struct up_error *error);

/** True where a confirmation would say something: the same, and a kind whose unit isn't confirmed yet. */
bool comparing_may_confirm(const struct comparing *comparing, const struct pair *pair);
/** Gives the order; fills pair->said and is_confirmed. */
void comparing_confirm(struct comparing *comparing, struct pair *pair);

/** What came of one channel: the calculator check, the verdict, what to look at. */
void comparing_show_pair(FILE *out, const struct pair *pair);
void comparing_show(FILE *out, const struct comparing *comparing);
void comparing_show_json(FILE *out, const struct comparing *comparing);
/** "same", "differs: psi, map says kPa", ... */
void comparing_verdict(const struct pair *pair, char *into, size_t room);
/** Of all that was done: 0 where every one is the same, else 1. */
int comparing_code(const struct comparing *comparing);

#endif
