/* SPDX-License-Identifier: Apache-2.0
 *
 * check_show.c - the summary of a good configuration: aligned columns for people, JSON for scripts.
 * Figures about the future say "about".
 */
#include "check.h"
#include "command.h"

#include "uphole/table.h"

#include <string.h>

static const char *seconds(double s, char into[static 24])
{
    (void)snprintf(into, 24, s < 9.995 ? "%.3g s" : s < 100 ? "%.1f s" : "%.0f s", s);
    const size_t n = strlen(into);
    if (n > 4 && strcmp(into + n - 4, ".0 s") == 0)
        (void)snprintf(into + n - 4, 5, " s");
    return into;
}

static const char *bytes(double n, char into[static 24])
{
    if (n >= 1e9)
        (void)snprintf(into, 24, "%.1f GB", n / 1e9);
    else if (n >= 1e6)
        (void)snprintf(into, 24, "%.1f MB", n / 1e6);
    else
        (void)snprintf(into, 24, "%.0f kB", n / 1e3);
    return into;
}

void check_wrapped(FILE *out, int indent, const char *text)
{
    const int width = command_width();
    int column = indent;
    for (const char *at = text; *at;) {
        const int n = (int)strcspn(at, " ");
        if (column > indent && column + 1 + n > width) {
            fprintf(out, "\n%*s", indent, "");
            column = indent;
        } else if (column > indent) {
            fputc(' ', out);
            column++;
        }
        fprintf(out, "%.*s", n, at);
        column += n;
        at += n;
        at += strspn(at, " ");
    }
    fputc('\n', out);
}

static const char *of_line(const struct line_plan *line, char into[static PATH_LENGTH_MAX + 40])
{
    char behind[32] = "";
    if (line->framing == LINE_FRAMING_RTU)
        (void)snprintf(behind, sizeof behind, ", RTU frames, %u baud", line->baud);
    if (line->medium == LINE_MEDIUM_TCP)
        (void)snprintf(into, PATH_LENGTH_MAX + 40,
                       strchr(line->host, ':') ? "[%s]:%u%s" : "%s:%u%s", line->host, line->port,
                       behind);
    else
        (void)snprintf(into, PATH_LENGTH_MAX + 40, "%s, %u baud %u%c%u", line->device, line->baud,
                       line->data_bits, line->parity, line->stop_bits);
    return into;
}

static void show_lines(FILE *out, const struct check_facts *facts)
{
    fprintf(out, "\nLines\n");
    for (unsigned i = 0; i < facts->n_lines; i++) {
        const struct check_line *at = &facts->lines[i];
        char where[PATH_LENGTH_MAX + 40], round[24], bound[24], text[700], listen[24];
        (void)snprintf(text, sizeof text,
                       "%s; %u %s; busy %.1f %% of the time; one round with the longest probe of a "
                       "dead unit %s on the wire (stale limits count with %s)",
                       of_line(at->line, where), at->n_sources,
                       at->n_sources == 1 ? "source" : "sources", 100 * at->share,
                       seconds((double)at->round_us / 1e6, round),
                       seconds(at->bound_ms / 1e3, bound));
        if (at->line->share_line == LINE_LISTENS) {
            (void)snprintf(text, sizeof text, "%s; %u %s; only listened to: not a byte is sent",
                           of_line(at->line, where), at->n_sources,
                           at->n_sources == 1 ? "source" : "sources");
        } else if (at->line->listen_first_ms > 0) {
            const size_t n = strlen(text);
            (void)snprintf(text + n, sizeof text - n,
                           "; listened to for %s before the first request",
                           seconds(at->line->listen_first_ms / 1e3, listen));
        }
        fprintf(out, "  %-16s ", at->line->name);
        check_wrapped(out, 19, text);
    }
}

static const char *ranges_text(const struct read_plan *reads, char *into, size_t room)
{
    static const char *const TABLES[] = {"", "coils", "discrete inputs", "holding", "input"};
    size_t used = 0;
    into[0] = 0;
    for (unsigned i = 0; i < reads->n && used + 48 < room; i++) {
        const struct read_range *range = &reads->range[i];
        used += (size_t)snprintf(into + used, room - used, "%s%s %u to %u%s", i ? "; " : "",
                                 TABLES[range->request.function], range->request.first,
                                 range->request.first + range->request.count - 1,
                                 range->is_status_again ? " (status again)"
                                 : range->is_status     ? " (status first)"
                                                        : "");
    }
    return into;
}

