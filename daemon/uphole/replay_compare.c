/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_compare.c - a captured stream, or what another build printed, against the journal: row by
 * row in the order of the file, whatever that is. Memory is a line, a slice of rows, and two bits a
 * row of the interval: whether it was seen.
 */
#include "replay.h"
#include "replay_row.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define LINE_MAX_BYTES (PAYLOAD_MAX + 1024)
#define RANGES_SHOWN 10
#define EXIT_DIFFERS 1
#define EXIT_WITHIN_STEP 2

struct range_of_seqs {
    uint64_t from, to;
};

struct comparison {
    struct replay *replay;
    FILE *file;
    const char *name;
    char *line; /* LINE_MAX_BYTES */
    uint64_t n_line;
    uint8_t *seen, *seen_any; /* a bit a seq of the interval: in the revision asked for; in any */
    struct scan *scans;       /* JOURNAL_SLICE_MAX: those behind the row compared last */
    size_t n_scans, scan;
    uint64_t rows, twice, outside, other_wells, same, within, different, extra, missing,
        missing_newest, in_journal;
    struct replay_difference first_difference, first_step;
    uint64_t difference_seq, difference_line, step_seq, step_line;
    uint32_t difference_revision, step_revision;
    struct range_of_seqs absent[RANGES_SHOWN], foreign[RANGES_SHOWN];
    size_t n_absent, n_foreign; /* ranges, also those beyond the room */
};

static bool bit(const uint8_t *bits, uint64_t at)
{
    return (bits[at / 8] >> (at % 8) & 1) != 0;
}

static void add_range(struct range_of_seqs *ranges, size_t *n, uint64_t seq)
{
    if (*n > 0 && *n <= RANGES_SHOWN && ranges[*n - 1].to + 1 == seq) {
        ranges[*n - 1].to = seq;
        return;
    }
    if (*n < RANGES_SHOWN)
        ranges[*n] = (struct range_of_seqs){seq, seq};
    (*n)++;
}

/* ---- rows of the journal ---- */

/** The scan of a seq; *scan NULL: there is none. Cheap where it follows the one before. */
static enum up_rc find_scan(struct comparison *all, uint64_t seq, const struct scan **scan,
                            struct up_error *error)
{
    struct export *export = &all->replay->export;
    const bool follows =
        all->scan > 0 && all->scan <= all->n_scans && all->scans[all->scan - 1].seq + 1 == seq;
    uint64_t after = 0;
    *scan = NULL;
    export->before = follows ? all->scans[all->scan - 1].pos : 0;
    if (!follows || all->scan == all->n_scans) {
        if (follows) {
            after = all->scans[all->scan - 1].pos;
        } else {
            struct row_range range;
            const enum up_rc rc =
                journal_range_of_seq(export->reader, export->well, seq, seq, &range, error);
            if (rc != UP_OK || range.from == 0)
                return rc;
            after = range.from - 1;
        }
        all->scan = 0;
        const enum up_rc rc =
            journal_read_scans(export->reader, export->well, after, JOURNAL_SLICE_MAX, all->scans,
                               &all->n_scans, error);
        if (rc != UP_OK) {
            all->n_scans = 0;
            return rc;
        }
    }
    if (all->scan < all->n_scans && all->scans[all->scan].seq == seq)
        *scan = &all->scans[all->scan++];
    else
        all->scan = all->n_scans = 0;
    return UP_OK;
}

/* ---- rows of the file ---- */

static void note(struct comparison *all, enum replay_verdict verdict, uint64_t seq,
                 uint32_t revision, const struct replay_difference *difference)
{
    all->same += verdict == REPLAY_SAME;
    all->within += verdict == REPLAY_WITHIN_STEP;
    all->different += verdict == REPLAY_DIFFERS;
    if (verdict == REPLAY_DIFFERS && all->different == 1) {
        all->first_difference = *difference;
        all->difference_seq = seq;
        all->difference_revision = revision;
        all->difference_line = all->n_line;
    }
    if (verdict == REPLAY_WITHIN_STEP && all->within == 1) {
        all->first_step = *difference;
        all->step_seq = seq;
        all->step_revision = revision;
        all->step_line = all->n_line;
    }
}

