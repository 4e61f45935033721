/* SPDX-License-Identifier: Apache-2.0
 *
 * table.c - `uphole table`: prints which register holds what, from the constants that serve it.
 */
#include "command.h"

#include "uphole/plan.h"
#include "uphole/table.h"

#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

struct asked {
    const char *config, *maps, *destination;
    enum table_form form;
};

static const struct destination_plan *find_destination(const struct plan *plan, const char *name)
{
    for (unsigned d = 0; d < plan->n_destinations; d++) {
        const struct destination_plan *destination = &plan->destinations[d];
        if (destination->medium == DESTINATION_MODBUS_TCP &&
            (name == NULL || strcmp(destination->name, name) == 0))
            return destination;
    }
    return NULL;
}

static int no_such_destination(const struct asked *asked, const struct plan *plan)
{
    if (asked->destination != NULL)
        fprintf(stderr, "uphole: %s has no Modbus TCP destination named %s; it has", asked->config,
                asked->destination);
    else
        fprintf(stderr, "uphole: %s has no Modbus TCP destination; it has", asked->config);
    for (unsigned d = 0; d < plan->n_destinations; d++)
        fprintf(stderr, "%s %s (%s)", d > 0 ? "," : "", plan->destinations[d].name,
                plan->destinations[d].medium == DESTINATION_MODBUS_TCP ? "Modbus TCP" : "MQTT");
    fputs(plan->n_destinations == 0 ? " none.\n" : ".\n", stderr);
    return 1;
}

static int finish(int code)
{
    if (fflush(stdout) == 0 && !ferror(stdout))
        return code;
    fputs("uphole: the layout could not be written in full.\n", stderr);
    return EX_IOERR;
}

static int print_of_config(const struct asked *asked)
{
    struct plan *plan = NULL;
    static struct plan_faults faults; /* too large for the stack */
    memset(&faults, 0, sizeof faults);
    enum up_rc rc = plan_from_file(asked->config, asked->maps, &plan, &faults);
    if (rc != UP_OK) {
        command_print_faults(&faults);
        return up_exit_code(rc);
    }
    const struct destination_plan *destination = find_destination(plan, asked->destination);
    int code = 0;
    if (destination == NULL)
        code = no_such_destination(asked, plan);
    else
        table_print(stdout, plan, destination, asked->form);
    plan_free(plan);
    return destination == NULL ? code : finish(code);
}

static int run_table(int argc, char **argv)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"maps", required_argument, NULL, 'm'},
                                            {"destination", required_argument, NULL, 'd'},
                                            {"csv", no_argument, NULL, 's'},
                                            {"markdown", no_argument, NULL, 'k'},
                                            {"json", no_argument, NULL, 'j'},
                                            {NULL, 0, NULL, 0}};
    if (command_wants_help(&COMMAND_TABLE, argc, argv))
        return 0;
    struct asked asked = {.form = TABLE_TEXT};
    unsigned n_forms = 0;
    optind = 1;
    for (int option; (option = command_option(&COMMAND_TABLE, argc, argv, options)) != -1;) {
        switch (option) {
        case 'c':
            asked.config = optarg;
            break;
        case 'm':
            asked.maps = optarg;
            break;
        case 'd':
            asked.destination = optarg;
            break;
        case 's':
            asked.form = TABLE_CSV;
            n_forms++;
            break;
        case 'k':
            asked.form = TABLE_MARKDOWN;
            n_forms++;
            break;
        case 'j':
            asked.form = TABLE_JSON;
            n_forms++;
            break;
        default:
            return EX_USAGE;
        }
    }
    if (optind < argc)
        return command_usage_error(&COMMAND_TABLE, "takes no argument, but got %s", argv[optind]);
    if (n_forms > 1)
        return command_usage_error(&COMMAND_TABLE, "state one of --csv, --markdown and --json");
    if (asked.config == NULL && asked.destination != NULL)
        asked.config = CONFIG_DEFAULT;
    if (asked.config != NULL)
        return print_of_config(&asked);
    table_print(stdout, NULL, NULL, asked.form);
    return finish(0);
}

const struct command COMMAND_TABLE = {
    .name = "table",
    .summary = "print which Modbus TCP register holds what",
    .usage =
        "table [--config FILE [--maps DIRECTORY]] [--destination NAME] [--csv|--markdown|--json]",
    .help =
        "  --config FILE       print the table of this configuration, with each well's registers\n"
        "  --maps DIRECTORY    where its maps are (else `maps` beside it, then the installed "
        "ones)\n"
        "  --destination NAME  of its Modbus TCP destinations this one; else the first\n"
        "  --csv               a row for each number and view, for import into SCADA\n"
        "  --markdown          a page for people\n"
        "  --json              for scripts\n"
        "\n"
        "Without a configuration the generic layout is printed: a well's block starts at register\n"
        "512 x its table_block. Registers count from 0, as on the wire; beside them stand the "
        "printed\n"
        "numbers of input (3xxxxx) and holding (4xxxxx) registers, which hold the same.\n"
        "\n"
        "Monitoring only, not for trips, interlocks or closed-loop control.\n",
    .run = run_table,
};
