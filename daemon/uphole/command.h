/* SPDX-License-Identifier: Apache-2.0
 *
 * command.h - one row a command: name, help, function. main.c holds the table; each command lives
 * in a file of its own.
 */
#ifndef UPHOLE_COMMAND_H
#define UPHOLE_COMMAND_H

#include "uphole/error.h"
#include "uphole/plan.h"

#include <stddef.h>
#include <stdio.h>

/** First argument of the SCADA side: the same binary, spawned by `run` with the wall as its only
 * inherited descriptor. */
#define SCADA_SIDE_ARGUMENT "scada-side"
#define CONFIG_DEFAULT "/etc/uphole/uphole.yaml"

struct command {
    const char *name;
    const char *summary; /* one line for `uphole --help` */
    const char *usage;   /* "check [--maps DIRECTORY] [FILE]" */
    const char *help;    /* options a line each, then paragraphs; printed by `uphole help NAME` and
                            NAME --help */
    /** argv[0] is the command's name; returns the exit code (0, 1, or sysexits.h). */
    int (*run)(int argc, char **argv);
};

extern const struct command COMMAND_RUN, COMMAND_CHECK, COMMAND_GAPS, COMMAND_DECODE,
    COMMAND_CONVERT, COMMAND_CALCULATE, COMMAND_SIMULATE, COMMAND_TABLE, COMMAND_STATUS,
    COMMAND_READ, COMMAND_WATCH, COMMAND_TRACE, COMMAND_HOLD, COMMAND_RELEASE, COMMAND_NOTE,
    COMMAND_SUPPORT, COMMAND_RESEND, COMMAND_RECALCULATE, COMMAND_REPLAY, COMMAND_RELOAD,
    COMMAND_EXPORT, COMMAND_AUDIT;
extern const struct command COMMAND_PAUSE, COMMAND_RESUME, COMMAND_LOOP_CHECK;
extern const struct command COMMAND_COMPARE;
extern const struct command COMMAND_CONFIRM;
extern const struct command COMMAND_FIND, COMMAND_DRAFT_MAP;

/** The table of commands, in the order of the help; NULL behind the last. */
const struct command *command_at(size_t index);
/** What help and manual pages say alike, each a paragraph of one or more lines. */
extern const char COMMAND_ABOUT[], COMMAND_EXIT_CODES[], COMMAND_CAUTION[];

/** Prints `uphole NAME: sentence` and "Try 'uphole help NAME'." to standard error; returns EX_USAGE
 * (64). */
__attribute__((format(printf, 2, 3))) int command_usage_error(const struct command *command,
                                                              const char *format, ...);
/** What command_option returns once it has said what is wrong; the command returns EX_USAGE then.
 */
#define COMMAND_OPTION_BAD '?'
/**
 * The next long option, as getopt_long gives it: its `val`, -1 behind the last. COMMAND_OPTION_BAD
 * for one that is not known, lacks its value or has an empty one, which it has said in one message.
 * The first call of a command sets optind to 1 (or 0) before.
 */
struct option;
int command_option(const struct command *command, int argc, char **argv,
                   const struct option *options);
/** Prints `uphole: sentence` to standard error and returns the exit code of `error`. */
struct up_error;
int command_fail(const struct up_error *error);
/** Prints each fault of a configuration to standard error, a line each. */
struct plan_faults;
void command_print_faults(const struct plan_faults *faults);
/** Writes `text` as a JSON string with its quotation marks; bytes that are no valid UTF-8 become
 * U+FFFD. */
void command_json_text(FILE *out, const char *text);
/** The journal's directory as a configuration names it. Fails as plan_from_file, with the first
 * fault and what to do in `error`. */
UP_MUST enum up_rc command_journal_of(const char *config, const char *maps,
                                      char directory[static PATH_LENGTH_MAX],
                                      struct up_error *error);
/** Prints usage and help of one command to standard output. */
void command_print_help(const struct command *command);
/** True where argv asks for --help or -h before any "--". */
int command_wants_help(const struct command *command, int argc, char **argv);
/** Width of the terminal on standard output, or 120 where it is none. */
int command_width(void);

#endif
