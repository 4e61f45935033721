/* SPDX-License-Identifier: Apache-2.0
 *
 * support.c - see support.h.
 */
#include "support.h"

#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include <sqlite3.h>

static int64_t boot_us(void *context)
{
    return ((struct rig *)context)->boot_ms * 1000;
}
static int64_t utc_us(void *context)
{
    return ((struct rig *)context)->utc_ms * 1000;
}
static bool is_synchronised(void *context)
{
    return ((struct rig *)context)->clock_state == CLOCK_STATE_SYNCHRONISED;
}
static void sleep_until(void *context, int64_t until_us)
{
    struct rig *rig = context;
    rig->utc_ms += until_us / 1000 - rig->boot_ms;
    rig->boot_ms = until_us / 1000;
}

static const char CONFIGURATION[] =
    "site: heron-ridge\n"
    "box: heron-edge-1\n"
    "lines:\n"
    "  pad-line: {serial: /dev/serial/by-id/rs485-a, speed: 9600 baud, frame: 8N1, "
    "response_timeout: 1 s}\n"
    "  skid-line: {tcp: \"192.0.2.7:502\"}\n"
    "wells:\n"
    "  heron-7:\n"
    "    label: Heron 7\n"
    "    table_block: 0\n"
    "    sources:\n"
    "      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "      drive:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, poll_every: "
    "10 s}\n"
    "  heron-8:\n"
    "    label: Heron 8\n"
    "    table_block: 1\n"
    "    sources:\n"
    "      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n"
    "  plant-broker: {mqtt: \"mqtt://127.0.0.1:18830\"}\n"
    "journal: {path: /var/lib/uphole}\n";

/** A real plan, by way of a file, so that what the journal keeps can be read back. */
static bool make_plan(struct rig *rig)
{
    char path[128];
    struct plan_faults *faults = calloc(1, sizeof *faults);
    rig_path(rig, "uphole.yaml", path);
    FILE *file = fopen(path, "w");
    if (faults == NULL || file == NULL)
        return false;
    fputs(CONFIGURATION, file);
    fclose(file);
    const enum up_rc rc =
        plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &rig->plan, faults);
    for (int i = 0; i < faults->n; i++)
        fprintf(stderr, "%s:%d:%d: %s\n", faults->fault[i].file, faults->fault[i].line,
                faults->fault[i].column, faults->fault[i].text);
    free(faults);
    if (rc == UP_OK)
        rig->wells = rig->plan->wells;
    return rc == UP_OK;
}

int rig_setup(void **state)
{
    struct rig *rig = calloc(1, sizeof *rig);
    if (rig == NULL)
        return -1;
    snprintf(rig->directory, sizeof rig->directory, "/tmp/uphole-journal-XXXXXX");
    if (mkdtemp(rig->directory) == NULL)
        return -1;
    rig->utc_ms = UTC_START;
    rig->boot_ms = 100000;
    rig->clock_state = CLOCK_STATE_SYNCHRONISED;
    rig->clock = (struct up_clock){.boot_us = boot_us,
                                   .utc_us = utc_us,
                                   .is_synchronised = is_synchronised,
                                   .sleep_until = sleep_until,
                                   .context = rig,
                                   .boot = 0x0badcafe};
    *state = rig;
    return make_plan(rig) ? 0 : -1;
}

int rig_teardown(void **state)
{
    struct rig *rig = *state;
    char command[128];
    journal_close(rig->journal);
    snprintf(command, sizeof command, "rm -rf '%s'", rig->directory);
    const int rc = system(command);
    plan_free(rig->plan);
    free(rig);
    return rc;
}

struct stamp rig_now(const struct rig *rig)
{
    return (struct stamp){.utc_ms = rig->utc_ms,
                          .boot_ms = rig->boot_ms,
                          .boot = rig->clock.boot,
                          .clock = rig->clock_state};
}

void rig_start(struct rig *rig, const char *boot_id)
{
    struct up_error error = {0};
    rig->clock.boot =
        (uint32_t)strtoul((char[9]){boot_id[0], boot_id[1], boot_id[2], boot_id[3], boot_id[4],
                                    boot_id[5], boot_id[6], boot_id[7], 0},
                          NULL, 16);
    if (journal_open(rig->directory, &rig->clock, boot_id, &rig->journal, &error) != UP_OK)
        fail_msg("open: %s", error.why);
    const struct stamp began = rig_now(rig);
    if (journal_begin_run(rig->journal, &began, &rig->run, &error) != UP_OK ||
        journal_put_plan(rig->journal, rig->plan, &began, "test", &error) != UP_OK)
        fail_msg("begin: %s", error.why);
}

void rig_kill(struct rig *rig)
{
    journal_close(rig->journal);
    rig->journal = NULL;
}

void rig_path(const struct rig *rig, const char *name, char into[static 128])
{
    snprintf(into, 128, "%s/%s", rig->directory, name);
}

struct scan rig_scan(const struct rig *rig, int well, uint8_t source, uint8_t outcome)
{
    struct scan scan = {.run = rig->run,
                        .begun = rig_now(rig),
                        .took_ms = 42,
                        .plan = rig->plan->id,
                        .well = rig->wells[well].number,
                        .source = source,
                        .outcome = outcome,
                        .tries = 2,
                        .stray = 1,
                        .n_blocks = 2};
    scan.block[0] = (struct block){.function = 4, .first = 0, .count = 1, .at = 0};
    scan.block[1] = (struct block){.function = 4, .first = 16, .count = 2, .at = 1};
    if (outcome_has_data(outcome)) {
        scan.n_words = 3;
        scan.words[0] = 1;
        scan.words[1] = 12345;
        scan.words[2] = 65535;
        return scan;
    }
    scan.block[0].exception = scan.block[1].exception =
        outcome == OUTCOME_EXCEPTION ? 2 : BLOCK_NO_ANSWER;
    scan.block[1].at = 0;
    return scan;
}

void rig_append(struct rig *rig, struct scan *scans, size_t n)
{
    struct up_error error = {0};
    struct batch batch = {.scans = scans, .n_scans = n};
    if (journal_append(rig->journal, &batch, &error) != UP_OK)
        fail_msg("append: %s", error.why);
}

static sqlite3 *open_plain(const struct rig *rig)
{
    char path[128];
    sqlite3 *db = NULL;
    rig_path(rig, JOURNAL_FILE, path);
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, NULL) != SQLITE_OK)
        fail_msg("%s: %s", path, sqlite3_errmsg(db));
    sqlite3_busy_timeout(db, 2000);
    return db;
}

int64_t rig_query(const struct rig *rig, const char *sql)
{
    sqlite3 *db = open_plain(rig);
    sqlite3_stmt *row = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &row, NULL) != SQLITE_OK || sqlite3_step(row) != SQLITE_ROW)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    const int64_t value = sqlite3_column_int64(row, 0);
    sqlite3_finalize(row);
    sqlite3_close(db);
    return value;
}

void rig_execute(const struct rig *rig, const char *sql)
{
    sqlite3 *db = open_plain(rig);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    sqlite3_close(db);
}
