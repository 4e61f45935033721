/* SPDX-License-Identifier: Apache-2.0
 *
 * reload_command.c - `uphole reload`: asks the running daemon to read its configuration again, and
 * waits for what comes of it.
 *
 * The configuration may be the very one that does not read, so the journal's directory is looked
 * for in its text where the whole can't be taken.
 */
#include "socket.h"
#include "socket_ask.h"

#include "uphole/plan.h"
#include "uphole/stamp.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define JOURNAL_DEFAULT "/var/lib/uphole"
#define WAIT_US 50000
#define WAITS_MAX                                                                                  \
    1200 /* a line that hangs in a lookup may take 15 s to be left behind                          \
          */

/** The value behind `path:` on this line, without quotes; false where there is none. */
static bool path_on(const char *line, char *into, size_t room)
{
    const char *at = strstr(line, "path:");
    if (at == NULL)
        return false;
    at += 5;
    at += strspn(at, " \t\"'");
    const size_t n = strcspn(at, ",}\"'#\r\n");
    size_t end = n;
    while (end > 0 && (at[end - 1] == ' ' || at[end - 1] == '\t'))
        end--;
    if (at[0] != '/' || end == 0 || end >= room)
        return false;
    memcpy(into, at, end);
    into[end] = '\0';
    return true;
}

/** What stands under `journal:` in a file that does not read as a whole; else where the package has
 * it. */
static void guess_directory(struct socket_asked *asked)
{
    char line[1024];
    bool inside = false, found = false;
    FILE *file = fopen(asked->config, "re");
    while (file != NULL && !found && fgets(line, sizeof line, file) != NULL) {
        if (line[0] != ' ' && line[0] != '\t' && line[0] != '#' && line[0] != '\n')
            inside = strncmp(line, "journal:", 8) == 0;
        found = inside && path_on(line, asked->directory, sizeof asked->directory);
    }
    if (file != NULL)
        fclose(file);
    if (!found)
        snprintf(asked->directory, sizeof asked->directory, JOURNAL_DEFAULT);
}

/** Prints a refusal, a line each, and returns its code. */
static int refused(const char *text, int code)
{
    const size_t n = strlen(text);
    fprintf(stderr, "%s%s", text, n > 0 && text[n - 1] == '\n' ? "" : "\n");
    return code;
}

/** 0 and *is_done, or an exit code with `error`. */
static int look(const struct socket_asked *asked, uint32_t request, bool *is_done, int *code,
                struct up_error *error)
{
    char *body = NULL;
    size_t length = 0;
    uint32_t done = 0;
    int at = 0;
    const int asked_code = socket_ask(asked, "reload text", &body, &length, error);
    if (asked_code != 0)
        return asked_code;
    if (sscanf(body, "%9" SCNu32 " %3d%n", &done, code, &at) == 2 && done >= request) {
        *is_done = true;
        const char *text = body + at + (body[at] == '\n');
        if (*code == 0)
            printf("%s\n", text);
        else
            *code = refused(text, *code);
    }
    free(body);
    return 0;
}

static int wait_for(const struct socket_asked *asked, uint32_t request, struct up_error *error)
{
    struct up_clock clock;
    clock_of_system(&clock);
    for (int i = 0; i < WAITS_MAX; i++) {
        bool is_done = false;
        int code = 0;
        const int asked_code = look(asked, request, &is_done, &code, error);
        if (asked_code != 0 || is_done)
            return asked_code != 0 ? asked_code : code;
        clock.sleep_until(clock.context, clock_boot_us(&clock) + WAIT_US);
    }
    (void)UP_FAIL(error, UP_E_TIMEOUT,
                  "the configuration is still being read, or a line has not ended its poll; "
                  "'uphole status' and the log say what comes of it");
    return EX_TEMPFAIL;
}

static int run_reload(int argc, char **argv)
{
    struct socket_asked asked;
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    uint32_t request = 0;
    int code = socket_ask_options(&COMMAND_RELOAD, argc, argv, false, false, &asked);
    if (code != 0)
        return code;
    if (socket_ask_where(&asked, &error) != 0)
        guess_directory(&asked);
    error = (struct up_error){0};
    code = socket_ask(&asked, "order reload", &body, &length, &error);
    if (code == 0 && sscanf(body, "Request %9" SCNu32, &request) != 1)
        code = EX_PROTOCOL;
    free(body);
    if (code == 0)
        code = wait_for(&asked, request, &error);
    if (error.why[0] != '\0')
        (void)command_fail(&error);
    if (code == EX_UNAVAILABLE && asked.journal == NULL)
        fputs("uphole: If the file names another journal now, name the running one with "
              "--journal; it is refused there, since only a start can take that.\n",
              stderr);
    return code;
}

const struct command COMMAND_RELOAD = {
    .name = "reload",
    .summary = "let the running Uphole take a changed configuration",
    .usage = "reload [--config FILE [--maps DIRECTORY] | --journal DIRECTORY]",
    .help = SOCKET_ASK_HELP
    "\n"
    "The running Uphole reads the file it was started with, and its maps. A bad one is refused "
    "with "
    "all its faults (file:line:column),\n"
    "and the running one goes on: no scan is lost, and 'uphole status' says so until a good one is "
    "taken. Of a good one only what changed\n"
    "starts anew: lines and destinations whose stanzas are the same keep their port and "
    "connection. A changed line goes on at its next\n"
    "due time; a well that is measured otherwise begins anew, its gauge 'starting'. Another site, "
    "box or journal, and a well removed or\n"
    "renamed, need a start. The change is journaled with who asked for it.\n"
    "\n"
    "A line that is new, or has other settings, is asked: look first whether another master uses "
    "the pair. Uphole listens before it asks,\n"
    "but our questions can spoil a drive's answers; agree with whoever is responsible for the "
    "drive.\n"
    "\n"
    "Uphole's own user, root and the group named in orders_group may order this. Exit code 0: "
    "taken, or nothing changed. 66, 78:\n"
    "refused. 75: try again. 69: no Uphole runs with this journal.\n"
    "\n"
    "Monitoring only; not a protection system.\n",
    .run = run_reload,
};
