/* SPDX-License-Identifier: Apache-2.0
 *
 * support_parts.c - what goes into a support file, part by part; see support.h. The journal is read
 * in slices beside a running daemon.
 */
#include "socket_text.h"
#include "status_box.h"
#include "support.h"

#include "uphole/publish.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define PLANS_MOST 16
#define SCANS_SLICES_MOST 100000
#define TRACE_MEMBER "trace/%s.txt"

void support_misses(struct support *support, const char *format, ...)
{
    va_list arguments;
    if (support->n_missing == SUPPORT_MISSING_MAX) {
        snprintf(support->missing[SUPPORT_MISSING_MAX - 1], sizeof support->missing[0],
                 "More is missing or cut than is listed here.");
        return;
    }
    char *into = support->missing[support->n_missing++];
    va_start(arguments, format);
    (void)vsnprintf(into, sizeof support->missing[0], format, arguments);
    va_end(arguments);
}

static struct socket_text line_of(struct support *support)
{
    support->line[0] = '\0';
    return (struct socket_text){.at = support->line, .room = SUPPORT_LINE_MAX};
}

static void put_line(struct support *support, struct socket_text *text)
{
    text_add(text, "\n");
    if (!text->cut)
        tar_write(&support->tar, text->at, text->n);
}

static const char *well_name(struct support *support, uint16_t number,
                             char into[static NAME_LENGTH_MAX + 1])
{
    if (!journal_read_well_id(support->reader, number, into))
        snprintf(into, NAME_LENGTH_MAX + 1, "well-%u", number);
    return into;
}

/* ---- the configuration ---- */

static enum up_rc put_plan(struct support *support, uint32_t id, struct up_error *error)
{
    char *text = NULL, digest[65], name[64];
    size_t length = 0;
    const enum up_rc rc = journal_read_plan(support->reader, id, &text, &length, digest, error);
    if (rc == UP_OK) {
        snprintf(name, sizeof name, "plan-%u.yaml", id);
        tar_begin(&support->tar, name);
        tar_write(&support->tar, text, length);
        tar_end(&support->tar);
    }
    free(text);
    return rc;
}

enum up_rc support_put_plans(struct support *support, struct up_error *error)
{
    const uint32_t oldest = support->plan_id > PLANS_MOST ? support->plan_id - PLANS_MOST + 1 : 1;
    enum up_rc rc = UP_OK;
    if (oldest > 1)
        support_misses(support, "Of %u configurations only the newest %d are here.",
                       support->plan_id, PLANS_MOST);
    for (uint32_t id = oldest; id <= support->plan_id && rc == UP_OK; id++)
        rc = put_plan(support, id, error);
    return rc;
}

/* ---- ledger, events, cursors ---- */

enum up_rc support_put_gaps(struct support *support, struct up_error *error)
{
    struct gap *rows = calloc(JOURNAL_SLICE_MAX, sizeof *rows);
    char *text = malloc(PAYLOAD_MAX), name[NAME_LENGTH_MAX + 1];
    size_t got = JOURNAL_SLICE_MAX;
    enum up_rc rc = rows != NULL && text != NULL
                        ? UP_OK
                        : UP_FAIL(error, UP_E_MEMORY, "no memory to read the ledger");
    tar_begin(&support->tar, "gaps.ndjson");
    for (size_t skip = 0; rc == UP_OK && got == JOURNAL_SLICE_MAX && support->plan != NULL;
         skip += got) {
        rc = journal_read_ledger(support->reader, support->from_utc_ms, support->to_utc_ms, skip,
                                 JOURNAL_SLICE_MAX, rows, &got, error);
        for (size_t i = 0; rc == UP_OK && i < got; i++) {
            const size_t length =
                payload_gap(text, PAYLOAD_MAX, support->plan, &rows[i],
                            rows[i].all_wells ? NULL : well_name(support, rows[i].well, name));
            tar_write(&support->tar, text, length);
            tar_write(&support->tar, "\n", 1);
        }
    }
    tar_end(&support->tar);
    free(rows);
    free(text);
    return rc;
}

