/* SPDX-License-Identifier: Apache-2.0
 *
 * status.c - the answer to `uphole status` in sentences: the four stages of each well in words;
 * lines (status_lines.c) and box (status_box.c) follow. The stages are never folded into one word.
 */
#include "socket_answer.h"
#include "status_box.h"

#include "confirm.h"
#include "unit_words.h"

#include <inttypes.h>
#include <string.h>

/** What each state of a stage means, in words; the state's own name stands before it. */
static const char *const LINE_WORDS[] = {[LINE_UNKNOWN] = "nothing was asked yet",
                                         [LINE_UP] = "",
                                         [LINE_DEGRADED] = "some polls get no valid answer",
                                         [LINE_DOWN] =
                                             "no valid answer; readings are not collected"};
static const char *const GAUGE_WORDS[] = {
    [GAUGE_UNKNOWN] = "nobody can tell before the line answers",
    [GAUGE_LIVE] = "",
    [GAUGE_STARTING] = "the surface unit answers; a second refresh must confirm its gauge data",
    [GAUGE_SILENT] = "the surface unit answers, but hears nothing from the gauge",
    [GAUGE_NOT_CONFIGURED] = "this well has no gauge in the configuration"};

/** Why the ledger says that a source is missing; NULL where it has no open row of this kind. */
static const char *cause_of(const struct status_view *view, uint16_t w, uint8_t source,
                            uint8_t kind)
{
    const struct gap *row = status_open_row(view->core, w, source, kind);
    return row != NULL && row->cause[0] != '\0' ? row->cause : NULL;
}

static void source_of_line(const struct status_view *view, uint16_t w, uint8_t s,
                           const struct source_entry *entry, const struct stamp *now,
                           const struct snapshot *snapshot, struct socket_text *text)
{
    char until[STAMP_TEXT_MAX];
    const char *line = view->plan->lines[entry->line].name;
    const struct hold *hold = hold_now(view->holds, line, now->boot_ms);
    text_add(text, "            %s on %s unit id %u %s", source_name(s), line, entry->unit_id,
             line_state_name(snapshot->source_line[s]));
    const char *cause = cause_of(view, w, s, GAP_LINE);
    if (cause != NULL && snapshot->source_line[s] != LINE_UP)
        text_add(text, ": %s", cause);
    if (hold != NULL)
        text_add(text, "%s Not asked now: held by %s until %s.", cause != NULL ? "" : ".",
                 hold->who, stamp_to_short_text(hold->until.utc_ms, until));
    text_add(text, "\n");
}

static void add_words(struct socket_text *text, const char *words)
{
    if (words[0] != '\0')
        text_add(text, ": %s", words);
}

/** A line's state is not known: at the start, or under another configuration of the well. */
static const char *unknown_words(const struct status_view *view, uint16_t w)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        for (uint8_t o = OUTCOME_NONE + 1; o < OUTCOME_COUNT; o++)
            if (status_outcomes(view->core, w, s)[o] > 0)
                return "not asked yet since another configuration of this well took effect";
    return LINE_WORDS[LINE_UNKNOWN];
}

static void line_stage(const struct status_view *view, uint16_t w, const struct stamp *now,
                       const struct snapshot *snapshot, struct socket_text *text)
{
    const struct well_plan *well = &view->plan->wells[w];
    text_add(text, "  line      %s", line_state_name(snapshot->line));
    text_add_since(text, snapshot->line_since_utc_ms, now->utc_ms);
    add_words(text, snapshot->line == LINE_UNKNOWN ? unknown_words(view, w)
                    : snapshot->line <= LINE_DOWN  ? LINE_WORDS[snapshot->line]
                                                   : "");
    text_add(text, "\n");
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
        if (entry != NULL)
            source_of_line(view, w, s, entry, now, snapshot, text);
    }
}

