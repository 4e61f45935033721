/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_command.c - `uphole loop-check WELL`: options, cautions, the order of things, and the
 * end.
 */
#include "loop_check_begin.h"

#include "span.h"

#include "uphole/wall.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static void on_stop(int number)
{
    (void)number;
    loop_is_stopped = 1;
}

/* ---- options ---- */

enum { OPTION_MQTT = 1000, OPTION_TABLE, OPTION_OUTAGES, OPTION_USER, OPTION_PASSWORD };

static bool take_option(struct loop_check *check, int option)
{
    switch (option) {
    case 'r':
        check->directory = optarg;
        return true;
    case 'b':
        check->by_option = optarg;
        return strlen(optarg) < LOOP_BY_MAX && optarg[0] != '\0' && strchr(optarg, '\n') == NULL;
    case 'o':
        return span_from_text(optarg, &check->outage_ms) &&
               check->outage_ms >= LOOP_OUTAGE_LEAST_MS && check->outage_ms <= PAUSE_MOST_MS;
    case 'd':
        check->destination = optarg;
        return true;
    case 't':
        check->table = optarg;
        return true;
    case 'v':
        check->view_id = (unsigned)strtoul(optarg, NULL, 10);
        return check->view_id >= 1 && check->view_id <= 247;
    case 's':
        check->service = optarg;
        return optarg[0] != '-';
    case OPTION_MQTT:
        check->without_mqtt = true;
        return true;
    case OPTION_TABLE:
        check->without_table = true;
        return true;
    case OPTION_OUTAGES:
        check->without_outages = true;
        return true;
    case OPTION_USER:
        check->reader_user = optarg;
        return true;
    case OPTION_PASSWORD:
        check->reader_password_file = optarg;
        return true;
    default:
        return false;
    }
}

static int read_options(struct loop_check *check, int argc, char **argv)
{
    static const struct option OPTIONS[] = {
        SOCKET_ASK_OPTIONS,
        {"record", required_argument, NULL, 'r'},
        {"by", required_argument, NULL, 'b'},
        {"outage", required_argument, NULL, 'o'},
        {"destination", required_argument, NULL, 'd'},
        {"table", required_argument, NULL, 't'},
        {"view", required_argument, NULL, 'v'},
        {"service", required_argument, NULL, 's'},
        {"without-mqtt", no_argument, NULL, OPTION_MQTT},
        {"without-table", no_argument, NULL, OPTION_TABLE},
        {"without-outages", no_argument, NULL, OPTION_OUTAGES},
        {"reader-user", required_argument, NULL, OPTION_USER},
        {"reader-password-file", required_argument, NULL, OPTION_PASSWORD},
        {NULL, 0, NULL, 0}};
    check->asked = (struct socket_asked){.config = CONFIG_DEFAULT};
    check->outage_ms = LOOP_OUTAGE_USUAL_MS;
    optind = 1;
    for (int c; (c = command_option(&COMMAND_LOOP_CHECK, argc, argv, OPTIONS)) != -1;) {
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (socket_ask_takes(&check->asked, c) || take_option(check, c))
            continue;
        return command_usage_error(&COMMAND_LOOP_CHECK, "%s is not what is expected there%s",
                                   optarg,
                                   c == 'o'   ? ": 5s to 10min, as in 2min"
                                   : c == 'b' ? ": name and role, at most 63 bytes"
                                   : c == 'v' ? ": the unit id of a view, 1 to 247"
                                              : "");
    }
    const int code = socket_ask_well(&COMMAND_LOOP_CHECK, argc, argv, &check->asked);
    if (code != 0)
        return code;
    if (check->directory == NULL)
        return command_usage_error(&COMMAND_LOOP_CHECK,
                                   "where shall the record stand? Name a directory: --record DIR");
    if ((check->reader_user == NULL) != (check->reader_password_file == NULL))
        return command_usage_error(&COMMAND_LOOP_CHECK,
                                   "--reader-user and --reader-password-file go together");
    return 0;
}

/* ---- before the first channel ---- */