enum up_rc support_put_events(struct support *support, struct up_error *error)
{
    struct event *rows = calloc(JOURNAL_SLICE_MAX, sizeof *rows);
    size_t got = JOURNAL_SLICE_MAX;
    enum up_rc rc =
        rows != NULL ? UP_OK : UP_FAIL(error, UP_E_MEMORY, "no memory to read the events");
    tar_begin(&support->tar, "events.ndjson");
    for (uint64_t after = 0; rc == UP_OK && got == JOURNAL_SLICE_MAX;) {
        rc = journal_read_events(support->reader, after, support->from_utc_ms, support->to_utc_ms,
                                 JOURNAL_SLICE_MAX, rows, &got, error);
        for (size_t i = 0; rc == UP_OK && i < got; i++) {
            struct socket_text text = line_of(support);
            after = rows[i].pos;
            text_add(&text, "{\"pos\":%" PRIu64 ",\"at\":", rows[i].pos);
            text_add_instant(&text, rows[i].utc_ms);
            text_add(&text, ",\"kind\":");
            text_add_string(&text, rows[i].kind);
            text_add(&text, ",\"who\":");
            text_add_string(&text, rows[i].who);
            text_add(&text, ",\"text\":");
            text_add_string(&text, rows[i].text);
            text_add(&text, "}");
            put_line(support, &text);
        }
    }
    tar_end(&support->tar);
    free(rows);
    return rc;
}

