/* SPDX-License-Identifier: Apache-2.0
 *
 * audit.c - `uphole audit`: do the books of the journal hold? Reads only. See audit.h.
 */
#include "audit.h"
#include "command.h"
#include "span.h"

#include <getopt.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define EXIT_UNBALANCED 1
#define EXIT_UNDECIDED 2

static int verdict(const struct audit *audit)
{
    switch (audit_verdict(audit)) {
    case BOOKS_HOLD:
        return 0;
    case BOOKS_UNDECIDED:
        return EXIT_UNDECIDED;
    default:
        return EXIT_UNBALANCED;
    }
}

static int take_option(struct audit_asked *asked, int option)
{
    switch (option) {
    case 'l':
        asked->has_last = true;
        return command_take_span(&COMMAND_AUDIT, "last", optarg, &asked->last_ms);
    case 'f':
        asked->has_from = true;
        return command_take_time(&COMMAND_AUDIT, "from", optarg, &asked->from_utc_ms);
    case 't':
        asked->has_to = true;
        return command_take_time(&COMMAND_AUDIT, "to", optarg, &asked->to_utc_ms);
    case 'c':
        asked->config = optarg;
        return 0;
    case 'm':
        asked->maps = optarg;
        return 0;
    case 'j':
        asked->directory = optarg;
        return 0;
    case 'J':
        asked->json = true;
        return 0;
    default:
        return EX_USAGE;
    }
}

static int read_options(int argc, char **argv, struct audit_asked *asked)
{
    static const struct option OPTIONS[] = {
        {"last", required_argument, NULL, 'l'},    {"from", required_argument, NULL, 'f'},
        {"to", required_argument, NULL, 't'},      {"config", required_argument, NULL, 'c'},
        {"journal", required_argument, NULL, 'j'}, {"maps", required_argument, NULL, 'm'},
        {"json", no_argument, NULL, 'J'},          {NULL, 0, NULL, 0},
    };
    struct up_clock clock;
    int option, code = 0;
    optind = 1;
    while (code == 0 && (option = command_option(&COMMAND_AUDIT, argc, argv, OPTIONS)) != -1)
        code = take_option(asked, option);
    if (code != 0)
        return code;
    if (optind < argc)
        asked->well = argv[optind++];
    if (optind < argc)
        return command_usage_error(
            &COMMAND_AUDIT, "'%s' is one word too many; expected one well at most", argv[optind]);
    if (asked->has_last && asked->has_from)
        return command_usage_error(&COMMAND_AUDIT, "state --last or --from, not both");
    clock_of_system(&clock);
    if (asked->has_last) {
        asked->has_from = true;
        asked->from_utc_ms =
            (asked->has_to ? asked->to_utc_ms : clock.utc_us(clock.context) / 1000) -
            asked->last_ms;
    }
    if (asked->has_from && asked->has_to && asked->from_utc_ms > asked->to_utc_ms)
        return command_usage_error(&COMMAND_AUDIT, "the time asked for ends before it begins");
    return 0;
}

/** A sum of nothing proves nothing: a year that was mistyped must not read as "the books hold". */
static enum up_rc refuse_nothing(const struct audit *audit, struct up_error *error)
{
    char first[STAMP_TEXT_MAX], last[STAMP_TEXT_MAX];
    int64_t first_ms = 0, last_ms = 0;
    bool nothing = audit->n_faults == 0 && audit->n_undecided == 0;
    for (size_t i = 0; i < audit->n_wells; i++)
        nothing = nothing && audit->wells[i].rows == 0 && audit->wells[i].damaged == 0;
    if (!nothing || (!audit->asked.has_from && !audit->asked.has_to) ||
        !journal_span(audit->reader, &first_ms, &last_ms))
        return UP_OK;
    return UP_FAIL(error, UP_E_MISSING,
                   "there is nothing to audit in that time; the journal goes from %s to %s, and "
                   "'uphole gaps' lists the outages in it. Ask for a time with scans",
                   stamp_to_short_text(first_ms, first), stamp_to_short_text(last_ms, last));
}

static int run_audit(int argc, char **argv)
{
    struct up_error error = {0};
    struct audit *audit = calloc(1, sizeof *audit);
    if (audit == NULL)
        return EX_OSERR;
    audit->asked.config = CONFIG_DEFAULT;
    int code = read_options(argc, argv, &audit->asked);
    char directory[PATH_LENGTH_MAX];
    if (code == 0 && audit->asked.directory == NULL) {
        if (command_journal_of(audit->asked.config, audit->asked.maps, directory, &error) != UP_OK)
            code = command_fail(&error);
        audit->asked.directory = directory;
    }
    if (code == 0 &&
        (audit_review(audit, &error) != UP_OK || refuse_nothing(audit, &error) != UP_OK)) {
        code = command_fail(&error);
    } else if (code == 0) {
        if (audit->asked.json)
            audit_print_json(audit);
        else
            audit_print(audit);
        code = verdict(audit);
    }
    audit_free(audit);
    return code;
}

const struct command COMMAND_AUDIT = {
    .name = "audit",
    .summary = "prove that what was due is a row or a counted gap, and where each row went",
    .usage = "audit [--last SPAN | --from TIME] [--to TIME] [--config FILE [--maps DIRECTORY] | "
             "--journal DIRECTORY] [--json] [WELL]",
    .help =
        "  --last SPAN          the last SPAN: 7d, 36h, 90min (default: all of the journal)\n"
        "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
        "  --to TIME            up to TIME, which belongs to it; the newest row by default\n"
        "  --config FILE        the configuration that names the journal (" CONFIG_DEFAULT ")\n"
        "  --maps DIRECTORY     where maps are looked up (default: maps/ beside the "
        "configuration, then the installed maps)\n"
        "  --journal DIRECTORY  the journal itself, as on a copy of it\n"
        "  --json               all figures as one object\n"
        "\n"
        "Reads only, and may run while Uphole does: then up to the newest row at its begin. "
        "Counts by itself, with nothing that\n"
        "the ledger counts with. An end of the interval that lies within a counted gap moves "
        "out to the gap's end.\n"
        "\n"
        "Exit codes: 0 all sums hold; 1 one does not, which is said with by how many and "
        "where; 2 they hold, but for what is\n"
        "undecided between two times: an outage whose length no clock could tell, or polls of "
        "which Uphole could write nothing\n"
        "before it ended; its next start counts those. 66: no such journal or well, or it holds "
        "nothing of that time.\n"
        "\n"
        "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
        "interlocks or safety functions.\n",
    .run = run_audit,
};
