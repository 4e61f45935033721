/* SPDX-License-Identifier: Apache-2.0
 *
 * find_options.c - the command line of `find` and `draft-map`, and the maps that they know.
 */
#include "find.h"

#include <dirent.h>
#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define OWN_MAPS_DIRECTORY "/etc/uphole/maps"
#define TIMEOUT_MS 1000

enum {
    OPTION_LISTEN = 1000,
    OPTION_WAIT,
    OPTION_WATCH,
    OPTION_WATCH_EVERY,
    OPTION_AT_MOST,
    OPTION_REQUESTS,
    OPTION_SPEED,
    OPTION_FRAME,
    OPTION_FRAMING,
    OPTION_UNIT_ID,
    OPTION_REGISTERS,
    OPTION_MAP,
    OPTION_MAPS,
    OPTION_CONFIG,
    OPTION_YES,
    OPTION_AGREED,
    OPTION_LISTEN_ONLY,
    OPTION_JSON,
    OPTION_NAME,
    OPTION_INTO
};

static int take_time(const struct find_wish *wish, const char *option, const char *text,
                     double least_s, double most_s, uint32_t *ms)
{
    double seconds;
    unit_number unit;
    if (!quantity_from_text(text, strlen(text), QUANTITY_DURATION, &seconds, &unit) ||
        !(seconds >= least_s) || seconds > most_s)
        return command_usage_error(wish->command,
                                   "%s '%s'; expected a duration with its unit, %g s to %g s",
                                   option, text, least_s, most_s);
    *ms = (uint32_t)(seconds * 1000 + 0.5);
    return 0;
}

/** "7" or "1..10", within low to high. */
static bool take_span(const char *text, long low, long high, long *first, long *last)
{
    char *end;
    *first = *last = strtol(text, &end, 10);
    if (end == text)
        return false;
    if (strncmp(end, "..", 2) == 0) {
        const char *from = end + 2;
        *last = strtol(from, &end, 10);
        if (end == from)
            return false;
    }
    return *end == '\0' && *first >= low && *last <= high && *first <= *last;
}

static int take_line(struct find_wish *wish, int option, const char *text)
{
    struct line_plan *line = &wish->options.line;
    if (option == OPTION_SPEED) {
        char *end;
        const long baud = strtol(text, &end, 10);
        if (end == text || (*end != '\0' && strcmp(end, " baud") != 0) || baud < 300 ||
            baud > 230400)
            return command_usage_error(wish->command, "--speed '%s'; expected such as 9600", text);
        line->baud = (uint32_t)baud;
        wish->options.has_speed = true;
    } else if (option == OPTION_FRAME) {
        if (strlen(text) != 3 || text[0] != '8' || strchr("NEO", text[1]) == NULL ||
            strchr("12", text[2]) == NULL)
            return command_usage_error(wish->command, "--frame '%s'; expected such as 8N1 or 8E1",
                                       text);
        line->parity = text[1];
        line->stop_bits = (uint8_t)(text[2] - '0');
        wish->options.has_frame = true;
    } else {
        const bool is_rtu = strcmp(text, "rtu") == 0;
        if (!is_rtu && strcmp(text, "tcp") != 0)
            return command_usage_error(wish->command, "--framing '%s'; expected tcp or rtu", text);
        line->framing = is_rtu ? LINE_FRAMING_RTU : LINE_FRAMING_TCP;
        wish->options.has_framing = true;
    }
    return 0;
}

static int take_numbers(struct find_wish *wish, int option, const char *text)
{
    struct find_options *options = &wish->options;
    long first, last;
    if (option == OPTION_UNIT_ID) {
        if (!take_span(text, 0, 255, &first, &last) || last == 0)
            return command_usage_error(wish->command, "--unit-id '%s'; expected 7 or 1..10", text);
        options->unit_low = (uint8_t)first;
        options->unit_high = (uint8_t)last;
    } else if (option == OPTION_REGISTERS) {
        if (!take_span(text, 0, 65535, &first, &last))
            return command_usage_error(
                wish->command, "--registers '%s'; expected 0..199, counted from 0 as on the wire",
                text);
        options->first = (uint16_t)first;
        options->last = (uint16_t)last;
    } else {
        if (!take_span(text, 1, 1000000, &first, &last) || first != last)
            return command_usage_error(wish->command, "--requests '%s'; expected 1 to 1000000",
                                       text);
        options->at_most_requests = (uint32_t)first;
    }
    return 0;
}

static bool is_role(const char *text)
{
    return strlen(text) <= FIND_ROLE_MAX && strpbrk(text, "\n\r\t\"\\") == NULL;
}

