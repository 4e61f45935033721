/* SPDX-License-Identifier: Apache-2.0
 *
 * simulate.c - `uphole simulate`: the lines and sources of a configuration, or a line given by
 * hand, served as virtual surface units.
 */
#include "command.h"
#include "exercise.h"

#include "uphole/plan.h"
#include "uphole/simulate.h"
#include "uphole/stamp.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define WELL_SEED_STEP 7919u /* each well of a configuration is another well */
#define REPLY_DELAY_US 5000

struct wish {
    const char *config, *maps;
    struct simulate_options serve;
    uint32_t refresh_ms, reply_delay_us;
    uint8_t schedule;
    bool no_discharge, power_up;
    struct exercise_wish exercise; /* number 0: none */
    struct plan *plan;
    unsigned n_maps; /* read for --unit */
    struct map *map[SIMULATE_LINES_MAX * SIMULATE_UNITS_MAX];
};

#define USAGE(...) command_usage_error(&COMMAND_SIMULATE, __VA_ARGS__)

/* ---- from a configuration ---- */

static const struct virtual_unit_options *find_unit(const struct simulate_line *line, uint8_t id)
{
    for (unsigned i = 0; i < line->n_units; i++)
        if (line->units[i].unit_id == id)
            return &line->units[i];
    return NULL;
}

static int add_source(struct wish *wish, unsigned well_index, const struct source_entry *entry)
{
    struct simulate_line *line = &wish->serve.lines[entry->line];
    const struct map *map = &wish->plan->maps[entry->map];
    const struct virtual_unit_options *there = find_unit(line, entry->unit_id);
    if (there && there->map == map)
        return 0; /* two wells may share one unit */
    if (there) {
        fprintf(stderr,
                "uphole: line %s, unit id %u is asked with the maps %s and %s; the simulator "
                "serves one map a unit\n",
                line->line.name, entry->unit_id, there->map->name, map->name);
        return EX_UNAVAILABLE;
    }
    if (line->n_units == SIMULATE_UNITS_MAX) {
        fprintf(stderr, "uphole: line %s has more than %d units; the simulator serves no more\n",
                line->line.name, SIMULATE_UNITS_MAX);
        return EX_UNAVAILABLE;
    }
    bool stated_no = entry->fitted[POINT_DISCHARGE_PRESSURE] == FITTED_NO ||
                     entry->fitted[POINT_DISCHARGE_TEMPERATURE] == FITTED_NO;
    line->units[line->n_units++] = (struct virtual_unit_options){
        .map = map,
        .unit_id = entry->unit_id,
        .seed = wish->serve.seed + WELL_SEED_STEP * (well_index + 1),
        .no_discharge = wish->no_discharge || stated_no,
    };
    return 0;
}

static int take_plan(struct wish *wish)
{
    struct plan_faults faults = {0};
    struct up_clock clock;
    enum up_rc rc = plan_from_file(wish->config, wish->maps, &wish->plan, &faults);
    if (rc != UP_OK) {
        command_print_faults(&faults);
        return up_exit_code(rc);
    }
    const struct plan *plan = wish->plan;
    if (plan->n_lines > SIMULATE_LINES_MAX) {
        fprintf(stderr, "uphole: %s has %u lines; the simulator serves at most %d\n", wish->config,
                plan->n_lines, SIMULATE_LINES_MAX);
        return EX_UNAVAILABLE;
    }
    clock_of_system(&clock);
    int64_t now_utc_ms = clock.utc_us(clock.context) / 1000;
    wish->serve.n_lines = plan->n_lines;
    for (unsigned i = 0; i < plan->n_lines; i++)
        wish->serve.lines[i].line = plan->lines[i];
    int code = 0;
    for (unsigned w = 0; w < plan->n_wells; w++)
        for (uint8_t source = SOURCE_GAUGE; code == 0 && source < SOURCE_KINDS; source++) {
            const struct source_entry *entry = plan_entry_at(&plan->wells[w], source, now_utc_ms);
            if (entry)
                code = add_source(wish, w, entry);
        }
    return code;
}

