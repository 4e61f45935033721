/* SPDX-License-Identifier: Apache-2.0
 *
 * gaps.c - `uphole gaps`: what is missing, since when, why, and whether it will come back. Reads
 * the journal only; never writes.
 *
 * Rows of one well, or of all, that start, end and are caused alike are shown as one; what was put
 * off while a unit did not answer stands in the row of that line gap. --json gives every row of the
 * ledger as it is.
 */
#include "command.h"
#include "span.h"
#include "gaps.h"

#include "uphole/publish.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define DAY_MS 86400000LL

/* ---- reading ---- */

static enum up_rc read_newest_plan(struct gaps_report *report, struct up_error *error)
{
    char *text = NULL, digest[65];
    size_t length = 0;
    const uint32_t id = journal_read_newest_plan(report->reader);
    if (id == 0)
        return UP_OK; /* opened, but never run */
    enum up_rc rc = journal_read_plan(report->reader, id, &text, &length, digest, error);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (rc == UP_OK && (faults == NULL || plan_from_text("the journal's plan", text, length,
                                                         &report->plan, faults) != UP_OK))
        rc = UP_FAIL(error, UP_E_DISK, "the newest plan of the journal can't be read back: %.200s",
                     faults == NULL ? "no memory" : faults->fault[0].text);
    free(faults);
    free(text);
    char name[NAME_LENGTH_MAX + 1];
    for (uint16_t number = 1;
         rc == UP_OK && report->plan != NULL && journal_read_well_id(report->reader, number, name);
         number++)
        for (uint16_t w = 0; w < report->plan->n_wells; w++)
            if (strcmp(report->plan->wells[w].id, name) == 0)
                plan_number_well(report->plan, w, number);
    return rc;
}

static enum up_rc find_well(struct gaps_report *report, struct up_error *error)
{
    char name[NAME_LENGTH_MAX + 1], known[160] = "";
    for (uint16_t number = 1;
         report->asked.well != NULL && journal_read_well_id(report->reader, number, name);
         number++) {
        if (strcmp(name, report->asked.well) == 0) {
            report->well = number;
            return UP_OK;
        }
        const size_t length = strlen(known);
        snprintf(known + length, sizeof known - length, "%s%s", number > 1 ? ", " : "", name);
    }
    return report->asked.well == NULL
               ? UP_OK
               : UP_FAIL(error, UP_E_MISSING, "the journal knows no well '%s'; it knows %s",
                         report->asked.well, known[0] != '\0' ? known : "none yet");
}

/** Its times as they are known by now; *within: it still touches the interval. */
static enum up_rc correct(const struct gaps_report *report, struct gap *gap, bool *within,
                          struct up_error *error)
{
    enum up_rc rc = journal_correct_stamp(report->reader, &gap->start, error);
    if (rc == UP_OK && !gap->is_open)
        rc = journal_correct_stamp(report->reader, &gap->end, error);
    *within = gap->start.utc_ms <= report->asked.to_utc_ms &&
              (gap->is_open || gap->end.utc_ms >= report->asked.from_utc_ms);
    return rc;
}

static int by_start(const void *a, const void *b)
{
    const struct gap *x = &((const struct gaps_row *)a)->gap,
                     *y = &((const struct gaps_row *)b)->gap;
    if (x->start.utc_ms != y->start.utc_ms)
        return x->start.utc_ms < y->start.utc_ms ? -1 : 1;
    if (x->well != y->well)
        return x->well < y->well ? -1 : 1;
    if (x->source != y->source)
        return x->source < y->source ? -1 : 1;
    return (x->pos > y->pos) - (x->pos < y->pos);
}

/* Where the clock of a boot was set later, rows of the interval may bear other labels: then all are
 * looked at, by the times that are known by now. */
