/* SPDX-License-Identifier: Apache-2.0
 *
 * check_advice.c - what a configuration is allowed to say, but a person should look at twice. Each
 * sentence says what to do.
 */
#include "check.h"
#include "retain_lead.h"

#include <math.h>
#include <string.h>
#include <sys/stat.h>

#define SHARE_MAX 0.5

static void seconds(int64_t ms, char into[static 24])
{
    (void)snprintf(into, 24, ms % 1000 == 0 ? "%.0f s" : "%.1f s", (double)ms / 1000.0);
}

/* ---- time ---- */

static bool is_read_with_status(const struct check_facts *facts, const struct line_plan *line)
{
    for (unsigned i = 0; i < facts->n_sources; i++)
        if (facts->sources[i].line == line && facts->sources[i].map->has_status)
            return true;
    return false;
}

/** What listening can and can't prove. */
static void advise_listening(struct check_facts *facts, const struct line_plan *line)
{
    check_advise(facts,
                 "Line %s is only listened to: what the other master does not read stays no_data, "
                 "due times between its reads stay without data, and a unit that it never asks is "
                 "never heard. Set poll_every to its pace or slower.%s",
                 line->name,
                 is_read_with_status(facts, line) ? " It must read the gauge's status register in "
                                                    "each round as well, else channels stay "
                                                    "`starting`."
                                                  : "");
    check_advise(facts,
                 "Line %s is only listened to, but opening its port raises RTS and DTR: use a "
                 "converter that switches by the data, isolated, with the consent of whoever is "
                 "responsible for the drive (docs/listening.md).",
                 line->name);
}

static void advise_lines(struct check_facts *facts)
{
    for (unsigned i = 0; i < facts->n_lines; i++) {
        const struct check_line *at = &facts->lines[i];
        char round[24];
        seconds(at->round_us / 1000, round);
        if (at->share > SHARE_MAX)
            check_advise(facts,
                         "Line %s is busy %.0f %% of the time. Above 50 %% a fault leaves no time "
                         "to catch up: poll less often, raise the speed, or use a second line.",
                         at->line->name, 100 * at->share);
        if (at->n_sources == 0)
            check_advise(facts, "Line %s has no source; it will stay closed.", at->line->name);
        if (at->line->medium == LINE_MEDIUM_SERIAL && strncmp(at->line->device, "/dev/tty", 8) == 0)
            check_advise(facts,
                         "Line %s uses %s, a name that may change when a converter is plugged "
                         "again; a name under /dev/serial/by-id stays.",
                         at->line->name, at->line->device);
        if (at->line->medium == LINE_MEDIUM_SERIAL && at->line->response_timeout_ms < 500)
            check_advise(facts,
                         "Line %s waits only %u ms for an answer; surface units have been seen to "
                         "need 600 ms and more.",
                         at->line->name, at->line->response_timeout_ms);
        if (at->line->share_line == LINE_LISTENS)
            advise_listening(facts, at->line);
        if (at->line->share_line == LINE_SHARED)
            check_advise(facts,
                         "Line %s is shared with another master. Our questions can spoil the "
                         "drive's answers, and a drive may be set to trip on them: keep the "
                         "agreement of whoever is responsible for it.",
                         at->line->name);
    }
}

static void advise_entry(struct check_facts *facts, const struct check_source *at)
{
    char from[STAMP_TEXT_MAX];
    if (at->entry->from_utc_ms > facts->now_utc_ms)
        check_advise(facts,
                     "The %s of well %s: its first entry begins at %s: until then it is used as if "
                     "it began now. Correct `from`, or the box's clock.",
                     source_name(at->source), at->well->id,
                     stamp_to_short_text(at->entry->from_utc_ms, from));
}

