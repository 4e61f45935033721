/* SPDX-License-Identifier: Apache-2.0
 *
 * rig.c - see rig.h.
 */
#include "rig.h"

#include "check.h"

#include "uphole/gather.h"

#include <dirent.h>
#include <inttypes.h>
#include <stdlib.h>
#include <unistd.h>

#define BOOT_US (INT64_C(3600) * 1000000)
#define UTC_US (INT64_C(1930118400) * 1000000) /* 2031-03-01T00:00:00Z */

static const char CONFIG[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s}\n"
    "wells:\n  heron-7:\n    label: Heron 7\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 1 s, refresh: 1 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

static int64_t clock_boot(void *context)
{
    struct rig *rig = context;
    rig->now_us += rig->by_look_us;
    return rig->now_us;
}
static int64_t clock_utc(void *context)
{
    return ((struct rig *)context)->now_us - BOOT_US + UTC_US;
}
static bool clock_synchronised(void *context)
{
    (void)context;
    return true;
}
static void clock_sleep(void *context, int64_t until_us)
{
    struct rig *rig = context;
    rig->now_us = until_us > rig->now_us ? until_us : rig->now_us;
}

static void take_want(void *context, const struct wall_want *want)
{
    (void)want;
    ((struct rig *)context)->wants++;
}

static struct plan *read_plan(const struct rig *rig)
{
    char path[sizeof rig->directory + 16];
    snprintf(path, sizeof path, "%s/uphole.yaml", rig->directory);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fprintf(file, "%sjournal: {path: %s}\n", CONFIG, rig->directory);
    fclose(file);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct plan *plan = NULL;
    if (plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, faults) != UP_OK)
        fail_msg("the rig's configuration: %s", faults->n > 0 ? faults->fault[0].text : "?");
    free(faults);
    return plan;
}

static enum up_rc start(struct rig *rig, struct up_error *error)
{
    static const char BOOT_ID[37] = "0da70002-0000-4000-8000-000000000001";
    enum up_rc rc = journal_open(rig->directory, &rig->clock, BOOT_ID, &rig->journal, error);
    if (rc != UP_OK)
        return rc;
    struct clock_watch watch = {.floor_utc_ms = 1700000000000};
    const struct stamp began = stamp_take(&rig->clock, &watch);
    rc = journal_begin_run(rig->journal, &began, &rig->run, error);
    if (rc == UP_OK)
        rc = journal_put_plan(rig->journal, rig->plan, &began, "start", error);
    rig->well = rig->plan->wells[0].number;
    rig->ledger = ledger_create(rig->plan, rig->run, 64);
    if (rc == UP_OK)
        rc = ledger_load(rig->ledger, rig->journal, &began, error);
    const struct core_options options = {.plan = rig->plan,
                                         .clock = &rig->clock,
                                         .journal = rig->journal,
                                         .ledger = rig->ledger,
                                         .rings = &rig->ring,
                                         .n_rings = 1,
                                         .run = rig->run,
                                         .grid_start_us = began.boot_ms * 1000,
                                         .floor_utc_ms = watch.floor_utc_ms,
                                         .want = take_want,
                                         .want_context = rig};
    return rc == UP_OK ? core_create(&options, &rig->core, error) : rc;
}

int rig_setup(void **state)
{
    struct rig *rig = calloc(1, sizeof *rig);
    struct up_error error = {0};
    assert_non_null(rig);
    const char *base = getenv("TMPDIR");
    snprintf(rig->directory, sizeof rig->directory, "%s/uphole-core-XXXXXX",
             base != NULL ? base : "/tmp");
    assert_non_null(mkdtemp(rig->directory));
    rig->now_us = BOOT_US;
    rig->clock = (struct up_clock){.boot_us = clock_boot,
                                   .utc_us = clock_utc,
                                   .is_synchronised = clock_synchronised,
                                   .sleep_until = clock_sleep,
                                   .context = rig,
                                   .boot = 0x0DA70002};
    rig->plan = read_plan(rig);
    rig->ring = ring_create(64, sizeof(struct gathered));
    rig->message = malloc(sizeof *rig->message);
    assert_true(rig->ring != NULL && rig->message != NULL);
    if (start(rig, &error) != UP_OK)
        fail_msg("%s", error.why);
    assert_int_equal(wall_pair(rig->wall), 0);
    core_set_wall(rig->core, rig->wall[0]);
    *state = rig;
    return 0;
}