static void say_cautions(void)
{
    static const char *const CAUTIONS[] = {
        "The cabinet holds dangerous voltage, and the gauge signal shares the pump's power cable: "
        "read the screen only where the site's electrical work procedure and permit let you. "
        "\"Stopped\" on any screen is never proof of isolation.",
        "Reading can disturb. This check puts no question of its own on the line: it uses what "
        "Uphole reads anyway. Where a drive reads this gauge on the same pair, whoever is "
        "responsible for the drive must have agreed to Uphole before.",
        "The outage tests interrupt what SCADA sees. They stop Uphole's asking, its network or its "
        "program: no plug is pulled, and no surface unit is switched off. Tell whoever watches "
        "SCADA first.",
        "Hazardous area: laptop and box only where their rating suits it.",
        ("Monitoring only. " LOOP_CAUTION),
    };
    loop_say(0, "Loop check. " LOOP_PROVES);
    printf("\n");
    for (size_t i = 0; i < sizeof CAUTIONS / sizeof *CAUTIONS; i++)
        loop_say(2, "- %s", CAUTIONS[i]);
    printf("\n");
}

/** The role that orders bear: at most 32 bytes, never the half of a character. */
static void make_role(struct loop_check *check)
{
    size_t n = strlen(check->by);
    if (n > sizeof check->role - 1)
        n = sizeof check->role - 1;
    while (n > 0 && (check->by[n] & 0xC0) == 0x80)
        n--;
    memcpy(check->role, check->by, n);
    check->role[n] = '\0';
}

static bool ask_who(struct loop_check *check)
{
    char line[LOOP_LINE_MAX];
    for (;;) {
        if (loop_ask(check, "Have you read this, and may you go on? Type yes: ", line) !=
            ASKED_LINE)
            return false;
        if (strcmp(line, "yes") == 0)
            break;
        loop_say(0, "Nothing is done before that; Ctrl-C ends it.");
    }
    if (check->by_option != NULL)
        snprintf(check->by, sizeof check->by, "%s", check->by_option);
    while (check->by[0] == '\0') {
        if (loop_ask(check, "Your name and role, as they shall stand in the record: ", line) !=
            ASKED_LINE)
            return false;
        if (strlen(line) >= sizeof check->by)
            loop_say(0, "At most %zu bytes, please.", sizeof check->by - 1);
        else
            snprintf(check->by, sizeof check->by, "%.63s", line);
    }
    loop_clean(check->by);
    make_role(check);
    struct loop_record *record = check->record;
    snprintf(record->sitting[record->n_sittings - 1].by, LOOP_BY_MAX, "%s", check->by);
    return true;
}

static void say_resumed(const struct loop_check *check)
{
    const struct loop_record *record = check->record;
    const char *differences = record->sitting[record->n_sittings - 1].differences;
    char since[STAMP_TEXT_MAX];
    loop_say(0, "Going on with the check that began at %s: %u channels have a result, %u are open.",
             stamp_to_short_text(record->begun_utc_ms, since),
             record->n_channels - loop_count(record, LOOP_OPEN), loop_count(record, LOOP_OPEN));
    if (differences[0] != '\0')
        loop_say(0, "Since the last sitting: %s.", differences);
    printf("\n");
}

/* ---- the steps ---- */

static int save(struct loop_check *check)
{
    struct up_error error = {0};
    struct loop_record *record = check->record;
    record->sitting[record->n_sittings - 1].ended_utc_ms = loop_utc_ms(check);
    record->ended_utc_ms = loop_utc_ms(check);
    return loop_file_save(check, &error) == UP_OK ? 0 : command_fail(&error);
}

/** The one before that a person gave a result; `index` itself where there is none. */
static unsigned channel_before(const struct loop_record *record, unsigned index)
{
    for (unsigned i = index; i-- > 0;)
        if (record->channel[i].done_utc_ms != 0 && record->channel[i].tries > 0)
            return i;
    return index;
}

static int do_channels(struct loop_check *check)
{
    struct loop_record *record = check->record;
    for (unsigned i = 0; i < record->n_channels;) {
        if (record->channel[i].result != LOOP_OPEN) {
            i++;
            continue;
        }
        switch (loop_do_channel(check, i)) {
        case STEP_STOP:
            return EX_TEMPFAIL;
        case STEP_BACK:
            i = channel_before(record, i);
            record->channel[i].result = LOOP_OPEN;
            continue;
        case STEP_DONE:
            break;
        }
        const int code = save(check);
        if (code != 0)
            return code;
    }
    return 0;
}