/* Entries that begin later than the one that is used. */
static void show_later_entries(FILE *out, const struct check_facts *facts,
                               const struct check_source *at)
{
    for (unsigned i = 0; i < at->well->n_entries[at->source]; i++) {
        const struct source_entry *entry = &at->well->entries[at->source][i];
        char from[STAMP_TEXT_MAX], poll[24], text[300];
        if (entry <= at->entry)
            continue;
        (void)snprintf(text, sizeof text, "from %s: map %s, line %s, unit id %u, every %s",
                       stamp_to_short_text(entry->from_utc_ms, from),
                       facts->plan->maps[entry->map].name, facts->plan->lines[entry->line].name,
                       entry->unit_id, seconds(entry->poll_every_ms / 1e3, poll));
        fprintf(out, "%19s", "");
        check_wrapped(out, 21, text);
    }
}

/** Which number of the unit-setting register means what, where it means something. */
static void show_unit_register(FILE *out, const struct map *map)
{
    char text[600] = "units follow the unit-setting register: ";
    size_t n = strlen(text);
    if (map->n_unit_settings == 0)
        return;
    for (unsigned k = 0; k < map->n_unit_settings && n < sizeof text; k++) {
        const struct unit_setting *setting = &map->unit_settings[k];
        n += (size_t)snprintf(text + n, sizeof text - n, "%s%s by %s %u:", k > 0 ? "; " : "",
                              setting->kind == QUANTITY_PRESSURE ? "pressures" : "temperatures",
                              map->unit_registers[setting->at].table == TABLE_HOLDING ? "holding"
                                                                                      : "input",
                              map->unit_registers[setting->at].address);
        for (unsigned i = 0; i < setting->n_meanings && n < sizeof text; i++)
            n +=
                (size_t)snprintf(text + n, sizeof text - n, "%s %u %s", i > 0 ? "," : "",
                                 setting->meaning[i].raw, unit_get(setting->meaning[i].unit)->name);
    }
    fprintf(out, "%19s", "");
    check_wrapped(out, 21, text);
}

static void show_source(FILE *out, const struct check_facts *facts, const struct check_source *at)
{
    char wire[24], poll[24], refresh[24], sum[24], limit[24], round[24], ranges[600], text[900];
    const struct source_entry *entry = at->entry;
    fprintf(out, "  %-16s ", at->well->id);
    (void)snprintf(text, sizeof text,
                   "%s: map %s, line %s, unit id %u, every %s; %u %s of %u registers on the "
                   "wire in %s, %.1f %% of the line",
                   source_name(at->source), at->map->name, at->line->name, entry->unit_id,
                   seconds(entry->poll_every_ms / 1e3, poll), at->reads.n,
                   at->reads.n == 1 ? "read" : "reads", at->registers,
                   seconds((double)at->wire_us / 1e6, wire), 100 * at->share);
    check_wrapped(out, 19, text);
    (void)snprintf(text, sizeof text, "reads on the wire, counted from 0: %s",
                   ranges_text(&at->reads, ranges, sizeof ranges));
    fprintf(out, "%19s", "");
    check_wrapped(out, 21, text);
    (void)seconds(entry->refresh_ms / 1e3, refresh);
    (void)seconds((entry->poll_every_ms + entry->refresh_ms) / 1e3, sum);
    (void)seconds(entry->stale_limit_ms / 1e3, limit);
    if (entry->stale_limit_stated)
        (void)snprintf(
            text, sizeof text,
            "stale after %s, as stated; a healthy value reaches poll + refresh = %s + %s = %s",
            limit, poll, refresh, sum);
    else
        (void)snprintf(
            text, sizeof text,
            "stale after 2 x poll + refresh + one round = 2 x %s + %s + %s = %s; a healthy value "
            "reaches %s + %s = %s",
            poll, refresh,
            seconds((entry->stale_limit_ms - 2.0 * entry->poll_every_ms - entry->refresh_ms) / 1e3,
                    round),
            limit, poll, refresh, sum);
    fprintf(out, "%19s", "");
    check_wrapped(out, 21, text);
    show_unit_register(out, at->map);
    show_later_entries(out, facts, at);
}

static size_t credential_text(const char *key, const char *file, char *text, size_t room)
{
    char where[PATH_LENGTH_MAX * 2 + 64];
    if (file[0] == '\0' || strchr(file, '/') != NULL)
        return 0;
    check_credential(file, where, sizeof where);
    const int n = snprintf(text, room, ". `%s`: the credential %s %s", key, file, where);
    return n > 0 && (size_t)n < room ? (size_t)n : 0;
}