/** The good ones as a number; the others each by name with what it means. */
static void channels_stage(const struct snapshot *snapshot, struct socket_text *text)
{
    unsigned good = 0;
    for (uint16_t r = 0; r < snapshot->n; r++)
        good += snapshot->reading[r].quality == QUALITY_GOOD;
    text_add(text, snapshot->n == 0 ? "  channels  none yet\n" : "  channels  %u of %u good\n",
             good, snapshot->n);
    for (size_t i = quality_count(); i-- > 0;) {
        const struct quality_row *row = quality_row_at(i);
        unsigned n = 0;
        for (uint16_t r = 0; r < snapshot->n; r++)
            n += snapshot->reading[r].quality == row->code;
        if (n > 0 && row->code != QUALITY_GOOD)
            text_add(text, "            %u %s: %s\n", n, row->name, row->meaning);
    }
}

static void channels_in_line(const struct snapshot *snapshot, struct socket_text *text)
{
    const char *before = "  channels  ";
    for (size_t i = quality_count(); i-- > 0;) { /* Good first */
        const struct quality_row *row = quality_row_at(i);
        unsigned n = 0;
        for (uint16_t r = 0; r < snapshot->n; r++)
            n += snapshot->reading[r].quality == row->code;
        if (n == 0)
            continue;
        text_add(text, "%s%u %s", before, n, row->name);
        before = ", ";
    }
    text_add(text, snapshot->n == 0 ? "  channels  none yet\n" : "\n");
}

/** A resend under way at a destination, and how much of it is left. */
static void order_of(const struct status_view *view, uint16_t d, uint16_t w,
                     struct socket_text *text)
{
    uint64_t left = 0;
    const struct row_order *order = status_order_of(view->core, d, w, &left);
    if (order != NULL && order->kind == ORDER_RECALCULATE)
        text_add(text,
                 "            a range is recalculated for %s (revision %" PRIu32 "): %" PRIu64
                 " of %" PRIu64 " records left\n",
                 order->by, order->revision, left, order->to_seq - order->from_seq + 1);
    else if (order != NULL)
        text_add(text, "            %s is sent once more for %s: %" PRIu64 " records left\n",
                 order->kind == ORDER_TIMES ? "what has a corrected time" : "a range", order->by,
                 left);
}

static void delivery_stage(const struct status_view *view, uint16_t w, const struct stamp *now,
                           struct socket_text *text)
{
    char span[STAMP_TEXT_MAX];
    const char *title = "delivery";
    for (uint16_t d = 0; d < view->plan->n_destinations; d++) {
        struct status_delivery to;
        status_delivery_of(view->core, d, w, now->boot_ms, &to);
        text_add(text, "  %-8s  %s %s", title, view->plan->destinations[d].name,
                 delivery_state_name(to.state));
        title = "";
        text_add_since(text, to.since.utc_ms, now->utc_ms);
        if (to.waiting > 0)
            text_add(text, ": %" PRIu64 " records are stored and will be sent, the oldest waits %s",
                     to.waiting, duration_to_text(to.waiting_ms, span));
        else if (to.acknowledges)
            text_add(text, ": everything is accepted, up to record %" PRIu64, to.seq);
        if (to.reason[0] != '\0' && (to.state != DELIVERY_UP || to.waiting > 0))
            text_add(text, to.waiting > 0 ? ". Why they wait: %s" : ". %s", to.reason);
        text_add(text, "\n");
        order_of(view, d, w, text);
    }
}

/** What the unit-setting registers say, where a map names one. */
bool status_setting_lines(const struct status_view *view, uint16_t w, const struct stamp *now,
                          struct socket_text *text)
{
    const struct well_plan *well = &view->plan->wells[w];
    bool any = false;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
        const struct map *map = entry != NULL ? &view->plan->maps[entry->map] : NULL;
        for (unsigned i = 0; map != NULL && map->n_unit_settings > 0 && i < map->n_unit_registers;
             i++) {
            uint16_t word;
            char means[SETTING_WORDS_MAX];
            const bool has = status_unit_word(view->core, w, s, i, &word);
            text_add(text, "  %-8s  %s: the unit-setting register %s%s%s\n", any ? "" : "units",
                     source_name(s), has ? "holds " : "was not read in this run",
                     has ? setting_words(map, i, word, means) : "",
                     has && !setting_is_known(map, i, word)
                         ? "; what it doesn't name is decoded as the map states, unit_unconfirmed. "
                           "Set it back, or say in the map what it means"
                         : "");
            any = true;
        }
    }
    return any;
}