static int skip_outages(struct loop_check *check, const char *reason)
{
    for (unsigned i = 0; i < check->record->n_outages; i++) {
        struct loop_outage *outage = &check->record->outage[i];
        if (outage->result != LOOP_OPEN)
            continue;
        outage->result = LOOP_SKIPPED;
        outage->done_utc_ms = loop_utc_ms(check);
        snprintf(outage->by, sizeof outage->by, "%s", check->by);
        snprintf(outage->sentence, sizeof outage->sentence, "%s", reason);
    }
    return save(check);
}

static bool has_open_outage(const struct loop_record *record)
{
    for (unsigned i = 0; i < record->n_outages; i++)
        if (record->outage[i].result == LOOP_OPEN)
            return true;
    return false;
}

static int do_outages(struct loop_check *check)
{
    struct loop_record *record = check->record;
    char line[LOOP_LINE_MAX];
    if (!has_open_outage(record))
        return 0;
    if (check->without_outages)
        return skip_outages(check, "left out by the person's wish (--without-outages)");
    printf("\n");
    loop_say(0,
             "Outage tests. They interrupt what SCADA sees of %s and of what shares its line, "
             "broker or box.",
             check->well->id);
    for (;;) {
        if (loop_ask(check,
                     "Has whoever watches SCADA been told? Type yes, or s REASON to skip them: ",
                     line) != ASKED_LINE)
            return EX_TEMPFAIL;
        if (line[0] == 's' && line[1] == ' ')
            return skip_outages(check, line + 2);
        if (strcmp(line, "yes") == 0)
            break;
        loop_say(0, "Tell them first. Ctrl-C stops here; the same command goes on later.");
    }
    for (unsigned i = 0; i < record->n_outages; i++) {
        if (record->outage[i].result != LOOP_OPEN)
            continue;
        if (loop_do_outage(check, &record->outage[i]) == STEP_STOP)
            return EX_TEMPFAIL;
        const int code = save(check);
        if (code != 0)
            return code;
    }
    return 0;
}

/* ---- the end ---- */

static void say_stanzas(const struct loop_check *check)
{
    bool any = false;
    for (unsigned i = 0; i < check->record->n_channels; i++)
        any = any || check->record->channel[i].stanza[0] != '\0';
    if (!any)
        return;
    loop_say(0, "To accept what is not fitted, put into the configuration, then 'uphole check' and "
                "'uphole reload':");
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const char *before = "";
        for (unsigned i = 0; i < check->record->n_channels; i++) {
            const struct loop_channel *at = &check->record->channel[i];
            if (at->source != s || at->stanza[0] == '\0')
                continue;
            if (before[0] == '\0')
                printf("  %s: {..., fitted: {", source_name(s));
            printf("%s%s: no", before, point_get(at->point)->id);
            before = ", ";
        }
        if (before[0] != '\0')
            printf("}}\n");
    }
}

static int finish(struct loop_check *check)
{
    char json[PATH_LENGTH_MAX], page[PATH_LENGTH_MAX];
    struct up_error error = {0};
    struct loop_record *record = check->record;
    record->complete = true;
    record->ended_utc_ms = record->sitting[record->n_sittings - 1].ended_utc_ms =
        loop_utc_ms(check);
    if (loop_file_finish(check, json, page, &error) != UP_OK)
        return command_fail(&error);
    printf("\n");
    loop_say(0, "%u channels passed, %u failed, %u not fitted, %u skipped, %u without a number.",
             loop_count(record, LOOP_PASS), loop_count(record, LOOP_FAIL),
             loop_count(record, LOOP_NOT_FITTED),
             loop_count(record, LOOP_SKIPPED) - loop_count_numberless(record),
             loop_count_numberless(record));
    say_stanzas(check);
    loop_say(0, "Record: %s", json);
    loop_say(0, "To print and sign: %s", page);
    loop_say(0, LOOP_PROVES);
    return loop_has_passed(record) ? 0 : 1;
}

