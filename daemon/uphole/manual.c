/* SPDX-License-Identifier: Apache-2.0
 *
 * manual.c - see manual.h.
 */
#include "manual.h"

#include "command.h"
#include "roff.h"

#include "uphole/plan.h"

#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define OPTIONS_MAX 40

/* ---- uphole(1) ---- */

static void print_commands(FILE *out)
{
    roff_heading(out, "SH", "COMMANDS");
    for (size_t i = 0; command_at(i) != NULL; i++) {
        const struct command *command = command_at(i);
        char text[400];
        snprintf(text, sizeof text, "uphole %s", command->name);
        roff_heading(out, "SS", text);
        snprintf(text, sizeof text, "Usage: `uphole %s`", command->usage);
        roff_paragraph(out, text);
        snprintf(text, sizeof text, "%s.", command->summary);
        if (text[0] >= 'a' && text[0] <= 'z')
            text[0] = (char)(text[0] - 'a' + 'A');
        roff_paragraph(out, text);
        roff_help(out, command->help);
    }
}

static int print_program(FILE *out)
{
    roff_begin(out, "UPHOLE", 1, UPHOLE_VERSION);
    roff_heading(out, "SH", "NAME");
    fputs("uphole \\- carry a downhole gauge's readings to SCADA\n", out);
    roff_heading(out, "SH", "SYNOPSIS");
    fputs("\\fBuphole\\fR \\fICOMMAND\\fR [\\fIOPTION\\fR]... [\\fIARGUMENT\\fR]...\n", out);
    roff_heading(out, "SH", "DESCRIPTION");
    roff_paragraph(out, COMMAND_ABOUT);
    roff_paragraph(out, COMMAND_CAUTION);
    print_commands(out);
    roff_heading(out, "SH", "EXIT STATUS");
    roff_paragraph(out, COMMAND_EXIT_CODES);
    roff_heading(out, "SH", "ENVIRONMENT");
    roff_term(out, "NOTIFY_SOCKET, WATCHDOG_USEC, WATCHDOG_PID",
              "Of the service manager: `run` tells it readiness, state and progress "
              "(sd_notify(3)).");
    roff_heading(out, "SH", "FILES");
    roff_term(out, CONFIG_DEFAULT, "The configuration.");
    roff_term(out, UPHOLE_MAPS_DIRECTORY, "Installed maps.");
    roff_term(out, "/var/lib/uphole", "The journal, where the configuration names no other place.");
    roff_heading(out, "SH", "SEE ALSO");
    fputs("\\fBuphole.yaml\\fR(5), \\fBuphole\\-map\\fR(5)\n", out);
    return 0;
}

/* ---- the pages of files ---- */

static int print_reference(FILE *out, void (*print)(void *stream))
{
    char *text = NULL;
    size_t n = 0;
    FILE *memory = open_memstream(&text, &n);
    if (memory == NULL) {
        fputs("uphole: no memory for the page\n", stderr);
        return EX_OSERR;
    }
    print(memory);
    const int rc = fclose(memory);
    if (rc == 0)
        roff_reference(out, text);
    free(text);
    return rc == 0 ? 0 : EX_OSERR;
}

static int print_configuration(FILE *out)
{
    roff_begin(out, "UPHOLE.YAML", 5, UPHOLE_VERSION);
    roff_heading(out, "SH", "NAME");
    fputs("uphole.yaml \\- configuration of uphole\n", out);
    roff_heading(out, "SH", "DESCRIPTION");
    const int code = print_reference(out, plan_print_configuration_reference);
    roff_heading(out, "SH", "FILES");
    roff_term(out, CONFIG_DEFAULT, "The configuration that `uphole run` reads by itself.");
    roff_heading(out, "SH", "SEE ALSO");
    fputs("\\fBuphole\\fR(1), \\fBuphole\\-map\\fR(5)\n", out);
    return code;
}

