/* SPDX-License-Identifier: Apache-2.0
 *
 * status_lines.c - the lines in `status`: what was asked and answered since the run began, errors
 * by kind, use of the bus, who holds it.
 */
#include "status_box.h"
#include "socket_text.h"

#include <inttypes.h>
#include <string.h>

#define START_TAKES_MS 2000 /* from the run's beginning to the start of its lines */

/** One row serves both forms: a count is said where it is not 0, and is always in the object. */
static const struct count_row {
    const char *key, *words;
    size_t offset;
} COUNTS[] = {
    {"silent", "not answered", offsetof(struct line_counts, silent)},
    {"cut_short", "cut short", offsetof(struct line_counts, cut_short)},
    {"bad_checksum", "with a bad checksum", offsetof(struct line_counts, bad_checksum)},
    {"wrong_reply", "answered by the wrong reply", offsetof(struct line_counts, wrong_reply)},
    {"late_replies", "late replies", offsetof(struct line_counts, late_replies)},
    {"stray_bytes", "bytes that nobody asked for", offsetof(struct line_counts, stray_bytes)},
    {"foreign_frames", "frames of another master", offsetof(struct line_counts, foreign_frames)},
    {"port_losses", "port losses", offsetof(struct line_counts, port_losses)},
};

static uint64_t count_of(const struct line_counts *counts, size_t row)
{
    uint64_t n;
    memcpy(&n, (const char *)counts + COUNTS[row].offset, sizeof n);
    return n;
}

/** Since when a line is counted: since the run began, or since a reload started it anew. */
static int64_t counted_from_ms(const struct status_view *view, const struct line_counts *counts)
{
    const int64_t began_ms = view->began->boot_ms, from_ms = counts->since_us / 1000;
    return from_ms > began_ms + START_TAKES_MS ? from_ms : began_ms;
}

/** Share of the time since then in which the line was in an exchange or a rest. */
static double bus_use(const struct status_view *view, const struct line_counts *counts,
                      const struct stamp *now)
{
    const int64_t ran_ms = now->boot_ms - counted_from_ms(view, counts);
    const double percent = ran_ms > 0 ? (double)counts->busy_us / 10.0 / (double)ran_ms : 0;
    return percent > 100 ? 100 : percent;
}

/* ---- in sentences ---- */

static void hold_line(const struct status_view *view, uint16_t i, const struct stamp *now,
                      struct socket_text *text)
{
    char until[STAMP_TEXT_MAX], left[STAMP_TEXT_MAX];
    const struct hold *hold = hold_now(view->holds, view->plan->lines[i].name, now->boot_ms);
    if (hold == NULL)
        return;
    text_add(text, "  %-14s held by %s", "", hold->who);
    text_add_since(text, hold->since.utc_ms, now->utc_ms);
    text_add(text, " until %s (%s more), not polled; its port %s\n",
             stamp_to_short_text(hold->until.utc_ms, until),
             duration_to_text(hold->until.boot_ms - now->boot_ms, left),
             status_port_is_free(view, i) ? "is free for others"
                                          : "closes after the poll under way");
}

/** How the scans of a source went, since Uphole started: "gauge heron-7: 88 answered, 3 silent". */
static void source_lines(const struct status_view *view, uint16_t line, const struct stamp *now,
                         struct socket_text *text)
{
    for (uint16_t w = 0; w < view->plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct well_plan *well = &view->plan->wells[w];
            const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
            if (entry == NULL || entry->line != line)
                continue;
            const uint64_t *outcomes = status_outcomes(view->core, w, s);
            const char *before = ": scans ";
            text_add(text, "  %-14s unit id %u, %s %s", "", entry->unit_id, well->id,
                     source_name(s));
            for (uint8_t o = OUTCOME_NONE + 1; o < OUTCOME_COUNT; o++)
                if (outcomes[o] > 0) {
                    text_add(text, "%s%" PRIu64 " %s", before, outcomes[o],
                             status_outcome_words(o));
                    before = ", ";
                }
            text_add(text, before[0] == ':' ? ": no scan yet\n" : "\n");
        }
}

