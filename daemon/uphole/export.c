/* SPDX-License-Identifier: Apache-2.0
 *
 * export.c - `uphole export`: rows of one well in an interval as a table, from the journal alone.
 *
 * Asks nothing of the daemon and never writes to the journal. A file is written under another name
 * first: one of the right name is a whole one, and none is ever replaced.
 */
#include "export.h"
#include "span.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

/* ---- the command line ---- */

enum { RAW = 1000, MEASURED, CSV, NDJSON, AS_FIRST };

int export_take_option(const struct command *command, int option, struct export_asked *asked)
{
    switch (option) {
    case 'f':
        asked->has_from = true;
        return command_take_time(command, "from", optarg, &asked->from_utc_ms);
    case 't':
        return command_take_time(command, "to", optarg, &asked->to_utc_ms);
    case 'a':
        asked->destination = optarg;
        return 0;
    case 'u':
        asked->has_units = true;
        asked->us = strcmp(optarg, "us") == 0;
        return asked->us || strcmp(optarg, "metric") == 0
                   ? 0
                   : command_usage_error(command, "--units %s: expected metric or us", optarg);
    default:
        return EX_USAGE; /* COMMAND_OPTION_BAD: it has been said */
    }
}

int export_read_well(const struct command *command, int argc, char **argv,
                     struct export_asked *asked)
{
    if (argc - optind != 1)
        return command_usage_error(command,
                                   "expected one well, as in 'uphole %s heron-7 --from "
                                   "2031-03-01T06:00:00Z'",
                                   command->name);
    asked->well = argv[optind];
    if (!asked->has_from)
        return command_usage_error(command,
                                   "--from TIME is missing; as in --from 2031-03-01T06:00:00Z");
    if (asked->from_utc_ms > asked->to_utc_ms)
        return command_usage_error(command, "the time asked for ends before it begins");
    if (asked->destination != NULL && asked->has_units)
        return command_usage_error(command, "state --units or --as, not both");
    return 0;
}

static int read_options(int argc, char **argv, struct export_asked *asked)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"from", required_argument, NULL, 'f'},
                                            {"to", required_argument, NULL, 't'},
                                            {"raw", no_argument, NULL, RAW},
                                            {"measured", no_argument, NULL, MEASURED},
                                            {"csv", no_argument, NULL, CSV},
                                            {"ndjson", no_argument, NULL, NDJSON},
                                            {"as-first-measured", no_argument, NULL, AS_FIRST},
                                            {"units", required_argument, NULL, 'u'},
                                            {"as", required_argument, NULL, 'a'},
                                            {"into", required_argument, NULL, 'i'},
                                            {NULL, 0, NULL, 0}};
    bool has[5] = {false};
    int code = 0;
    optind = 1;
    for (int c; code == 0 && (c = command_option(&COMMAND_EXPORT, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&asked->where, c))
            continue;
        if (c >= RAW)
            has[c - RAW] = true;
        else if (c == 'i')
            asked->into = optarg;
        else
            code = export_take_option(&COMMAND_EXPORT, c, asked);
    }
    if (code != 0)
        return code;
    asked->raw = has[RAW - RAW];
    asked->ndjson = has[NDJSON - RAW];
    asked->revision = has[AS_FIRST - RAW] ? 0 : REVISION_NEWEST;
    if ((asked->raw && has[MEASURED - RAW]) || (asked->ndjson && has[CSV - RAW]))
        return command_usage_error(&COMMAND_EXPORT, "state --raw or --measured, --csv or --ndjson, "
                                                    "not both");
    if (asked->raw && (asked->has_units || asked->destination != NULL))
        return command_usage_error(&COMMAND_EXPORT, "raw words have no unit: leave --units and "
                                                    "--as out");
    return export_read_well(&COMMAND_EXPORT, argc, argv, asked);
}

/* ---- what there is ---- */

/** First walk: whether there is anything, and the columns of a CSV. NDJSON needs neither. */
static int look(struct export *export, struct up_error *error)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    int64_t oldest = 0, newest = 0;
    if (export->asked.ndjson && export->range.from != 0)
        return 0;
    export->collecting = true;
    const enum up_rc rc = export_walk(export, error);
    export->collecting = false;
    if (rc != UP_OK)
        return command_fail(error);
    if (export->n_scans + export->n_gap_rows > 0)
        return 0;
    fprintf(stderr, "uphole: there is nothing of %s from %s to %s", export->asked.well,
            stamp_to_text(export->asked.from_utc_ms, from),
            stamp_to_text(export->asked.to_utc_ms, to));
    if (journal_span(export->reader, &oldest, &newest))
        fprintf(stderr, "; the journal goes from %s to %s", stamp_to_text(oldest, from),
                stamp_to_text(newest, to));
    fputs(".\n", stderr);
    return 1;
}

/* ---- the file ---- */

static int cannot(const char *path, int code, int why)
{
    fprintf(stderr, "uphole: %s can't be written: %s. %s\n", path, strerror(why),
            why == ENOSPC || why == EDQUOT ? "Nothing was left of it; make room, or name another "
                                             "place with --into."
                                           : "Name another place with --into.");
    return code;
}

static enum up_rc write_rows(struct export *export, struct up_error *error)
{
    if (!export->asked.ndjson)
        export_csv_header(export);
    return export_walk(export, error);
}

