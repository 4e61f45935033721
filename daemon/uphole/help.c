/* SPDX-License-Identifier: Apache-2.0
 *
 * help.c - what every command shares: help, usage errors, exit codes, the terminal's width,
 * the journal of a configuration.
 */
#include "command.h"

#include "uphole/error.h"
#include "uphole/json.h"
#include "uphole/plan.h"

#include <getopt.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sysexits.h>
#include <unistd.h>

void command_print_help(const struct command *command)
{
    printf("Usage: uphole %s\n%s.\n\n%s", command->usage, command->summary, command->help);
}

int command_wants_help(const struct command *command, int argc, char **argv)
{
    (void)command;
    for (int i = 1; i < argc && strcmp(argv[i], "--") != 0; i++)
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0)
            return 1;
    return 0;
}

int command_usage_error(const struct command *command, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fprintf(stderr, "uphole %s: ", command->name);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fprintf(stderr, "\nUsage: uphole %s\nTry 'uphole help %s'.\n", command->usage, command->name);
    return EX_USAGE;
}

int command_option(const struct command *command, int argc, char **argv,
                   const struct option *options)
{
    opterr = 0; /* getopt_long says nothing itself */
    const int before = optind > 0 ? optind : 1;
    const int option = getopt_long(argc, argv, ":", options, NULL);
    if (option == -1 || (option != '?' && option != ':' && (optarg == NULL || optarg[0] != '\0')))
        return option;
    const char *name = argv[optind > before ? optind - 1 : before];
    if (option == '?')
        (void)command_usage_error(command,
                                  optopt != 0 && strchr(name, '=') ? "option '%s' takes no value"
                                                                   : "option '%s' is not known",
                                  name);
    else if (option == ':')
        (void)command_usage_error(command, "option '%s' needs a value", name);
    else
        (void)command_usage_error(command, "option '%s' needs a value that is not empty",
                                  name[0] != '\0' ? name : argv[optind - 2]);
    return COMMAND_OPTION_BAD;
}

int command_fail(const struct up_error *error)
{
    fprintf(stderr, "uphole: %s\n", error->why);
    return up_exit_code(error->rc);
}

int command_width(void)
{
    struct winsize size;
    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col >= 40)
        return size.ws_col;
    return 120;
}

void command_print_faults(const struct plan_faults *faults)
{
    char text[PATH_LENGTH_MAX + UP_WHY_MAX + 32];
    for (int i = 0; i < faults->n; i++) {
        plan_fault_to_text(&faults->fault[i], text, sizeof text);
        /* A place in a file leads, so that editors find it; a sentence without one begins as all
         * do. */
        fprintf(stderr, "%s%s\n", faults->fault[i].line > 0 ? "" : "uphole: ", text);
    }
    if (faults->more > 0)
        fprintf(stderr, "and %d more\n", faults->more);
}

void command_json_text(FILE *out, const char *text)
{
    fputc('"', out);
    for (const unsigned char *at = (const unsigned char *)text; *at != '\0';) {
        const size_t n = json_utf8_length(at);
        if (n == 0)
            fputs("\\ufffd", out);
        else if (*at == '"' || *at == '\\')
            fprintf(out, "\\%c", *at);
        else if (*at < 0x20)
            fprintf(out, "\\u%04x", *at);
        else
            fwrite(at, 1, n, out);
        at += n > 0 ? n : 1;
    }
    fputc('"', out);
}

enum up_rc command_journal_of(const char *config, const char *maps,
                              char directory[static PATH_LENGTH_MAX], struct up_error *error)
{
    struct plan *plan = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (faults == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read the configuration");
    enum up_rc rc = plan_from_file(config, maps, &plan, faults);
    if (rc == UP_OK) {
        snprintf(directory, PATH_LENGTH_MAX, "%s", plan->journal.path);
    } else {
        char text[PATH_LENGTH_MAX + UP_WHY_MAX + 32] = "it can't be read";
        if (faults->n > 0)
            plan_fault_to_text(&faults->fault[0], text, sizeof text);
        rc = UP_FAIL(error, rc,
                     "%.180s. Correct it, or name the journal's directory with --journal", text);
    }
    plan_free(plan);
    free(faults);
    return rc;
}