/* ---- by hand ---- */

static void name_line(struct line_plan *line, const char *text, unsigned index)
{
    const char *slash = strrchr(text, '/');
    const char *from = slash ? slash + 1 : "";
    size_t n = strspn(from, "abcdefghijklmnopqrstuvwxyz0123456789-");
    if (n > 0 && n <= NAME_LENGTH_MAX && from[n] == '\0')
        memcpy(line->name, from, n + 1);
    else
        snprintf(line->name, sizeof line->name, "line-%u", index + 1);
}

static int take_line(struct wish *wish, const char *text)
{
    if (wish->serve.n_lines == SIMULATE_LINES_MAX)
        return USAGE("more than 8 lines, at '%s'", text);
    unsigned index = wish->serve.n_lines++;
    struct line_plan *line = &wish->serve.lines[index].line;
    const char *colon = strrchr(text, ':');
    name_line(line, text, index);
    line->baud = 9600;
    line->data_bits = 8;
    line->parity = 'N';
    line->stop_bits = 1;
    if (text[0] == '/' || text[0] == '.') {
        line->medium = LINE_MEDIUM_SERIAL;
        if (strlen(text) >= sizeof line->device)
            return USAGE("--line '%s' is too long", text);
        memcpy(line->device, text, strlen(text) + 1);
        return 0;
    }
    char *end = NULL;
    long port = colon ? strtol(colon + 1, &end, 10) : -1;
    if (!colon || end == colon + 1 || *end || port < 0 || port > 65535 || colon == text ||
        (size_t)(colon - text) >= sizeof line->host)
        return USAGE("--line '%s' is neither a path (/tmp/pad-line) nor HOST:PORT (127.0.0.1:1502)",
                     text);
    line->medium = LINE_MEDIUM_TCP;
    memcpy(line->host, text, (size_t)(colon - text));
    line->port = (uint16_t)port;
    return 0;
}

static struct simulate_line *newest_line(struct wish *wish)
{
    return wish->serve.n_lines ? &wish->serve.lines[wish->serve.n_lines - 1] : NULL;
}

static int take_speed(struct wish *wish, const char *text)
{
    struct simulate_line *line = newest_line(wish);
    char *end;
    long baud = strtol(text, &end, 10);
    if (!line)
        return USAGE("--speed %s stands before any --line", text);
    if (end == text || (*end && strcmp(end, " baud") != 0) || baud < 300 || baud > 4000000)
        return USAGE("--speed '%s'; expected such as 9600", text);
    line->line.baud = (uint32_t)baud;
    return 0;
}

static int take_frame(struct wish *wish, const char *text)
{
    struct simulate_line *line = newest_line(wish);
    if (!line)
        return USAGE("--frame %s stands before any --line", text);
    if (strlen(text) != 3 || text[0] != '8' || !strchr("NEO", text[1]) || !strchr("12", text[2]))
        return USAGE("--frame '%s'; expected 8N1, 8E1, 8O1, 8N2, ...", text);
    line->line.parity = text[1];
    line->line.stop_bits = (uint8_t)(text[2] - '0');
    return 0;
}

