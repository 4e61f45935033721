/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm_compare.c - is the number of the screen what we read? For the order `confirm`: the
 * channel as it stands now, and the scans of the moment at which the screen was read.
 */
#include "confirm_inside.h"

#include "unit_words.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sysexits.h>

/** What stands now must be a value that nobody doubts but for want of a confirmation. */
static int look_at_now(struct core *core, const struct asked *asked, const struct stamp *now,
                       struct about *about, struct answer *to)
{
    struct snapshot *snapshot = &about->snapshot;
    const struct live_reading *reading = NULL;
    measure_at(about->well->fold, core->options.plan, about->well->plan, core->options.run, now,
               true, snapshot);
    for (uint16_t i = 0; i < snapshot->n; i++)
        if (snapshot->reading[i].point == about->point)
            reading = &snapshot->reading[i];
    double age_s;
    const uint8_t quality =
        reading == NULL ? QUALITY_NO_DATA : live_quality_at(reading, now->boot_ms, &age_s);
    static const uint8_t UNFIT[] = {QUALITY_STALE, QUALITY_FROZEN, QUALITY_STEP_UNCONFIRMED,
                                    QUALITY_LINE_DISTURBED, QUALITY_LIMITED};
    bool fits = quality_class_of(quality) != QUALITY_CLASS_BAD;
    for (size_t i = 0; i < sizeof UNFIT; i++)
        fits = fits && quality != UNFIT[i];
    if (fits)
        return 0;
    const struct quality_row *row = quality_find(quality);
    return answer(to, EX_UNAVAILABLE,
                  "%s of %s has no fresh value to compare with: it is %s (%s). Confirm it once it "
                  "is read again.",
                  asked->point, asked->well, row->name, row->meaning);
}

static int look_at_doubts(struct core *core, const struct asked *asked, const struct stamp *now,
                          struct about *about, struct answer *to)
{
    struct unit_doubt_now found[UNIT_DOUBTS_MAX];
    char words[UNIT_WORDS_MAX];
    const size_t n =
        measure_units(about->well->fold, core->options.plan, about->well->plan, now, found);
    for (size_t i = 0; i < n; i++) {
        if (found[i].finding.point != about->point || !unit_is_in_doubt(&found[i]) ||
            unit_words(core->options.plan, about->well->plan, now->utc_ms, &found[i], words) == 0)
            continue;
        return answer(to, EX_DATAERR, "The unit of %s is in doubt, so it can't be confirmed. %s",
                      asked->point, words);
    }
    return 0;
}

int confirm_look(struct core *core, const struct asked *asked, const struct stamp *now,
                 struct about *about, struct answer *to)
{
    const int code = look_at_now(core, asked, now, about, to);
    return code != 0 ? code : look_at_doubts(core, asked, now, about, to);
}

/* ---- the scans of that moment ---- */

/** The channel's value in a scan of this run and plan, as far as one scan tells. */
static bool value_of(const struct core *core, const struct about *about, const struct scan *scan,
                     double *value)
{
    struct unit_tie tie;
    struct decoded decoded;
    if (scan->source != about->source || scan->run != core->options.run ||
        scan->plan != core->options.plan->id ||
        !measure_unit_tie(core->options.plan, about->well->plan, scan, about->point, &tie) ||
        !measure_channel(core->options.plan, about->well->plan, scan, about->point, &decoded))
        return false;
    *value = decoded.value;
    return quality_class_of(decoded_quality(about->channel, &decoded)) != QUALITY_CLASS_BAD;
}

/** The newest scan before the moment, and the first one behind it: a screen refreshes when it
 * likes. */
struct around {
    bool has_before, has_after;
    struct scan before;
    double value_before, value_after;
};

