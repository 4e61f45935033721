/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_command.c - `uphole compare WELL`: the surface unit's screen beside Uphole, at the
 * keyboard or from a script.
 */
#include "comparing.h"
#include "order.h"

#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static volatile sig_atomic_t has_stopped; /* set by a signal */

static void on_stop(int number)
{
    (void)number;
    has_stopped = 1;
}

bool comparing_has_stopped(void)
{
    return has_stopped != 0;
}

static void catch_signals(void)
{
    struct sigaction action;
    memset(&action, 0, sizeof action);
    action.sa_handler = on_stop; /* without SA_RESTART: waiting for a key ends, too */
    (void)sigaction(SIGINT, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
    (void)sigaction(SIGHUP, &action, NULL);
}

/* ---- which channels ---- */

static struct pair *add_pair(struct comparing *comparing, uint8_t source,
                             const struct channel *channel)
{
    if (comparing->n == COMPARE_PAIRS_MAX)
        return NULL;
    struct pair *pair = &comparing->pair[comparing->n++];
    *pair = (struct pair){.point = channel->point, .source = source, .channel = channel};
    return pair;
}

/** All that a screen can show a number of, but for what the site states as not fitted. */
static void add_all(struct comparing *comparing)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        const struct map *map = unit_link_map(comparing->link, source);
        if (map == NULL || (comparing->source != SOURCE_NONE && comparing->source != source))
            continue;
        for (unsigned i = 0; i < map->n_channels; i++) {
            const struct channel *channel = &map->channel[i];
            if (compare_takes(channel) &&
                unit_link_entry(comparing->link, source)->fitted[channel->point] != FITTED_NO)
                (void)add_pair(comparing, source, channel);
        }
    }
}

/** `POINT` or `POINT=VALUE`. Returns 0 or an exit code (said). */
static int add_named(struct comparing *comparing, const char *word)
{
    const size_t length = strcspn(word, "=");
    const unsigned point = point_find(word, length);
    uint8_t source = SOURCE_NONE;
    const struct channel *channel =
        point != 0 ? unit_link_channel(comparing->link, point, &source) : NULL;
    if (point == 0) {
        fprintf(stderr, "uphole: '%.*s' is no point; `uphole read %s` shows the well's\n",
                (int)length, word, comparing->link->well->id);
        return EX_USAGE;
    }
    if (channel == NULL || !compare_takes(channel)) {
        fprintf(stderr, "uphole: %s %s\n", point_get(point)->id,
                channel == NULL
                    ? "is in no map of this well"
                    : "holds a state or a text and no number; there is nothing to compare");
        return EX_DATAERR;
    }
    for (unsigned i = 0; i < comparing->n; i++)
        if (comparing->pair[i].point == point) {
            fprintf(stderr, "uphole: %s is named twice\n", point_get(point)->id);
            return EX_USAGE;
        }
    struct pair *pair = add_pair(comparing, source, channel);
    if (pair != NULL && word[length] == '=')
        pair->given = word + length + 1;
    return 0;
}

static int choose(struct comparing *comparing, char **words, int n)
{
    int code = 0, given = 0;
    for (int i = 0; i < n && code == 0; i++) {
        code = add_named(comparing, words[i]);
        given += strchr(words[i], '=') != NULL;
    }
    if (code == 0 && given != 0 && given != n) {
        fputs("uphole: give a value for each point (POINT=\"1790 psi\"), or for none\n", stderr);
        return EX_USAGE;
    }
    if (code == 0 && n == 0)
        add_all(comparing);
    if (code == 0 && comparing->n == 0) {
        fputs("uphole: this well has no channel to compare there\n", stderr);
        return EX_DATAERR;
    }
    return code;
}

/* ---- from a script ---- */

static int read_given(struct comparing *comparing)
{
    struct up_error error = {0};
    for (unsigned i = 0; i < comparing->n; i++) {
        struct pair *pair = &comparing->pair[i];
        if (screen_value_from_text(pair->given, strlen(pair->given), pair->point, &pair->value,
                                   &error) != UP_OK) {
            fprintf(stderr, "uphole: %s: %s\n", point_get(pair->point)->id, error.why);
            return EX_DATAERR;
        }
        pair->instant_ms = clock_boot_ms(&comparing->clock);
        pair->instant_utc_ms = comparing->clock.utc_us(comparing->clock.context) / 1000;
    }
    return 0;
}