void status_lines_as_text(const struct status_view *view, const struct stamp *now,
                          struct socket_text *text)
{
    text_add(text, "Lines, since the run began\n");
    for (uint16_t i = 0; i < view->plan->n_lines; i++) {
        struct line_counts counts = {0};
        if (view->gatherers[i] == NULL) {
            text_add(text, "  %-14s does not run\n", view->plan->lines[i].name);
            continue;
        }
        gather_totals(view->gatherers[i], &counts);
        text_add(text,
                 "  %-14s %" PRIu64 " questions, %" PRIu64 " answers, slowest %" PRId64
                 " ms, bus use %.1f %%",
                 view->plan->lines[i].name, counts.requests, counts.answers,
                 counts.slowest_answer_us / 1000, bus_use(view, &counts, now));
        for (size_t k = 0; k < sizeof COUNTS / sizeof *COUNTS; k++)
            if (count_of(&counts, k) > 0)
                text_add(text, "; %" PRIu64 " %s", count_of(&counts, k), COUNTS[k].words);
        for (unsigned e = 1; e < 256; e++)
            if (counts.exceptions[e] > 0)
                text_add(text, "; %" PRIu64 " refused with exception %02X", counts.exceptions[e],
                         e);
        const int64_t from_ms = counted_from_ms(view, &counts);
        if (from_ms > view->began->boot_ms) {
            text_add(text, "; counted");
            text_add_since(text, now->utc_ms - (now->boot_ms - from_ms), now->utc_ms);
        }
        text_add(text, "\n");
        hold_line(view, i, now, text);
        source_lines(view, i, now, text);
    }
}

/* ---- as an object ---- */

static void add_hold(const struct status_view *view, uint16_t i, const struct stamp *now,
                     struct socket_text *text)
{
    const struct hold *hold = hold_now(view->holds, view->plan->lines[i].name, now->boot_ms);
    text_add(text, ",\"held\":");
    if (hold == NULL) {
        text_add(text, "null");
        return;
    }
    text_add(text, "{\"by\":");
    text_add_string(text, hold->who);
    text_add(text, ",\"since\":");
    text_add_instant(text, hold->since.utc_ms);
    text_add(text, ",\"until\":");
    text_add_instant(text, hold->until.utc_ms);
    text_add(text, ",\"port_is_free\":%s}", status_port_is_free(view, i) ? "true" : "false");
}

static void add_line(const struct status_view *view, uint16_t i, const struct stamp *now,
                     struct socket_text *text)
{
    struct line_counts counts = {0};
    if (view->gatherers[i] != NULL)
        gather_totals(view->gatherers[i], &counts);
    text_add(text, "%s{\"line\":", i == 0 ? "" : ",");
    text_add_string(text, view->plan->lines[i].name);
    text_add(text, ",\"runs\":%s,\"requests\":%" PRIu64 ",\"answers\":%" PRIu64,
             view->gatherers[i] != NULL ? "true" : "false", counts.requests, counts.answers);
    for (size_t k = 0; k < sizeof COUNTS / sizeof *COUNTS; k++)
        text_add(text, ",\"%s\":%" PRIu64, COUNTS[k].key, count_of(&counts, k));
    text_add(text, ",\"exceptions\":{");
    const char *before = "";
    for (unsigned e = 1; e < 256; e++)
        if (counts.exceptions[e] > 0) {
            text_add(text, "%s\"%02X\":%" PRIu64, before, e, counts.exceptions[e]);
            before = ",";
        }
    text_add(text, "},\"slowest_answer_ms\":%" PRId64 ",\"busy_ms\":%" PRId64 ",\"busy_percent\":",
             counts.slowest_answer_us / 1000, counts.busy_us / 1000);
    text_add_number(text, bus_use(view, &counts, now), 0.01);
    text_add(text, ",\"counted_since\":");
    text_add_instant(text, now->utc_ms - (now->boot_ms - counted_from_ms(view, &counts)));
    add_hold(view, i, now, text);
    text_add(text, "}");
}

void status_lines_as_json(const struct status_view *view, const struct stamp *now,
                          struct socket_text *text)
{
    text_add(text, "\"lines\":[");
    for (uint16_t i = 0; i < view->plan->n_lines; i++)
        add_line(view, i, now, text);
    text_add(text, "]");
}
