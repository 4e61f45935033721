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

/* ---- what the files share ---- */

void audit_fault(struct audit *audit, const char *format, ...)
{
    if (audit->n_faults < AUDIT_FAULTS_MAX) {
        va_list arguments;
        va_start(arguments, format);
        vsnprintf(audit->fault[audit->n_faults], AUDIT_TEXT_MAX, format, arguments);
        va_end(arguments);
    }
    audit->n_faults++;
}

struct audit_well *audit_well_of(struct audit *audit, uint16_t number)
{
    for (size_t i = 0; i < audit->n_wells; i++)
        if (audit->wells[i].number == number)
            return audit->only_well != 0 && number != audit->only_well ? NULL : &audit->wells[i];
    return NULL;
}

const char *audit_name(struct audit *audit, uint16_t well)
{
    for (size_t i = 0; i < audit->n_wells; i++)
        if (audit->wells[i].number == well)
            return audit->wells[i].id;
    return "all wells";
}

struct audit_source *audit_source_of(struct audit *audit, uint16_t well, uint8_t source)
{
    for (size_t i = 0; i < audit->n_sources; i++)
        if (audit->sources[i].well == well && audit->sources[i].source == source)
            return &audit->sources[i];
    if (audit_well_of(audit, well) == NULL || source == SOURCE_NONE || source >= SOURCE_KINDS)
        return NULL;
    if (audit->n_sources == AUDIT_SOURCES_MAX) {
        audit->full = true;
        return NULL;
    }
    struct audit_source *made = &audit->sources[audit->n_sources++];
    *made = (struct audit_source){
        .well = well, .source = source, .low = audit->low, .high = audit->high};
    return made;
}

int audit_compare(const struct audit_key *a, const struct audit_key *b)
{
    if (a->run != b->run)
        return a->run < b->run ? -1 : 1;
    return a->boot_ms < b->boot_ms ? -1 : a->boot_ms > b->boot_ms;
}

bool audit_is_within(const struct audit_source *source, const struct audit_key *key)
{
    return audit_compare(&source->low, key) <= 0 && audit_compare(key, &source->high) < 0;
}

bool audit_key_of(const struct audit *audit, const struct stamp *at, uint64_t pos,
                  struct audit_key *key)
{
    for (size_t i = audit->n_runs; i-- > 0;) {
        const struct run_book *run = &audit->runs[i];
        if (run->pos < pos && run->began.boot == at->boot && run->began.boot_ms <= at->boot_ms) {
            *key = (struct audit_key){.run = i, .boot_ms = at->boot_ms};
            return true;
        }
    }
    return false;
}

/* ---- reading ---- */

static enum up_rc make_room(struct audit *audit, struct up_error *error)
{
    audit->wells = calloc(AUDIT_WELLS_MAX, sizeof *audit->wells);
    audit->sources = calloc(AUDIT_SOURCES_MAX, sizeof *audit->sources);
    audit->places = calloc(AUDIT_PLACES_MAX, sizeof *audit->places);
    audit->planned = calloc(AUDIT_PLANNED_MAX, sizeof *audit->planned);
    audit->asides = calloc(AUDIT_ASIDES_MAX, sizeof *audit->asides);
    audit->runs = calloc(AUDIT_RUNS_MAX, sizeof *audit->runs);
    return audit->wells == NULL || audit->sources == NULL || audit->places == NULL ||
                   audit->planned == NULL || audit->asides == NULL || audit->runs == NULL
               ? UP_FAIL(error, UP_E_MEMORY, "no memory for the books")
               : UP_OK;
}

static void free_room(struct audit *audit)
{
    journal_reader_close(audit->reader);
    plan_free(audit->plan);
    free(audit->wells);
    free(audit->sources);
    free(audit->places);
    free(audit->planned);
    free(audit->asides);
    free(audit->runs);
    free(audit);
}

static enum up_rc open_reader(struct audit *audit, struct up_error *error)
{
    if (audit->asked.directory != NULL)
        return journal_reader_open(audit->asked.directory, &audit->reader, error);
    char directory[PATH_LENGTH_MAX];
    const enum up_rc rc =
        command_journal_of(audit->asked.config, audit->asked.maps, directory, error);
    return rc == UP_OK ? journal_reader_open(directory, &audit->reader, error) : rc;
}

static enum up_rc read_wells(struct audit *audit, struct up_error *error)
{
    char known[160] = "", name[NAME_LENGTH_MAX + 1];
    for (uint16_t number = 1; journal_read_well_id(audit->reader, number, name); number++) {
        if (audit->n_wells == AUDIT_WELLS_MAX) {
            audit->full = true;
            break;
        }
        struct audit_well *well = &audit->wells[audit->n_wells++];
        well->number = number;
        memcpy(well->id, name, sizeof well->id);
        if (audit->asked.well != NULL && strcmp(name, audit->asked.well) == 0)
            audit->only_well = number;
        const size_t length = strlen(known);
        snprintf(known + length, sizeof known - length, "%s%s", number > 1 ? ", " : "", name);
    }
    return audit->asked.well == NULL || audit->only_well != 0
               ? UP_OK
               : UP_FAIL(error, UP_E_MISSING, "the journal knows no well '%s'; it knows %s",
                         audit->asked.well, known[0] != '\0' ? known : "none yet");
}

