/* SPDX-License-Identifier: Apache-2.0
 *
 * status_box.c - see status_box.h: the box in sentences and as an object.
 */
#include "status_box.h"
#include "socket_text.h"

#include "uphole/publish.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/utsname.h>
#include <unistd.h>

#define DAY_MS 86400000.0
#define STUCK_TOLD_MS 60000 /* a slice of a reader is over long before */

/** The number behind `name` in a file of lines like "name: 123"; false where it is not there. */
static bool number_in(const char *path, const char *name, uint64_t *number)
{
    char line[160];
    bool found = false;
    FILE *file = fopen(path, "re");
    if (file == NULL)
        return false;
    while (!found && fgets(line, sizeof line, file) != NULL)
        if (strncmp(line, name, strlen(name)) == 0)
            found = sscanf(line + strlen(name), " %" SCNu64, number) == 1;
    fclose(file);
    return found;
}

/** CLOCK_BOOTTIME (ms) at which this process began (proc(5): field 22 of stat, clock ticks). */
static bool process_began_ms(int64_t *began_ms)
{
    char line[1024];
    const long ticks = sysconf(_SC_CLK_TCK);
    FILE *file = fopen("/proc/self/stat", "re");
    const char *at = file != NULL ? fgets(line, sizeof line, file) : NULL;
    if (file != NULL)
        fclose(file);
    at = at != NULL ? strrchr(line, ')') : NULL; /* the name may hold blanks */
    for (int field = 2; at != NULL && field < 22; field++)
        at = strchr(at + 1, ' ');
    if (at == NULL || ticks <= 0)
        return false;
    *began_ms = (int64_t)(strtoull(at, NULL, 10) * 1000 / (unsigned long long)ticks);
    return true;
}

void status_written(int64_t now_boot_ms, struct status_written *out)
{
    int64_t began_ms = 0;
    *out = (struct status_written){.known = false};
    if (!number_in("/proc/self/io", "write_bytes:", &out->bytes) || !process_began_ms(&began_ms))
        return;
    out->ms = now_boot_ms > began_ms ? now_boot_ms - began_ms : 0;
    out->known = true;
}

double status_bytes_a_day(int64_t bytes, int64_t ms)
{
    return ms < STATUS_RATE_AFTER_MS ? NAN : (double)bytes * DAY_MS / (double)ms;
}

uint64_t status_memory_of(pid_t pid)
{
    char path[48];
    uint64_t kb = 0;
    snprintf(path, sizeof path, "/proc/%ld/status", (long)pid);
    return pid > 0 && number_in(path, "RssAnon:", &kb) ? kb * 1024 : 0;
}

void status_versions(struct status_versions *out)
{
    struct utsname kernel;
    snprintf(out->sqlite, sizeof out->sqlite, "%s", journal_sqlite_version());
    gather_modbus_version(out->libmodbus, sizeof out->libmodbus);
    publish_mosquitto_version(out->libmosquitto, sizeof out->libmosquitto);
    snprintf(out->kernel, sizeof out->kernel, "%.70s", uname(&kernel) == 0 ? kernel.release : "?");
}

/* ---- in sentences ---- */

static void add_a_day(struct socket_text *text, double bytes_a_day)
{
    if (isnan(bytes_a_day))
        text_add(text, " (a day's figure after 10 min)");
    else
        text_add(text, ", %.1f MB a day", bytes_a_day / 1e6);
}