enum up_rc support_put_cursors(struct support *support, struct up_error *error)
{
    enum { ROOM = 4096 };
    static const char *const STREAMS[] = {"", "record", "gap", "order"};
    struct cursor *cursors = calloc(ROOM, sizeof *cursors);
    char name[NAME_LENGTH_MAX + 1];
    if (cursors == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the cursors");
    const size_t n = journal_read_cursors(support->reader, cursors, ROOM);
    tar_begin(&support->tar, "cursors.ndjson");
    for (size_t i = 0; i < n; i++)
        tar_print(
            &support->tar,
            "{\"destination\":\"%s\",\"well\":\"%s\",\"stream\":\"%s\",\"accepted_pos\":%" PRIu64
            ",\"accepted_seq\":%" PRIu64 "}\n",
            cursors[i].destination, well_name(support, cursors[i].well, name),
            cursors[i].stream < 4 ? STREAMS[cursors[i].stream] : "", cursors[i].pos,
            cursors[i].seq);
    tar_end(&support->tar);
    free(cursors);
    return UP_OK;
}

/* ---- raw scans ---- */

static struct socket_text scan_line(struct support *support, const struct scan *scan,
                                    const char *well)
{
    struct socket_text text = line_of(support);
    text_add(&text,
             "{\"pos\":%" PRIu64 ",\"run\":\"%016" PRIx64 "\",\"well\":\"%s\",\"seq\":%" PRIu64
             ",\"source\":\"%s\",\"plan\":%u,\"at\":",
             scan->pos, scan->run, well, scan->seq, source_name(scan->source), scan->plan);
    text_add_instant(&text, scan->begun.utc_ms);
    text_add(&text,
             ",\"boot_ms\":%" PRId64
             ",\"clock\":\"%s\",\"took_ms\":%u,\"outcome\":\"%s\",\"tries\":%u,\"stray\":%u,"
             "\"blocks\":[",
             scan->begun.boot_ms, clock_state_name(scan->begun.clock), scan->took_ms,
             outcome_name(scan->outcome), scan->tries, scan->stray);
    for (unsigned b = 0; b < scan->n_blocks && b < SCAN_BLOCKS_MAX; b++) {
        const struct block *block = &scan->block[b];
        const unsigned n = block->exception != 0 ? 0
                           : block->function == 1 || block->function == 2
                               ? (block->count + 15u) / 16u
                               : block->count;
        text_add(&text,
                 "%s{\"function\":%u,\"first\":%u,\"count\":%u,\"exception\":%u,\"words\":\"",
                 b == 0 ? "" : ",", block->function, block->first, block->count, block->exception);
        for (unsigned i = 0; i < n && block->at + i < SCAN_WORDS_MAX; i++)
            text_add(&text, i == 0 ? "%04X" : " %04X", scan->words[block->at + i]);
        text_add(&text, "\"}");
    }
    text_add(&text, "]}");
    return text;
}

/** Where to begin so that what a well's scans take stays within `room`: the oldest are left out. */
static enum up_rc begin_within(struct support *support, uint16_t number, const char *well,
                               uint64_t room, struct row_range *range, struct up_error *error)
{
    size_t got = 0;
    enum up_rc rc = journal_read_scans(support->reader, number, range->from - 1, JOURNAL_SLICE_MAX,
                                       support->scans, &got, error);
    if (rc != UP_OK || got == 0)
        return rc;
    size_t bytes = 0;
    for (size_t i = 0; i < got; i++)
        bytes += scan_line(support, &support->scans[i], well).n + 1;
    const double each = (double)bytes / (double)got;
    const uint64_t n = range->to_seq - range->from_seq + 1,
                   fit = (uint64_t)((double)room / (each * 1.05));
    if (n <= fit)
        return UP_OK;
    struct row_range later;
    rc = journal_range_of_seq(support->reader, number, range->to_seq - fit, range->to_seq, &later,
                              error);
    if (rc != UP_OK || later.from == 0)
        return rc;
    support_misses(support,
                   "The oldest %" PRIu64 " of %" PRIu64 " scans of %s are left out, since the file "
                   "may hold %.1f MB: ask for a shorter time, or for more with --at-most.",
                   later.from_seq - range->from_seq, n, well, (double)support->at_most / 1e6);
    *range = later;
    return UP_OK;
}

static enum up_rc put_scans_of(struct support *support, uint16_t number, const char *well,
                               uint64_t room, struct up_error *error)
{
    struct row_range range = {.from = 0};
    char name[TAR_NAME_MAX];
    enum up_rc rc = journal_range_of_time(support->reader, number, support->from_utc_ms,
                                          support->to_utc_ms, &range, error);
    snprintf(name, sizeof name, "scans/%s.ndjson", well);
    tar_begin(&support->tar, name);
    if (rc == UP_OK && range.from != 0)
        rc = begin_within(support, number, well, room, &range, error);
    uint64_t after = range.from - 1;
    for (unsigned slice = 0;
         rc == UP_OK && range.from != 0 && after < range.to && slice < SCANS_SLICES_MOST; slice++) {
        size_t got = 0;
        rc = journal_read_scans(support->reader, number, after, JOURNAL_SLICE_MAX, support->scans,
                                &got, error);
        for (size_t i = 0; rc == UP_OK && i < got && support->scans[i].pos <= range.to; i++) {
            if (support->tar.member >= room) {
                support_misses(support,
                               "Scans of %s after seq %" PRIu64 " are left out: the file "
                               "is full.",
                               well, support->scans[i].seq - 1);
                range.to = 0;
                break;
            }
            struct socket_text text = scan_line(support, &support->scans[i], well);
            put_line(support, &text);
        }
        if (got == 0)
            break;
        after = support->scans[got - 1].pos;
    }
    tar_end(&support->tar);
    return rc;
}

enum up_rc support_put_scans(struct support *support, struct up_error *error)
{
    char well[NAME_LENGTH_MAX + 1];
    uint16_t n = 0;
    enum up_rc rc = UP_OK;
    while (n < UINT16_MAX && journal_read_well_id(support->reader, (uint16_t)(n + 1), well))
        n++;
    for (uint16_t i = 0; i < n && rc == UP_OK; i++) {
        const uint64_t left =
            support->at_most > support->tar.bytes ? support->at_most - support->tar.bytes : 0;
        rc = put_scans_of(support, (uint16_t)(i + 1), well_name(support, (uint16_t)(i + 1), well),
                          left / (uint64_t)(n - i), error);
    }
    return rc;
}

/* ---- the running daemon ---- */

static bool put_answer(struct support *support, const char *question, const char *member)
{
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    const int code = socket_ask(&support->asked, question, &body, &length, &error);
    if (code != 0) {
        support_misses(support, "%s is missing: %.220s.", member, error.why);
        return false;
    }
    tar_begin(&support->tar, member);
    tar_write(&support->tar, body, length);
    tar_end(&support->tar);
    free(body);
    return true;
}

void support_put_running(struct support *support)
{
    char question[NAME_LENGTH_MAX + 16], member[NAME_LENGTH_MAX + 16];
    support->running = put_answer(support, "status json", "status.json");
    if (!support->running) {
        support_misses(support, "Without a running Uphole there is no status and no line trace.");
        return;
    }
    (void)put_answer(support, "status text", "status.txt");
    for (uint16_t i = 0; support->plan != NULL && i < support->plan->n_lines; i++) {
        snprintf(question, sizeof question, "trace text %s", support->plan->lines[i].name);
        snprintf(member, sizeof member, TRACE_MEMBER, support->plan->lines[i].name);
        (void)put_answer(support, question, member);
    }
}

void support_put_versions(struct support *support)
{
    struct status_versions versions;
    status_versions(&versions);
    tar_begin(&support->tar, "versions.txt");
    tar_print(&support->tar,
              "of the program that made this file:\nuphole %s\nmeasure_version %u\nsqlite %s\n"
              "libmodbus %s\nlibmosquitto %s\nkernel %s\n",
              UPHOLE_VERSION, MEASURE_VERSION, versions.sqlite, versions.libmodbus,
              versions.libmosquitto, versions.kernel);
    tar_end(&support->tar);
}