static enum up_rc read_rows(struct gaps_report *report, struct up_error *error)
{
    struct gap slice[JOURNAL_SLICE_MAX];
    size_t got = JOURNAL_SLICE_MAX, skip = 0;
    bool corrected = false;
    enum up_rc rc = journal_has_corrected(report->reader, report->asked.from_utc_ms,
                                          report->asked.to_utc_ms, &corrected, error);
    while (rc == UP_OK && got == JOURNAL_SLICE_MAX && !report->more) {
        rc = journal_read_ledger(report->reader, corrected ? INT64_MIN : report->asked.from_utc_ms,
                                 corrected ? INT64_MAX : report->asked.to_utc_ms, skip,
                                 JOURNAL_SLICE_MAX, slice, &got, error);
        if (rc != UP_OK)
            return rc;
        skip += got;
        for (size_t i = 0; i < got; i++) {
            bool within = true;
            rc = correct(report, &slice[i], &within, error);
            if (rc != UP_OK)
                return rc;
            if (!within)
                continue;
            if (slice[i].is_open && report->asked.from_utc_ms > report->asked.now_utc_ms)
                continue; /* open until now; what comes after, nobody knows */
            if (report->well != 0 && slice[i].well != report->well && !slice[i].all_wells)
                continue;
            if (report->n_rows == report->room) {
                const size_t room = report->room == 0 ? 64 : report->room * 2;
                struct gaps_row *rows =
                    room > GAPS_ROWS_MAX ? NULL : realloc(report->rows, room * sizeof *rows);
                report->more = rows == NULL;
                if (rows == NULL)
                    break;
                report->rows = rows;
                report->room = room;
            }
            report->rows[report->n_rows++] =
                (struct gaps_row){.gap = slice[i], .scans = slice[i].scans};
        }
    }
    if (corrected && report->n_rows > 0)
        qsort(report->rows, report->n_rows, sizeof *report->rows, by_start);
    return rc;
}

static void print_json(const struct gaps_report *report)
{
    char *text = malloc(PAYLOAD_MAX), name[NAME_LENGTH_MAX + 1];
    printf("[");
    for (size_t i = 0; text != NULL && i < report->n_rows; i++) {
        const struct gap *gap = &report->rows[i].gap;
        const bool named = !gap->all_wells && journal_read_well_id(report->reader, gap->well, name);
        const size_t length =
            payload_gap(text, PAYLOAD_MAX, report->plan, gap, named ? name : NULL);
        printf("%s\n%.*s", i > 0 ? "," : "", (int)length, text);
    }
    printf("%s]\n", report->n_rows > 0 ? "\n" : "");
    free(text);
}

/* ---- the command ---- */

static int take_option(int option, struct gaps_asked *asked, bool *has_last)
{
    const char **const text = option == 'w'   ? &asked->well
                              : option == 'c' ? &asked->config
                              : option == 'm' ? &asked->maps
                              : option == 'j' ? &asked->directory
                                              : NULL;
    if (text != NULL)
        *text = optarg;
    asked->json = asked->json || option == 'J';
    asked->has_from = asked->has_from || option == 'f';
    asked->has_to = asked->has_to || option == 't';
    *has_last = *has_last || option == 'l';
    if (option == 'l')
        return command_take_span(&COMMAND_GAPS, "last", optarg, &asked->last_ms);
    if (option == 'f')
        return command_take_time(&COMMAND_GAPS, "from", optarg, &asked->from_utc_ms);
    if (option == 't')
        return command_take_time(&COMMAND_GAPS, "to", optarg, &asked->to_utc_ms);
    return option == COMMAND_OPTION_BAD ? EX_USAGE : 0;
}

static int read_options(int argc, char **argv, struct gaps_asked *asked)
{
    static const struct option OPTIONS[] = {
        {"last", required_argument, NULL, 'l'},
        {"from", required_argument, NULL, 'f'},
        {"to", required_argument, NULL, 't'},
        {"well", required_argument, NULL, 'w'},
        {"config", required_argument, NULL, 'c'},
        {"journal", required_argument, NULL, 'j'},
        {"maps", required_argument, NULL, 'm'},
        {"json", no_argument, NULL, 'J'},
        {NULL, 0, NULL, 0},
    };
    bool has_last = false;
    int code = 0;
    optind = 1;
    for (int c; code == 0 && (c = command_option(&COMMAND_GAPS, argc, argv, OPTIONS)) != -1;)
        code = take_option(c, asked, &has_last);
    if (code != 0)
        return code;
    if (has_last && asked->has_from)
        return command_usage_error(&COMMAND_GAPS, "state --last or --from, not both");
    if (optind < argc && asked->well == NULL)
        asked->well = argv[optind++];
    if (optind < argc)
        return command_usage_error(&COMMAND_GAPS, "'%s' is one word too many", argv[optind]);
    return 0;
}