static void mqtt_text(const struct check_destination *at, char *text, size_t room)
{
    const struct destination_plan *to = at->destination;
    char day[24], month[24], most[24];
    size_t n = (size_t)snprintf(
        text, room,
        "MQTT %s to %s:%u%s: about %s a day in %.0f messages, %s a month on the network",
        to->mqtt_version == 5 ? "5" : "3.1.1", to->host, to->port, to->tls ? " with TLS" : "",
        bytes(at->bytes_a_day, day), at->messages_a_day, bytes(check_month_bytes(at), month));
    if (to->at_most_a_month > 0 && n < room)
        n += (size_t)snprintf(text + n, room - n, " (`at_most` %s)",
                              bytes((double)to->at_most_a_month, most));
    if (to->backlog_at_most > 0 && n < room)
        n += (size_t)snprintf(text + n, room - n, "; a backlog goes at %u records/s",
                              to->backlog_at_most);
    if (n < room)
        n += credential_text("password_file", to->password_file, text + n, room - n);
    if (n < room)
        (void)credential_text("key_file", to->key_file, text + n, room - n);
}

static void show_destinations(FILE *out, const struct check_facts *facts)
{
    if (facts->n_destinations > 0)
        fprintf(out, "\nDestinations\n");
    for (unsigned i = 0; i < facts->n_destinations; i++) {
        const struct check_destination *at = &facts->destinations[i];
        const struct destination_plan *to = at->destination;
        char text[1200];
        if (to->medium == DESTINATION_MQTT)
            mqtt_text(at, text, sizeof text);
        else
            (void)snprintf(text, sizeof text,
                           "Modbus TCP table at %s:%u, %u %s: about 1.4 kB each time a master "
                           "reads the whole block of a well; nothing by itself. "
                           "See `uphole table`. Monitoring only, not for trips, interlocks or "
                           "closed-loop control",
                           to->host, to->port, to->n_views, to->n_views == 1 ? "view" : "views");
        fprintf(out, "  %-16s ", to->name);
        check_wrapped(out, 19, text);
    }
}

void check_show_text(FILE *out, const struct check_facts *facts)
{
    const struct plan *plan = facts->plan;
    char day[24], all[24], most[24], text[PATH_LENGTH_MAX + 400];
    size_t used;
    fprintf(out, "%s is good: site %s, box %s, %u %s, plan %.8s.\n", facts->file, plan->site,
            plan->box, plan->n_wells, plan->n_wells == 1 ? "well" : "wells", plan->digest);
    show_lines(out, facts);
    fprintf(out, "\nSources (the entry that is used now, then those that begin later)\n");
    for (unsigned i = 0; i < facts->n_sources; i++)
        show_source(out, facts, &facts->sources[i]);
    fprintf(out, "\nDerived points, and what missing sensors and well data switch off\n");
    for (int w = 0; w < plan->n_wells; w++)
        check_show_derived(out, facts, &plan->wells[w]);
    show_destinations(out, facts);
    fprintf(out, "\nJournal\n  %-16s ", "");
    used = (size_t)snprintf(
        text, sizeof text, "%s: about %s a day, %s in %.0f days (`keep`)", plan->journal.path,
        bytes(facts->disk_bytes_a_day, day),
        bytes(facts->disk_bytes_a_day * (double)plan->journal.keep_ms / 86400000.0, all),
        (double)plan->journal.keep_ms / 86400000.0);
    if (facts->disk_bytes_a_day > 0)
        used +=
            (size_t)snprintf(text + used, sizeof text - used,
                             "; 95 %% of %s (`at_most`) are used after about %.0f days",
                             bytes((double)plan->journal.at_most_bytes, most),
                             0.95 * (double)plan->journal.at_most_bytes / facts->disk_bytes_a_day);
    (void)snprintf(
        text + used, sizeof text - used,
        ". The oldest scans go: at `keep` once every destination has accepted them, near "
        "`at_most` in any case");
    check_wrapped(out, 19, text);
    for (uint8_t i = 0; i < plan->journal.n_retain; i++) {
        char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
        const struct retained *interval = &plan->journal.retain[i];
        fprintf(out, "  %-16s ", "");
        (void)snprintf(text, sizeof text, "retained: %s to %s, %s",
                       stamp_to_short_text(interval->from_utc_ms, from),
                       stamp_to_short_text(interval->to_utc_ms, to), interval->reason);
        check_wrapped(out, 19, text);
    }
    if (facts->n_advice > 0)
        fprintf(out, "\nAdvice\n");
    for (unsigned i = 0; i < facts->n_advice; i++) {
        fprintf(out, "  - ");
        check_wrapped(out, 4, facts->advice[i]);
    }
    if (facts->more_advice > 0)
        fprintf(out, "  - and %u more.\n", facts->more_advice);
}

/* ---- JSON ---- */

