/* SPDX-License-Identifier: Apache-2.0
 *
 * publish.h - who has been told? The SCADA side: everything that listens or connects outward. It has no line, no device and no database.
 */
#ifndef UPHOLE_PUBLISH_H
#define UPHOLE_PUBLISH_H

#include "uphole/plan.h"
#include "uphole/scan.h"
#include "uphole/wall.h"

/** Runs the SCADA side on the wall's descriptor until the well side stops it or is gone. Returns the process's exit code. */
int publish_run(int wall_fd, const struct up_clock *clock, const char *version);

/** Version of the libmosquitto that is loaded, as text. */
void publish_mosquitto_version(char *into, size_t room);

/* ---- payloads (pure): record, latest, gap and box to JSON as in docs/messages.md ---- */

#define PAYLOAD_MAX (128 * 1024)

enum sent_as { SENT_LIVE = 1, SENT_LATE, SENT_RESENT, SENT_RECALCULATED };

/** `latest`; ages as of now_boot_ms. Returns bytes written, 0 where `room` is too small. */
size_t payload_latest(char *into, size_t room, const struct plan *plan, const struct unit_choice *units,
                      const struct snapshot *snapshot, int64_t now_boot_ms);
/**
 * `record` of as many rows as fit and belong together (same run, plan, measure_version): *used of the n given. Returns bytes written.
 */
size_t payload_record(char *into, size_t room, const struct plan *plan, const struct unit_choice *units,
                      enum sent_as sent, const struct record *records, size_t n, size_t *used);
/** The same; `by` (NULL: none) says by what rows of a revision above 0 came to be. */
size_t payload_record_by(char *into, size_t room, const struct plan *plan, const struct unit_choice *units, enum sent_as sent,
                         const char *by, const struct record *records, size_t n, size_t *used);
/** One reading of a record as payload_record sends it: the same number, unit, reference, quality and age, for who writes other formats. */
struct payload_cell {
    double value, resolution;   /* NaN: null */
    double age_s, age_resolution;
    const char *unit, *reference; /* NULL: null */
    uint8_t reference_code;     /* enum pressure_reference */
    uint8_t quality;
};
/** `well` is that of `plan`, the plan under which `record` was measured; `index` below record->n. */
struct payload_cell payload_cell(const struct plan *plan, const struct well_plan *well, const struct unit_choice *units,
                                 const struct record *record, uint16_t index);
size_t payload_gap(char *into, size_t room, const struct plan *plan, const struct gap *gap, const char *well_id);

struct box_state {
    bool running;
    uint64_t run;
    const char *version;
    uint8_t clock;
    bool journal_ok;
    uint16_t days_left;
    struct wall_state state;
};
size_t payload_box(char *into, size_t room, const struct plan *plan, const struct box_state *box);

#endif
