/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_ask.h - the other end of socket.h, for commands: the options they share, one question, one
 * answer.
 */
#ifndef UPHOLE_SOCKET_ASK_H
#define UPHOLE_SOCKET_ASK_H

#include "command.h"

#include "uphole/error.h"

#include <stdbool.h>

/** Where to ask, out of the command line. */
struct socket_asked {
    const char *config, *maps;
    const char *journal; /* the directory itself, or NULL: the configuration's */
    const char *well;    /* NULL where the command takes none */
    bool json;
    char directory[PATH_LENGTH_MAX]; /* once socket_ask_where is done */
};
/** Help of the shared options. */
#define SOCKET_ASK_HELP                                                                            \
    "  --config FILE        the configuration that names the journal (" CONFIG_DEFAULT ")\n"       \
    "  --maps DIRECTORY     where its maps are looked up (as for run)\n"                           \
    "  --journal DIRECTORY  the journal's directory itself; then no configuration is read\n"

/** The shared options as rows for getopt_long, for a command with options of its own. */
#define SOCKET_ASK_OPTIONS                                                                         \
    {"config", required_argument, NULL, 'c'}, {"maps", required_argument, NULL, 'm'},              \
    {                                                                                              \
        "journal", required_argument, NULL, 'j'                                                    \
    }
/** True where `option` was one of those, and is taken. */
bool socket_ask_takes(struct socket_asked *asked, int option);
/** The well behind the options, and nothing after it. Returns 0 or an exit code (said). */
int socket_ask_well(const struct command *command, int argc, char **argv,
                    struct socket_asked *asked);
/** Reads the options; `takes_well`: one argument is the well. Returns 0 or an exit code (said). */
int socket_ask_options(const struct command *command, int argc, char **argv, bool takes_well,
                       bool takes_json, struct socket_asked *asked);
/** Finds the directory; returns 0 or an exit code, with `error` filled. */
int socket_ask_where(struct socket_asked *asked, struct up_error *error);
/**
 * Sends one question (without line feed) and waits for the answer, 5 s at most.
 * Returns 0 and the body (NUL behind it; the caller frees it), or an exit code with `error` filled:
 * 69 where nobody answers.
 */
int socket_ask(const struct socket_asked *asked, const char *question, char **body, size_t *length,
               struct up_error *error);
/** For `status` and `read`: asks once, prints the answer or the reason; returns the exit code. */
int socket_ask_print(struct socket_asked *asked, const char *question);

#endif
