/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_drain_fill.c - a journal as an outage of the link leaves it: the scans of an earlier boot,
 * taken from virtual units by the read plans of their maps, with their facts, sealed as they age,
 * all undelivered.
 *
 * usage: bench_drain_fill CONFIG MAPS SCANS; writes into the configuration's journal, polls each
 * source every 10 s, and ends a minute before now. bench_drain.py runs it.
 */
#include "uphole/gather.h"
#include "uphole/journal.h"
#include "uphole/measure.h"
#include "uphole/simulate.h"
#include "uphole/wire.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define POLL_MS 10000
#define SOURCES_MAX (PLAN_WELLS_MAX * SOURCE_KINDS)
#define BOOT 0x0DA70001u
#define BOOT_ID "0da70001-0000-4000-8000-000000000000"

struct filled {
    const struct well_plan *well;
    uint8_t source;
    struct virtual_unit *unit;
    struct read_plan reads;
    struct fold *fold; /* its well's */
};

struct fill {
    int64_t utc_ms, boot_ms;
    struct plan *plan;
    struct journal *journal;
    uint64_t run;
    size_t n_sources, n_scans, n_facts;
    struct filled sources[SOURCES_MAX];
    struct scan scans[JOURNAL_BATCH_SCANS_MAX];
    struct fact facts[JOURNAL_BATCH_SCANS_MAX];
    struct record record;
};

static int64_t boot_us(void *context)
{
    return ((struct fill *)context)->boot_ms * 1000;
}
static int64_t utc_us(void *context)
{
    return ((struct fill *)context)->utc_ms * 1000;
}
static bool is_synchronised(void *context)
{
    (void)context;
    return true;
}
static void sleep_until(void *context, int64_t until_us)
{
    (void)context;
    (void)until_us;
}

static void fail(const char *what)
{
    fprintf(stderr, "bench_drain_fill: %s\n", what);
    exit(1);
}

static void add_source(struct fill *fill, const struct well_plan *well, uint8_t source,
                       struct fold *fold)
{
    struct up_error error = {0};
    const struct source_entry *entry = plan_entry_at(well, source, fill->utc_ms);
    if (entry == NULL)
        return;
    struct filled *to = &fill->sources[fill->n_sources++];
    const struct map *map = &fill->plan->maps[entry->map];
    const struct virtual_unit_options options = {
        .map = map, .unit_id = entry->unit_id, .seed = 2031 + fill->n_sources};
    *to = (struct filled){.well = well, .source = source, .fold = fold};
    to->unit = virtual_unit_create(&options, &error);
    if (to->unit == NULL ||
        read_plan_make(map, &fill->plan->lines[entry->line], &to->reads, &error) != UP_OK)
        fail(error.why);
}