static void advise_poll(struct check_facts *facts, const struct check_source *at)
{
    const struct source_entry *entry = at->entry;
    const char *source = source_name(at->source);
    if (entry->poll_every_ms > entry->refresh_ms && at->source == SOURCE_GAUGE) {
        char poll[24], refresh[24];
        seconds(entry->poll_every_ms, poll);
        seconds(entry->refresh_ms, refresh);
        check_advise(facts,
                     "The %s of well %s is polled every %s, slower than its refresh of %s: %.0f %% "
                     "of refreshes seen, the others are lost.",
                     source, at->well->id, poll, refresh,
                     100.0 * entry->refresh_ms / entry->poll_every_ms);
    }
    for (unsigned i = 0; i < facts->n_lines; i++)
        if (facts->lines[i].line == at->line &&
            facts->lines[i].round_us > (int64_t)entry->poll_every_ms * 1000) {
            char round[24], poll[24];
            seconds(facts->lines[i].round_us / 1000, round);
            seconds(entry->poll_every_ms, poll);
            check_advise(
                facts,
                "While a unit of line %s doesn't answer, one round takes %s, longer than the poll "
                "of %s of the %s of well %s: some of its polls will be skipped and counted.",
                at->line->name, round, poll, source, at->well->id);
        }
}

static void advise_reads(struct check_facts *facts, const struct check_source *at)
{
    unsigned alone = 0;
    for (unsigned i = 0; i < at->reads.n; i++)
        alone += at->reads.range[i].stands_alone ? 1 : 0;
    if (alone > 0)
        check_advise(facts,
                     "The %s of well %s: %u reads have the length of another one, so a late answer "
                     "could be taken for the next; the line rests around them, which costs time. "
                     "Name registers that may be read as padding (`readable` in map %s).",
                     source_name(at->source), at->well->id, alone, at->map->name);
}

/* ---- maps ---- */

static bool overlap(const struct channel *a, const struct channel *b)
{
    return a->table == b->table && a->address < b->address + b->n_words &&
           b->address < a->address + a->n_words;
}

static void advise_overlaps(struct check_facts *facts, const struct map *map)
{
    for (int i = 0; i < map->n_channels; i++)
        for (int j = i + 1; j < map->n_channels; j++) {
            const struct channel *a = &map->channel[i], *b = &map->channel[j];
            const bool same = a->address == b->address && a->n_words == b->n_words;
            if (!overlap(a, b) || (same && (a->type == TYPE_BITS || b->type == TYPE_BITS)))
                continue;
            check_advise(facts,
                         "Map %s: %s (%u to %u on the wire) and %s (%u to %u) share registers; one "
                         "of the two addresses or types is probably off.",
                         map->name, point_get(a->point)->id, a->address,
                         a->address + a->n_words - 1, point_get(b->point)->id, b->address,
                         b->address + b->n_words - 1);
        }
}

/* Joins the ids of channels that `is` picks, and says how many found no room; returns how many. */
static unsigned list_channels(const struct check_source *at,
                              bool (*is)(const struct check_source *, const struct channel *),
                              char *into, size_t room)
{
    static const char MORE[] = " and 100 more";
    unsigned n = 0, shown = 0;
    size_t used = 0;
    into[0] = 0;
    for (int i = 0; i < at->map->n_channels; i++) {
        const struct channel *channel = &at->map->channel[i];
        if (!is(at, channel))
            continue;
        const char *id = point_get(channel->point)->id;
        if (shown == n && used + strlen(id) + 2 + sizeof MORE <= room) {
            used += (size_t)snprintf(into + used, room - used, "%s%s", n ? ", " : "", id);
            shown++;
        }
        n++;
    }
    if (shown < n)
        snprintf(into + used, room - used, " and %u more", n - shown);
    return n;
}

static bool is_unconfirmed(const struct check_source *at, const struct channel *channel)
{
    return !at->entry->confirmed_units[channel->point];
}
static bool has_unknown_reference(const struct check_source *at, const struct channel *channel)
{
    (void)at;
    return channel->reference == REFERENCE_UNKNOWN;
}
static bool has_no_range(const struct check_source *at, const struct channel *channel)
{
    const enum quantity kind = point_get(channel->point)->kind;
    (void)at;
    return !channel->has_instrument_range && kind != QUANTITY_STATE && kind != QUANTITY_COUNT;
}
static bool may_be_not_fitted(const struct check_source *at, const struct channel *channel)
{
    return channel->n_markers > 0 && at->entry->fitted[channel->point] == FITTED_UNSTATED;
}

