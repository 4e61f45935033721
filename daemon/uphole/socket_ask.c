/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_ask.c - see socket_ask.h. An answer that ends early is an error, never shown as a whole.
 */
#include "socket_ask.h"
#include "socket.h"

#include "uphole/plan.h"
#include "uphole/stamp.h"

#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sysexits.h>
#include <unistd.h>

#define ASK_PATIENCE_S 5
#define HEADER_MAX 32

bool socket_ask_takes(struct socket_asked *asked, int option)
{
    if (option == 'c')
        asked->config = optarg;
    else if (option == 'm')
        asked->maps = optarg;
    else if (option == 'j')
        asked->journal = optarg;
    else
        return false;
    return true;
}

int socket_ask_well(const struct command *command, int argc, char **argv,
                    struct socket_asked *asked)
{
    if (optind == argc)
        return command_usage_error(command, "which well? Name it, as in 'uphole %s heron-7'",
                                   command->name);
    asked->well = argv[optind++];
    if (strlen(asked->well) > NAME_LENGTH_MAX || strpbrk(asked->well, " \n") != NULL)
        return command_usage_error(command, "that is no name of a well");
    if (optind < argc)
        return command_usage_error(command, "'%s' is one word too many", argv[optind]);
    return 0;
}

int socket_ask_options(const struct command *command, int argc, char **argv, bool takes_well,
                       bool takes_json, struct socket_asked *asked)
{
    static const struct option OPTIONS[] = {
        SOCKET_ASK_OPTIONS,
        {"json", no_argument, NULL, 'J'},
        {NULL, 0, NULL, 0},
    };
    *asked = (struct socket_asked){.config = CONFIG_DEFAULT};
    optind = 1;
    for (int c; (c = command_option(command, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(asked, c))
            continue;
        if (c == 'J' && takes_json)
            asked->json = true;
        else if (c == 'J')
            return command_usage_error(command, "option '%s' is not known", argv[optind - 1]);
        else
            return EX_USAGE;
    }
    if (takes_well)
        return socket_ask_well(command, argc, argv, asked);
    if (optind < argc)
        return command_usage_error(command, "'%s' is one word too many", argv[optind]);
    return 0;
}

int socket_ask_where(struct socket_asked *asked, struct up_error *error)
{
    if (asked->journal != NULL) {
        if ((size_t)snprintf(asked->directory, sizeof asked->directory, "%s", asked->journal) >=
            sizeof asked->directory)
            return up_exit_code(
                UP_FAIL(error, UP_E_USAGE, "the journal's directory has a name too long"));
        return 0;
    }
    return up_exit_code(command_journal_of(asked->config, asked->maps, asked->directory, error));
}

static int nobody(const struct sockaddr_un *address, int why, struct up_error *error)
{
    if (why == EACCES || why == EPERM) {
        (void)UP_FAIL(
            error, UP_E_PORT,
            "you may not ask the Uphole of %.120s. Ask to be added to the group that owns this "
            "file, or do it as root",
            address->sun_path);
        return EX_NOPERM;
    }
    if (why == EAGAIN) {
        (void)UP_FAIL(
            error, UP_E_LOCKED,
            "Uphole does not take the question: too many programs ask, or it hangs. Try again "
            "in a few seconds");
        return EX_TEMPFAIL;
    }
    (void)UP_FAIL(error, UP_E_PORT,
                  "no Uphole runs with this journal: nobody answers at %.120s. Start it with "
                  "'uphole run', or "
                  "as the service uphole",
                  address->sun_path);
    return EX_UNAVAILABLE;
}

static int broken_off(struct up_error *error)
{
    (void)UP_FAIL(error, UP_E_PORT,
                  "the running Uphole did not answer in full within %d s; it stops, or is "
                  "overloaded. Try again",
                  ASK_PATIENCE_S);
    return EX_UNAVAILABLE;
}

/** Takes bytes up to the end, the room, or the end of patience; a signal (a pause by Ctrl-Z, too)
 * doesn't cut it short. */
static size_t take_bytes(int fd, char *into, size_t room)
{
    struct up_clock clock;
    clock_of_system(&clock);
    const int64_t until_ms = clock_boot_ms(&clock) + ASK_PATIENCE_S * 1000;
    size_t n = 0;
    while (n < room) {
        const int64_t left_ms = until_ms - clock_boot_ms(&clock);
        struct pollfd wait = {.fd = fd, .events = POLLIN};
        const int ready = poll(&wait, 1, left_ms > 0 ? (int)left_ms : 0);
        if (ready == 0)
            break;
        const ssize_t got = ready > 0 ? recv(fd, into + n, room - n, MSG_DONTWAIT) : -1;
        if (got == 0 || (got < 0 && errno != EINTR && errno != EAGAIN))
            break;
        n += got > 0 ? (size_t)got : 0;
    }
    return n;
}

/** Reads to the end; bounded by what the daemon can send, and in time. */
static int read_answer(int fd, char **body, size_t *length, struct up_error *error)
{
    const size_t room = HEADER_MAX + SOCKET_ANSWER_MAX;
    char *all = malloc(room + 1);
    if (all == NULL)
        return up_exit_code(UP_FAIL(error, UP_E_MEMORY, "no memory for the answer"));
    const size_t n = take_bytes(fd, all, room);
    all[n] = '\0';
    int code = 0, header = 0;
    size_t stated = 0;
    if (sscanf(all, "%3d %7zu%n", &code, &stated, &header) != 2 || all[header] != '\n' ||
        n - (size_t)header - 1 != stated) {
        free(all);
        return broken_off(error);
    }
    memmove(all, all + header + 1, stated + 1);
    if (code != 0) {
        (void)UP_FAIL(error, UP_E_PORT, "%.300s", all);
        const size_t end = strlen(error->why);
        if (end > 0 && error->why[end - 1] == '.')
            error->why[end - 1] = '\0';
        free(all);
        return code;
    }
    *body = all;
    *length = stated;
    return 0;
}

int socket_ask(const struct socket_asked *asked, const char *question, char **body, size_t *length,
               struct up_error *error)
{
    struct sockaddr_un address;
    char line[SOCKET_REQUEST_MAX];
    const enum up_rc rc = socket_address(asked->directory, &address, error);
    if (rc != UP_OK)
        return up_exit_code(rc);
    const int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return up_exit_code(
            UP_FAIL_ERRNO(error, UP_E_SYSTEM, "no local socket can be made: %s", strerror(errno)));
    const struct timeval patience = {.tv_sec = ASK_PATIENCE_S};
    (void)setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
    int code;
    const int n = snprintf(line, sizeof line, "%s%s%s\n", question, asked->well != NULL ? " " : "",
                           asked->well != NULL ? asked->well : "");
    if (connect(fd, (const struct sockaddr *)&address, sizeof address) != 0) {
        code = nobody(&address, errno, error);
    } else {
        (void)!send(fd, line, (size_t)n, MSG_NOSIGNAL); /* an early refusal is still read below */
        code = read_answer(fd, body, length, error);
    }
    close(fd);
    return code;
}

int socket_ask_print(struct socket_asked *asked, const char *question)
{
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    int code = socket_ask_where(asked, &error);
    if (code == 0)
        code = socket_ask(asked, question, &body, &length, &error);
    if (code != 0) {
        (void)command_fail(&error);
        return code;
    }
    fwrite(body, 1, length, stdout);
    if (length > 0 && body[length - 1] != '\n')
        putchar('\n');
    free(body);
    return 0;
}