static void open_all(struct fill *fill, const char *config, const char *maps, int64_t scans)
{
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct up_error error = {0};
    if (faults == NULL || plan_from_file(config, maps, &fill->plan, faults) != UP_OK)
        fail("the configuration does not read");
    free(faults);
    unsigned sources = 0;
    for (unsigned w = 0; w < fill->plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            sources += fill->plan->wells[w].n_entries[s] > 0;
    if (sources == 0)
        fail("no sources");
    fill->utc_ms = time(NULL) * 1000LL - 60000 - scans / sources * POLL_MS;
    fill->boot_ms = 3600000;
    const struct up_clock clock = {.boot_us = boot_us,
                                   .utc_us = utc_us,
                                   .is_synchronised = is_synchronised,
                                   .sleep_until = sleep_until,
                                   .context = fill,
                                   .boot = BOOT};
    const struct stamp began = {.utc_ms = fill->utc_ms,
                                .boot_ms = fill->boot_ms,
                                .boot = BOOT,
                                .clock = CLOCK_STATE_SYNCHRONISED};
    if (journal_open(fill->plan->journal.path, &clock, BOOT_ID, &fill->journal, &error) != UP_OK ||
        journal_begin_run(fill->journal, &began, &fill->run, &error) != UP_OK ||
        journal_put_plan(fill->journal, fill->plan, &began, "bench", &error) != UP_OK)
        fail(error.why);
    for (unsigned w = 0; w < fill->plan->n_wells; w++) {
        struct fold *fold = malloc(fold_bytes());
        if (fold == NULL)
            fail("no memory");
        fold_init(fold);
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            add_source(fill, &fill->plan->wells[w], s, fold);
    }
}

/** One range, as the unit answers it. */
static void read_range(const struct filled *from, int64_t at_ms, const struct read_request *request,
                       struct scan *scan)
{
    uint8_t pdu[5] = {request->function}, answer[PDU_MAX];
    put_u16(pdu + 1, request->first);
    put_u16(pdu + 3, request->count);
    const size_t n = virtual_unit_answer(from->unit, at_ms, pdu, sizeof pdu, answer);
    if (n < 4 || answer[0] != request->function)
        fail("a unit does not answer");
    scan->block[scan->n_blocks++] = (struct block){.function = request->function,
                                                   .first = request->first,
                                                   .count = request->count,
                                                   .at = scan->n_words};
    for (size_t i = 2; i + 1 < n; i += 2)
        scan->words[scan->n_words++] = get_u16(answer + i);
}

static void take_scan(struct fill *fill, const struct filled *from)
{
    struct scan *scan = &fill->scans[fill->n_scans];
    *scan = (struct scan){.run = fill->run,
                          .begun = {.utc_ms = fill->utc_ms,
                                    .boot_ms = fill->boot_ms,
                                    .boot = BOOT,
                                    .clock = CLOCK_STATE_SYNCHRONISED},
                          .took_ms = 180,
                          .plan = fill->plan->id,
                          .well = from->well->number,
                          .source = from->source,
                          .outcome = OUTCOME_ANSWERED,
                          .tries = (uint8_t)from->reads.n};
    for (uint16_t i = 0; i < from->reads.n; i++)
        read_range(from, fill->boot_ms, &from->reads.range[i].request, scan);
    struct fact made[MEASURE_FACTS_MAX];
    size_t n = 0;
    measure_scan(from->fold, fill->plan, from->well, scan, &fill->record, made, &n);
    for (size_t i = 0; i < n && fill->n_facts < JOURNAL_BATCH_SCANS_MAX; i++) {
        fill->facts[fill->n_facts] = made[i];
        fill->facts[fill->n_facts++].pos = fill->n_scans; /* its index in the batch: journal.h */
    }
    fill->n_scans++;
}

static void store(struct fill *fill)
{
    struct up_error error = {0};
    struct batch batch = {.scans = fill->scans,
                          .n_scans = fill->n_scans,
                          .facts = fill->facts,
                          .n_facts = fill->n_facts};
    if (fill->n_scans > 0 && journal_append(fill->journal, &batch, &error) != UP_OK)
        fail(error.why);
    fill->n_scans = fill->n_facts = 0;
    /* As the daemon does all the while: what is older than the tail lies in sealed blocks. */
    for (bool more = true; more;)
        if (journal_seal(fill->journal, &more, &error) != UP_OK)
            fail(error.why);
}

int main(int argc, char **argv)
{
    static struct fill fill;
    if (argc != 4)
        fail("usage: bench_drain_fill CONFIG MAPS SCANS");
    const int64_t scans = strtoll(argv[3], NULL, 10);
    open_all(&fill, argv[1], argv[2], scans);
    for (int64_t done = 0; done < scans;) {
        for (size_t i = 0; i < fill.n_sources && done < scans; i++, done++)
            take_scan(&fill, &fill.sources[i]);
        fill.utc_ms += POLL_MS;
        fill.boot_ms += POLL_MS;
        /* A source a place, so that a full round always fits; facts come in the first rounds. */
        if (fill.n_scans + fill.n_sources > JOURNAL_BATCH_SCANS_MAX || fill.n_facts > 0)
            store(&fill);
    }
    store(&fill);
    journal_close(fill.journal);
    return 0;
}
