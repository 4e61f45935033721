/* SPDX-License-Identifier: Apache-2.0
 *
 * core_tell.c - one sentence when a line, a gauge or a channel is lost, and one when it is back:
 * for the log, in the words of people.
 *
 * A line is told when its stage is down, which takes some whole scans, so a single lost answer
 * makes no noise. Nothing is repeated each poll.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

static const struct gap *open_row(const struct core *core, uint16_t well, uint8_t source,
                                  uint8_t kind)
{
    const struct gap *row = NULL;
    for (size_t i = 0; (row = ledger_open_row(core->options.ledger, i)) != NULL; i++)
        if (row->kind == kind && row->well == well && row->source == source)
            return row;
    return NULL;
}

static const struct source_entry *entry_of(const struct core_well *well, uint8_t source)
{
    return plan_entry_at(well->plan, source, well->snapshot.taken.utc_ms);
}

/** " since 2031-03-01T06:10:05.000Z (3 min)", or nothing where the row is not there. */
static const char *since_text(const struct core_well *well, const struct gap *row, char *into,
                              size_t room)
{
    char start[STAMP_TEXT_MAX], how_long[STAMP_TEXT_MAX];
    into[0] = '\0';
    if (row == NULL)
        return into;
    const int64_t ms = row->start.boot == well->snapshot.taken.boot
                           ? well->snapshot.taken.boot_ms - row->start.boot_ms
                           : well->snapshot.taken.utc_ms - row->start.utc_ms;
    snprintf(into, room, " since %s (%s)", stamp_to_text(row->start.utc_ms, start),
             duration_to_text(ms, how_long));
    return into;
}

/** Length of the first sentence without its full stop; `*rest` is what stands behind it. */
static int first_sentence(const char *text, const char **rest)
{
    const char *stop = strstr(text, ". ");
    const size_t n = strlen(text);
    *rest = stop != NULL ? stop + 2 : text + n;
    if (stop != NULL)
        return (int)(stop - text);
    return (int)(n > 0 && text[n - 1] == '.' ? n - 1 : n);
}

static void tell_line_down(const struct core *core, const struct core_well *well, uint8_t source)
{
    const struct gap *row = open_row(core, well->plan->number, source, GAP_LINE);
    const struct source_entry *entry = entry_of(well, source);
    const struct line_plan *line = &core->options.plan->lines[entry->line];
    char since[2 * STAMP_TEXT_MAX + 16], compare[180] = "";
    const char *rest = NULL;
    since_text(well, row, since, sizeof since);
    const char *cause = row != NULL && row->cause[0] != '\0' ? row->cause : "No answer";
    const int n = first_sentence(cause, &rest);
    const bool serial = line->medium == LINE_MEDIUM_SERIAL;
    if (row != NULL && row->cause_code == CAUSE_PORT_GONE && serial) { /* nobody was asked */
        say(SAY_WARNING, "line",
            "%s %s: %.*s%s. Readings are not being collected. First look at the plug of its "
            "converter, then who may use the port ('ls -l') and whether another program has it.",
            well->plan->id, source_name(source), n, cause, since);
        return;
    }
    if (rest[0] == '\0' && row != NULL && row->cause_code != CAUSE_PATH_DOWN)
        snprintf(compare, sizeof compare, "First compare %s in %s:%d with the %s. ",
                 serial ? "unit id and speed" : "address, port and unit id",
                 core->options.plan->config_file, entry->config_line,
                 source == SOURCE_DRIVE ? "drive" : "surface unit");
    say(SAY_WARNING, "line",
        "%s %s: %.*s%s. Readings are not being collected. %s%s%sOn site, under the site's "
        "electrical work procedure: its power, then %s.",
        well->plan->id, source_name(source), n, cause, since, rest, rest[0] != '\0' ? " " : "",
        compare, serial ? "the data pair" : "the network");
}

static void tell_back(const struct core_well *well, uint8_t source, const char *what,
                      const struct core_ended *ended)
{
    char start[STAMP_TEXT_MAX], end[STAMP_TEXT_MAX], how_long[STAMP_TEXT_MAX];
    if (ended->scans == 0) {
        say(SAY_INFO, "line", "%s %s: %s is back.", well->plan->id, source_name(source), what);
        return;
    }
    say(SAY_INFO, "line", "%s %s: %s is back. Gap %s to %s (%s). %u scans missed, %u recovered.",
        well->plan->id, source_name(source), what, stamp_to_text(ended->start.utc_ms, start),
        stamp_to_text(ended->end.utc_ms, end),
        duration_to_text(ended->end.utc_ms - ended->start.utc_ms, how_long), ended->scans,
        ended->recovered);
}

static void tell_line(struct core *core, struct core_well *well, uint8_t source)
{
    const uint8_t now = well->snapshot.source_line[source];
    uint8_t *told = &well->told_line[source];
    if (now == LINE_DOWN && *told != LINE_DOWN) {
        tell_line_down(core, well, source);
        *told = LINE_DOWN;
    } else if ((now == LINE_UP || now == LINE_DEGRADED) && *told == LINE_DOWN) {
        tell_back(well, source, "the line", &well->ended_line[source]);
        *told = now;
    }
}

static void tell_gauge(struct core *core, struct core_well *well)
{
    char since[2 * STAMP_TEXT_MAX + 16];
    const uint8_t now = well->snapshot.gauge;
    if (now == GAUGE_SILENT && !well->told_silent) {
        since_text(well, open_row(core, well->plan->number, SOURCE_GAUGE, GAP_GAUGE), since,
                   sizeof since);
        say(SAY_WARNING, "line",
            "%s: the surface unit answers, but the downhole gauge does not%s. The line and its "
            "settings are right. Look at the surface unit's "
            "own screen first; whether the pump runs is another question.",
            well->plan->id, since);
        well->told_silent = true;
    } else if (now == GAUGE_LIVE && well->told_silent) {
        tell_back(well, SOURCE_GAUGE, "the gauge", &well->ended_gauge);
        well->told_silent = false;
    }
}

void core_tell_states(struct core *core, struct core_well *well)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++)
        if (well->plan->n_entries[source] > 0)
            tell_line(core, well, source);
    tell_gauge(core, well);
}

/** Called for each ledger row that was stored: what ended, for the sentence that says so; steps of
 * the clock and lost sensors at once. */
void core_tell_gap(struct core *core, const struct gap *row)
{
    const int w = core_well_index(core, row->well);
    if ((row->kind == GAP_CLOCK || row->kind == GAP_CHANNEL) && row->revision == 0) {
        say(SAY_WARNING, row->kind == GAP_CLOCK ? "clock" : "line", "%s%s%s",
            w >= 0 ? core->wells[w].plan->id : "", w >= 0 ? ": " : "", row->cause);
        return;
    }
    if (w < 0 || row->is_open || row->source >= SOURCE_KINDS)
        return;
    const struct core_ended ended = {
        .start = row->start, .end = row->end, .scans = row->scans, .recovered = row->recovered};
    if (row->kind == GAP_LINE)
        core->wells[w].ended_line[row->source] = ended;
    else if (row->kind == GAP_GAUGE)
        core->wells[w].ended_gauge = ended;
}

void core_tell_fact(const struct core_well *well, const struct fact *fact)
{
    const struct point *point = point_get(fact->point);
    if (fact->kind != FACT_FITTED_NOTICE || point == NULL)
        return;
    say(SAY_INFO, "line",
        "%s: %s: sensor not fitted. No action if the gauge was ordered without it; state it in "
        "`fitted` either way.",
        well->plan->id, point->trade_name);
}
