/* SPDX-License-Identifier: Apache-2.0
 *
 * journal_writer.c - the journal's writer as a process of its own, for tests that kill it and cut
 * its power.
 *
 *   journal_writer DIRECTORY [--count N] [--recover] [--hold] [--plant normal|no-checkpoint]...
 *   journal_writer DIRECTORY --verify
 *
 * The first prints "run R" once a run began, "published S" once all that it found may be
 * published, "ack S" after each commit (S: newest seq), "refused WHY" where the disk refused.
 * --reserve keeps the mark beside the journal and its reserve, as the daemon does.
 * --fail-sealing lets the first sync of a sealing fail (power_cut_shim.c), whose pages the log has
 * not held since it began anew. --anew recovers by closing the journal and opening it as a program
 * does that is started again in the same boot. --held-up lets a reader hold up a checkpoint half
 * way, and the file's sync fail where it goes on.
 * --recover then makes sure that the journal takes nothing more, opens anew, checkpoints, begins
 * another run and goes on. --hold waits at the end
 * for a signal, as a close would sync. Scans are sealed as soon as there are a few, so that most
 * cuts and kills fall near a sealing. --verify reads and checks every row, and prints "newest S
 * rows N runs R moved M".
 *
 * --plant puts in a defect that a test must see: synchronous=NORMAL; no checkpoint before the first
 * publish and after a failed sync.
 */
#include "../../daemon/journal/store.h"

#include "uphole/journal_books.h"

#include <dirent.h>
#include <dlfcn.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct options {
    const char *directory;
    long count;
    bool normal, no_checkpoint, recover, verify, hold, reserve, fail_sealing, anew, held_up;
};

static struct well_plan well = {.id = "heron-7", .label = "Heron 7"};
static char text[] = "site: heron-ridge\n";
static struct plan plan = {.digest =
                               "5b1e07aa00000000000000000000000000000000000000000000000000000001",
                           .site = "heron-ridge",
                           .box = "heron-edge-1",
                           .n_wells = 1,
                           .wells = &well,
                           .text = text,
                           .text_length = sizeof text - 1};

/** One line, one write: what was printed was printed before anything that follows. */
__attribute__((format(printf, 1, 2))) static void tell(const char *format, ...)
{
    char line[512];
    va_list arguments;
    va_start(arguments, format);
    const int n = vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    (void)!write(STDOUT_FILENO, line, (size_t)n < sizeof line ? (size_t)n : sizeof line - 1);
}

static int fail(const struct up_error *error)
{
    tell("failed %s\n", error->why);
    return 1;
}

static enum up_rc begin(struct journal *journal, const struct options *options,
                        const struct up_clock *clock, struct clock_watch *watch, uint64_t *run,
                        struct up_error *error)
{
    const struct stamp now = stamp_take(clock, watch);
    if (options->normal)
        store_run(&journal->store, "PRAGMA synchronous=NORMAL");
    enum up_rc rc = journal_begin_run(journal, &now, run, error);
    if (rc == UP_OK)
        rc = journal_put_plan(journal, &plan, &now, "test", error);
    if (rc == UP_OK)
        tell("run %016llx\n", (unsigned long long)*run);
    return rc;
}

static enum up_rc write_one(struct journal *journal, uint64_t run, const struct stamp *now,
                            uint64_t *seq, struct up_error *error)
{
    static struct scan scan;
    scan = (struct scan){.run = run,
                         .begun = *now,
                         .plan = plan.id,
                         .well = well.number,
                         .source = SOURCE_GAUGE,
                         .outcome = OUTCOME_ANSWERED,
                         .tries = 1,
                         .n_blocks = 1,
                         .n_words = 40};
    scan.block[0] = (struct block){.function = 4, .count = 40};
    for (unsigned i = 0; i < 40; i++)
        scan.words[i] = (uint16_t)(journal_next_seq(journal, well.number) * 31 + i);
    struct batch batch = {.scans = &scan, .n_scans = 1};
    const enum up_rc rc = journal_append(journal, &batch, error);
    *seq = scan.seq;
    return rc;
}

/** The disk refuses a sync: the next one, or that many from now; 0: none. */
static void fail_sync(int from_now)
{
    void (*shim)(int);
    *(void **)&shim = dlsym(RTLD_DEFAULT, "shim_fail_sync");
    if (shim != NULL)
        shim(from_now);
}