static bool may_show_a_marker(const struct check_source *at, const struct channel *channel)
{
    (void)at;
    return channel->n_markers == 0 && (channel->point == POINT_DISCHARGE_PRESSURE ||
                                       channel->point == POINT_DISCHARGE_TEMPERATURE);
}

static void advise_channels(struct check_facts *facts, const struct check_source *at)
{
    char ids[CHECK_ADVICE_TEXT / 2];
    const char *source = source_name(at->source);
    if (list_channels(at, is_unconfirmed, ids, sizeof ids))
        check_advise(facts,
                     "The %s of well %s: these are sent as unit_unconfirmed until they are "
                     "compared with the surface unit's screen, and confirmed ('uphole confirm') or "
                     "listed in "
                     "`confirmed_units`: %s.",
                     source, at->well->id, ids);
    if (list_channels(at, has_unknown_reference, ids, sizeof ids))
        check_advise(facts,
                     "Map %s: nobody knows what these pressures count from (`reference: unknown`), "
                     "so nothing is derived from them with others: %s.",
                     at->map->name, ids);
    if (list_channels(at, has_no_range, ids, sizeof ids))
        check_advise(facts,
                     "Map %s: no `instrument_range`, so only numbers that aren't finite or that "
                     "physics forbids count as impossible: %s.",
                     at->map->name, ids);
    if (at->source == SOURCE_GAUGE && list_channels(at, may_be_not_fitted, ids, sizeof ids))
        check_advise(facts,
                     "The %s of well %s: state in `fitted` whether the gauge was ordered with "
                     "these sensors, so that a marker that comes later is seen as a fault: %s.",
                     source, at->well->id, ids);
    if (list_channels(at, may_show_a_marker, ids, sizeof ids))
        check_advise(facts,
                     "Map %s: no `not_fitted` for %s. Gauges are often ordered without discharge "
                     "sensors; what such a unit "
                     "puts into the register would be taken for a value.",
                     at->map->name, ids);
    if (at->source == SOURCE_GAUGE && !at->map->has_status)
        check_advise(facts,
                     "Map %s has no `gauge_status`: whether the gauge is heard is judged from its "
                     "channels alone%s.",
                     at->map->name,
                     at->map->relayed_by ? ", and a relayed gauge stays `unknown`" : "");
}

/* ---- destinations, journal ---- */

static void advise_secret(struct check_facts *facts, const struct destination_plan *to,
                          const char *key, const char *path)
{
    struct stat status;
    if (!path[0] || strchr(path, '/') == NULL) /* a credential: check_show_text says where */
        return;
    if (stat(path, &status) != 0)
        check_advise(facts,
                     "Destination %s: %s (`%s`) isn't there yet. Put it there with mode 0400, "
                     "owned by the service's user.",
                     to->name, path, key);
    else if (status.st_size == 0)
        check_advise(facts,
                     "Destination %s: %s (`%s`) is empty. Put its content there, with mode 0400, "
                     "owned by the service's user.",
                     to->name, path, key);
}

static bool listens_to_all(const struct destination_plan *to)
{
    return to->n_allow == 0 && strcmp(to->host, "localhost") != 0 &&
           strncmp(to->host, "127.", 4) != 0 && strcmp(to->host, "::1") != 0;
}

static void advise_destinations(struct check_facts *facts)
{
    for (unsigned i = 0; i < facts->n_destinations; i++) {
        const struct destination_plan *to = facts->destinations[i].destination;
        if (to->medium == DESTINATION_MODBUS_TCP) {
            if (listens_to_all(to))
                check_advise(facts,
                             "Destination %s answers anybody who reaches %s: name who may connect "
                             "in `allow`. Modbus TCP itself has no password.",
                             to->name, to->host);
            continue;
        }
        advise_secret(facts, to, "password_file", to->password_file);
        advise_secret(facts, to, "ca_file", to->ca_file);
        advise_secret(facts, to, "certificate_file", to->certificate_file);
        advise_secret(facts, to, "key_file", to->key_file);
        check_advise_limits(facts, &facts->destinations[i]);
        if (to->mqtt_version == 3)
            check_advise(facts,
                         "Destination %s speaks MQTT 3.1.1: the broker acknowledges even what it "
                         "throws away, so `delivered` is weaker than with version 5.",
                         to->name);
    }
    if (facts->n_destinations == 0)
        check_advise(
            facts, "There is no destination: readings are journaled and shown, but sent nowhere.");
}