/** What persons confirmed of units, and what of it ended; nothing where nobody did. */
static bool confirmed_lines(const struct status_view *view, uint16_t w, const struct stamp *now,
                            bool any, struct socket_text *text)
{
    struct confirm_row rows[CONFIRM_ROWS_MAX];
    const size_t n = confirm_rows(view->core, w, now->utc_ms, rows, CONFIRM_ROWS_MAX);
    unsigned holds = 0, ended = 0;
    for (size_t i = 0; i < n; i++) {
        holds += rows[i].state == CONFIRMED_HOLDS;
        ended += rows[i].state > CONFIRMED_HOLDS && !rows[i].is_configured;
    }
    if (holds + ended == 0)
        return any;
    text_add(text, "  %-8s  %u confirmed by persons", any ? "" : "units", holds);
    const char *before = ", no longer ";
    for (size_t i = 0; i < n && ended > 0; i++)
        if (rows[i].state > CONFIRMED_HOLDS && !rows[i].is_configured) {
            text_add(text, "%s%s", before, point_get(rows[i].channel->point)->id);
            before = ", ";
        }
    text_add(text, ": 'uphole confirm %s --list'\n", view->plan->wells[w].id);
    return true;
}

/** Only where something is to be said. */
static void units_lines(const struct status_view *view, uint16_t well, const struct stamp *now,
                        struct socket_text *text)
{
    struct unit_doubt_now found[UNIT_DOUBTS_MAX];
    char words[UNIT_WORDS_MAX];
    bool any = status_setting_lines(view, well, now, text);
    any = confirmed_lines(view, well, now, any, text);
    const size_t n = status_unit_doubts(view->core, well, now, found);
    for (size_t i = 0; i < n; i++)
        if (unit_words(view->plan, &view->plan->wells[well], now->utc_ms, &found[i], words) > 0)
            text_add(text, "  %-8s  %s\n", !any && i == 0 ? "units" : "", words);
}

void status_well_stages(const struct status_view *view, uint16_t well, const struct stamp *now,
                        const struct snapshot *snapshot, bool brief, struct socket_text *text)
{
    line_stage(view, well, now, snapshot, text);
    text_add(text, "  gauge     %s", gauge_state_name(snapshot->gauge));
    text_add_since(text, snapshot->gauge_since_utc_ms, now->utc_ms);
    add_words(text, snapshot->gauge <= GAUGE_NOT_CONFIGURED ? GAUGE_WORDS[snapshot->gauge] : "");
    text_add(text, "\n");
    if (brief)
        channels_in_line(snapshot, text);
    else
        channels_stage(snapshot, text);
    units_lines(view, well, now, text);
    delivery_stage(view, well, now, text);
    text_add(text, "  journal   newest record %" PRIu64 ", open gaps %u%s\n",
             core_newest_seq(view->core, well), snapshot->gaps_open,
             core_journal_refuses(view->core)
                 ? "; the disk refuses: readings are shown, but not stored"
                 : "");
}

void status_as_text(const struct status_view *view, struct socket_text *text)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    struct snapshot snapshot;
    text_add(text, "Uphole %s, site %s, box %s: runs", UPHOLE_VERSION, view->plan->site,
             view->plan->box);
    text_add_since(text, view->began->utc_ms, now.utc_ms);
    text_add(text, ", run %016" PRIx64 ", plan %.8s\n", view->run, view->plan->digest);
    for (uint16_t w = 0; w < view->plan->n_wells; w++) {
        const struct well_plan *well = &view->plan->wells[w];
        status_snapshot(view->core, w, &now, &snapshot);
        text_add(text, "\nWell %s%s%s%s\n", well->id, well->label[0] != '\0' ? " (" : "",
                 well->label, well->label[0] != '\0' ? ")" : "");
        status_well_stages(view, w, &now, &snapshot, false, text);
    }
    text_add(text, "\n");
    status_lines_as_text(view, &now, text);
    text_add(text, "\n");
    status_box_as_text(view, &now, text);
    text_add(text, "\nMonitoring only; not a protection system.\n");
}