int rig_teardown(void **state)
{
    struct rig *rig = *state;
    core_destroy(rig->core);
    ledger_destroy(rig->ledger);
    journal_close(rig->journal);
    plan_free(rig->plan);
    ring_destroy(rig->ring);
    for (int i = 0; i < 2; i++)
        if (rig->wall[i] >= 0)
            close(rig->wall[i]);
    free(rig->message);
    DIR *directory = opendir(rig->directory);
    for (struct dirent *entry; directory != NULL && (entry = readdir(directory)) != NULL;) {
        char path[sizeof rig->directory + sizeof entry->d_name + 1];
        snprintf(path, sizeof path, "%s/%s", rig->directory, entry->d_name);
        if (entry->d_name[0] != '.')
            unlink(path);
    }
    if (directory != NULL)
        closedir(directory);
    rmdir(rig->directory);
    free(rig);
    return 0;
}

void rig_step(struct rig *rig, unsigned seconds)
{
    for (unsigned i = 0; i < seconds; i++) {
        rig->now_us += 1000000;
        core_step(rig->core);
    }
}

void rig_poll(struct rig *rig, unsigned n)
{
    for (unsigned i = 0; i < n; i++) {
        static struct gathered item;
        struct clock_watch watch = {.floor_utc_ms = 1700000000000};
        item = (struct gathered){.kind = GATHERED_SCAN};
        item.scan = (struct scan){.run = rig->run,
                                  .begun = stamp_take(&rig->clock, &watch),
                                  .took_ms = 1000,
                                  .plan = rig->plan->id,
                                  .well = rig->well,
                                  .source = SOURCE_GAUGE,
                                  .outcome = OUTCOME_SILENT,
                                  .tries = 1};
        assert_true(ring_put(rig->ring, &item));
        rig_step(rig, 1);
        rig_hear(rig);
    }
}

void rig_hear(struct rig *rig)
{
    while (wall_receive(rig->wall[1], rig->message) == UP_OK) {
        const struct wall_message *message = rig->message;
        rig->states += message->kind == WALL_STATE;
        if (message->kind == WALL_SNAPSHOT) {
            rig->snapshots++;
            rig->newest = message->snapshot;
            if (rig->newest.journaled && rig->newest.seq > rig->largest_journaled_seq)
                rig->largest_journaled_seq = rig->newest.seq;
        } else if (message->kind == WALL_MORE) {
            rig->mores++;
            rig->more = message->more;
            if (rig->more.newest_scan_seq > rig->largest_more_seq)
                rig->largest_more_seq = rig->more.newest_scan_seq;
        }
    }
}

void rig_accept(struct rig *rig, uint16_t well, uint64_t pos, uint64_t seq)
{
    rig->message->kind = WALL_ACCEPTED;
    rig->message->accepted =
        (struct wall_accepted){.well = well, .stream = STREAM_RECORD, .pos = pos, .seq = seq};
    assert_int_equal(wall_send(rig->wall[1], rig->message), UP_OK);
    core_serve_rest(rig->core);
}

struct wall_cursor rig_cursor(struct rig *rig)
{
    struct wall_cursor cursors[4];
    const size_t n = core_cursors(rig->core, cursors, 4);
    for (size_t i = 0; i < n; i++)
        if (cursors[i].stream == STREAM_RECORD)
            return cursors[i];
    fail_msg("core has no cursor of records");
    return cursors[0];
}

unsigned rig_stored(struct rig *rig, uint64_t *newest)
{
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    struct scan *scans = calloc(JOURNAL_SLICE_MAX, sizeof *scans);
    size_t got = 0;
    if (journal_reader_open(rig->directory, &reader, &error) != UP_OK ||
        journal_read_scans(reader, rig->well, 0, JOURNAL_SLICE_MAX, scans, &got, &error) != UP_OK)
        fail_msg("%s", error.why);
    *newest = got > 0 ? scans[got - 1].seq : 0;
    journal_reader_close(reader);
    free(scans);
    return (unsigned)got;
}

void rig_take_disk(struct rig *rig, bool away)
{
    char here[sizeof rig->directory + 16], there[sizeof rig->directory + 16];
    snprintf(here, sizeof here, "%s/" JOURNAL_FILE, rig->directory);
    snprintf(there, sizeof there, "%s/moved", rig->directory);
    assert_int_equal(away ? rename(here, there) : rename(there, here), 0);
}