/** What retention does, and what stands in its way. */
static void retention_lines(const struct status_view *view, const struct stamp *now,
                            const struct journal_room *room, struct socket_text *text)
{
    const struct retain *retain = view->retain;
    const struct journal_plan *journal = &view->plan->journal;
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    if (room->tight)
        text_add(text,
                 "             the disk is full: the journal lives within its file, and the oldest "
                 "scans go for new ones. Make room on the disk\n");
    if (room->stuck_since_ms != 0 && now->boot_ms - room->stuck_since_ms >= STUCK_TOLD_MS)
        text_add(
            text,
            "             another program has been reading the journal for %s: its write-ahead "
            "log grows (%.1f MB). End that program\n",
            duration_to_text(now->boot_ms - room->stuck_since_ms, from),
            (double)room->log_bytes / 1e6);
    if (retain == NULL)
        return;
    for (uint8_t i = 0; i < journal->n_retain; i++)
        text_add(text, "             retained: %s to %s (%s)%s\n",
                 stamp_to_short_text(journal->retain[i].from_utc_ms, from),
                 stamp_to_short_text(journal->retain[i].to_utc_ms, to), journal->retain[i].reason,
                 retain->held_by_interval != i + 1 ? ""
                 : retain->needs_room ? ". It stands in the way: retention can't make room; new "
                                        "scans are stored until the disk is full"
                                      : ". It stands in the way of age");
    if (retain->warned_at != 0)
        text_add(text,
                 "             the journal is filled to %u %%, and its oldest scans were not "
                 "accepted everywhere: at 95 %% they go\n",
                 retain->filled_percent);
    if (retain->removed_all > 0)
        text_add(text, "             retention has removed scans up to %s\n",
                 stamp_to_short_text(retain->removed_to_utc_ms, to));
    if (retain_age_ahead_ms(&retain->age) > 0)
        text_add(text,
                 "             the box's clock is %s ahead of what it showed before: until it has "
                 "been synchronised there for a day no scan is removed by it\n",
                 duration_to_text(retain_age_ahead_ms(&retain->age), from));
    if (retain->held_for != NULL)
        text_add(text,
                 "             scans older than `keep` wait for %s, which has not accepted them\n",
                 retain->held_for);
}

static void books_line(const struct status_view *view, struct socket_text *text)
{
    static const char *const WORDS[] = {[BOOKS_HOLD] = "hold",
                                        [BOOKS_UNDECIDED] =
                                            "hold, but for what no clock could tell",
                                        [BOOKS_DO_NOT_HOLD] = "DO NOT HOLD; run 'uphole audit'"};
    const struct wall_books *books = core_books(view->core);
    char at[STAMP_TEXT_MAX], from[STAMP_TEXT_MAX];
    if (books->verdict == BOOKS_UNKNOWN || books->verdict > BOOKS_DO_NOT_HOLD) {
        text_add(text, "  books      not audited yet since the start; once a day\n");
        return;
    }
    text_add(text,
             "  books      %s: audited %s since %s: %" PRIu64 " polls due, %" PRIu64
             " rows, %" PRIu64 " never attempted",
             WORDS[books->verdict], stamp_to_short_text(books->at_utc_ms, at),
             stamp_to_short_text(books->from_utc_ms, from), books->due, books->rows, books->never);
    if (books->damaged > 0)
        text_add(text, ", %" PRIu64 " damaged", books->damaged);
    text_add(text, "\n");
}

static void disk_lines(const struct status_view *view, const struct stamp *now,
                       struct socket_text *text)
{
    struct status_space space;
    struct status_written written;
    char span[STAMP_TEXT_MAX];
    status_space_of(view->core, &space);
    status_written(now->boot_ms, &written);
    text_add(text,
             "  disk       space lasts %u days; the journal holds %.1f MB, %.1f GB are free\n",
             space.days_left, (double)space.bytes / 1e6, (double)space.free_bytes / 1e9);
    text_add(text, "             planned: the journal grows by %.1f MB a day; seen",
             space.bytes_a_day / 1e6);
    if (space.grown_ms >= STATUS_RATE_AFTER_MS)
        text_add(text, ": %+.1f MB in %s", (double)space.grown_bytes / 1e6,
                 duration_to_text(space.grown_ms, span));
    add_a_day(text, status_bytes_a_day(space.grown_bytes, space.grown_ms));
    text_add(text, "\n");
    retention_lines(view, now, &space.room, text);
    if (!written.known)
        return;
    text_add(text, "             written to storage: %.1f MB in %s", (double)written.bytes / 1e6,
             duration_to_text(written.ms, span));
    add_a_day(text, status_bytes_a_day((int64_t)written.bytes, written.ms));
    text_add(text, "\n");
}