/** Where the file system has no second names (a memory stick), it is renamed instead. */
static int give_name(const char *partial, const char *path)
{
    if (link(partial, path) == 0)
        return 0;
    if (errno != EPERM && errno != EOPNOTSUPP && errno != ENOSYS)
        return cannot(path, EX_CANTCREAT, errno);
    if (access(path, F_OK) == 0)
        return cannot(path, EX_CANTCREAT, EEXIST);
    return rename(partial, path) == 0 ? 0 : cannot(path, EX_CANTCREAT, errno);
}

static int write_file(struct export *export, const char *path, struct up_error *error)
{
    char partial[PATH_LENGTH_MAX + 32];
    if (strlen(path) >= PATH_LENGTH_MAX)
        return cannot(path, EX_CANTCREAT, ENAMETOOLONG);
    if (access(path, F_OK) == 0) /* said before the work; link() decides */
        return cannot(path, EX_CANTCREAT, EEXIST);
    snprintf(partial, sizeof partial, "%s.partial-%ld", path, (long)getpid());
    const int fd = open(partial, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
    if (fd < 0)
        return cannot(path, EX_CANTCREAT, errno);
    export->file = fdopen(fd, "w");
    if (export->file == NULL) {
        close(fd);
        unlink(partial);
        return cannot(path, EX_CANTCREAT, ENOMEM);
    }
    int code = 0;
    errno = 0;
    if (write_rows(export, error) != UP_OK)
        code = command_fail(error);
    else if (ferror(export->file) || fflush(export->file) != 0 || fsync(fd) != 0)
        code = cannot(path, EX_IOERR, errno != 0 ? errno : EIO);
    if (fclose(export->file) != 0 && code == 0)
        code = cannot(path, EX_IOERR, errno);
    if (code == 0)
        code = give_name(partial, path);
    unlink(partial);
    if (code == 0)
        printf("%s: %llu scans and %llu gaps of %s.\n", path, (unsigned long long)export->n_scans,
               (unsigned long long)export->n_gap_rows, export->asked.well);
    return code;
}

static int put_out(struct export *export, struct up_error *error)
{
    if (export->asked.into != NULL) {
        sigset_t stops, before; /* the walk looks whether one is pending: nothing half-written */
        sigemptyset(&stops);
        sigaddset(&stops, SIGINT);
        sigaddset(&stops, SIGTERM);
        sigaddset(&stops, SIGHUP);
        sigprocmask(SIG_BLOCK, &stops, &before);
        const int code = write_file(export, export->asked.into, error);
        sigprocmask(SIG_SETMASK, &before, NULL);
        return code;
    }
    export->file = stdout;
    return write_rows(export, error) != UP_OK ? command_fail(error) : 0; /* main asks the stream */
}

static int run_export(int argc, char **argv)
{
    struct up_clock clock;
    struct up_error error = {0};
    struct export *export = calloc(1, sizeof *export);
    clock_of_system(&clock);
    if (export == NULL)
        return EX_OSERR;
    export->asked.where.config = CONFIG_DEFAULT;
    export->asked.now_utc_ms = export->asked.to_utc_ms = clock.utc_us(clock.context) / 1000;
    int code = read_options(argc, argv, &export->asked);
    if (code == 0) {
        code = socket_ask_where(&export->asked.where, &error);
        if (code == 0)
            code = up_exit_code(export_open(export, &error));
        if (code != 0)
            (void)command_fail(&error);
        if (code == 0)
            code = look(export, &error);
        if (code == 0)
            code = put_out(export, &error);
    }
    export_close(export);
    free(export);
    return code;
}

const struct command COMMAND_EXPORT = {
    .name = "export",
    .summary = "write a well's rows and gaps as a table, for a spreadsheet or a script",
    .usage = "export WELL --from TIME [--to TIME] [--raw | --measured] [--csv | --ndjson] "
             "[--as-first-measured] [--units "
             "SET | --as DESTINATION] [--into FILE] [--config FILE [--maps DIRECTORY] | --journal "
             "DIRECTORY]",
    .help =
        "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
        "  --to TIME            up to TIME, which belongs to it; now by default\n"
        "  --measured           values as they are published (the default)\n"
        "  --raw                words as they stood on the wire, in hexadecimal, with times\n"
        "  --csv                RFC 4180, the units in the header (the default)\n"
        "  --ndjson             a JSON object a line: the messages record and gap, or raw rows\n"
        "  --as-first-measured  rows as they went out first, whatever revised them since\n"
        "  --units SET          metric (the default) or us\n"
        "  --as DESTINATION     in the units of that destination\n"
        "  --into FILE          the file, which must not exist; by default standard "
        "output\n" SOCKET_ASK_HELP "\n"
        "Every poll is a row, failed ones too; each gap of the ledger is a row of its own kind, "
        "where it began. A row that was\n"
        "recalculated, or whose time was corrected, stands there once, in its newest revision. "
        "Text "
        "that a spreadsheet would run or turn\n"
        "into a number has an apostrophe before it. Reads only, and works beside a running Uphole "
        "and without "
        "one; the line is not asked anything.\n"
        "\n"
        "Exit code 1: there is nothing in that time; 66: no such well; 73: the file exists or "
        "can't be made; 74: the disk is full or\n"
        "the journal can't be read, and nothing is left of the file.\n"
        "\n"
        "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
        "interlocks or safety functions.\n",
    .run = run_export,
};
