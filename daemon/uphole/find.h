/* SPDX-License-Identifier: Apache-2.0
 *
 * find.h - what `uphole find` and `uphole draft-map` share: options, known maps, consent, and how
 * what was found is shown. Private to the program.
 */
#ifndef UPHOLE_FIND_H
#define UPHOLE_FIND_H

#include "command.h"

#include "uphole/commission.h"

#include <signal.h>

#define FIND_MAPS_MAX FIND_SCORES_MAX
#define FIND_TARGETS_MAX 8
#define FIND_ROLE_MAX 60

struct find_wish {
    const struct command *command;
    const char *config, *maps, *map_name, *agreed_by, *draft_name, *into;
    bool says_yes, only_listens, json;
    unsigned n_targets;
    const char *target[FIND_TARGETS_MAX];
    char role[FIND_ROLE_MAX + 1]; /* as typed: who agreed */
    struct find_options options;
    unsigned n_maps;
    struct map *map[FIND_MAPS_MAX]; /* owned */
    const volatile sig_atomic_t *stop;
    struct up_clock clock;
    uint8_t said_phase;
    int64_t said_us;
    bool has_progress; /* a line of progress stands on the terminal */
};

/** Reads the options into `wish`. 0, or an exit code (said). */
int find_read_options(const struct command *command, int argc, char **argv, bool is_draft,
                      struct find_wish *wish);
/** `DEVICE` or `HOST:PORT` into the line; false where it is neither. */
bool find_read_target(const char *text, struct line_plan *line);
/** Loads all known maps; those with faults are named on standard error and left out. */
int find_load_maps(struct find_wish *wish);
void find_free_maps(struct find_wish *wish);

/** Refuses a port that the running daemon reads; 0, or an exit code (said). */
int find_check_owner(const struct find_wish *wish, const struct line_plan *line);

/** find_options.consent and .progress; their context is the wish. */
bool find_consent(void *context, const struct find_report *report);
void find_progress(void *context, const struct find_progress *progress);
/** Takes the line of progress off the terminal. */
void find_end_progress(struct find_wish *wish);

void find_show(const struct find_wish *wish, const char *target, const struct find_report *report);
void find_show_json(FILE *out, const char *target, const struct find_report *report,
                    const char *agreed_by);

#endif
