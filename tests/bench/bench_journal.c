/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_journal.c - the journal's own code under a simulated load, for bench_journal.py.
 *
 *   bench_journal fill DIRECTORY WELLS POLL_MS SCANS   scans of WELLS gauges from virtual units,
 * one commit a poll of all, sealed on the way as the daemon does; prints sizes, syncs, bytes,
 * memory bench_journal append DIRECTORY BATCHES             batches of 20 into a bare SQLite table,
 * then into the journal; prints both rates
 *
 * Time is the harness's own, so a year takes minutes. Syncs and bytes are counted where SQLite
 * calls the C library. Prints `name value` lines.
 */
#include "../../daemon/journal/sealed.h"
#include "../../daemon/journal/sealer.h"

#include "uphole/gather.h"
#include "uphole/simulate.h"
#include "uphole/wire.h"

#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include <zstd.h>

#define WELLS_MAX 64
#define UTC_START INT64_C(1930543200000) /* 2031-03-06T06:00:00Z */
#define SEAL_STEPS 4                     /* as core_tidy.c */

/* ---- what SQLite asks of the system: counted, and done ---- */

static uint64_t syncs, written;

int fsync(int fd)
{
    syncs++;
    return (int)syscall(SYS_fsync, fd);
}
int fdatasync(int fd)
{
    syncs++;
    return (int)syscall(SYS_fdatasync, fd);
}
ssize_t pwrite64(int fd, const void *bytes, size_t n, off64_t at)
{
    written += n;
    return syscall(SYS_pwrite64, fd, bytes, n, at);
}

/* ---- a site ---- */

struct site {
    int64_t now_ms; /* boot */
    struct up_clock clock;
    struct plan *plan;
    struct read_plan reads;
    struct virtual_unit *unit[WELLS_MAX];
    uint64_t random;
    struct journal *journal;
    uint64_t run;
};

static int64_t boot_us(void *context)
{
    return ((struct site *)context)->now_ms * 1000;
}
static int64_t utc_us(void *context)
{
    return (UTC_START + ((struct site *)context)->now_ms) * 1000;
}
static bool yes(void *context)
{
    (void)context;
    return true;
}

