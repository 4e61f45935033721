/* SPDX-License-Identifier: Apache-2.0
 *
 * support.c - `uphole support`: one file for whoever helps from afar, made beside a running daemon
 * or without one, written whole or not at all.
 */
#include "support.h"
#include "span.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define AT_MOST UINT64_C(200000000)
#define AT_MOST_MOST UINT64_C(4000000000)
#define AT_LEAST 20000
#define DAY_MS INT64_C(86400000)

/** "200MB", "500 kB", "1GB". */
static bool read_size(const char *text, uint64_t *bytes)
{
    static const struct {
        const char *unit;
        uint64_t bytes;
    } UNITS[] = {{"kB", 1000}, {"MB", 1000000}, {"GB", 1000000000}};
    char *end = NULL;
    const unsigned long number = text[0] >= '1' && text[0] <= '9' ? strtoul(text, &end, 10) : 0;
    while (end != NULL && *end == ' ')
        end++;
    for (size_t i = 0; number > 0 && number <= 1000000 && i < sizeof UNITS / sizeof *UNITS; i++)
        if (strcmp(end, UNITS[i].unit) == 0) {
            *bytes = number * UNITS[i].bytes;
            return *bytes >= AT_LEAST && *bytes <= AT_MOST_MOST;
        }
    return false;
}

static int read_options(int argc, char **argv, struct support *support)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"last", required_argument, NULL, 'l'},
                                            {"into", required_argument, NULL, 'i'},
                                            {"at-most", required_argument, NULL, 'a'},
                                            {NULL, 0, NULL, 0}};
    optind = 1;
    for (int c; (c = command_option(&COMMAND_SUPPORT, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&support->asked, c))
            continue;
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (c == 'l' && command_take_span(&COMMAND_SUPPORT, "last", optarg, &support->last_ms) != 0)
            return EX_USAGE;
        if (c == 'i')
            support->into = optarg;
        if (c != 'a')
            continue;
        if (!read_size(optarg, &support->at_most))
            return command_usage_error(&COMMAND_SUPPORT,
                                       "--at-most %s: expected a size of 20kB to 4GB, as in 200MB",
                                       optarg);
    }
    return optind < argc
               ? command_usage_error(&COMMAND_SUPPORT, "'%s' is one word too many", argv[optind])
               : 0;
}

static enum up_rc read_plan(struct support *support, struct up_error *error)
{
    char name[NAME_LENGTH_MAX + 1];
    support->plan_id = journal_read_newest_plan(support->reader);
    if (support->plan_id == 0)
        return UP_FAIL(error, UP_E_MISSING, "Uphole has not run with this journal yet");
    enum up_rc rc = journal_read_plan(support->reader, support->plan_id, &support->plan_text,
                                      &support->plan_length, support->digest, error);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (rc == UP_OK &&
        (faults == NULL || plan_from_text("the journal's plan", support->plan_text,
                                          support->plan_length, &support->plan, faults) != UP_OK))
        support_misses(support,
                       "The newest configuration can't be read back (%.200s), so the "
                       "ledger's rows and the line traces are missing.",
                       faults != NULL ? faults->fault[0].text : "no memory");
    free(faults);
    for (uint16_t number = 1;
         support->plan != NULL && journal_read_well_id(support->reader, number, name); number++)
        for (uint16_t w = 0; w < support->plan->n_wells; w++)
            if (strcmp(support->plan->wells[w].id, name) == 0)
                plan_number_well(support->plan, w, number);
    return rc;
}

static void put_readme(struct support *support)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    tar_begin(&support->tar, "README.txt");
    tar_print(&support->tar,
              "Uphole support file: site %s, box %s, plan %.8s\n"
              "from %s to %s, made %s a running Uphole\n\n",
              support->plan != NULL ? support->plan->site : "?",
              support->plan != NULL ? support->plan->box : "?", support->digest,
              stamp_to_text(support->from_utc_ms, from), stamp_to_text(support->to_utc_ms, to),
              support->running ? "beside" : "without");
    tar_print(
        &support->tar, "%s",
        "plan-N.yaml      configurations by their number, N in a scan's \"plan\": maps inlined, "
        "defaults filled in.\n"
        "                 Of secrets only the paths of their files; names of users and hosts "
        "are as configured.\n"
        "scans/WELL.ndjson  raw scans, a line each: words in hexadecimal as they stood on the "
        "wire, function and first\n"
        "                 address (from 0) of each block; exception 255: no valid answer. "
        "Nothing in them is scaled.\n"
        "gaps.ndjson      rows of the ledger, as the messages <well>/gap\n"
        "events.ndjson    what happened, who ordered what\n"
        "cursors.ndjson   how far each destination has accepted\n"
        "status.json, status.txt   how it stood when this was made\n"
        "trace/LINE.txt   the newest bytes on each line, both ways, with times\n"
        "versions.txt     versions of program and libraries\n\n"
        "Not in it: passwords, keys, certificates, measured values (they follow from scans and "
        "plan).\n"
        "Look through it before it leaves the company: names of wells and hosts are in it.\n");
    for (size_t i = 0; i < support->n_missing; i++)
        tar_print(&support->tar, "%s%s\n", i == 0 ? "\nMissing or cut:\n- " : "- ",
                  support->missing[i]);
    tar_print(&support->tar, "\nMonitoring only; not a protection system.\n");
    tar_end(&support->tar);
}