static void show_source_json(FILE *out, const struct check_facts *facts,
                             const struct check_source *at)
{
    char from[STAMP_TEXT_MAX];
    bool is_first = true;
    fprintf(out,
            "{\"well\":\"%s\",\"source\":\"%s\",\"map\":\"%s\",\"line\":\"%s\",\"unit_id\":%u,"
            "\"poll_ms\":%u,\"refresh_ms\":%u,"
            "\"stale_limit_ms\":%u,\"stale_limit_stated\":%s,\"healthy_age_ms\":%u,\"wire_us\":%"
            "lld,\"share\":%.6f,\"disk_bytes_a_day\":%.0f,\"reads\":[",
            at->well->id, source_name(at->source), at->map->name, at->line->name,
            at->entry->unit_id, at->entry->poll_every_ms, at->entry->refresh_ms,
            at->entry->stale_limit_ms, at->entry->stale_limit_stated ? "true" : "false",
            at->entry->poll_every_ms + at->entry->refresh_ms, (long long)at->wire_us, at->share,
            at->disk_bytes_a_day);
    for (unsigned i = 0; i < at->reads.n; i++)
        fprintf(out, "%s{\"function\":%u,\"first\":%u,\"count\":%u,\"stands_alone\":%s}",
                i ? "," : "", at->reads.range[i].request.function, at->reads.range[i].request.first,
                at->reads.range[i].request.count,
                at->reads.range[i].stands_alone ? "true" : "false");
    fprintf(out, "],\"from\":\"%s\",\"has_begun\":%s,\"later\":[",
            stamp_to_text(at->entry->from_utc_ms, from),
            at->entry->from_utc_ms <= facts->now_utc_ms ? "true" : "false");
    for (unsigned i = 0; i < at->well->n_entries[at->source]; i++) {
        const struct source_entry *entry = &at->well->entries[at->source][i];
        if (entry <= at->entry)
            continue;
        fprintf(out, "%s{\"from\":\"%s\",\"map\":\"%s\",\"line\":\"%s\",\"unit_id\":%u}",
                is_first ? "" : ",", stamp_to_text(entry->from_utc_ms, from),
                facts->plan->maps[entry->map].name, facts->plan->lines[entry->line].name,
                entry->unit_id);
        is_first = false;
    }
    fprintf(out, "]}");
}

void check_show_json(FILE *out, const struct check_facts *facts)
{
    const struct plan *plan = facts->plan;
    fprintf(out, "{\"good\":true,\"site\":\"%s\",\"box\":\"%s\",\"plan\":\"%s\",\"lines\":[",
            plan->site, plan->box, plan->digest);
    for (unsigned i = 0; i < facts->n_lines; i++)
        fprintf(out,
                "%s{\"name\":\"%s\",\"sources\":%u,\"share\":%.6f,\"round_us\":%lld,\"round_bound_"
                "ms\":%u,\"listen_first_ms\":%u,\"framing\":\"%s\",\"listens\":%s}",
                i ? "," : "", facts->lines[i].line->name, facts->lines[i].n_sources,
                facts->lines[i].share, (long long)facts->lines[i].round_us,
                facts->lines[i].bound_ms, facts->lines[i].line->listen_first_ms,
                line_speaks_rtu(facts->lines[i].line) ? "rtu" : "tcp",
                facts->lines[i].line->share_line == LINE_LISTENS ? "true" : "false");
    fprintf(out, "],\"sources\":[");
    for (unsigned i = 0; i < facts->n_sources; i++) {
        fputs(i ? "," : "", out);
        show_source_json(out, facts, &facts->sources[i]);
    }
    fprintf(out, "],\"derived\":[");
    check_show_derived_json(out, facts);
    fprintf(out, "],\"destinations\":[");
    for (unsigned i = 0; i < facts->n_destinations; i++)
        fprintf(
            out,
            "%s{\"name\":\"%s\",\"medium\":\"%s\",\"bytes_a_day\":%.0f,\"messages_a_day\":%.0f}",
            i ? "," : "", facts->destinations[i].destination->name,
            facts->destinations[i].destination->medium == DESTINATION_MQTT ? "mqtt" : "modbus_tcp",
            facts->destinations[i].bytes_a_day, facts->destinations[i].messages_a_day);
    fprintf(out, "],\"disk_bytes_a_day\":%.0f,\"advice\":[", facts->disk_bytes_a_day);
    for (unsigned i = 0; i < facts->n_advice; i++) {
        fputs(i ? "," : "", out);
        command_json_text(out, facts->advice[i]);
    }
    fprintf(out, "],\"more_advice\":%u}\n", facts->more_advice);
}