/** All at one instant: when the program was called. */
static int judge_given(struct comparing *comparing, struct up_error *error)
{
    for (unsigned i = 0; i < comparing->n && !comparing_has_stopped(); i++) {
        struct pair *pair = &comparing->pair[i];
        const int code = comparing_judge(comparing, pair, error);
        if (code != 0 || comparing_has_stopped()) {
            pair->state = PAIR_OPEN;
            return code;
        }
        if (comparing->confirms && comparing_may_confirm(comparing, pair))
            comparing_confirm(comparing, pair);
    }
    return 0;
}

static void show_given(const struct comparing *comparing)
{
    for (unsigned i = 0; i < comparing->n; i++) {
        const struct pair *pair = &comparing->pair[i];
        if (pair->state != PAIR_DONE)
            continue;
        printf("%s\n", point_get(pair->point)->id);
        comparing_show_pair(stdout, pair);
        if (pair->said[0] != '\0')
            printf("  %s\n", pair->said);
    }
    fputs("\n", stdout);
}

/* ---- the command ---- */

static void caution(void)
{
    fputs("Compare reads what the running Uphole has; it puts no question on the line. If the "
          "surface unit's screen is in a cabinet that must be opened,\n"
          "that is work beside dangerous voltage: only under the site's electrical procedure and "
          "permit. Monitoring only.\n",
          stderr);
}

static int run_session(struct comparing *comparing, char **words, int n)
{
    struct up_error error = {0};
    int code = choose(comparing, words, n);
    if (code != 0)
        return code;
    const bool is_given = comparing->pair[0].given != NULL;
    if (!is_given && !isatty(STDIN_FILENO)) {
        fputs("uphole: nobody is at the keyboard: give what the screen says, as in POINT=\"1790 "
              "psi\"\n",
              stderr);
        return EX_USAGE;
    }
    if (is_given) {
        code = read_given(comparing);
        if (code != 0)
            return code;
    } else {
        caution();
    }
    code = is_given ? judge_given(comparing, &error) : comparing_walk(comparing, &error);
    comparing->ended_utc_ms = comparing->clock.utc_us(comparing->clock.context) / 1000;
    comparing->is_stopped = comparing->is_stopped || comparing_has_stopped() || code != 0;
    if (comparing->asked.json)
        comparing_show_json(stdout, comparing);
    else if (is_given)
        show_given(comparing);
    if (!comparing->asked.json)
        comparing_show(stdout, comparing);
    if (code != 0) {
        (void)command_fail(&error);
        return code;
    }
    return comparing_code(comparing);
}

static int take_role(struct comparing *comparing, const char *role)
{
    if (strlen(role) > COMPARE_ROLE_MAX || role[0] == '\0' || !order_text_is_clean(role))
        return command_usage_error(&COMMAND_COMPARE,
                                   "--by: at most %d characters, as in 'field technician'",
                                   COMPARE_ROLE_MAX);
    snprintf(comparing->role, sizeof comparing->role, "%s", role);
    return 0;
}

static int take_source(struct comparing *comparing, const char *name)
{
    for (uint8_t source = SOURCE_GAUGE; source < SOURCE_KINDS; source++)
        if (strcmp(name, source_name(source)) == 0) {
            comparing->source = source;
            return 0;
        }
    if (strcmp(name, "all") != 0)
        return command_usage_error(&COMMAND_COMPARE,
                                   "--source %s: expected gauge, drive, wellhead or all", name);
    comparing->source = SOURCE_NONE;
    return 0;
}