/** Another program's reader, that holds the file as it is from row 60 on until a checkpoint stands
 * still for it. The checkpoint that goes on behind the next commit syncs the log, and then fails.
 */
static void hold_up(struct journal *journal, sqlite3 *reader, long row)
{
    if (row == 0)
        journal_set_room(journal, 1); /* the smallest log */
    if (row == 59) /* pages that nothing touches again */
        (void)!store_run(&journal->store, "INSERT INTO reserve(room) VALUES(randomblob(40000))");
    if (row == 60)
        (void)!sqlite3_exec(reader, "BEGIN; SELECT count(*) FROM scan", NULL, NULL, NULL);
    if (journal->reserve.stuck_since_ms == 0 || sqlite3_get_autocommit(reader))
        return;
    (void)!sqlite3_exec(reader, "COMMIT", NULL, NULL, NULL);
    tell("held up\n");
    fail_sync(3);
}

/** All that there is to seal. */
static enum up_rc seal(struct journal *journal, const struct options *options,
                       struct up_error *error)
{
    static const struct journal_sealing SOON = {.keep_rows = 4, .block_rows = 8, .range_rows = 8};
    bool more = true;
    enum up_rc rc = UP_OK;
    journal_set_sealing(journal, &SOON);
    if (options->fail_sealing)
        fail_sync(1);
    while (more && rc == UP_OK)
        rc = journal_seal(journal, &more, error);
    if (options->fail_sealing)
        fail_sync(0);
    return rc;
}

/** What fails here is told by the next row. */
static void keep_reserve(struct journal *journal, const struct options *options)
{
    struct up_error error = {0};
    bool more = false;
    if (!options->reserve)
        return;
    journal_set_room(journal, 16000000);
    (void)!journal_keep_reserve(journal, &more, &error);
}

/** Makes the journal take rows again after a refusal, and begins another run. */
static enum up_rc recover(struct journal **journal, const struct options *options,
                          const struct up_clock *clock, struct clock_watch *watch, uint64_t *run,
                          struct up_error *error)
{
    char boot_id[37];
    clock_boot_id(boot_id);
    enum up_rc rc;
    if (options->anew) {
        journal_close(*journal);
        *journal = NULL;
        rc = journal_open(options->directory, clock, boot_id, journal, error);
    } else {
        rc = journal_reopen(*journal, error);
    }
    if (rc == UP_OK && !options->no_checkpoint)
        rc = options->anew ? journal_make_safe(*journal, error)
                           : journal_checkpoint(*journal, error);
    return rc == UP_OK ? begin(*journal, options, clock, watch, run, error) : rc;
}