/** The row as the journal gives it, as text, in export->line. */
static enum up_rc make_row(struct comparison *all, struct export_scan *row,
                           struct replay_message *message, struct up_error *error)
{
    struct export *export = &all->replay->export;
    size_t used = 0;
    const enum up_rc rc = export_fold(export, row, error);
    if (rc != UP_OK)
        return rc;
    const size_t length = payload_record_by(export->line, PAYLOAD_MAX, row->plan, &export->units,
                                            SENT_LIVE, row->by, row->record, 1, &used);
    return length > 0 && replay_read_line(export->line, length, message) == REPLAY_RECORD
               ? UP_OK
               : UP_FAIL(error, UP_E_DISK, "row %llu of the journal can't be written as a record",
                         (unsigned long long)row->scan->pos);
}

static enum up_rc compare_row(struct comparison *all, const struct replay_message *there,
                              struct peek there_row, uint64_t seq, uint32_t revision,
                              struct up_error *error)
{
    struct export *export = &all->replay->export;
    const uint64_t at = seq - export->range.from_seq;
    const struct scan *scan = NULL;
    struct replay_message here;
    struct replay_difference difference;
    enum up_rc rc = find_scan(all, seq, &scan, error);
    if (rc != UP_OK)
        return rc;
    struct export_scan row = {.scan = scan};
    if (scan != NULL)
        rc = export_look(export, &row, export->asked.revision, error);
    const bool is_asked = scan != NULL && rc == UP_OK && row.revision == revision;
    if (rc == UP_OK && scan != NULL && !is_asked)
        rc = export_look(export, &row, revision, error);
    if (rc != UP_OK)
        return rc;
    if (scan == NULL || scan->run != there->run || row.revision != revision) {
        all->extra++;
        add_range(all->foreign, &all->n_foreign, seq);
        return UP_OK;
    }
    if (is_asked) {
        all->twice += bit(all->seen, at);
        all->seen[at / 8] |= (uint8_t)(1 << (at % 8));
    }
    all->seen_any[at / 8] |= (uint8_t)(1 << (at % 8));
    rc = make_row(all, &row, &here, error);
    if (rc != UP_OK)
        return rc;
    note(all,
         replay_compare_row(there, there_row, &here, peek_next(here.rows, (struct peek){0}),
                            &export->units, row.record, &difference),
         seq, revision, &difference);
    return UP_OK;
}

static enum up_rc bad_line(const struct comparison *all, const char *why, struct up_error *error)
{
    return UP_FAIL(error, UP_E_INPUT, "%.200s:%" PRIu64 ": %s", all->name, all->n_line, why);
}

static enum up_rc compare_line(struct comparison *all, size_t length, struct up_error *error)
{
    const struct export *export = &all->replay->export;
    struct replay_message message;
    switch (replay_read_line(all->line, length, &message)) {
    case REPLAY_OTHER:
        return UP_OK;
    case REPLAY_BAD:
        return bad_line(all, "this record message is not whole; was the capture cut?", error);
    default:
        break;
    }
    if (strcmp(message.well, export->asked.well) != 0) {
        all->other_wells++;
        return UP_OK;
    }
    for (struct peek row = peek_next(message.rows, (struct peek){0}); row.n > 0;
         row = peek_next(message.rows, row)) {
        uint64_t seq = 0, revision = 0;
        if (!peek_unsigned(peek_member(row, "seq"), &seq) || seq == 0 ||
            !peek_unsigned(peek_member(row, "revision"), &revision) || revision >= UINT32_MAX)
            return bad_line(all, "a row of this record message has no seq or revision", error);
        all->rows++;
        if (export->range.from == 0 || seq < export->range.from_seq || seq > export->range.to_seq) {
            all->outside++;
            continue;
        }
        const enum up_rc rc = compare_row(all, &message, row, seq, (uint32_t)revision, error);
        if (rc != UP_OK)
            return rc;
    }
    return UP_OK;
}