static const char *journal_words(const struct status_view *view)
{
    if (core_journal_refuses(view->core))
        return "the disk refuses: nothing new is stored. Check its space and state";
    return view->safe ? "checked; records are stored before they are sent"
                      : "being checked; nothing is published before that ends";
}

static void reload_line(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text)
{
    const struct status_reload *reload = view->reload;
    if (reload == NULL || reload->at.boot_ms == 0)
        return;
    text_add(text, "  reload     %s", reload->refused ? "new configuration refused" : "taken");
    text_add_since(text, reload->at.utc_ms, now->utc_ms);
    text_add(text, reload->refused ? ": the plan before goes on. %s\n" : "%s\n",
             reload->refused ? reload->why : "");
}

void status_box_as_text(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text)
{
    struct status_versions versions;
    status_versions(&versions);
    text_add(text, "Box\n  clock      %s", clock_state_name(now->clock));
    text_add_since(text, view->clock_since.utc_ms, now->utc_ms);
    text_add(text, "%s\n",
             now->clock == CLOCK_STATE_SYNCHRONISED ? "" : ". Times may be wrong; records say so");
    disk_lines(view, now, text);
    books_line(view, text);
    text_add(text, "  journal    %s\n", journal_words(view));
    reload_line(view, now, text);
    const uint64_t scada_bytes = status_memory_of(view->side);
    text_add(text, "  memory     well side %.1f MB, SCADA side ",
             (double)status_memory_of(getpid()) / 1e6);
    if (scada_bytes > 0)
        text_add(text, "%.1f MB\n", (double)scada_bytes / 1e6);
    else
        text_add(text, "not known\n");
    text_add(text, "  SCADA side %s\n",
             view->side > 0 ? "runs" : "does not run; it is started again");
    text_add(text, "  versions   Uphole %s, SQLite %s, libmodbus %s, libmosquitto %s, kernel %s\n",
             UPHOLE_VERSION, versions.sqlite, versions.libmodbus, versions.libmosquitto,
             versions.kernel);
}

/* ---- as an object ---- */

static void add_reload(const struct status_view *view, struct socket_text *text)
{
    const struct status_reload *reload = view->reload;
    text_add(text, ",\"reload\":");
    if (reload == NULL || reload->at.boot_ms == 0) {
        text_add(text, "null");
        return;
    }
    text_add(text, "{\"refused\":%s,\"at\":", reload->refused ? "true" : "false");
    text_add_instant(text, reload->at.utc_ms);
    text_add(text, ",\"why\":");
    text_add_string(text, reload->why);
    text_add(text, "}");
}

static void add_retention(const struct status_view *view, const struct journal_room *room,
                          struct socket_text *text)
{
    const struct retain *retain = view->retain;
    text_add(text,
             ",\"disk_full\":%s,\"reserve_bytes\":%" PRIu64 ",\"reserve_wanted_bytes\":%" PRIu64
             ",\"log_bytes\":%" PRIu64 ",\"removed_to\":",
             room->tight ? "true" : "false", room->reserve_bytes, room->reserve_wanted,
             room->log_bytes);
    if (retain == NULL || retain->removed_all == 0)
        text_add(text, "null");
    else
        text_add_instant(text, retain->removed_to_utc_ms);
    text_add(text, ",\"clock_ahead_ms\":%" PRId64,
             retain == NULL ? 0 : retain_age_ahead_ms(&retain->age));
    text_add(text, ",\"retained_intervals\":%u,\"retention_stopped\":%s,\"kept_for\":",
             view->plan->journal.n_retain, retain != NULL && retain->needs_room ? "true" : "false");
    if (retain == NULL || retain->held_for == NULL)
        text_add(text, "null");
    else
        text_add_string(text, retain->held_for);
}