static enum up_rc find_scans(struct core *core, struct journal_reader *reader,
                             const struct about *about, int64_t back_ms, struct around *out,
                             struct up_error *error)
{
    uint64_t after = 0;
    size_t got = 1;
    out->has_before = out->has_after = false;
    enum up_rc rc = journal_window_start(reader, about->well->plan->number, about->well->newest_pos,
                                         back_ms, 0, &after, error);
    while (rc == UP_OK && got > 0 && !out->has_after) {
        rc = journal_read_scans(reader, about->well->plan->number, after, JOURNAL_SLICE_MAX,
                                core->scans, &got, error);
        for (size_t i = 0; rc == UP_OK && i < got && !out->has_after; i++) {
            double value;
            after = core->scans[i].pos;
            if (!value_of(core, about, &core->scans[i], &value))
                continue;
            if (core->scans[i].begun.utc_ms > about->at_utc_ms) {
                out->has_after = true;
                out->value_after = value;
                continue;
            }
            out->has_before = true;
            out->before = core->scans[i];
            out->value_before = value;
        }
    }
    return rc;
}

void confirm_number_in(const struct asked *asked, const struct about *about, double value,
                       char into[static NUMBER_TEXT_MAX])
{
    double number, step;
    (void)confirm_number(asked->number, &number, &step);
    number_to_text(unit_convert(value, point_unit(about->point), about->unit), step / 10, into);
}

static int compare(const struct asked *asked, struct about *about, const struct around *around,
                   struct answer *to)
{
    char when[STAMP_TEXT_MAX], read[NUMBER_TEXT_MAX], ours[NUMBER_TEXT_MAX], shown[NUMBER_TEXT_MAX];
    const struct point *point = point_get(about->point);
    const int64_t age_ms = about->at_utc_ms - around->before.begun.utc_ms;
    if (!around->has_before || age_ms > (int64_t)about->entry->stale_limit_ms)
        return answer(to, EX_UNAVAILABLE,
                      "No scan just before %s holds a value of %s under the configuration in "
                      "force. Read the screen again, and confirm at once or give its time with "
                      "--at.",
                      stamp_to_short_text(about->at_utc_ms, when), asked->point);
    about->scan = around->before;
    about->read = around->value_before;
    double off = fabs(about->shown - about->read);
    if (around->has_after) {
        const double other = fabs(about->shown - around->value_after);
        if ((about->shown - around->value_before) * (about->shown - around->value_after) <= 0)
            off = 0; /* between the two */
        off = other < off ? other : off;
    }
    if (off <= confirm_tolerance(about->channel, asked->number, about->unit, about->read))
        return 0;
    confirm_number_in(asked, about, about->read, read);
    number_to_text(about->read, point->resolution, ours);
    number_to_text(about->shown, point->resolution, shown);
    return answer(
        to, EX_DATAERR,
        "The screen says %s %s (%s %s), but Uphole read %s %s (%s %s) at %s: nothing is "
        "confirmed. Read the screen again; if they still differ, the unit or the register "
        "of the map is wrong: 'uphole compare' finds which.",
        asked->number, unit_get(about->unit)->name, shown, point->unit, read,
        unit_get(about->unit)->name, ours, point->unit,
        stamp_to_short_text(about->scan.begun.utc_ms, when));
}

int confirm_compare(struct core *core, const struct asked *asked, const struct stamp *now,
                    struct about *about, struct answer *to)
{
    struct journal_reader *reader = NULL;
    struct around *around = calloc(1, sizeof *around);
    struct up_error error = {0};
    const int64_t back_ms = now->utc_ms - about->at_utc_ms + (int64_t)about->entry->stale_limit_ms;
    int code = 0;
    if (about->at_utc_ms > now->utc_ms + 1000 || now->utc_ms - about->at_utc_ms > CONFIRM_BACK_MS) {
        free(around);
        return answer(to, EX_USAGE,
                      "The moment %s lies %s; a screen is compared with scans of the last 30 "
                      "minutes.",
                      asked->at, about->at_utc_ms > now->utc_ms ? "ahead" : "too far back");
    }
    if (around == NULL ||
        journal_reader_open(core->options.plan->journal.path, &reader, &error) != UP_OK ||
        find_scans(core, reader, about, back_ms, around, &error) != UP_OK)
        code = answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    if (code == 0)
        code = compare(asked, about, around, to);
    journal_reader_close(reader);
    free(around);
    return code;
}