static int take_unit(struct wish *wish, const char *text)
{
    struct simulate_line *line = newest_line(wish);
    struct plan_faults faults = {0};
    char *end;
    long id = strtol(text, &end, 10);
    if (!line)
        return USAGE("--unit %s stands before any --line", text);
    long lowest = line->line.medium == LINE_MEDIUM_SERIAL ? 1 : 0, highest = lowest ? 247 : 255;
    if (end == text || *end != ':' || !end[1] || id < lowest || id > highest)
        return USAGE("--unit '%s'; expected ID:MAP such as 1:scaled-16", text);
    if (find_unit(line, (uint8_t)id))
        return USAGE("--unit '%s': the line has this unit id already", text);
    if (line->n_units == SIMULATE_UNITS_MAX)
        return USAGE("more than 16 units on one line, at '%s'", text);
    struct map **map = &wish->map[wish->n_maps];
    enum up_rc rc = map_by_name(end + 1, wish->maps, map, &faults);
    if (rc != UP_OK) {
        command_print_faults(&faults);
        return up_exit_code(rc);
    }
    wish->n_maps++;
    line->units[line->n_units++] = (struct virtual_unit_options){
        .map = *map, .unit_id = (uint8_t)id, .seed = wish->serve.seed + WELL_SEED_STEP};
    return 0;
}

/* ---- options ---- */

static int take_duration(const char *option, const char *text, uint32_t *us)
{
    double seconds;
    unit_number unit;
    if (!quantity_from_text(text, strlen(text), QUANTITY_DURATION, &seconds, &unit) ||
        !(seconds >= 0) || seconds > 4000)
        return command_usage_error(&COMMAND_SIMULATE,
                                   "%s '%s'; expected a duration with its unit, such as 2 s",
                                   option, text);
    *us = (uint32_t)(seconds * 1e6 + 0.5);
    return 0;
}

static int take_schedule(struct wish *wish, const char *text)
{
    for (uint8_t i = 0; i < WELL_SCHEDULES; i++)
        if (strcmp(well_schedule_name(i), text) == 0) {
            wish->schedule = i;
            return 0;
        }
    return USAGE("--schedule '%s'; expected days, brisk, swing or steady", text);
}

static int take_seed(struct wish *wish, const char *text)
{
    char *end;
    wish->serve.seed = strtoull(text, &end, 10);
    return end == text || *end || *text == '-' ? USAGE("--seed '%s'; expected a whole number", text)
                                               : 0;
}

enum {
    OPTION_CONFIG = 1000,
    OPTION_MAPS,
    OPTION_LINE,
    OPTION_SPEED,
    OPTION_FRAME,
    OPTION_UNIT,
    OPTION_REFRESH,
    OPTION_DELAY,
    OPTION_SEED,
    OPTION_FAULTS,
    OPTION_TRUTH,
    OPTION_NO_DISCHARGE,
    OPTION_SCHEDULE,
    OPTION_POWER_UP,
    OPTION_EXERCISE,
    OPTION_ANSWER,
    OPTION_AT
};

static const struct option OPTIONS[] = {
    /* clang-format off */
    {"config", 1, NULL, OPTION_CONFIG}, {"maps", 1, NULL, OPTION_MAPS}, {"line", 1, NULL, OPTION_LINE},
    {"speed", 1, NULL, OPTION_SPEED}, {"frame", 1, NULL, OPTION_FRAME}, {"unit", 1, NULL, OPTION_UNIT},
    {"refresh", 1, NULL, OPTION_REFRESH}, {"reply-delay", 1, NULL, OPTION_DELAY}, {"seed", 1, NULL, OPTION_SEED},
    {"faults", 1, NULL, OPTION_FAULTS}, {"truth", 1, NULL, OPTION_TRUTH}, {"no-discharge", 0, NULL, OPTION_NO_DISCHARGE},
    {"schedule", 1, NULL, OPTION_SCHEDULE}, {"power-up", 0, NULL, OPTION_POWER_UP},
    {"exercise", 1, NULL, OPTION_EXERCISE}, {"answer", 1, NULL, OPTION_ANSWER}, {"at", 1, NULL, OPTION_AT}, {NULL, 0, NULL, 0},
    /* clang-format on */
};

static int take_exercise(struct wish *wish, int option, const char *text)
{
    char *end;
    if (option == OPTION_ANSWER) {
        wish->exercise.answer = text;
        return 0;
    }
    if (option == OPTION_AT) {
        wish->exercise.directory = text;
        return 0;
    }
    const long number = strtol(text, &end, 10);
    if (end == text || *end || number < 1 || number > EXERCISES)
        return USAGE("--exercise '%s'; expected 1 to %d", text, EXERCISES);
    wish->exercise.number = (unsigned)number;
    return 0;
}