static int take_word(struct find_wish *wish, int option, const char *text)
{
    switch (option) {
    case OPTION_MAP:
        wish->map_name = text;
        break;
    case OPTION_MAPS:
        wish->maps = text;
        break;
    case OPTION_CONFIG:
        wish->config = text;
        break;
    case OPTION_YES:
        wish->says_yes = true;
        break;
    case OPTION_AGREED:
        if (!is_role(text))
            return command_usage_error(
                wish->command, "--agreed-by takes a role of at most %d characters", FIND_ROLE_MAX);
        wish->agreed_by = text;
        break;
    case OPTION_LISTEN_ONLY:
        wish->only_listens = true;
        break;
    case OPTION_JSON:
        wish->json = true;
        break;
    case OPTION_NAME:
        if (strlen(text) > NAME_LENGTH_MAX ||
            strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-") != strlen(text))
            return command_usage_error(
                wish->command, "--name '%s'; expected a to z, 0 to 9 and -, at most 32", text);
        wish->draft_name = text;
        break;
    default:
        wish->into = text;
    }
    return 0;
}

static int take(struct find_wish *wish, int option, const char *text)
{
    struct find_options *options = &wish->options;
    switch (option) {
    case OPTION_LISTEN:
        return take_time(wish, "--listen", text, 0, 3600, &options->listen_ms);
    case OPTION_WAIT:
        return take_time(wish, "--wait", text, 0.02, 10, &options->wait_ms);
    case OPTION_WATCH:
        return take_time(wish, "--watch", text, 0, 3600, &options->watch_ms);
    case OPTION_WATCH_EVERY:
        return take_time(wish, "--watch-every", text, 0.1, 600, &options->watch_every_ms);
    case OPTION_AT_MOST:
        return take_time(wish, "--at-most", text, 1, 14400, &options->at_most_ms);
    case OPTION_SPEED:
    case OPTION_FRAME:
    case OPTION_FRAMING:
        return take_line(wish, option, text);
    case OPTION_UNIT_ID:
    case OPTION_REGISTERS:
    case OPTION_REQUESTS:
        return take_numbers(wish, option, text);
    default:
        return take_word(wish, option, text);
    }
}

static const struct option OPTIONS[] = {
    /* clang-format off */
    {"listen", 1, NULL, OPTION_LISTEN}, {"wait", 1, NULL, OPTION_WAIT}, {"watch", 1, NULL, OPTION_WATCH},
    {"watch-every", 1, NULL, OPTION_WATCH_EVERY}, {"at-most", 1, NULL, OPTION_AT_MOST}, {"requests", 1, NULL, OPTION_REQUESTS},
    {"speed", 1, NULL, OPTION_SPEED}, {"frame", 1, NULL, OPTION_FRAME}, {"framing", 1, NULL, OPTION_FRAMING},
    {"unit-id", 1, NULL, OPTION_UNIT_ID}, {"registers", 1, NULL, OPTION_REGISTERS}, {"map", 1, NULL, OPTION_MAP},
    {"maps", 1, NULL, OPTION_MAPS}, {"config", 1, NULL, OPTION_CONFIG}, {"yes", 0, NULL, OPTION_YES},
    {"agreed-by", 1, NULL, OPTION_AGREED}, {"listen-only", 0, NULL, OPTION_LISTEN_ONLY}, {"json", 0, NULL, OPTION_JSON},
    {"name", 1, NULL, OPTION_NAME}, {"into", 1, NULL, OPTION_INTO}, {NULL, 0, NULL, 0},
    /* clang-format on */
};

static void begin(const struct command *command, struct find_wish *wish)
{
    memset(wish, 0, sizeof *wish);
    wish->command = command;
    wish->config = CONFIG_DEFAULT;
    wish->draft_name = "my-unit";
    wish->options = (struct find_options){.listen_ms = FIND_LISTEN_MS,
                                          .wait_ms = FIND_WAIT_MS,
                                          .watch_ms = FIND_WATCH_MS,
                                          .watch_every_ms = 2000,
                                          .at_most_ms = FIND_AT_MOST_MS,
                                          .at_most_requests = FIND_REQUESTS_AT_MOST,
                                          .last = FIND_LAST_REGISTER};
    wish->options.line = (struct line_plan){.name = "pad-line",
                                            .baud = 9600,
                                            .data_bits = 8,
                                            .stop_bits = 1,
                                            .parity = 'N',
                                            .response_timeout_ms = TIMEOUT_MS};
}

int find_read_options(const struct command *command, int argc, char **argv, bool is_draft,
                      struct find_wish *wish)
{
    struct line_plan line;
    begin(command, wish);
    optind = 1;
    for (int c; (c = command_option(command, argc, argv, OPTIONS)) != -1;) {
        if (c == COMMAND_OPTION_BAD)
            return EX_USAGE;
        if (!is_draft && (c == OPTION_NAME || c == OPTION_INTO))
            return command_usage_error(command, "option '%s' is not known", argv[optind - 1]);
        if (is_draft && c == OPTION_JSON)
            return command_usage_error(command, "option '--json' is not known");
        const int code = take(wish, c, optarg);
        if (code != 0)
            return code;
    }
    for (; optind < argc; optind++) {
        if (wish->n_targets == FIND_TARGETS_MAX || (is_draft && wish->n_targets == 1))
            return command_usage_error(command, "'%s' is one too many", argv[optind]);
        if (!find_read_target(argv[optind], &line))
            return command_usage_error(
                command, "'%s' is neither a device (/dev/...) nor HOST:PORT (192.0.2.7:502)",
                argv[optind]);
        wish->target[wish->n_targets++] = argv[optind];
    }
    if (wish->n_targets == 0)
        return command_usage_error(command,
                                   "which port? Name a device, as /dev/serial/by-id/..., or "
                                   "HOST:PORT; nothing else is searched");
    return 0;
}

bool find_read_target(const char *text, struct line_plan *line)
{
    const char *colon = strrchr(text, ':');
    char *end = NULL;
    if (text[0] == '/' || text[0] == '.') {
        line->medium = LINE_MEDIUM_SERIAL;
        return snprintf(line->device, sizeof line->device, "%s", text) < (int)sizeof line->device;
    }
    const long port = colon != NULL ? strtol(colon + 1, &end, 10) : -1;
    size_t n = colon != NULL ? (size_t)(colon - text) : 0;
    const bool is_bracketed = n > 2 && text[0] == '[' && colon[-1] == ']';
    if (n == 0 || end == colon + 1 || *end != '\0' || port < 1 || port > 65535 ||
        n >= sizeof line->host)
        return false;
    if (is_bracketed) {
        text++;
        n -= 2;
    }
    line->medium = LINE_MEDIUM_TCP;
    line->port = (uint16_t)port;
    memcpy(line->host, text, n);
    line->host[n] = '\0';
    return true;
}

/* ---- maps ---- */

static bool has_map(const struct find_wish *wish, const char *name)
{
    for (unsigned i = 0; i < wish->n_maps; i++)
        if (strcmp(wish->map[i]->name, name) == 0)
            return true;
    return false;
}

static void load_directory(struct find_wish *wish, const char *directory)
{
    DIR *at = opendir(directory);
    const struct dirent *entry;
    while (at != NULL && wish->n_maps < FIND_MAPS_MAX && (entry = readdir(at)) != NULL) {
        char path[PATH_LENGTH_MAX];
        struct plan_faults faults = {0};
        const size_t n = strlen(entry->d_name);
        if (n < 6 || strcmp(entry->d_name + n - 5, ".yaml") != 0 ||
            snprintf(path, sizeof path, "%s/%s", directory, entry->d_name) >= (int)sizeof path)
            continue;
        if (map_from_file(path, &wish->map[wish->n_maps], &faults) != UP_OK)
            fprintf(stderr,
                    "uphole: %s is left out, since `uphole check --map` finds faults in it\n",
                    path);
        else if (has_map(wish, wish->map[wish->n_maps]->name))
            free(wish->map[wish->n_maps]); /* the site's own stands before the installed one */
        else
            wish->n_maps++;
    }
    if (at != NULL)
        (void)closedir(at);
}

int find_load_maps(struct find_wish *wish)
{
    if (wish->maps != NULL) {
        load_directory(wish, wish->maps);
    } else {
        load_directory(wish, OWN_MAPS_DIRECTORY);
        load_directory(wish, UPHOLE_MAPS_DIRECTORY);
    }
    wish->options.maps = (const struct map *const *)wish->map;
    wish->options.n_maps = wish->n_maps;
    for (unsigned i = 0; wish->map_name != NULL && i < wish->n_maps; i++)
        if (strcmp(wish->map[i]->name, wish->map_name) == 0)
            wish->options.map = wish->map[i];
    if (wish->map_name == NULL || wish->options.map != NULL)
        return 0;
    fprintf(stderr, "uphole: no map is called '%s' in %s; expected %s.yaml there\n", wish->map_name,
            wish->maps != NULL ? wish->maps : OWN_MAPS_DIRECTORY " or " UPHOLE_MAPS_DIRECTORY,
            wish->map_name);
    return EX_NOINPUT;
}

void find_free_maps(struct find_wish *wish)
{
    for (unsigned i = 0; i < wish->n_maps; i++)
        free(wish->map[i]);
}
