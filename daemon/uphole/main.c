/* SPDX-License-Identifier: Apache-2.0
 *
 * main.c - the table of commands, and the one way into each.
 */
#include "command.h"
#include "confine.h"
#include "manual.h"

#include "uphole/publish.h"
#include "uphole/stamp.h"

#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sysexits.h>

/* In the order in which a well's box needs them; `group`: a heading above the row. */
static const struct {
    const char *group;
    const struct command *command;
} COMMANDS[] = {
    /* clang-format off */
    {"Set up", &COMMAND_FIND}, {NULL, &COMMAND_DRAFT_MAP}, {NULL, &COMMAND_CHECK}, {NULL, &COMMAND_TABLE}, {NULL, &COMMAND_SIMULATE},
    {"Run", &COMMAND_RUN}, {NULL, &COMMAND_RELOAD}, {NULL, &COMMAND_HOLD}, {NULL, &COMMAND_RELEASE}, {NULL, &COMMAND_PAUSE},
    {NULL, &COMMAND_RESUME},
    {"Look", &COMMAND_STATUS}, {NULL, &COMMAND_READ}, {NULL, &COMMAND_WATCH}, {NULL, &COMMAND_TRACE}, {NULL, &COMMAND_SUPPORT},
    {"Prove a reading", &COMMAND_COMPARE}, {NULL, &COMMAND_CONFIRM}, {NULL, &COMMAND_LOOP_CHECK}, {NULL, &COMMAND_DECODE},
    {NULL, &COMMAND_CONVERT}, {NULL, &COMMAND_CALCULATE},
    {"Review what was kept and sent", &COMMAND_GAPS}, {NULL, &COMMAND_NOTE}, {NULL, &COMMAND_AUDIT}, {NULL, &COMMAND_EXPORT},
    {NULL, &COMMAND_REPLAY}, {NULL, &COMMAND_RESEND}, {NULL, &COMMAND_RECALCULATE},
    /* clang-format on */
};
enum { COMMAND_N = sizeof COMMANDS / sizeof COMMANDS[0] };

const char COMMAND_ABOUT[] = "Carry a downhole gauge's readings from the surface unit's Modbus "
                             "registers to SCADA, and prove "
                             "what was carried.\n";
const char COMMAND_EXIT_CODES[] =
    "Exit codes: 0 good, 1 the thing asked does not hold, 2 it holds but for what is named (audit, "
    "replay), 64 wrong usage, 65 bad\n"
    "data, 66 no such file, 69 not available, 73 a file can't be made, 74 input or output failed, "
    "75 try again later (somebody else\n"
    "holds it), 77 not permitted, 78 bad configuration.\n";
const char COMMAND_CAUTION[] =
    "Monitoring only. Uphole reads; it never starts, stops or trips a pump, and it is not a "
    "protection system.\n";

const struct command *command_at(size_t index)
{
    return index < COMMAND_N ? COMMANDS[index].command : NULL;
}

static const struct command *find(const char *name)
{
    for (size_t i = 0; i < COMMAND_N; i++)
        if (strcmp(COMMANDS[i].command->name, name) == 0)
            return COMMANDS[i].command;
    return NULL;
}

static void print_help(FILE *out)
{
    fprintf(out, "Usage: uphole COMMAND [OPTION]... [ARGUMENT]...\n%s", COMMAND_ABOUT);
    for (size_t i = 0; i < COMMAND_N; i++) {
        if (COMMANDS[i].group != NULL)
            fprintf(out, "\n%s:\n", COMMANDS[i].group);
        fprintf(out, "  %-11s %s\n", COMMANDS[i].command->name, COMMANDS[i].command->summary);
    }
    fprintf(out,
            "\n"
            "  help COMMAND  options and examples of one command\n"
            "  --help        this text\n"
            "  --version     version and licence\n\n"
            "%s\n%s",
            COMMAND_EXIT_CODES, COMMAND_CAUTION);
}

static int print_version(void)
{
    puts("uphole " UPHOLE_VERSION "\n"
         "Copyright (C) 2026 the Uphole authors\n"
         "License Apache-2.0: Apache License, version 2.0 "
         "<https://www.apache.org/licenses/LICENSE-2.0>.\n"
         "This is free software: you are free to change and redistribute it.\n"
         "There is NO WARRANTY, to the extent permitted by law.");
    return 0;
}

static int unknown(const char *name)
{
    fprintf(stderr, "uphole: there is no command '%s'; expected one of", name);
    for (size_t i = 0; i < COMMAND_N; i++)
        fprintf(stderr, "%s %s", i == 0 ? "" : ",", COMMANDS[i].command->name);
    fputs("\nTry 'uphole --help'.\n", stderr);
    return EX_USAGE;
}

/** Output that nobody could read is an error too: a full disk behind a redirect must not look like
 * success. */
static int flushed(int code)
{
    if (fflush(stdout) != 0 || ferror(stdout)) {
        fputs("uphole: the output could not be written\n", stderr);
        return code == 0 ? EX_IOERR : code;
    }
    return code;
}

int main(int argc, char **argv)
{
    signal(SIGPIPE, SIG_IGN);
    if (argc < 2) {
        print_help(stderr);
        return EX_USAGE;
    }
    const char *name = argv[1];
    if (strcmp(name, "--version") == 0 || strcmp(name, "-V") == 0)
        return flushed(print_version());
    if (strcmp(name, "--help") == 0 || strcmp(name, "-h") == 0 ||
        (strcmp(name, "help") == 0 && argc == 2)) {
        print_help(stdout);
        return flushed(0);
    }
    if (strcmp(name, "help") == 0) {
        const struct command *command = find(argv[2]);
        if (command == NULL)
            return unknown(argv[2]);
        if (argc > 3) {
            fprintf(stderr, "uphole help: '%s' is one argument too many; expected one command\n",
                    argv[3]);
            return EX_USAGE;
        }
        command_print_help(command);
        return flushed(0);
    }
    if (strcmp(name, SCADA_SIDE_ARGUMENT) == 0) {
        struct confine_needs needs;
        struct up_clock clock;
        if (!confine_from_arguments(argc - 2, argv + 2, &needs)) {
            fputs("uphole: the SCADA side is started by 'uphole run'\n", stderr);
            return EX_USAGE;
        }
        prctl(PR_SET_NAME, "uphole-scada"); /* for ps: the program was run by another path */
        clock_of_system(&clock);
        confine_scada_side(&needs);
        return publish_run(WALL_FD, &clock, UPHOLE_VERSION);
    }
    if (strcmp(name, "manual") == 0)
        return flushed(manual_run(argc - 1, argv + 1));
    const struct command *command = find(name);
    if (command == NULL)
        return unknown(name);
    if (command_wants_help(command, argc - 1, argv + 1)) {
        command_print_help(command);
        return flushed(0);
    }
    return flushed(command->run(argc - 1, argv + 1));
}