static enum up_rc read_file(struct comparison *all, struct up_error *error)
{
    enum up_rc rc = UP_OK;
    while (rc == UP_OK && fgets(all->line, LINE_MAX_BYTES, all->file) != NULL) {
        const size_t length = strlen(all->line);
        all->n_line++;
        if (length == LINE_MAX_BYTES - 1 && all->line[length - 1] != '\n')
            return bad_line(all, "this line is longer than any message", error);
        rc = compare_line(all, length, error);
    }
    if (rc == UP_OK && ferror(all->file))
        return UP_FAIL(error, UP_E_INPUT, "%.200s can't be read", all->name);
    return rc;
}

/* ---- what the file does not hold ---- */

/** Rows that belong to the interval, in their order. */
static enum up_rc find_missing(struct comparison *all, struct up_error *error)
{
    struct export *export = &all->replay->export;
    uint64_t after = export->range.from - 1;
    while (after < export->range.to) { /* pos rises with every slice */
        enum up_rc rc = journal_read_scans(export->reader, export->well, after, JOURNAL_SLICE_MAX,
                                           all->scans, &all->n_scans, error);
        if (rc != UP_OK || all->n_scans == 0)
            return rc;
        for (size_t i = 0; i < all->n_scans && all->scans[i].pos <= export->range.to; i++) {
            struct export_scan row = {.scan = &all->scans[i]};
            const uint64_t at = row.scan->seq - export->range.from_seq;
            rc = export_look(export, &row, export->asked.revision, error);
            if (rc != UP_OK)
                return rc;
            if (!export_is_asked_for(export, &row.at))
                continue;
            all->in_journal++;
            if (bit(all->seen, at))
                continue;
            all->missing++;
            all->missing_newest += bit(all->seen_any, at);
            add_range(all->absent, &all->n_absent, row.scan->seq);
        }
        after = all->scans[all->n_scans - 1].pos;
    }
    return UP_OK;
}

/* ---- the answer ---- */

static int verdict(const struct comparison *all)
{
    return all->different + all->missing + all->extra > 0 ? EXIT_DIFFERS
           : all->within > 0                              ? EXIT_WITHIN_STEP
                                                          : 0;
}

static void print_ranges(const char *title, uint64_t count, const struct range_of_seqs *ranges,
                         size_t n)
{
    printf("%s: %" PRIu64, title, count);
    for (size_t i = 0; i < n && i < RANGES_SHOWN; i++) {
        printf("%s%" PRIu64, i == 0 ? " (seq " : ", ", ranges[i].from);
        if (ranges[i].to > ranges[i].from)
            printf(" to %" PRIu64, ranges[i].to);
    }
    printf("%s\n", n > RANGES_SHOWN ? ", and more)" : n > 0 ? ")" : "");
}

static void print_first(const struct comparison *all, const char *title,
                        const struct replay_difference *first, uint64_t seq, uint32_t revision,
                        uint64_t line)
{
    printf("  %s: seq %" PRIu64 " (revision %" PRIu32 "), line %" PRIu64
           ": %s is %s there, %s here\n",
           title, seq, revision, line, first->what, first->there, first->here);
    if (first->units)
        printf("  %s holds another unit; choose it with --units or --as.\n", all->name);
}

static void print_answer(const struct comparison *all)
{
    const struct export *export = &all->replay->export;
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    printf("%s, %s to %s\n", export->asked.well, stamp_to_text(export->asked.from_utc_ms, from),
           stamp_to_text(export->asked.to_utc_ms, to));
    printf("%" PRIu64 " records in the journal; %" PRIu64 " rows in %s, %" PRIu64
           " of them outside that time, %" PRIu64 " a second time\n",
           all->in_journal, all->rows, all->name, all->outside, all->twice);
    printf("The same: %" PRIu64 "\nWithin one step of the published resolution: %" PRIu64 "\n",
           all->same, all->within);
    if (all->within > 0)
        print_first(all, "the first", &all->first_step, all->step_seq, all->step_revision,
                    all->step_line);
    printf("Different: %" PRIu64 "\n", all->different);
    if (all->different > 0)
        print_first(all, "the first", &all->first_difference, all->difference_seq,
                    all->difference_revision, all->difference_line);
    print_ranges("In the journal and not there", all->missing, all->absent, all->n_absent);
    if (all->missing_newest > 0)
        printf("  %" PRIu64 " of them are there in another revision\n", all->missing_newest);
    print_ranges("There and not in the journal", all->extra, all->foreign, all->n_foreign);
    printf("%s\n", verdict(all) == 0                  ? "The same."
                   : verdict(all) == EXIT_WITHIN_STEP ? "The same within one step of the "
                                                        "published resolution."
                                                      : "NOT the same.");
}

