/* SPDX-License-Identifier: Apache-2.0
 *
 * check.c - `uphole check`: a configuration before it runs. Errors with file, line and column, or
 * what follows from it.
 */
#include "check.h"
#include "command.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

struct asked {
    const char *file, *maps, *map;
    bool json, print_plan;
    const char *reference;
};

static void show_faults_json(const struct plan_faults *faults)
{
    printf("{\"good\":false,\"errors\":[");
    for (int i = 0; i < faults->n; i++) {
        printf("%s{\"file\":", i ? "," : "");
        command_json_text(stdout, faults->fault[i].file);
        printf(",\"line\":%d,\"column\":%d,\"text\":", faults->fault[i].line,
               faults->fault[i].column);
        command_json_text(stdout, faults->fault[i].text);
        printf("}");
    }
    printf("],\"more\":%d}\n", faults->more);
}

static void show_faults(const struct plan_faults *faults, const char *file)
{
    const int all = faults->n + faults->more;
    for (int i = 0; i < faults->n; i++) {
        char text[PATH_LENGTH_MAX + UP_WHY_MAX + 32];
        (void)plan_fault_to_text(&faults->fault[i], text, sizeof text);
        fprintf(stderr, "%s%s\n", faults->fault[i].line > 0 ? "" : "uphole: ", text);
    }
    if (faults->more > 0)
        fprintf(stderr, "%d errors in %s, of which the first %d found are shown.\n", all, file,
                faults->n);
    else
        fprintf(stderr, "%d %s in %s. Nothing was started.\n", all, all == 1 ? "error" : "errors",
                file);
}

static int64_t now_utc_ms(void)
{
    struct up_clock clock;
    clock_of_system(&clock);
    return clock.utc_us(clock.context) / 1000;
}

static int check_file(const struct asked *asked)
{
    struct plan *plan = NULL;
    struct up_error error = {0};
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct check_facts *facts = calloc(1, sizeof *facts);
    enum up_rc rc = faults && facts ? UP_OK : UP_E_MEMORY;
    if (rc == UP_OK)
        rc = plan_from_file(asked->file, asked->maps, &plan, faults);
    if (rc != UP_OK) {
        if (faults && asked->json)
            show_faults_json(faults);
        else if (faults)
            show_faults(faults, asked->file);
    } else if (asked->print_plan) {
        (void)fwrite(plan->text, 1, plan->text_length, stdout);
    } else if ((rc = check_find(plan, asked->file, now_utc_ms(), facts, &error)) != UP_OK) {
        fprintf(stderr, "%s: %s\n", asked->file, error.why);
    } else if (asked->json) {
        check_show_json(stdout, facts);
    } else {
        check_show_text(stdout, facts);
    }
    plan_free(plan);
    free(faults);
    free(facts);
    return up_exit_code(rc);
}

static int check_map_file(const struct asked *asked)
{
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (!faults)
        return up_exit_code(UP_E_MEMORY);
    const enum up_rc rc = check_map(stdout, asked->map, faults);
    if (rc != UP_OK && asked->json)
        show_faults_json(faults);
    else if (rc != UP_OK)
        show_faults(faults, asked->map);
    free(faults);
    return up_exit_code(rc);
}

static int show_reference(const char *which)
{
    if (strcmp(which, "configuration") == 0)
        plan_print_configuration_reference(stdout);
    else if (strcmp(which, "maps") == 0)
        plan_print_maps_reference(stdout);
    else
        return command_usage_error(
            &COMMAND_CHECK, "there is no reference `%s`; expected configuration or maps", which);
    return 0;
}

static int run(int argc, char **argv)
{
    enum { CONFIG = 256, MAPS, MAP, JSON, PLAN, REFERENCE };
    static const struct option OPTIONS[] = {{"config", required_argument, NULL, CONFIG},
                                            {"maps", required_argument, NULL, MAPS},
                                            {"map", required_argument, NULL, MAP},
                                            {"json", no_argument, NULL, JSON},
                                            {"print-plan", no_argument, NULL, PLAN},
                                            {"reference", optional_argument, NULL, REFERENCE},
                                            {NULL, 0, NULL, 0}};
    struct asked asked = {0};
    if (command_wants_help(&COMMAND_CHECK, argc, argv))
        return 0;
    optind = 1;
    for (int option; (option = command_option(&COMMAND_CHECK, argc, argv, OPTIONS)) != -1;) {
        if (option == CONFIG)
            asked.file = optarg;
        else if (option == MAPS)
            asked.maps = optarg;
        else if (option == MAP)
            asked.map = optarg;
        else if (option == JSON)
            asked.json = true;
        else if (option == PLAN)
            asked.print_plan = true;
        else if (option == REFERENCE)
            asked.reference = optarg ? optarg : "configuration";
        else
            return EX_USAGE;
    }
    if (asked.reference)
        return show_reference(asked.reference);
    if (optind + 1 < argc || (optind < argc && (asked.file || asked.map)))
        return command_usage_error(&COMMAND_CHECK, "one file at a time; got also %s",
                                   argv[argc - 1]);
    if (asked.map)
        return check_map_file(&asked);
    if (optind < argc)
        asked.file = argv[optind];
    if (asked.file && asked.file[0] == '\0')
        return command_usage_error(&COMMAND_CHECK, "the name of the file is empty");
    if (!asked.file)
        asked.file = CONFIG_DEFAULT;
    return check_file(&asked);
}

const struct command COMMAND_CHECK = {
    .name = "check",
    .summary = "check a configuration before it runs",
    .usage = "check [--maps DIRECTORY] [--json] [--print-plan] [FILE]",
    .help = "  FILE              the configuration; " CONFIG_DEFAULT " where none is stated\n"
            "  --config FILE     the same\n"
            "  --maps DIRECTORY  where NAME.yaml of each map is; else `maps` beside FILE, then the "
            "installed maps\n"
            "  --map FILE        check one map instead, and show its channels to compare with the "
            "unit's document\n"
            "  --json            errors or summary for a script\n"
            "  --print-plan      the plan with maps written out and every default filled in, as it "
            "is journaled\n"
            "  --reference[=configuration|maps]  print the reference of all keys\n"
            "\n"
            "Reads files only: no port is opened, nothing is sent. All errors are shown in one run "
            "(up to 20), each with file, line and\n"
            "column. A good configuration gives a summary: what is read and how long it takes on "
            "the wire, when values count as stale,\n"
            "how much data go to the disk and to each destination, and advice.\n"
            "\n"
            "Exit codes: 0 good (advice allowed), 78 bad configuration, 66 no such file, 64 wrong "
            "usage.\n",
    .run = run,
};
