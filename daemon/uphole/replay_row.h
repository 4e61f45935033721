/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_row.h - one row of a message against the same row as the journal gives it. Pure.
 */
#ifndef UPHOLE_REPLAY_ROW_H
#define UPHOLE_REPLAY_ROW_H

#include "replay_json.h"

#include "uphole/publish.h"

/** A message `record`: its head, and where its parts stand. */
struct replay_message {
    struct peek plan, measure_version, sets, rows;
    uint64_t run;
    char well[NAME_LENGTH_MAX + 1];
};
enum replay_read { REPLAY_OTHER = 0, REPLAY_RECORD, REPLAY_BAD };
/** Takes a line apart: `topic payload` or the payload alone. REPLAY_OTHER: it is no record message.
 */
enum replay_read replay_read_line(const char *line, size_t n, struct replay_message *out);

enum replay_verdict { REPLAY_SAME = 0, REPLAY_WITHIN_STEP, REPLAY_DIFFERS };
/** The first thing that is not the same, for people. */
struct replay_difference {
    char what[64];            /* "intake_pressure", "quality of intake_pressure", "time" */
    char there[48], here[48]; /* as they stand in the two texts */
    bool units;               /* it is that the units are others */
};
/**
 * Compares `there` with `here`, each a row and the message it stands in. `record` is the row as it
 * was measured, for the published resolution in `units`.
 */
enum replay_verdict replay_compare_row(const struct replay_message *there, struct peek there_row,
                                       const struct replay_message *here, struct peek here_row,
                                       const struct unit_choice *units, const struct record *record,
                                       struct replay_difference *first);

#endif