static double seconds_of(clockid_t which)
{
    struct timespec now;
    clock_gettime(which, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static double seconds(void)
{
    return seconds_of(CLOCK_MONOTONIC);
}

static int give_up(const char *what, const char *why)
{
    fprintf(stderr, "%s: %s\n", what, why);
    exit(70);
}

static uint32_t dice(struct site *site, uint32_t n)
{
    site->random = site->random * UINT64_C(6364136223846793005) + 1442695040888963407u;
    return (uint32_t)(site->random >> 33) % n;
}

static void make_plan(struct site *site, const char *directory, int wells, int64_t poll_ms)
{
    char path[300];
    snprintf(path, sizeof path, "%s/bench.yaml", directory);
    FILE *file = fopen(path, "w");
    if (file == NULL)
        give_up(path, "can't be written");
    fprintf(file, "site: heron-ridge\nbox: heron-edge-1\nlines:\n");
    for (int i = 0; i < wells; i++)
        fprintf(file, "  line-%d: {tcp: \"192.0.2.%d:502\"}\n", i, i + 1);
    fprintf(file, "wells:\n");
    for (int i = 0; i < wells; i++)
        fprintf(file,
                "  heron-%d:\n    table_block: %d\n    sources:\n      gauge:\n        - {from: "
                "2031-01-10T08:00:00Z, line: line-%d, unit_id: 1, "
                "map: scaled-16, poll_every: %d s, confirmed_units: all}\n",
                i + 1, i, i, (int)(poll_ms / 1000));
    fprintf(file, "destinations:\n  plant-broker: {mqtt: \"mqtt://127.0.0.1:18830\"}\njournal: "
                  "{path: /var/lib/uphole}\n");
    fclose(file);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (faults == NULL ||
        plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &site->plan, faults) != UP_OK)
        give_up(path, faults == NULL ? "no memory" : faults->fault[0].text);
    free(faults);
    unlink(path);
}

static void make_site(struct site *site, const char *directory, int wells, int64_t poll_ms)
{
    struct up_error error = {0};
    *site = (struct site){.now_ms = 600000, .random = 7};
    site->clock = (struct up_clock){.boot_us = boot_us,
                                    .utc_us = utc_us,
                                    .is_synchronised = yes,
                                    .context = site,
                                    .boot = 0x0badcafe};
    make_plan(site, directory, wells, poll_ms);
    const struct map *map = &site->plan->maps[0];
    if (read_plan_make(map, &site->plan->lines[0], &site->reads, &error) != UP_OK)
        give_up("read plan", error.why);
    for (int i = 0; i < wells; i++) {
        const struct virtual_unit_options options = {
            .map = map, .unit_id = 1, .seed = (uint64_t)i + 7};
        site->unit[i] = virtual_unit_create(&options, &error);
        if (site->unit[i] == NULL)
            give_up("unit", error.why);
    }
    const struct stamp began = {UTC_START + site->now_ms, site->now_ms, 0x0badcafe,
                                CLOCK_STATE_SYNCHRONISED};
    if (journal_open(directory, &site->clock, "0badcafe-0000-4000-8000-000000000001",
                     &site->journal, &error) != UP_OK ||
        journal_begin_run(site->journal, &began, &site->run, &error) != UP_OK ||
        journal_put_plan(site->journal, site->plan, &began, "bench", &error) != UP_OK)
        give_up("journal", error.why);
}

/** A poll of a well's gauge, some milliseconds after its due time, as a line's thread makes it. */
static void poll_well(struct site *site, int well, struct scan *scan)
{
    const int64_t at_ms = site->now_ms + dice(site, 4);
    *scan = (struct scan){.run = site->run,
                          .begun = {UTC_START + at_ms, at_ms, 0x0badcafe, CLOCK_STATE_SYNCHRONISED},
                          .took_ms = 60 + dice(site, 12),
                          .plan = site->plan->id,
                          .well = site->plan->wells[well].number,
                          .source = SOURCE_GAUGE,
                          .outcome = OUTCOME_ANSWERED,
                          .tries = (uint8_t)site->reads.n};
    for (uint16_t r = 0; r < site->reads.n; r++) {
        const struct read_request *request = &site->reads.range[r].request;
        uint8_t question[5] = {request->function}, answer[PDU_MAX];
        put_u16(question + 1, request->first);
        put_u16(question + 3, request->count);
        const size_t n =
            virtual_unit_answer(site->unit[well], at_ms, question, sizeof question, answer);
        if (n != 2u + 2u * request->count)
            give_up("unit", "an answer is not what was asked for");
        scan->block[scan->n_blocks++] = (struct block){.function = request->function,
                                                       .first = request->first,
                                                       .count = request->count,
                                                       .at = scan->n_words};
        for (unsigned w = 0; w < request->count; w++)
            scan->words[scan->n_words++] = get_u16(answer + 2 + 2 * w);
    }
}

/* ---- baselines: the words alone, 1024 scans at a time, column-wise 16-bit differences, Zstandard
 * ---- */

struct words_alone {
    size_t n, n_words;
    uint16_t words[1024][SCAN_WORDS_MAX];
    uint64_t bytes_3, bytes_19;
    ZSTD_CCtx *context;
    uint8_t flat[1024 * 128], packed[1024 * 160];
};

static void pack_words(struct words_alone *alone)
{
    size_t at = 0;
    for (size_t w = 0; w < alone->n_words; w++)
        for (size_t i = 0; i < alone->n; i++, at += 2)
            put_u16(alone->flat + at,
                    (uint16_t)(alone->words[i][w] - (i > 0 ? alone->words[i - 1][w] : 0)));
    alone->bytes_3 +=
        ZSTD_compressCCtx(alone->context, alone->packed, sizeof alone->packed, alone->flat, at, 3);
    alone->bytes_19 +=
        ZSTD_compressCCtx(alone->context, alone->packed, sizeof alone->packed, alone->flat, at, 19);
    alone->n = 0;
}

static void take_words(struct words_alone *alone, const struct scan *scan)
{
    if (scan->n_words > 64)
        give_up("baseline", "more words than it has room for");
    alone->n_words = scan->n_words;
    memcpy(alone->words[alone->n++], scan->words, scan->n_words * sizeof *scan->words);
    if (alone->n == 1024)
        pack_words(alone);
}

static long memory_kib(void)
{
    char line[128];
    long kib = 0;
    FILE *file = fopen("/proc/self/status", "r");
    while (file != NULL && fgets(line, sizeof line, file) != NULL)
        if (sscanf(line, "RssAnon: %ld", &kib) == 1)
            break;
    if (file != NULL)
        fclose(file);
    return kib;
}

/** The longest step of sealing of each kind: so long core's thread is held at once. */
static struct step {
    double seconds, processor; /* the second is what a loaded machine can't stretch, nor a disk */
} longest[SEAL_STORING + 1];

static void longer(double *longest_one, double one)
{
    *longest_one = one > *longest_one ? one : *longest_one;
}

static void seal_some(struct site *site, int steps)
{
    struct up_error error = {0};
    bool more = true;
    for (int i = 0; more && i < steps; i++) {
        const enum seal_state kind =
            site->journal->sealer == NULL ? SEAL_COUNTING : site->journal->sealer->state;
        const double began = seconds(), processor = seconds_of(CLOCK_PROCESS_CPUTIME_ID);
        if (journal_seal(site->journal, &more, &error) != UP_OK)
            give_up("seal", error.why);
        longer(&longest[kind].seconds, seconds() - began);
        longer(&longest[kind].processor, seconds_of(CLOCK_PROCESS_CPUTIME_ID) - processor);
    }
}

static void print_longest(void)
{
    static const char *const KINDS[] = {"count", "pack", "store"};
    for (int i = SEAL_COUNTING; i <= SEAL_STORING; i++)
        printf("longest_%s_ms %.2f\nlongest_%s_processor_ms %.2f\n", KINDS[i],
               longest[i].seconds * 1e3, KINDS[i], longest[i].processor * 1e3);
}

static int64_t ask(const struct site *site, const char *sql)
{
    return store_number(&site->journal->store, sql, -1, NULL);
}

/** What stands in the file after `done` scans. */
static void print_sizes(const struct site *site, uint64_t done)
{
    printf("sealed_scans %" PRId64 "\nunsealed_rows %" PRId64 "\nblocks %" PRId64 "\n",
           (int64_t)done - ask(site, "SELECT count(*) FROM scan"),
           ask(site, "SELECT count(*) FROM scan"), ask(site, "SELECT count(*) FROM block"));
    printf("block_bytes %" PRId64 "\n",
           ask(site, "SELECT sum(length(data) + length(head) + length(before) + length(digest) + "
                     "24) FROM block"));
    printf("file_bytes %" PRId64 "\n",
           ask(site, "SELECT (SELECT page_count FROM pragma_page_count) * 4096"));
    printf("free_bytes %" PRId64 "\n",
           ask(site, "SELECT (SELECT freelist_count FROM pragma_freelist_count) * 4096"));
    printf("reserve_bytes %" PRId64 "\n",
           ask(site, "SELECT coalesce(sum(length(room)), 0) FROM reserve"));
}

static int fill(const char *directory, int wells, int64_t poll_ms, uint64_t scans)
{
    static struct site site;
    static struct scan batch[WELLS_MAX];
    struct up_error error = {0};
    struct words_alone *alone = calloc((size_t)wells, sizeof *alone);
    make_site(&site, directory, wells, poll_ms);
    for (int w = 0; w < wells; w++)
        alone[w].context = ZSTD_createCCtx();
    uint64_t done = 0, words = 0, commits = 0;
    long early_kib = 0;
    double in_journal = 0, slowest = 0;
    syncs = written = 0;
    for (; done < scans; site.now_ms += poll_ms) {
        for (int w = 0; w < wells; w++) {
            poll_well(&site, w, &batch[w]);
            take_words(&alone[w], &batch[w]);
            words += batch[w].n_words;
        }
        struct batch one = {.scans = batch, .n_scans = (size_t)wells};
        const double before = seconds();
        if (journal_append(site.journal, &one, &error) != UP_OK)
            give_up("append", error.why);
        const double between = seconds();
        seal_some(&site,
                  (int)(SEAL_STEPS *
                        (poll_ms / 1000))); /* as many as in the seconds until the next poll */
        const double after = seconds();
        in_journal += after - before;
        slowest = after - between > slowest ? after - between : slowest;
        done += (uint64_t)wells;
        commits++;
        if (early_kib == 0 && done >= scans / 4)
            early_kib = memory_kib();
    }
    uint64_t words_3 = 0, words_19 = 0;
    const uint64_t sealed = (uint64_t)wells * (done / (uint64_t)wells / 1024 * 1024);
    for (int w = 0; w < wells; w++) {
        words_3 += alone[w].bytes_3;
        words_19 += alone[w].bytes_19;
    }
    printf("scans %" PRIu64 "\nwords_a_scan %.2f\ncommits %" PRIu64 "\n", done,
           (double)words / (double)done, commits);
    print_sizes(&site, done);
    printf("baseline_scans %" PRIu64 "\nwords_zstd_3 %" PRIu64 "\nwords_zstd_19 %" PRIu64 "\n",
           sealed, words_3, words_19);
    printf("syncs %" PRIu64 "\nwritten %" PRIu64 "\n", syncs, written);
    printf("early_kib %ld\nlate_kib %ld\n", early_kib, memory_kib());
    printf("us_a_scan %.2f\nslowest_seal_ms %.1f\n", in_journal * 1e6 / (double)done,
           slowest * 1e3);
    print_longest();
    journal_close(site.journal);
    return 0;
}

/* ---- append beside bare SQLite ---- */

struct spent {
    double seconds, processor; /* the second is what a loaded machine can't stretch */
};

static void begin_spending(struct spent *spent)
{
    spent->seconds -= seconds();
    spent->processor -= seconds_of(CLOCK_PROCESS_CPUTIME_ID);
}

static void end_spending(struct spent *spent)
{
    spent->seconds += seconds();
    spent->processor += seconds_of(CLOCK_PROCESS_CPUTIME_ID);
}

static void append_bare(const char *directory, struct site *site, int batches, struct scan *scans,
                        struct spent *spent)
{
    char path[300];
    sqlite3 *db = NULL;
    sqlite3_stmt *row = NULL;
    uint8_t blob[SCAN_BLOB_MAX];
    snprintf(path, sizeof path, "%s/bare.sqlite", directory);
    if (sqlite3_open(path, &db) != SQLITE_OK ||
        sqlite3_exec(db,
                     "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE scan(pos "
                     "INTEGER PRIMARY KEY, run, well, source, seq, plan, "
                     "utc_ms, boot_ms, took_ms, clock, outcome, tries, stray, words, \"check\")",
                     NULL, NULL, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db, "INSERT INTO scan VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)", -1, &row,
                           NULL) != SQLITE_OK)
        give_up(path, sqlite3_errmsg(db));
    uint64_t pos = 0;
    for (int b = 0; b < batches; b++, site->now_ms += 10000) {
        for (int w = 0; w < 20; w++)
            poll_well(site, w, &scans[w]);
        begin_spending(spent);
        sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL);
        for (int w = 0; w < 20; w++) {
            scans[w].pos = scans[w].seq = ++pos;
            scan_bind(row, &scans[w], blob, scan_to_blob(&scans[w], blob));
            if (sqlite3_step(row) != SQLITE_DONE)
                give_up(path, sqlite3_errmsg(db));
            sqlite3_reset(row);
        }
        if (sqlite3_exec(db, "COMMIT", NULL, NULL, NULL) != SQLITE_OK)
            give_up(path, sqlite3_errmsg(db));
        end_spending(spent);
    }
    sqlite3_finalize(row);
    sqlite3_close(db);
}

