/* SPDX-License-Identifier: Apache-2.0
 *
 * find_command.c - `uphole find` and `uphole draft-map`: listen, then ask with consent, then show.
 */
#include "find.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static volatile sig_atomic_t is_stopped; /* set by a signal; read at least ten times a second */

static void on_stop(int number)
{
    (void)number;
    is_stopped = 1;
}

static bool has_stopped(void *context)
{
    (void)context;
    return is_stopped != 0;
}

/* ---- real ports ---- */

static struct port *make_port(void *context, const struct line_plan *line)
{
    struct find_wish *wish = context;
    return port_for_line(line, &wish->clock, -1);
}
static void drop_port(void *context, struct port *port)
{
    (void)context;
    port_free(port);
}
static bool errors_of(void *context, const struct port *port, struct line_errors *out)
{
    (void)context;
    return port_errors(port, out);
}

static void prepare(struct find_wish *wish)
{
    struct sigaction action;
    memset(&action, 0, sizeof action);
    action.sa_handler = on_stop; /* without SA_RESTART: a question at the keyboard ends, too */
    (void)sigaction(SIGINT, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
    (void)sigaction(SIGHUP, &action, NULL);
    (void)setvbuf(stdin, NULL, _IONBF, 0); /* what was typed ahead stays where poll sees it */
    clock_of_system(&wish->clock);
    wish->options.clock = &wish->clock;
    wish->options.context = wish;
    wish->options.is_stopped = has_stopped;
    wish->options.progress = find_progress;
    wish->options.consent = find_consent;
    wish->options.ports = (struct find_ports){
        .make = make_port, .drop = drop_port, .errors = errors_of, .context = wish};
}

static int code_of(const struct find_wish *wish, const struct find_report *report)
{
    if (report->has_unit)
        return 0;
    if (report->was_refused && !wish->only_listens)
        return EX_NOPERM;
    return wish->only_listens ? 0 : 1;
}

/** One port. 0 and a report, or an exit code (said). */
static int search(struct find_wish *wish, const char *target, struct find_report *report)
{
    struct up_error error = {0};
    (void)find_read_target(target, &wish->options.line);
    wish->role[0] = '\0'; /* an agreement is of one port */
    int code = find_check_owner(wish, &wish->options.line);
    if (code != 0)
        return code;
    const enum up_rc rc = find_run(&wish->options, report, &error);
    find_end_progress(wish);
    if (rc == UP_OK)
        return 0;
    code = command_fail(&error);
    if (rc == UP_E_LOCKED)
        fputs("uphole: if it is a line of a running Uphole, `uphole status` names it, and `uphole "
              "hold LINE --for 10min` "
              "gives it free\n",
              stderr);
    return code;
}

static void caution(void)
{
    fputs("The cabinet holds dangerous voltage, and the gauge signal shares the pump's power "
          "cable: open it only under "
          "the site's\nelectrical work procedure and permit. Monitoring only: only functions that "
          "read are sent, none "
          "before consent.\n",
          stderr);
}

static int find(int argc, char **argv)
{
    struct find_wish *wish = calloc(1, sizeof *wish);
    struct find_report *report = calloc(1, sizeof *report);
    int code = wish == NULL || report == NULL
                   ? EX_OSERR
                   : find_read_options(&COMMAND_FIND, argc, argv, false, wish);
    if (code == 0)
        code = find_load_maps(wish);
    if (code == 0) {
        prepare(wish);
        caution();
    }
    for (unsigned i = 0; code == 0 && i < wish->n_targets && is_stopped == 0; i++) {
        code = search(wish, wish->target[i], report);
        if (code != 0)
            break;
        if (wish->json)
            find_show_json(stdout, wish->target[i], report, wish->role);
        else
            find_show(wish, wish->target[i], report);
        const int this_code = code_of(wish, report);
        code = wish->n_targets == 1 || this_code == EX_NOPERM ? this_code : 0;
    }
    if (wish != NULL)
        find_free_maps(wish);
    free(report);
    free(wish);
    return code;
}

/* ---- draft-map ---- */

static int write_draft(const struct find_wish *wish, const struct find_report *report)
{
    if (wish->into == NULL) {
        find_print_draft(stdout, report, wish->draft_name);
        return 0;
    }
    FILE *out = fopen(wish->into, "wx");
    if (out == NULL) {
        fprintf(stderr, "uphole: %s can't be made (%s); a file that exists is never replaced\n",
                wish->into, strerror(errno));
        return EX_CANTCREAT;
    }
    find_print_draft(out, report, wish->draft_name);
    const bool is_written = fflush(out) == 0 && !ferror(out);
    if (fclose(out) != 0 || !is_written) {
        (void)unlink(wish->into);
        fprintf(stderr, "uphole: %s could not be written\n", wish->into);
        return EX_IOERR;
    }
    printf("%s is written. Complete or delete each line with FILL, then: uphole check --map %s\n",
           wish->into, wish->into);
    return 0;
}

static int draft_map(int argc, char **argv)
{
    struct find_wish *wish = calloc(1, sizeof *wish);
    struct find_report *report = calloc(1, sizeof *report);
    int code = wish == NULL || report == NULL
                   ? EX_OSERR
                   : find_read_options(&COMMAND_DRAFT_MAP, argc, argv, true, wish);
    if (code == 0)
        code = find_load_maps(wish);
    if (code == 0) {
        prepare(wish);
        caution();
        code = search(wish, wish->target[0], report);
    }
    if (code == 0 && report->has_unit && report->book.n_samples > 0) {
        code = write_draft(wish, report);
    } else if (code == 0) {
        find_show(wish, wish->target[0], report);
        code = code_of(wish, report);
        code = code == 0 ? 1 : code;
    }
    if (wish != NULL)
        find_free_maps(wish);
    free(report);
    free(wish);
    return code;
}

#define SHARED_HELP                                                                                \
    "  --yes                consent of the person at the keyboard, for scripts; not where "        \
    "another master is heard\n"                                                                    \
    "  --agreed-by ROLE     whoever is responsible for the other master that is heard has "        \
    "agreed; beside --yes\n"                                                                       \
    "  --listen SPAN        before anything is asked (30 s)\n"                                     \
    "  --speed 9600, --frame 8N1   only these; else the usual ones, likeliest first\n"             \
    "  --framing tcp|rtu    of HOST:PORT: only this; else Modbus TCP, then RTU over TCP\n"         \
    "  --unit-id N or N..M  only these (all, likeliest first)\n"                                   \
    "  --registers N..M     where to look for registers, counted from 0 (0..1023, and the usual "  \
    "places beyond)\n"                                                                             \
    "  --wait SPAN          for an answer, while most questions have none (200 ms); slower units " \
    "are found by their "                                                                          \
    "late answers\n"                                                                               \
    "  --watch SPAN         how long registers are read over and over (30 s)\n"                    \
    "  --watch-every SPAN   between two readings of all registers (2 s)\n"                         \
    "  --at-most SPAN       the whole search (30 min)\n"                                           \
    "  --requests N         questions in all, at most (10000)\n"                                   \
    "  --map NAME           the unit's map is known: what it says never to touch is left alone\n"  \
    "  --maps DIRECTORY     known maps (else /etc/uphole/maps and the installed ones)\n"           \
    "  --config FILE        whose lines are not taken from a running Uphole (" CONFIG_DEFAULT      \
    ")\n"

const struct command COMMAND_FIND = {
    .name = "find",
    .summary = "listen to a port, then find the unit, its settings, registers and map",
    .usage = "find [OPTION]... DEVICE|HOST:PORT...",
    .help =
        "Reading can disturb: get the consent of whoever is responsible for the drive "
        "first.\n\n" SHARED_HELP "  --listen-only        ask nothing\n"
        "  --json               one object a port\n\n"
        "It listens first and says who else asks on the line, what, and how often. Nothing is "
        "sent without consent. "
        "Then it asks for one\nregister, unit id by unit id, and stops at the first valid "
        "answer; only functions that "
        "read, never address 0, only the ports that\nare named. It finds what registers "
        "answer, holds the known maps "
        "against them, and prints the stanza to paste. Where nothing\nanswers it says what may "
        "be wrong, how likely, "
        "and what to check first.\n\n"
        "Exit codes: 0 found, 1 not found or stopped, 69 a port can't be opened, 75 it is somebody "
        "else's, 77 no consent.\n\n"
        "  uphole find /dev/serial/by-id/usb-rs485-a\n"
        "  uphole find 192.0.2.7:502 --yes --json\n",
    .run = find,
};

const struct command COMMAND_DRAFT_MAP = {
    .name = "draft-map",
    .summary = "write a commented draft of a map from live registers and how they change",
    .usage = "draft-map [OPTION]... DEVICE|HOST:PORT",
    .help = "Reading can disturb: get the consent of whoever is responsible for the drive "
            "first.\n\n" SHARED_HELP "  --name NAME          of the map (my-unit)\n"
            "  --into FILE          a new file; else to standard output\n\n"
            "It finds the unit as `uphole find` does, watches its registers and writes what was "
            "seen as comments. Lines "
            "with FILL are for a person\nwith the unit's document: complete or delete them, then "
            "`uphole check --map FILE`.\n\n"
            "  uphole draft-map /dev/serial/by-id/usb-rs485-a --speed 9600 --frame 8N1 --unit-id 1 "
            "--watch '3 min' --into "
            "my-unit.yaml\n",
    .run = draft_map,
};