static void add_journal(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text)
{
    struct status_space space;
    struct status_written written;
    status_space_of(view->core, &space);
    status_written(now->boot_ms, &written);
    text_add(text,
             "\"journal\":{\"checked\":%s,\"refuses\":%s,\"bytes\":%" PRIu64
             ",\"free_bytes\":%" PRIu64
             ",\"planned_bytes_a_day\":%.0f,\"days_left\":%u,\"grown_bytes\":%" PRId64
             ",\"grown_s\":%" PRId64 ",\"grown_bytes_a_day\":",
             view->safe ? "true" : "false", core_journal_refuses(view->core) ? "true" : "false",
             space.bytes, space.free_bytes, space.bytes_a_day, space.days_left, space.grown_bytes,
             space.grown_ms / 1000);
    text_add_number(text, status_bytes_a_day(space.grown_bytes, space.grown_ms), 1);
    if (written.known)
        text_add(text, ",\"written_bytes\":%" PRIu64 ",\"written_s\":%" PRId64, written.bytes,
                 written.ms / 1000);
    else
        text_add(text, ",\"written_bytes\":null,\"written_s\":null");
    text_add(text, ",\"written_bytes_a_day\":");
    text_add_number(
        text, written.known ? status_bytes_a_day((int64_t)written.bytes, written.ms) : NAN, 1);
    add_retention(view, &space.room, text);
    text_add(text, "}");
}

static void add_books(const struct status_view *view, struct socket_text *text)
{
    const struct wall_books *books = core_books(view->core);
    char at[STAMP_TEXT_MAX], from[STAMP_TEXT_MAX];
    text_add(text, ",\"books\":{\"state\":\"%s\"", books_verdict_name(books->verdict));
    if (books->verdict != BOOKS_UNKNOWN)
        text_add(text,
                 ",\"audited\":\"%s\",\"from\":\"%s\",\"due\":%" PRIu64 ",\"rows\":%" PRIu64
                 ",\"never_attempted\":%" PRIu64 ",\"damaged\":%" PRIu64,
                 stamp_to_text(books->at_utc_ms, at), stamp_to_text(books->from_utc_ms, from),
                 books->due, books->rows, books->never, books->damaged);
    text_add(text, "}");
}

void status_box_as_json(const struct status_view *view, const struct stamp *now,
                        struct socket_text *text)
{
    const struct core_counts *counts = core_counts_of(view->core);
    const uint64_t scada_bytes = status_memory_of(view->side);
    char scada[24] = "null";
    struct status_versions versions;
    if (scada_bytes > 0)
        snprintf(scada, sizeof scada, "%" PRIu64, scada_bytes);
    status_versions(&versions);
    add_journal(view, now, text);
    add_books(view, text);
    text_add(text,
             ",\"counts\":{\"scans\":%" PRIu64 ",\"commits\":%" PRIu64
             ",\"failed_commits\":%" PRIu64 ",\"accepted\":%" PRIu64 ",\"refused\":%" PRIu64
             ",\"bad_messages\":%" PRIu64 "}",
             counts->scans, counts->commits, counts->failed_commits, counts->accepted,
             counts->refused, counts->bad_messages);
    add_reload(view, text);
    text_add(text,
             ",\"own_memory_bytes\":%" PRIu64 ",\"scada_side_memory_bytes\":%s"
             ",\"scada_side_runs\":%s,\"versions\":{\"uphole\":\"" UPHOLE_VERSION "\",\"sqlite\":",
             status_memory_of(getpid()), scada, view->side > 0 ? "true" : "false");
    text_add_string(text, versions.sqlite);
    text_add(text, ",\"libmodbus\":");
    text_add_string(text, versions.libmodbus);
    text_add(text, ",\"libmosquitto\":");
    text_add_string(text, versions.libmosquitto);
    text_add(text, ",\"kernel\":");
    text_add_string(text, versions.kernel);
    text_add(text, "}");
}
