/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm.h - a person's confirmation that a channel's unit is as configured: the order `confirm`,
 * and what it says of a number read from a screen.
 *
 * The order, for whoever gives it at the local socket (`uphole confirm`, and commands that compare
 * channels one by one):
 *
 *   order confirm WELL POINT AT NUMBER UNIT ROLE
 *   order confirm WELL POINT withdraw ROLE
 *
 *   WELL    the well's id
 *   POINT   the point's id, as intake_pressure
 *   AT      the moment at which the screen was read, in RFC 3339 without blanks
 * (2031-03-01T06:00:05Z); or `-`: now. It picks the newest scan that has the channel and began
 * before it; at most CONFIRM_BACK_MS back. NUMBER  as typed from the surface unit's screen, a plain
 * decimal: 1790, 12.341. Its last digit says how finely the screen shows. UNIT    as the screen
 * says, in a spelling that unit_find knows, without blanks: psi, kgf/cm2, degC, m/s2. Of the
 * point's kind. ROLE    in which role the person confirms: the rest of the line, 32 characters at
 * most.
 *
 * Answer: code 0 and one sentence, once the confirmation is on disk; it holds from the well's next
 * scan on. Else a code of sysexits.h and one sentence that names the reason:
 *   64 the order is not understood; or number, unit, time or role is no such thing
 *   66 no such well or point, or the point is not mapped in this well at that time
 *   65 the kind needs no confirmation, the unit is of another kind, the number differs from what
 * was read by more than confirm_tolerance, or the unit is in doubt by what the wire says 69 no scan
 * of that time holds a fresh value of the channel 75 the journal takes nothing now, or the channel
 * was confirmed too often within a short time
 *
 * The question `confirmed text WELL` or `confirmed json WELL` lists what is confirmed, by whom,
 * when, tied to what, and what lapsed and why. Anybody who may ask may ask it.
 *
 * A confirmation is tied to the serial number of the surface unit, to what the map says of the
 * channel, and to the word of the unit-setting register. It lapses with the first scan in which one
 * of them differs, and does not come back by itself when the old state does.
 */
#ifndef UPHOLE_CONFIRM_H
#define UPHOLE_CONFIRM_H

#include "uphole/plan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CONFIRM_BACK_MS (INT64_C(30) * 60 * 1000)

/**
 * How far a screen's number may lie from what was read, both in the point's unit: one step of the
 * screen's last digit, one count of the channel, and what screen and registers may differ by
 * between two refreshes of a steady well (0.2 % of a pressure, 0.5 K, a tenth of a vibration;
 * common practice, no source). `number` is the text as typed. 0.2 % lies below the smallest mix-up
 * of pressure units, bar for kgf/cm2 (1.97 %).
 */
double confirm_tolerance(const struct channel *channel, const char *number, unit_number screen_unit,
                         double read);
/** A plain decimal as a screen shows it, and the step of its last digit. False: it is none. */
bool confirm_number(const char *text, double *value, double *step);

struct core;
/** confirm_hand.c: the order, with `arguments` as above; untrusted. Returns 0, the confirmation
 * being on disk, or a code of sysexits.h; a sentence in `text`. */
int confirm_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                    size_t room);
#define CONFIRM_ROLE_MAX 32

/** One channel whose unit is to be confirmed, as it stands now. `who`, `text`, `ended` are core's.
 */
struct confirm_row {
    const struct channel *channel;
    const struct map *map;
    const char *serial_number; /* as configured; "": not stated */
    bool is_configured;        /* in confirmed_units */
    uint8_t state;             /* enum confirmed, of measure.h */
    bool has_setting;
    uint16_t setting;
    int64_t since_utc_ms, ended_utc_ms; /* 0: not known */
    const char *who, *text, *ended;     /* "" where nothing is known */
};
#define CONFIRM_ROWS_MAX 128 /* a well's points that need it are fewer */
/** core_confirm.c: fills `into`, at most `room`, with the channels of a well that need a
 * confirmation; by source, then by point. */
size_t confirm_rows(const struct core *core, uint16_t well_index, int64_t utc_ms,
                    struct confirm_row *into, size_t room);

#endif
