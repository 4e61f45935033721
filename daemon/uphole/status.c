/* SPDX-License-Identifier: Apache-2.0
 *
 * status.c - the answer to `uphole status` in sentences: the four stages of each well, the lines'
 * counts, the box. The stages are never folded into one word.
 */
#include "socket_answer.h"

#include <inttypes.h>
#include <string.h>

static const struct count_row {
    const char *words;
    size_t offset;
} COUNTS[] = {
    {"not answered", offsetof(struct line_counts, silent)},
    {"cut short", offsetof(struct line_counts, cut_short)},
    {"with a bad checksum", offsetof(struct line_counts, bad_checksum)},
    {"answered by the wrong reply", offsetof(struct line_counts, wrong_reply)},
    {"late replies", offsetof(struct line_counts, late_replies)},
    {"bytes that nobody asked for", offsetof(struct line_counts, stray_bytes)},
    {"frames of another master", offsetof(struct line_counts, foreign_frames)},
    {"times the port was lost", offsetof(struct line_counts, port_losses)},
};

static void line_stage(const struct status_view *view, uint16_t w, const struct stamp *now,
                       const struct snapshot *snapshot, struct socket_text *text)
{
    const struct well_plan *well = &view->plan->wells[w];
    text_add(text, "  line      %s", line_state_name(snapshot->line));
    text_add_since(text, snapshot->line_since_utc_ms, now->utc_ms);
    const char *before = ": ";
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(well, s, now->utc_ms);
        if (entry == NULL)
            continue;
        text_add(text, "%s%s on %s unit id %u %s", before, source_name(s),
                 view->plan->lines[entry->line].name, entry->unit_id,
                 line_state_name(snapshot->source_line[s]));
        before = ", ";
    }
    text_add(text, "\n");
}

static void channels_stage(const struct snapshot *snapshot, struct socket_text *text)
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
        if (to.state != DELIVERY_UP && to.reason[0] != '\0')
            text_add(text, ". %s", to.reason);
        text_add(text, "\n");
    }
}

void status_well_stages(const struct status_view *view, uint16_t well, const struct stamp *now,
                        const struct snapshot *snapshot, struct socket_text *text)
{
    line_stage(view, well, now, snapshot, text);
    text_add(text, "  gauge     %s", gauge_state_name(snapshot->gauge));
    text_add_since(text, snapshot->gauge_since_utc_ms, now->utc_ms);
    text_add(text, "\n");
    channels_stage(snapshot, text);
    delivery_stage(view, well, now, text);
    text_add(text, "  journal   newest record %" PRIu64 ", open gaps %u%s\n",
             core_newest_seq(view->core, well), snapshot->gaps_open,
             core_journal_refuses(view->core)
                 ? "; the disk refuses: readings are shown, but not stored"
                 : "");
}

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

static void line_lines(const struct status_view *view, const struct stamp *now,
                       struct socket_text *text)
{
    for (uint16_t i = 0; i < view->plan->n_lines; i++) {
        struct line_counts counts = {0};
        if (view->gatherers[i] == NULL) {
            text_add(text, "  %-14s does not run\n", view->plan->lines[i].name);
            continue;
        }
        gather_totals(view->gatherers[i], &counts);
        const int64_t ran_ms = now->boot_ms - view->began->boot_ms;
        const int64_t busy = ran_ms > 0 ? counts.busy_us / 10 / ran_ms : 0;
        text_add(text,
                 "  %-14s %" PRIu64 " questions, %" PRIu64 " answers, slowest %" PRId64
                 " ms, busy %" PRId64 " %%",
                 view->plan->lines[i].name, counts.requests, counts.answers,
                 counts.slowest_answer_us / 1000, busy > 100 ? 100 : busy);
        for (size_t k = 0; k < sizeof COUNTS / sizeof *COUNTS; k++) {
            uint64_t n;
            memcpy(&n, (const char *)&counts + COUNTS[k].offset, sizeof n);
            if (n > 0)
                text_add(text, "; %" PRIu64 " %s", n, COUNTS[k].words);
        }
        for (unsigned e = 1; e < 256; e++)
            if (counts.exceptions[e] > 0)
                text_add(text, "; %" PRIu64 " refused with exception %02X", counts.exceptions[e],
                         e);
        text_add(text, "\n");
        hold_line(view, i, now, text);
    }
}

static void box_lines(const struct status_view *view, const struct stamp *now,
                      struct socket_text *text)
{
    struct status_space space;
    status_space_of(view->core, &space);
    text_add(text, "Box\n  clock     %s\n", clock_state_name(now->clock));
    text_add(text,
             "  disk      space lasts %u days; the journal holds %.1f MB, planned %.1f MB a day\n",
             space.days_left, (double)space.bytes / 1e6, space.bytes_a_day / 1e6);
    text_add(text, "  memory    %.1f MB of its own\n", (double)status_own_memory() / 1e6);
    text_add(text, "  journal   %s\n",
             core_journal_refuses(view->core) ? "the disk refuses: nothing new is stored"
             : view->safe                     ? "checked; records are stored before they are sent"
                          : "being checked; nothing is published before that ends");
    text_add(text, "  SCADA side %s\n",
             view->side > 0 ? "runs" : "does not run; it is started again");
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
        status_well_stages(view, w, &now, &snapshot, text);
    }
    text_add(text, "\nLines, since the run began\n");
    line_lines(view, &now, text);
    text_add(text, "\n");
    box_lines(view, &now, text);
    text_add(text, "\nMonitoring only; not a protection system.\n");
}