static enum up_rc open_reader(struct gaps_report *report, struct up_error *error)
{
    if (report->asked.directory != NULL)
        return journal_reader_open(report->asked.directory, &report->reader, error);
    char directory[PATH_LENGTH_MAX];
    const enum up_rc rc =
        command_journal_of(report->asked.config, report->asked.maps, directory, error);
    return rc == UP_OK ? journal_reader_open(directory, &report->reader, error) : rc;
}

void gaps_end(struct gaps_report *report)
{
    journal_reader_close(report->reader);
    plan_free(report->plan);
    free(report->rows);
    report->reader = NULL;
    report->plan = NULL;
    report->rows = NULL;
    report->n_rows = report->room = 0;
}

enum up_rc gaps_read(struct gaps_report *report, bool with_counts, struct up_error *error)
{
    enum up_rc rc = open_reader(report, error);
    if (rc == UP_OK)
        rc = read_newest_plan(report, error);
    if (rc == UP_OK)
        rc = find_well(report, error);
    if (rc == UP_OK)
        rc = read_rows(report, error);
    if (rc == UP_OK && with_counts)
        rc = journal_count_all(report->reader, report->asked.from_utc_ms, report->asked.to_utc_ms,
                               report->counts, GAPS_COUNTS_MAX, &report->n_counts, error);
    return rc;
}

static int run_gaps(int argc, char **argv)
{
    struct up_clock clock;
    struct up_error error = {0};
    struct gaps_report *report = calloc(1, sizeof *report);
    clock_of_system(&clock);
    if (report == NULL)
        return EX_OSERR;
    struct gaps_asked *asked = &report->asked;
    asked->now_utc_ms = clock.utc_us(clock.context) / 1000;
    asked->config = CONFIG_DEFAULT;
    asked->last_ms = 7 * DAY_MS;
    int code = read_options(argc, argv, asked);
    if (!asked->has_to)
        asked->to_utc_ms = asked->now_utc_ms;
    if (!asked->has_from)
        asked->from_utc_ms = asked->to_utc_ms - asked->last_ms;
    if (code == 0 && asked->from_utc_ms > asked->to_utc_ms)
        code = command_usage_error(&COMMAND_GAPS, "the time asked for ends before it begins");
    if (code == 0 && gaps_read(report, !asked->json, &error) != UP_OK)
        code = command_fail(&error);
    else if (code == 0 && asked->json)
        print_json(report);
    else if (code == 0 && report->plan == NULL)
        printf("No gaps: Uphole has not run with this journal yet.\n");
    else if (code == 0) {
        gaps_fold(report);
        gaps_print_summary(report, gaps_print_rows(report));
    }
    gaps_end(report);
    free(report);
    return code;
}

const struct command COMMAND_GAPS = {
    .name = "gaps",
    .summary = "list what is missing: since when, why, and whether it will come back",
    .usage = "gaps [--last SPAN | --from TIME] [--to TIME] [--config FILE [--maps DIRECTORY] | "
             "--journal DIRECTORY] [--json] [WELL]",
    .help = "  --last SPAN          gaps of the last SPAN: 7d (the default), 36h, 90min\n"
            "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
            "  --to TIME            up to TIME; now by default\n"
            "  --well WELL          the same as WELL: of one well\n"
            "  --config FILE        the configuration that names the journal (" CONFIG_DEFAULT ")\n"
            "  --maps DIRECTORY     where maps are looked up (default: maps/ beside the "
            "configuration, then the installed maps)\n"
            "  --journal DIRECTORY  the journal itself, as on a copy of it\n"
            "  --json               every row of the ledger, as an array of the objects that go to "
            "<well>/gap\n"
            "\n"
            "Reads only, and may run while Uphole does. Rows that start, end and are caused alike "
            "are shown as one; polls that\n"
            "were put off while a unit did not answer are counted in its line gap. Exit code 66: "
            "no such journal, configuration or well.\n"
            "\n"
            "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
            "interlocks or safety functions.\n",
    .run = run_gaps,
};