static int not_finished(struct loop_check *check)
{
    printf("\n");
    if (check->by[0] == '\0') {
        loop_say(0, "Stopped; nothing was changed.");
        return EX_TEMPFAIL;
    }
    (void)save(check);
    loop_say(0,
             "Stopped. What was done is kept in %s/loop-check-%s.json; the same command goes on "
             "with it.",
             check->directory, check->well->id);
    return EX_TEMPFAIL;
}

static int run_steps(struct loop_check *check, bool is_resumed)
{
    say_cautions();
    if (is_resumed)
        say_resumed(check);
    if (!ask_who(check))
        return not_finished(check);
    int code = loop_open_paths(check);
    if (code == 0)
        code = save(check);
    if (code == 0) {
        printf("\n");
        loop_say(0, "Type what the screen shows, with its unit. ? helps, q stops for now.");
        code = do_channels(check);
    }
    if (code == 0)
        code = do_outages(check);
    if (code == EX_TEMPFAIL)
        return not_finished(check);
    return code == 0 ? finish(check) : code;
}

static int run_loop_check(int argc, char **argv)
{
    struct sigaction action;
    bool is_resumed = false;
    struct loop_check *check = calloc(1, sizeof *check);
    if (check == NULL)
        return EX_OSERR;
    check->record = calloc(1, sizeof *check->record);
    check->lock_fd = -1;
    check->mqtt = check->served = -1;
    clock_of_system(&check->clock);
    int code = check->record == NULL ? EX_OSERR : read_options(check, argc, argv);
    if (code == 0) {
        memset(&action, 0, sizeof action);
        action.sa_handler = on_stop; /* without SA_RESTART: a question at the keyboard ends, too */
        (void)sigaction(SIGINT, &action, NULL);
        (void)sigaction(SIGTERM, &action, NULL);
        (void)sigaction(SIGHUP, &action, NULL);
        signal(SIGPIPE, SIG_IGN);
        code = loop_begin(check, check->asked.well, &is_resumed);
    }
    if (code == 0)
        code = run_steps(check, is_resumed);
    hear_close(check);
    served_close(check);
    if (check->lock_fd >= 0)
        close(check->lock_fd);
    plan_free(check->plan);
    free(check->record);
    free(check);
    return code;
}

const struct command COMMAND_LOOP_CHECK = {
    .name = "loop-check",
    .summary = "prove the loop from the surface unit's screen to SCADA, with a record to sign",
    .usage = "loop-check WELL --record DIR [OPTION]...",
    .help =
        "Read the cautions that it prints first. It asks what the screen says, channel by channel, "
        "and reads the same scan back from the\nbroker and from the Modbus TCP table, as SCADA "
        "does.\n\n"
        "  --record DIR         where progress, record and page stand\n"
        "  --by NAME            name and role for the record; else they are asked for\n"
        "  --outage SPAN        how long each outage test lasts: 5s to 10min; 2min by default\n"
        "  --service NAME       restart this service by systemctl, in place of a person who stops "
        "and starts it\n"
        "  --without-outages    no outage tests; the record says so\n"
        "  --destination NAME   the broker to read back from (the first)\n"
        "  --reader-user NAME   a user of the broker that may read; else the destination's own\n"
        "  --reader-password-file FILE   its password\n"
        "  --without-mqtt       leave the broker out; the record says so\n"
        "  --table NAME         the Modbus TCP table to read (the first)\n"
        "  --view N             the unit id of its view that SCADA uses (the first)\n"
        "  --without-table      leave the table out; the record says so\n" SOCKET_ASK_HELP "\n"
        "At each channel: a value with its unit as the screen shows it; `test SOURCE = VALUE`; n "
        "(no such sensor);\n"
        "s REASON (skip it); b (back to the one before); q (stop here, go on later); ? (help).\n"
        "Interrupted at any point, the same command goes on. At the end DIR holds "
        "loop-check-WELL-TIME.json and .html, a page to print.\n"
        "\n"
        "Exit codes: 0 passed, or skipped in part; 1 a channel or an outage test failed; 75 not "
        "finished: the same command goes on; 69 no\nUphole runs, or broker or table can't be read "
        "back; 77 you may not ask or order; 64, 65, 66, 73, 74, 78 as the message says.\n"
        "\n"
        "It does not prove the downhole sensor. Monitoring only; not a protection system.\n",
    .run = run_loop_check,
};
