/* SPDX-License-Identifier: Apache-2.0
 *
 * replay.c - `uphole replay`: the records of an interval as they were published, from the journal
 * alone. Asks nothing of the daemon and never writes to the journal.
 *
 * A message has an envelope, which says how it went (live or late, how many rows together), and
 * rows, which say what was measured. Rows follow from the journal; of the envelope the person
 * chooses what the journal does not know.
 */
#include "replay.h"
#include "span.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

/* ---- the command line ---- */

enum { AS_FIRST = 1000, REVISION, SENT, ROWS, JSON };

static int read_number(const char *option, const char *text, unsigned most, unsigned *out)
{
    char *end = NULL;
    const unsigned long number = strtoul(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || number > most)
        return command_usage_error(&COMMAND_REPLAY, "--%s %s: expected a number up to %u", option,
                                   text, most);
    *out = (unsigned)number;
    return 0;
}

static int read_sent(const char *text, enum sent_as *out)
{
    static const char *const NAMES[] = {"", "live", "late", "resent"};
    for (size_t i = 1; i < sizeof NAMES / sizeof *NAMES; i++)
        if (strcmp(text, NAMES[i]) == 0) {
            *out = (enum sent_as)i;
            return 0;
        }
    return command_usage_error(&COMMAND_REPLAY, "--sent %s: expected live, late or resent", text);
}

static int take(struct replay *replay, int option)
{
    struct export_asked *asked = &replay->export.asked;
    unsigned number = 0;
    int code = 0;
    switch (option) {
    case AS_FIRST:
        asked->revision = 0;
        return 0;
    case REVISION:
        code = read_number("revision", optarg, 1000000, &number);
        asked->revision = number;
        return code;
    case SENT:
        return read_sent(optarg, &replay->asked.sent);
    case ROWS:
        code = read_number("rows", optarg, REPLAY_ROWS_MAX, &replay->asked.rows);
        return code == 0 && replay->asked.rows == 0
                   ? command_usage_error(&COMMAND_REPLAY, "--rows 0: a message has a row at least")
                   : code;
    case 'C':
        replay->asked.compare = optarg;
        return 0;
    case JSON:
        replay->asked.json = true;
        return 0;
    default:
        return export_take_option(&COMMAND_REPLAY, option, asked);
    }
}

static int read_options(int argc, char **argv, struct replay *replay)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"from", required_argument, NULL, 'f'},
                                            {"to", required_argument, NULL, 't'},
                                            {"as-first-measured", no_argument, NULL, AS_FIRST},
                                            {"revision", required_argument, NULL, REVISION},
                                            {"sent", required_argument, NULL, SENT},
                                            {"rows", required_argument, NULL, ROWS},
                                            {"units", required_argument, NULL, 'u'},
                                            {"as", required_argument, NULL, 'a'},
                                            {"compare", required_argument, NULL, 'C'},
                                            {"json", no_argument, NULL, JSON},
                                            {NULL, 0, NULL, 0}};
    struct export_asked *asked = &replay->export.asked;
    int code = 0;
    optind = 1;
    for (int c; code == 0 && (c = command_option(&COMMAND_REPLAY, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&asked->where, c))
            continue;
        code = take(replay, c);
    }
    if (code != 0)
        return code;
    code = export_read_well(&COMMAND_REPLAY, argc, argv, asked);
    if (code != 0)
        return code;
    if (replay->asked.json && replay->asked.compare == NULL)
        return command_usage_error(&COMMAND_REPLAY, "records are JSON already; --json goes with "
                                                    "--compare");
    return 0;
}

/* ---- printing ---- */

static enum up_rc print_waiting(struct replay *replay, struct up_error *error)
{
    struct export *export = &replay->export;
    for (size_t done = 0; done < replay->n_waiting;) { /* each turn prints a row at least */
        const struct record *first = &replay->waiting[done];
        const struct plan *plan = export_plan_of(export, first->plan);
        size_t used = 0;
        const size_t length =
            plan == NULL
                ? 0
                : payload_record_by(export->line, PAYLOAD_MAX, plan, &export->units,
                                    first->revision > 0 ? SENT_RECALCULATED : replay->asked.sent,
                                    first->revision > 0 ? replay->by : NULL, first,
                                    replay->n_waiting - done, &used);
        if (length == 0 || used == 0)
            return UP_FAIL(error, UP_E_DISK, "row %llu of the journal can't be written as a record",
                           (unsigned long long)first->pos);
        fwrite(export->line, 1, length, stdout);
        putchar('\n');
        done += used;
    }
    replay->n_waiting = 0;
    return UP_OK;
}