static enum up_rc read_runs(struct audit *audit, struct up_error *error)
{
    size_t got = AUDIT_SLICE;
    enum up_rc rc = UP_OK;
    uint64_t after = 0;
    while (rc == UP_OK && got == AUDIT_SLICE) {
        const size_t room = AUDIT_RUNS_MAX - audit->n_runs;
        struct run_book *slice = &audit->runs[audit->n_runs];
        rc = journal_read_runs(audit->reader, after, room < AUDIT_SLICE ? room : AUDIT_SLICE, slice,
                               &got, error);
        after = rc == UP_OK && got > 0 ? slice[got - 1].pos : after;
        for (size_t i = 0; rc == UP_OK && i < got; i++)
            if (slice[i].plan != 0) /* else it ended before anything was due */
                audit->runs[audit->n_runs++] = slice[i];
    }
    audit->full = audit->full || audit->n_runs == AUDIT_RUNS_MAX;
    while (audit->n_runs > 0 && audit->runs[audit->n_runs - 1].pos > audit->newest_pos)
        audit->n_runs--;
    return rc;
}

static enum up_rc review(struct audit *audit, struct up_error *error)
{
    enum up_rc rc = make_room(audit, error);
    if (rc == UP_OK)
        rc = open_reader(audit, error);
    if (rc == UP_OK)
        rc = read_wells(audit, error);
    /* Places before the newest pos: no place can then lie beyond what is reviewed. */
    if (rc == UP_OK)
        rc = audit_read_places(audit, error);
    if (rc == UP_OK)
        rc = journal_read_newest_pos(audit->reader, &audit->newest_pos, error);
    if (rc == UP_OK)
        rc = read_runs(audit, error);
    if (rc == UP_OK)
        rc = audit_find_interval(audit, error);
    if (rc == UP_OK)
        rc = audit_walk(audit, error);
    if (rc == UP_OK)
        rc = audit_close_places(audit, error);
    if (rc == UP_OK && audit->full)
        rc = UP_FAIL(error, UP_E_FULL,
                     "the journal holds more wells, runs, destinations or notes than one review "
                     "takes; ask for one well");
    return rc;
}

static int verdict(const struct audit *audit)
{
    bool holds = audit->n_faults == 0;
    for (size_t i = 0; i < audit->n_sources; i++)
        holds = holds && audit_source_holds(&audit->sources[i]);
    for (size_t i = 0; i < audit->n_places; i++)
        holds = holds && audit_place_holds(&audit->places[i]);
    return !holds ? EXIT_UNBALANCED : audit->n_undecided > 0 ? EXIT_UNDECIDED : 0;
}

/* ---- the command ---- */

static int read_time(const char *option, const char *text, bool *has, int64_t *utc_ms)
{
    *has = true;
    return stamp_from_text(text, strlen(text), utc_ms)
               ? 0
               : command_usage_error(&COMMAND_AUDIT,
                                     "--%s %s is no time; expected one like 2031-03-01T06:00:00Z",
                                     option, text);
}

static int take_option(struct audit_asked *asked, int option)
{
    switch (option) {
    case 'l':
        asked->has_last = true;
        return span_from_text(optarg, &asked->last_ms)
                   ? 0
                   : command_usage_error(
                         &COMMAND_AUDIT,
                         "--last %s is no span of time; expected one like 7d, 36h or 90min",
                         optarg);
    case 'f':
        return read_time("from", optarg, &asked->has_from, &asked->from_utc_ms);
    case 't':
        return read_time("to", optarg, &asked->has_to, &asked->to_utc_ms);
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

static int run_audit(int argc, char **argv)
{
    struct up_error error = {0};
    struct audit *audit = calloc(1, sizeof *audit);
    if (audit == NULL)
        return EX_OSERR;
    audit->asked.config = CONFIG_DEFAULT;
    int code = read_options(argc, argv, &audit->asked);
    if (code == 0 && review(audit, &error) != UP_OK) {
        code = command_fail(&error);
    } else if (code == 0) {
        if (audit->asked.json)
            audit_print_json(audit);
        else
            audit_print(audit);
        code = verdict(audit);
    }
    free_room(audit);
    return code;
}

const struct command COMMAND_AUDIT = {
    .name = "audit",
    .summary = "prove that what was due is a row or a counted gap, and where each row went",
    .usage = "audit [--last SPAN | --from TIME] [--to TIME] [--config FILE [--maps DIRECTORY] | "
             "--journal DIRECTORY] [--json] [WELL]",
    .help = "  --last SPAN          the last SPAN: 7d, 36h, 90min (default: all of the journal)\n"
            "  --from TIME          from TIME on, in RFC 3339: 2031-03-01T06:00:00Z\n"
            "  --to TIME            up to TIME\n"
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
            "where; 2 they hold, but for an outage\n"
            "whose length no clock could tell: \"undecided between\" two times.\n"
            "\n"
            "Monitoring only: values can be late, missing or wrong. Never use them for trips, "
            "interlocks or safety functions.\n",
    .run = run_audit,
};