static int take_settings(struct wish *wish, int option, const char *text)
{
    uint32_t us = 0;
    int code = 0;
    switch (option) {
    case OPTION_REFRESH:
        code = take_duration("--refresh", text, &us);
        wish->refresh_ms = us / 1000;
        return code == 0 && wish->refresh_ms == 0
                   ? USAGE("--refresh '%s' is shorter than 1 ms", text)
                   : code;
    case OPTION_DELAY:
        return take_duration("--reply-delay", text, &wish->reply_delay_us);
    case OPTION_FAULTS:
        wish->serve.faults_file = text;
        return 0;
    case OPTION_TRUTH:
        wish->serve.truth_log = text;
        return 0;
    case OPTION_NO_DISCHARGE:
        wish->no_discharge = true;
        return 0;
    case OPTION_SCHEDULE:
        return take_schedule(wish, text);
    case OPTION_POWER_UP:
        wish->power_up = true;
        return 0;
    case OPTION_EXERCISE:
    case OPTION_ANSWER:
    case OPTION_AT:
        return take_exercise(wish, option, text);
    default:
        return EX_USAGE;
    }
}

/* Two passes: what --unit and --line need (maps, seed) may stand after them. */
static int take_options(struct wish *wish, int argc, char **argv, bool lines)
{
    optind = 0;
    int code = 0, option;
    while (code == 0 && (option = command_option(&COMMAND_SIMULATE, argc, argv, OPTIONS)) != -1) {
        bool of_line = option >= OPTION_LINE && option <= OPTION_UNIT;
        if (of_line != lines && option != COMMAND_OPTION_BAD)
            continue;
        switch (option) {
        case OPTION_CONFIG:
            wish->config = optarg;
            break;
        case OPTION_MAPS:
            wish->maps = optarg;
            break;
        case OPTION_SEED:
            code = take_seed(wish, optarg);
            break;
        case OPTION_LINE:
            code = take_line(wish, optarg);
            break;
        case OPTION_SPEED:
            code = take_speed(wish, optarg);
            break;
        case OPTION_FRAME:
            code = take_frame(wish, optarg);
            break;
        case OPTION_UNIT:
            code = take_unit(wish, optarg);
            break;
        default:
            code = take_settings(wish, option, optarg);
        }
    }
    if (code == 0 && optind < argc)
        code = USAGE("'%s' is one argument too many", argv[optind]);
    return code;
}

static void settle(struct wish *wish)
{
    for (unsigned i = 0; i < wish->serve.n_lines; i++) {
        struct simulate_line *line = &wish->serve.lines[i];
        line->reply_delay_us = wish->reply_delay_us;
        for (unsigned u = 0; u < line->n_units; u++) {
            struct virtual_unit_options *unit = &line->units[u];
            unit->refresh_ms = wish->refresh_ms;
            unit->schedule = wish->schedule;
            unit->no_discharge |= wish->no_discharge;
            unit->powered_at_ms = wish->power_up ? 0 : -(int64_t)unit->map->first_data_ms;
        }
    }
}

static int serve(struct wish *wish)
{
    struct up_error error = {0};
    for (unsigned i = 0; i < wish->serve.n_lines; i++)
        if (wish->serve.lines[i].n_units == 0) {
            fprintf(stderr, "uphole: line %s has no unit; nothing would answer on it\n",
                    wish->serve.lines[i].line.name);
            return EX_USAGE;
        }
    settle(wish);
    enum up_rc rc = simulate_serve(&wish->serve, &error);
    return rc == UP_OK ? 0 : command_fail(&error);
}