static enum up_rc put(struct export *export, const struct export_scan *row, struct up_error *error)
{
    struct replay *replay = export->context;
    const char *by = row->by == NULL ? "" : row->by;
    const struct record record = *row->record; /* what is printed first uses the plans again */
    enum up_rc rc = UP_OK;
    if (replay->n_waiting > 0 &&
        (replay->waiting[0].plan != record.plan || replay->waiting[0].revision != record.revision ||
         strcmp(replay->by, by) != 0))
        rc = print_waiting(replay, error);
    if (rc != UP_OK)
        return rc;
    snprintf(replay->by, sizeof replay->by, "%s", by);
    replay->waiting[replay->n_waiting++] = record;
    return replay->n_waiting >= replay->asked.rows ? print_waiting(replay, error) : UP_OK;
}

static int print(struct replay *replay, struct up_error *error)
{
    struct export *export = &replay->export;
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    int64_t oldest = 0, newest = 0;
    export->put = put;
    export->context = replay;
    enum up_rc rc = export_walk(export, error);
    if (rc == UP_OK)
        rc = print_waiting(replay, error);
    if (rc != UP_OK)
        return command_fail(error);
    if (export->n_scans > 0)
        return 0;
    fprintf(stderr, "uphole: there is no record of %s from %s to %s", export->asked.well,
            stamp_to_text(export->asked.from_utc_ms, from),
            stamp_to_text(export->asked.to_utc_ms, to));
    if (journal_span(export->reader, &oldest, &newest))
        fprintf(stderr, "; the journal goes from %s to %s", stamp_to_text(oldest, from),
                stamp_to_text(newest, to));
    fputs(".\n", stderr);
    return 1;
}

static int run_replay(int argc, char **argv)
{
    struct up_clock clock;
    struct up_error error = {0};
    struct replay *replay = calloc(1, sizeof *replay);
    clock_of_system(&clock);
    if (replay == NULL)
        return EX_OSERR;
    struct export_asked *asked = &replay->export.asked;
    asked->where.config = CONFIG_DEFAULT;
    asked->revision = REVISION_NEWEST;
    asked->now_utc_ms = asked->to_utc_ms = clock.utc_us(clock.context) / 1000;
    replay->asked = (struct replay_asked){.sent = SENT_LIVE, .rows = 1};
    replay->waiting = calloc(REPLAY_ROWS_MAX, sizeof *replay->waiting);
    int code = replay->waiting == NULL ? EX_OSERR : read_options(argc, argv, replay);
    if (code == 0) {
        code = socket_ask_where(&asked->where, &error);
        if (code == 0)
            code = up_exit_code(export_open(&replay->export, &error));
        if (code != 0)
            (void)command_fail(&error);
        else
            code = replay->asked.compare != NULL ? replay_compare(replay, &error)
                                                 : print(replay, &error);
    }
    export_close(&replay->export);
    free(replay->waiting);
    free(replay);
    return code;
}

const struct command COMMAND_REPLAY = {
    .name = "replay",
    .summary = "print a well's records as they were published, or compare with what was received",
    .usage =
        "replay WELL --from TIME [--to TIME] [--as-first-measured | --revision N] [--units SET "
        "| --as DESTINATION] [--sent HOW] [--rows N] [--compare FILE [--json]] [--config FILE "
        "[--maps DIRECTORY] | --journal DIRECTORY]",
    .help =
        "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
        "  --to TIME            up to TIME, which belongs to it; now by default\n"
        "  --as-first-measured  rows as they went out first, whatever revised them since\n"
        "  --revision N         rows in their newest revision that is not above N\n"
        "  --units SET          metric (the default) or us\n"
        "  --as DESTINATION     in the units of that destination\n"
        "  --sent HOW           how rows of revision 0 say they went: live (the default), late, "
        "resent\n"
        "  --rows N             N rows a message at most, 1 to 64; 1 by default\n"
        "  --compare FILE       say whether FILE holds the same: what 'mosquitto_sub -v' or "
        "another "
        "build's replay printed; - is standard input\n"
        "  --json               the comparison as one object\n" SOCKET_ASK_HELP "\n"
        "Prints a message 'record' a line. Values, qualities, ages and times are those that were "
        "sent; how rows were put together,\n"
        "and whether one went live or late, the journal does not keep: --sent and --rows choose. "
        "Reads only, and works beside a running\n"
        "Uphole and on a copy of a journal.\n"
        "\n"
        "Exit codes: 0 printed, or the same; 1 there is nothing in that time, or something "
        "differs, "
        "is missing or is not in the journal;\n"
        "2 nothing differs by more than one step of the published resolution; 65 FILE can't be "
        "read as records; 66 no such well or file.\n"
        "\n"
        "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
        "interlocks or safety functions.\n",
    .run = run_replay,
};