static void append_journal(struct site *site, int batches, struct scan *scans, struct spent *spent,
                           struct spent *alone)
{
    struct up_error error = {0};
    for (int b = 0; b < batches; b++, site->now_ms += 10000) {
        for (int w = 0; w < 20; w++)
            poll_well(site, w, &scans[w]);
        struct batch one = {.scans = scans, .n_scans = 20};
        begin_spending(spent);
        begin_spending(alone);
        if (journal_append(site->journal, &one, &error) != UP_OK)
            give_up("append", error.why);
        end_spending(alone);
        seal_some(site, 1);
        end_spending(spent);
    }
}

static int append(const char *directory, int batches)
{
    static struct site site;
    static struct scan scans[20];
    make_site(&site, directory, 20, 10000);
    struct spent bare = {0}, journal = {0}, alone = {0};
    for (int round = 0; round < 4; round++) { /* in turn, so that both see the same machine */
        char path[320];
        append_bare(directory, &site, batches / 4, scans, &bare);
        snprintf(path, sizeof path, "%s/bare.sqlite", directory);
        unlink(path);
        append_journal(&site, batches / 4, scans, &journal, &alone);
    }
    const double scans_each = 20.0 * (batches / 4) * 4;
    printf("bare_a_second %.0f\njournal_a_second %.0f\n", scans_each / bare.seconds,
           scans_each / journal.seconds);
    printf("bare_processor_us %.2f\njournal_processor_us %.2f\n", bare.processor * 1e6 / scans_each,
           journal.processor * 1e6 / scans_each);
    printf("alone_a_second %.0f\nalone_processor_us %.2f\n", scans_each / alone.seconds,
           alone.processor * 1e6 / scans_each);
    journal_close(site.journal);
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 6 && strcmp(argv[1], "fill") == 0 && atoi(argv[3]) > 0 &&
        atoi(argv[3]) <= WELLS_MAX)
        return fill(argv[2], atoi(argv[3]), atoll(argv[4]), (uint64_t)atoll(argv[5]));
    if (argc == 4 && strcmp(argv[1], "append") == 0)
        return append(argv[2], atoi(argv[3]));
    fprintf(stderr,
            "usage: bench_journal fill DIRECTORY WELLS POLL_MS SCANS | append DIRECTORY BATCHES\n");
    return 64;
}