static int run_writer(const struct options *options)
{
    struct up_clock clock;
    struct clock_watch watch = {0};
    struct up_error error = {0};
    struct journal *journal = NULL;
    sqlite3 *reader = NULL;
    char boot_id[37];
    uint64_t run = 0, pos = 0, seq = 0;
    clock_of_system(&clock);
    clock_boot_id(boot_id);
    if (journal_open(options->directory, &clock, boot_id, &journal, &error) != UP_OK)
        return fail(&error);
    if (options->reserve)
        journal_know_box(journal, "heron-edge-1", 0);
    if (begin(journal, options, &clock, &watch, &run, &error) != UP_OK ||
        (!options->no_checkpoint && journal_make_safe(journal, &error) != UP_OK))
        return fail(&error);
    if (options->held_up &&
        sqlite3_open_v2(journal->path, &reader, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK)
        return 6;
    journal_newest_of_well(journal, well.number, &pos, &seq);
    tell("published %llu\n", (unsigned long long)seq);
    for (long i = 0; i < options->count; i++) {
        keep_reserve(journal, options);
        if (options->held_up)
            hold_up(journal, reader, i);
        const struct stamp now = stamp_take(&clock, &watch);
        if (write_one(journal, run, &now, &seq, &error) == UP_OK) {
            tell("ack %llu\n", (unsigned long long)seq);
            if (seal(journal, options, &error) == UP_OK)
                continue;
            tell("not sealed %s\n", error.why); /* the scan is stored all the same */
        } else {
            tell("refused %s\n", error.why);
        }
        if (!options->recover)
            return 3;
        if (write_one(journal, run, &now, &seq, &error) == UP_OK) {
            tell("failed the journal took a row between a refusal and the new run\n");
            return 5;
        }
        if (recover(&journal, options, &clock, &watch, &run, &error) != UP_OK)
            tell("still refused %s\n", error.why);
        if (journal == NULL)
            return 4;
    }
    while (options->hold)
        pause();
    journal_close(journal);
    sqlite3_close(reader);
    return 0;
}

static int count_moved(const char *directory)
{
    int n = 0;
    DIR *entries = opendir(directory);
    for (struct dirent *entry; entries != NULL && (entry = readdir(entries)) != NULL;)
        n += strstr(entry->d_name, ".damaged-") != NULL;
    if (entries != NULL)
        closedir(entries);
    return n;
}

static int verify(const struct options *options)
{
    struct up_clock clock;
    struct up_error error = {0};
    struct journal *journal = NULL;
    struct journal_reader *reader = NULL;
    static struct scan scans[JOURNAL_SLICE_MAX];
    char boot_id[37];
    size_t got = 0;
    uint64_t after = 0, seq = 0, rows = 0;
    clock_of_system(&clock);
    clock_boot_id(boot_id);
    if (journal_open(options->directory, &clock, boot_id, &journal, &error) != UP_OK ||
        journal_make_safe(journal, &error) != UP_OK ||
        journal_reader_open(options->directory, &reader, &error) != UP_OK)
        return fail(&error);
    const uint16_t number = journal_well_number(journal, well.id);
    do {
        if (journal_read_scans(reader, number, after, JOURNAL_SLICE_MAX, scans, &got, &error) !=
            UP_OK)
            return fail(&error);
        for (size_t i = 0; i < got; i++) {
            if (scans[i].seq != seq + 1 || scans[i].words[0] != (uint16_t)(scans[i].seq * 31)) {
                tell("failed row %llu follows seq %llu with seq %llu\n",
                     (unsigned long long)scans[i].pos, (unsigned long long)seq,
                     (unsigned long long)scans[i].seq);
                return 1;
            }
            seq = scans[i].seq;
            rows++;
            after = scans[i].pos;
        }
    } while (got > 0);
    int rc = SQLITE_OK;
    struct journal_chain chain;
    if (journal_read_chain(reader, &chain, &error) != UP_OK)
        return fail(&error);
    if (chain.newest != chain.sealed) {
        tell("failed block %llu was sealed, and the newest is %llu\n",
             (unsigned long long)chain.sealed, (unsigned long long)chain.newest);
        return 1;
    }
    tell("newest %llu rows %llu runs %lld moved %d\n", (unsigned long long)seq,
         (unsigned long long)rows,
         (long long)store_number(&journal->store, "SELECT count(*) FROM run", 0, &rc),
         count_moved(options->directory));
    journal_reader_close(reader);
    journal_close(journal);
    return 0;
}

int main(int argc, char **argv)
{
    struct options options = {.count = 1000000};
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--verify") == 0)
            options.verify = true;
        else if (strcmp(argv[i], "--recover") == 0)
            options.recover = true;
        else if (strcmp(argv[i], "--reserve") == 0)
            options.reserve = true;
        else if (strcmp(argv[i], "--fail-sealing") == 0)
            options.fail_sealing = true;
        else if (strcmp(argv[i], "--anew") == 0)
            options.recover = options.anew = true;
        else if (strcmp(argv[i], "--held-up") == 0)
            options.held_up = true;
        else if (strcmp(argv[i], "--hold") == 0)
            options.hold = true;
        else if (strcmp(argv[i], "--count") == 0 && i + 1 < argc)
            options.count = atol(argv[++i]);
        else if (strcmp(argv[i], "--plant") == 0 && i + 1 < argc) {
            i++;
            options.normal = options.normal || strcmp(argv[i], "normal") == 0;
            options.no_checkpoint = options.no_checkpoint || strcmp(argv[i], "no-checkpoint") == 0;
        } else
            options.directory = argv[i];
    }
    if (options.directory == NULL)
        return 64;
    return options.verify ? verify(&options) : run_writer(&options);
}