/** As a value of the configuration: minutes, from three hours on hours; rounded up where asked. */
static void whole_span(int64_t ms, int up, char into[static 24])
{
    const int64_t unit_ms = ms < 3 * INT64_C(3600000) ? 60000 : 3600000;
    (void)snprintf(into, 24, "%lld %s", (long long)((ms + up * (unit_ms - 1)) / unit_ms),
                   unit_ms == 60000 ? "min" : "h");
}

/** A record is measured from scans before it, which stay as its lead-in and are not handed out. */
static void advise_windows(struct check_facts *facts)
{
    const struct journal_plan *journal = &facts->plan->journal;
    const double by_size_ms = facts->disk_bytes_a_day > 0 ? 0.95 * (double)journal->at_most_bytes /
                                                                facts->disk_bytes_a_day * 86400000.0
                                                          : INFINITY;
    const bool by_size = by_size_ms < (double)journal->keep_ms;
    const int64_t kept_ms = by_size ? (int64_t)by_size_ms : (int64_t)journal->keep_ms;
    const struct well_plan *longest = NULL;
    int64_t lead_ms = 0;
    for (uint16_t w = 0; w < facts->plan->n_wells; w++) {
        const int64_t of_well_ms = retain_lead_ms(facts->plan, &facts->plan->wells[w]);
        longest = of_well_ms > lead_ms ? &facts->plan->wells[w] : longest;
        lead_ms = of_well_ms > lead_ms ? of_well_ms : lead_ms;
    }
    if (longest == NULL || kept_ms >= lead_ms)
        return;
    char kept[24], lead[24];
    whole_span(kept_ms, 0, kept);
    whole_span(lead_ms, 1, lead);
    check_advise(facts,
                 "%s %s of scans, less than the %s from which a value of well %s is measured: of "
                 "scans that old none can be sent again, replayed or recalculated. Set %s so that "
                 "more than %s are kept; a day leaves history to work with.",
                 by_size ? "`at_most` leaves about" : "`keep` leaves", kept, lead, longest->id,
                 by_size ? "`at_most`" : "`keep`", lead);
}

static void advise_journal(struct check_facts *facts)
{
    const struct journal_plan *journal = &facts->plan->journal;
    const double keep_days = (double)journal->keep_ms / 86400000.0;
    const double needed = facts->disk_bytes_a_day * keep_days;
    if (!(facts->disk_bytes_a_day > 0))
        return;
    if (needed > (double)journal->at_most_bytes)
        check_advise(
            facts,
            "`keep` of %.0f days needs about %.1f GB, more than `at_most`: the oldest scans go "
            "after about %.0f days, accepted or not.",
            keep_days, needed / 1e9,
            0.95 * (double)journal->at_most_bytes / facts->disk_bytes_a_day);
    if (journal->n_retain > 0)
        check_advise(facts,
                     "`retain` stops retention at its first interval: nothing younger goes either. "
                     "Where the journal reaches `at_most` before the interval is taken out, it "
                     "grows on until the disk is full; then new scans are lost.");
}

void check_advise_all(struct check_facts *facts)
{
    advise_lines(facts);
    for (unsigned i = 0; i < facts->n_sources; i++) {
        bool is_first_of_map = true;
        for (unsigned j = 0; j < i; j++)
            is_first_of_map = is_first_of_map && facts->sources[j].map != facts->sources[i].map;
        advise_entry(facts, &facts->sources[i]);
        advise_poll(facts, &facts->sources[i]);
        advise_reads(facts, &facts->sources[i]);
        advise_channels(facts, &facts->sources[i]);
        if (is_first_of_map)
            advise_overlaps(facts, facts->sources[i].map);
    }
    check_advise_well_data(facts);
    advise_destinations(facts);
    advise_windows(facts);
    advise_journal(facts);
}