static int read_options(struct comparing *comparing, int argc, char **argv)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"json", no_argument, NULL, 'J'},
                                            {"confirm", no_argument, NULL, 'C'},
                                            {"by", required_argument, NULL, 'b'},
                                            {"source", required_argument, NULL, 's'},
                                            {NULL, 0, NULL, 0}};
    int code = 0;
    comparing->asked = (struct socket_asked){.config = CONFIG_DEFAULT};
    comparing->source = SOURCE_GAUGE;
    optind = 1;
    for (int c; code == 0 && (c = command_option(&COMMAND_COMPARE, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&comparing->asked, c))
            continue;
        if (c == 'J')
            comparing->asked.json = true;
        else if (c == 'C')
            comparing->confirms = true;
        else if (c == 'b')
            code = take_role(comparing, optarg);
        else if (c == 's')
            code = take_source(comparing, optarg);
        else
            code = EX_USAGE;
    }
    if (code == 0 && optind == argc)
        return command_usage_error(&COMMAND_COMPARE,
                                   "which well? Name it, as in 'uphole compare heron-7'");
    if (code == 0)
        comparing->asked.well = argv[optind++];
    if (code == 0 && (strlen(comparing->asked.well) > NAME_LENGTH_MAX ||
                      strpbrk(comparing->asked.well, " \n=") != NULL))
        return command_usage_error(&COMMAND_COMPARE,
                                   "that is no name of a well; the well stands before its points");
    if (code == 0 && comparing->confirms && comparing->role[0] == '\0' && !isatty(STDIN_FILENO))
        return command_usage_error(&COMMAND_COMPARE,
                                   "--confirm needs --by: in which role you confirm");
    return code;
}

static int run_compare(int argc, char **argv)
{
    struct comparing *comparing = calloc(1, sizeof *comparing);
    struct unit_link *link = calloc(1, sizeof *link);
    struct up_error error = {0};
    int code = comparing == NULL || link == NULL ? EX_OSERR : read_options(comparing, argc, argv);
    if (code == 0) {
        clock_of_system(&comparing->clock);
        comparing->link = link;
        comparing->began_utc_ms = comparing->clock.utc_us(comparing->clock.context) / 1000;
        catch_signals();
        code = unit_link_open(link, &comparing->asked, &error);
        if (code != 0)
            (void)command_fail(&error);
        else
            code = run_session(comparing, argv + optind, argc - optind);
        unit_link_close(link);
    }
    free(link);
    free(comparing);
    return code;
}

const struct command COMMAND_COMPARE = {
    .name = "compare",
    .summary =
        "hold the surface unit's screen against Uphole, channel by channel, and say what differs",
    .usage = "compare WELL [POINT...] [--source SOURCE] [--confirm] [--by ROLE] [--json] "
             "[--config FILE [--maps DIRECTORY] | --journal DIRECTORY]\n"
             "       uphole compare WELL POINT=VALUE... [the same options]",
    .help = "  --source SOURCE      gauge (the default), drive, wellhead or all: whose screen\n"
            "  --confirm            confirm what is the same without asking each time\n"
            "  --by ROLE            in which role you confirm: field technician\n"
            "  --json               the outcome as one object; the dialogue goes to standard "
            "error\n" SOCKET_ASK_HELP "\n"
            "Asks for one channel after the other, in the order of 'uphole read'. Type number and "
            "unit as the surface unit's screen shows them\n"
            "(1790 psi, 87.4 C, 0.35 g, 1775 psig), all its digits, and press Enter while they "
            "stand there: the scans around that moment are\n"
            "compared. --- says that the screen shows no value; s skips, ? helps, q stops, and "
            "what is done so far is printed. Uphole's own\n"
            "number is shown only afterwards.\n"
            "\n"
            "The verdict: same; or what would explain the difference (another unit, converted "
            "twice, a decimal point, gauge or absolute, order of\n"
            "words or bytes, a neighbouring register, another channel, a screen that stands "
            "still), with the calculator check written out; or\n"
            "different, with at most three things to look at. Where two explanations fit, both are "
            "said. A channel that is the same can be\n"
            "confirmed at once, by Uphole's own user, root and the group named in orders_group.\n"
            "\n"
            "POINT=VALUE, as in intake_pressure=\"1790 psi\", is for scripts: nothing is asked, "
            "and the moment is that of the call.\n"
            "Exit codes: 0 all that was compared is the same, 1 something differs or was left "
            "open, 65 a value can't be read, 69 no Uphole runs\n"
            "with this journal.\n"
            "\n"
            "If the cabinet must be opened to read the screen, that is work beside dangerous "
            "voltage: only under the site's electrical procedure\n"
            "and permit. Monitoring only; not a protection system.\n",
    .run = run_compare,
};