static void print_json(const struct comparison *all)
{
    static const char *const VERDICTS[] = {"same", "different", "within_one_step"};
    const struct replay_difference *first =
        all->different > 0 ? &all->first_difference : &all->first_step;
    printf("{\"verdict\":\"%s\",\"in_journal\":%" PRIu64 ",\"rows\":%" PRIu64
           ",\"outside\":%" PRIu64 ",\"twice\":%" PRIu64 ",\"same\":%" PRIu64
           ",\"within_one_step\":%" PRIu64 ",\"different\":%" PRIu64 ",\"missing\":%" PRIu64
           ",\"missing_in_another_revision\":%" PRIu64 ",\"extra\":%" PRIu64 ",\"first\":",
           VERDICTS[verdict(all)], all->in_journal, all->rows, all->outside, all->twice, all->same,
           all->within, all->different, all->missing, all->missing_newest, all->extra);
    if (all->different + all->within == 0) {
        printf("null}\n");
        return;
    }
    printf("{\"seq\":%" PRIu64 ",\"revision\":%" PRIu32 ",\"line\":%" PRIu64 ",\"what\":",
           all->different > 0 ? all->difference_seq : all->step_seq,
           all->different > 0 ? all->difference_revision : all->step_revision,
           all->different > 0 ? all->difference_line : all->step_line);
    command_json_text(stdout, first->what);
    printf(",\"there\":");
    command_json_text(stdout, first->there);
    printf(",\"here\":");
    command_json_text(stdout, first->here);
    printf("}}\n");
}

static enum up_rc make_room(struct comparison *all, struct up_error *error)
{
    const struct row_range *range = &all->replay->export.range;
    const uint64_t seqs = range->from == 0 ? 1 : range->to_seq - range->from_seq + 1;
    if (seqs > REPLAY_SEQS_MAX)
        return UP_FAIL(error, UP_E_FULL,
                       "that are %" PRIu64 " records; at most %d are compared at once. "
                       "Ask for shorter times",
                       seqs, REPLAY_SEQS_MAX);
    all->line = malloc(LINE_MAX_BYTES);
    all->scans = calloc(JOURNAL_SLICE_MAX, sizeof *all->scans);
    all->seen = calloc(seqs / 8 + 1, 1);
    all->seen_any = calloc(seqs / 8 + 1, 1);
    return all->line != NULL && all->scans != NULL && all->seen != NULL && all->seen_any != NULL
               ? UP_OK
               : UP_FAIL(error, UP_E_MEMORY, "no memory for a comparison");
}

int replay_compare(struct replay *replay, struct up_error *error)
{
    const char *path = replay->asked.compare;
    const bool is_input = strcmp(path, "-") == 0;
    struct comparison all = {.replay = replay,
                             .name = is_input ? "standard input" : path,
                             .file = is_input ? stdin : fopen(path, "re")};
    enum up_rc rc = all.file != NULL
                        ? make_room(&all, error)
                        : UP_FAIL_ERRNO(error, UP_E_MISSING, "%.200s can't be read", path);
    if (rc == UP_OK)
        rc = read_file(&all, error);
    if (rc == UP_OK && replay->export.range.from != 0)
        rc = find_missing(&all, error);
    if (rc == UP_OK && replay->asked.json)
        print_json(&all);
    else if (rc == UP_OK)
        print_answer(&all);
    const int code = rc == UP_OK ? verdict(&all) : command_fail(error);
    if (all.file != NULL && !is_input)
        fclose(all.file);
    free(all.line);
    free(all.scans);
    free(all.seen);
    free(all.seen_any);
    return code;
}