static enum up_rc put_all(struct support *support, struct up_error *error)
{
    support_put_versions(support);
    support_put_running(support);
    enum up_rc rc = support_put_plans(support, error);
    if (rc == UP_OK)
        rc = support_put_gaps(support, error);
    if (rc == UP_OK)
        rc = support_put_events(support, error);
    if (rc == UP_OK)
        rc = support_put_cursors(support, error);
    if (rc == UP_OK)
        rc = support_put_scans(support, error);
    put_readme(support);
    return rc;
}

static int cannot(const char *path, int why)
{
    fprintf(stderr, "uphole: %s can't be written: %s. Name another place with --into.\n", path,
            strerror(why));
    return EX_CANTCREAT;
}

/** Under another name first: a file of the right name is a whole one. It never replaces another. */
static int write_file(struct support *support, const char *path)
{
    char partial[PATH_LENGTH_MAX + 32];
    struct up_error error = {0};
    snprintf(partial, sizeof partial, "%.255s.partial-%ld", path, (long)getpid());
    const int fd = open(partial, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0)
        return cannot(partial, errno);
    support->tar.file = fdopen(fd, "w+");
    if (support->tar.file == NULL) {
        close(fd);
        unlink(partial);
        return cannot(partial, ENOMEM);
    }
    int code = 0;
    errno = 0;
    if (put_all(support, &error) != UP_OK)
        code = command_fail(&error);
    else if (!tar_finish(&support->tar) || fsync(fd) != 0)
        code = cannot(partial, errno != 0 ? errno : EIO);
    fclose(support->tar.file);
    if (code == 0 && link(partial, path) != 0)
        code = cannot(path, errno);
    unlink(partial);
    return code;
}

static int prepare(struct support *support, struct up_error *error)
{
    struct up_clock clock;
    clock_of_system(&clock);
    support->to_utc_ms = clock.utc_us(clock.context) / 1000;
    support->from_utc_ms = support->to_utc_ms - support->last_ms;
    support->tar.mtime_s = support->to_utc_ms / 1000;
    const int code = socket_ask_where(&support->asked, error);
    if (code != 0)
        return code;
    support->scans = calloc(JOURNAL_SLICE_MAX, sizeof *support->scans);
    support->line = malloc(SUPPORT_LINE_MAX);
    enum up_rc rc = support->scans != NULL && support->line != NULL
                        ? journal_reader_open(support->asked.directory, &support->reader, error)
                        : UP_FAIL(error, UP_E_MEMORY, "no memory for a support file");
    if (rc == UP_OK)
        rc = read_plan(support, error);
    return up_exit_code(rc);
}

static int run_support(int argc, char **argv)
{
    struct up_error error = {0};
    struct support *support = calloc(1, sizeof *support);
    if (support == NULL)
        return EX_OSERR;
    support->asked.config = CONFIG_DEFAULT;
    support->last_ms = DAY_MS;
    support->at_most = AT_MOST;
    int code = read_options(argc, argv, support);
    if (code == 0) {
        code = prepare(support, &error);
        if (code != 0)
            (void)command_fail(&error);
    }
    if (code == 0) {
        char path[PATH_LENGTH_MAX], at[STAMP_TEXT_MAX];
        stamp_to_text(support->to_utc_ms, at);
        snprintf(support->tar.directory, sizeof support->tar.directory,
                 "uphole-support-%s-%.4s%.2s%.2sT%.2s%.2s%.2sZ",
                 support->plan != NULL ? support->plan->box : "box", at, at + 5, at + 8, at + 11,
                 at + 14, at + 17);
        snprintf(path, sizeof path, "%s%s",
                 support->into != NULL ? support->into : support->tar.directory,
                 support->into != NULL ? "" : ".tar");
        code = support->into != NULL && strlen(support->into) >= sizeof path
                   ? cannot(support->into, ENAMETOOLONG)
                   : write_file(support, path);
        if (code == 0)
            printf("%s: %u parts, %.1f MB. No password or key is in it; names of wells, users and "
                   "hosts are.\n",
                   path, support->tar.members, (double)support->tar.bytes / 1e6);
        for (size_t i = 0; code == 0 && i < support->n_missing; i++)
            printf("  %s\n", support->missing[i]);
    }
    journal_reader_close(support->reader);
    plan_free(support->plan);
    free(support->plan_text);
    free(support->scans);
    free(support->line);
    free(support);
    return code;
}

const struct command COMMAND_SUPPORT = {
    .name = "support",
    .summary = "put what a helper from afar needs into one file, without secrets",
    .usage =
        "support [--last SPAN] [--into FILE] [--at-most SIZE] [--config FILE [--maps DIRECTORY] "
        "| --journal DIRECTORY]",
    .help =
        "  --last SPAN          scans, ledger and events of the last SPAN: 24h (the default), 7d, "
        "90min\n"
        "  --into FILE          the file, which must not exist; by default "
        "uphole-support-BOX-TIME.tar in this directory\n"
        "  --at-most SIZE       of the file: 200MB (the default), 20kB to 4GB; where more is "
        "there, "
        "the oldest scans are left out\n" SOCKET_ASK_HELP "\n"
        "A tar archive: configurations with their maps, raw scans as they stood on the wire, the "
        "ledger, events, cursors; from a running\n"
        "Uphole also its status and the newest bytes on each line; versions; and a README that "
        "says what each part is and what is\n"
        "missing. Passwords, keys and certificates are not in it: only the paths of their files. "
        "Names of wells, users and hosts are.\n"
        "Works without a running Uphole too. Nothing is sent anywhere, and the line is not asked "
        "anything. The file is readable for you alone.\n"
        "\n"
        "Monitoring only; not a protection system.\n",
    .run = run_support,
};