static int exercise(struct wish *wish)
{
    if (wish->config || wish->serve.n_lines || wish->serve.faults_file || wish->no_discharge ||
        wish->power_up)
        return USAGE("--exercise stands with --seed, --at, --answer, --maps and --refresh only");
    wish->exercise.seed = wish->serve.seed;
    wish->exercise.maps = wish->maps;
    wish->exercise.refresh_ms = wish->refresh_ms;
    return exercise_run(&wish->exercise);
}

static int simulate(int argc, char **argv)
{
    struct wish *wish = calloc(1, sizeof *wish);
    if (!wish)
        return EX_OSERR;
    wish->serve.stop_fd = -1;
    wish->serve.seed = 1;
    wish->serve.announce = stdout;
    wish->reply_delay_us = REPLY_DELAY_US;
    int code = take_options(wish, argc, argv, false);
    if (code == 0)
        code = take_options(wish, argc, argv, true);
    if (code == 0 && wish->exercise.number) {
        code = exercise(wish);
        free(wish);
        return code;
    }
    if (code == 0 && (wish->exercise.answer || wish->exercise.directory))
        code = USAGE("--answer and --at stand with --exercise only");
    if (code == 0 && (wish->config != NULL) == (wish->serve.n_lines > 0))
        code = command_usage_error(&COMMAND_SIMULATE,
                                   "expected either --config FILE, or --line with --unit");
    if (code == 0 && wish->config)
        code = take_plan(wish);
    if (code == 0)
        code = serve(wish);
    for (unsigned i = 0; i < wish->n_maps; i++)
        free(wish->map[i]);
    if (wish->plan)
        plan_free(wish->plan);
    free(wish);
    return code;
}

const struct command COMMAND_SIMULATE = {
    .name = "simulate",
    .summary = "serve virtual surface units with an invented well behind them",
    .usage = "simulate (--config FILE | --line PATH|HOST:PORT --unit ID:MAP... | --exercise N) "
             "[OPTION]...",
    .help = "  --config FILE        serve every line and source of a configuration, with its maps "
            "and unit ids\n"
            "  --line PATH          a serial line: a pseudo-terminal, linked at PATH (another link "
            "there is replaced)\n"
            "  --line HOST:PORT     a Modbus TCP port; port 0 takes a free one\n"
            "  --speed 9600, --frame 8N1   of the --line before; bytes take the time that they "
            "would on the wire\n"
            "  --unit ID:MAP        a unit on the --line before; may stand several times\n"
            "  --maps DIRECTORY     where maps are (else beside the configuration, or the "
            "installed ones)\n"
            "  --refresh SPAN       new data this often, instead of the map's refresh (2 s)\n"
            "  --reply-delay SPAN   between question and answer (5 ms)\n"
            "  --no-discharge       the wells have no discharge sensors: not-fitted markers stand "
            "in their registers\n"
            "  --schedule NAME      days (steady for 30 h; default), brisk (a whole story in 6 "
            "min), swing, steady\n"
            "  --power-up           begin with power-up: no data before the map's first_data\n"
            "  --seed NUMBER        other seed, other wells; same seed, same values (1)\n"
            "  --faults FILE        a fault script (docs/simulator.md)\n"
            "  --truth FILE         append what the registers say, a JSON line a refresh, and each "
            "fault\n"
            "  --exercise N         1 to 8: a cabinet in which one thing is wrong, to practise "
            "(docs/commissioning.md)\n"
            "  --at DIRECTORY       where the exercise puts port, screen and configuration "
            "(exercise-N-SEED here)\n"
            "  --answer TEXT        judge an answer to --exercise N --seed NUMBER: 0 right, 1 not "
            "right\n\n"
            "Prints a line for each port and 'ready'; runs until SIGINT or SIGTERM, then removes "
            "its links and sums up.\n"
            "Every well, value and name in it is invented.\n\n"
            "  uphole simulate --line /tmp/pad-line --unit 1:scaled-16 --refresh '2 s'\n",
    .run = simulate,
};