static int print_map(FILE *out)
{
    roff_begin(out, "UPHOLE-MAP", 5, UPHOLE_VERSION);
    roff_heading(out, "SH", "NAME");
    fputs("uphole\\-map \\- where a kind of surface unit keeps its registers\n", out);
    roff_heading(out, "SH", "DESCRIPTION");
    const int code = print_reference(out, plan_print_maps_reference);
    roff_heading(out, "SH", "FILES");
    roff_term(out, UPHOLE_MAPS_DIRECTORY,
              "Installed maps; those in `maps` beside the configuration come first.");
    roff_heading(out, "SH", "SEE ALSO");
    fputs("\\fBuphole\\fR(1), \\fBuphole.yaml\\fR(5)\n", out);
    return code;
}

/* ---- completion ---- */

static void print_options(FILE *out, const char *value, const char *how,
                          const struct help_option *options, size_t n)
{
    unsigned printed = 0;
    for (size_t i = 0; i < n; i++) {
        const char *of = options[i].value;
        const bool is_path = strcmp(of, "FILE") == 0 || strcmp(of, "DIRECTORY") == 0;
        if (of[0] != '\0' && (value != NULL ? strcmp(of, value) == 0 : !is_path))
            fprintf(out, "%s%s", printed++ == 0 ? "        " : "|", options[i].name);
    }
    if (printed > 0)
        fprintf(out, ") %s ;;\n", how);
}

static void complete_command(FILE *out, const struct command *command)
{
    struct help_option options[OPTIONS_MAX];
    const size_t n = help_options(command->help, options, OPTIONS_MAX);
    fprintf(out, "    %s)\n        case $before in\n", command->name);
    print_options(out, "FILE", "_uphole_paths -f; return", options, n);
    print_options(out, "DIRECTORY", "_uphole_paths -d; return", options, n);
    print_options(out, NULL, "return", options, n);
    fputs("        esac\n        options='", out);
    for (size_t i = 0; i < n; i++)
        fprintf(out, "%s ", options[i].name);
    fprintf(out, "--help' files=%s ;;\n", strstr(command->usage, " [FILE]") != NULL ? "yes" : "no");
}

static int print_completion(FILE *out)
{
    fputs("# Completion of bash for uphole, printed by `uphole manual completion` from its table "
          "of commands.\n"
          "_uphole_paths() {\n"
          "    compopt -o filenames 2>/dev/null\n"
          "    mapfile -t COMPREPLY < <(compgen \"$1\" -- \"$word\")\n"
          "}\n\n"
          "_uphole() {\n"
          "    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]} options= "
          "files=no\n"
          "    local commands='",
          out);
    for (size_t i = 0; command_at(i) != NULL; i++)
        fprintf(out, "%s ", command_at(i)->name);
    fputs("help'\n"
          "    COMPREPLY=()\n"
          "    if [ \"$COMP_CWORD\" -eq 1 ]; then\n"
          "        mapfile -t COMPREPLY < <(compgen -W \"$commands --help --version\" -- "
          "\"$word\")\n"
          "        return\n"
          "    fi\n"
          "    case ${COMP_WORDS[1]} in\n"
          "    help) options=$commands ;;\n",
          out);
    for (size_t i = 0; command_at(i) != NULL; i++)
        complete_command(out, command_at(i));
    fputs("    esac\n"
          "    mapfile -t COMPREPLY < <(compgen -W \"$options\" -- \"$word\")\n"
          "    if [ $files = yes ] && [ \"${word#-}\" = \"$word\" ]; then _uphole_paths -f; fi\n"
          "}\n"
          "complete -F _uphole uphole\n",
          out);
    return 0;
}

int manual_run(int argc, char **argv)
{
    static const struct {
        const char *name;
        int (*print)(FILE *out);
    } PAGES[] = {{"uphole", print_program},
                 {"uphole.yaml", print_configuration},
                 {"uphole-map", print_map},
                 {"completion", print_completion}};
    for (size_t i = 0; argc == 2 && i < sizeof PAGES / sizeof PAGES[0]; i++)
        if (strcmp(argv[1], PAGES[i].name) == 0)
            return PAGES[i].print(stdout);
    fputs("uphole manual: expected one of uphole, uphole.yaml, uphole-map, completion\n", stderr);
    return EX_USAGE;
}
