/* SPDX-License-Identifier: Apache-2.0
 *
 * socket.c - see socket.h: the file, the clients, their right to ask.
 */
#include "socket.h"
#include "socket_answer.h"

#include "uphole/say.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define HEADER_ROOM 32
#define GROUPS_MAX 256

struct client {
    int fd; /* -1: free */
    int64_t until_us;
    bool asked; /* the answer stands in `answer` */
    struct asker who;
    size_t n, sent, end;
    char request[SOCKET_REQUEST_MAX];
    char *answer; /* HEADER_ROOM + SOCKET_ANSWER_MAX, kept for the next client */
};

struct local_socket {
    const struct up_clock *clock;
    int fd;
    struct sockaddr_un address;
    dev_t device; /* of the file */
    ino_t inode;
    uid_t owner;
    gid_t group;
    uint8_t clock_state;
    struct stamp clock_since; /* of that state, as seen in each pass */
    struct client client[SOCKET_CLIENTS_MAX];
};

enum up_rc socket_address(const char *directory, struct sockaddr_un *out, struct up_error *error)
{
    *out = (struct sockaddr_un){.sun_family = AF_UNIX};
    const size_t most = sizeof out->sun_path - sizeof "/" SOCKET_FILE;
    if (strlen(directory) > most)
        return UP_FAIL(
            error, UP_E_CONFIG,
            "the journal's directory has a name of %zu characters, and a local socket in "
            "it allows %zu at most; choose a shorter journal path",
            strlen(directory), most);
    memcpy(out->sun_path, directory, strlen(directory));
    memcpy(out->sun_path + strlen(directory), "/" SOCKET_FILE, sizeof "/" SOCKET_FILE);
    return UP_OK;
}

/** A file left from a run that ended badly goes; one at which somebody answers, or that is no
 * socket, stays. */
static enum up_rc remove_left_over(const struct sockaddr_un *address, struct up_error *error)
{
    struct stat file;
    if (lstat(address->sun_path, &file) != 0)
        return errno == ENOENT ? UP_OK
                               : UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be looked at: %s",
                                               address->sun_path, strerror(errno));
    if (!S_ISSOCK(file.st_mode))
        return UP_FAIL(error, UP_E_PORT, "%s is no socket; remove it if nobody needs it",
                       address->sun_path);
    const int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "no local socket can be made: %s",
                             strerror(errno));
    const int rc = connect(fd, (const struct sockaddr *)address, sizeof *address);
    const int why = errno;
    close(fd);
    if (rc == 0 || why == EAGAIN)
        return UP_FAIL(error, UP_E_LOCKED, "another program answers at %s", address->sun_path);
    if (why != ECONNREFUSED)
        return UP_FAIL(error, UP_E_PORT, "%s is in the way: %s", address->sun_path, strerror(why));
    if (unlink(address->sun_path) != 0 && errno != ENOENT)
        return UP_FAIL_ERRNO(error, UP_E_PORT,
                             "%s is left from an earlier run and can't be removed: %s",
                             address->sun_path, strerror(errno));
    return UP_OK;
}

static enum up_rc listen_at(struct local_socket *local, struct up_error *error)
{
    const char *path = local->address.sun_path;
    struct stat file;
    local->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (local->fd < 0 ||
        bind(local->fd, (const struct sockaddr *)&local->address, sizeof local->address) != 0)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be made: %s", path, strerror(errno));
    if (stat(path, &file) == 0) { /* from here on socket_close removes it */
        local->device = file.st_dev;
        local->inode = file.st_ino;
        local->group = file.st_gid;
    }
    if (local->inode == 0 || chmod(path, 0660) != 0 || listen(local->fd, SOCKET_CLIENTS_MAX) != 0)
        return UP_FAIL_ERRNO(error, UP_E_PORT, "%s can't be opened: %s", path, strerror(errno));
    return UP_OK;
}

enum up_rc socket_open(const char *directory, const struct up_clock *clock,
                       struct local_socket **out, struct up_error *error)
{
    struct local_socket *local = calloc(1, sizeof *local);
    if (local == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the local socket");
    local->clock = clock;
    local->fd = -1;
    local->owner = geteuid();
    bool memory = true;
    for (int i = 0; i < SOCKET_CLIENTS_MAX; i++) {
        local->client[i].fd = -1;
        local->client[i].answer = malloc(HEADER_ROOM + SOCKET_ANSWER_MAX);
        memory = memory && local->client[i].answer != NULL;
    }
    enum up_rc rc = memory ? UP_OK : UP_FAIL(error, UP_E_MEMORY, "no memory for the local socket");
    if (rc == UP_OK)
        rc = socket_address(directory, &local->address, error);
    if (rc == UP_OK)
        rc = remove_left_over(&local->address, error);
    if (rc == UP_OK)
        rc = listen_at(local, error);
    if (rc != UP_OK) {
        socket_close(local);
        return rc;
    }
    *out = local;
    return UP_OK;
}

struct local_socket *socket_start(const char *directory, const struct up_clock *clock)
{
    struct up_error error = {0};
    struct local_socket *local = NULL;
    if (socket_open(directory, clock, &local, &error) != UP_OK)
        say(SAY_ERROR, "uphole",
            "The local socket is not open: %s. Polling, journal and delivery go on; 'uphole "
            "status', 'read' and 'watch' get no answer.",
            error.why);
    return local;
}

static void let_go(struct client *client)
{
    close(client->fd);
    client->fd = -1;
}

void socket_close(struct local_socket *local)
{
    struct stat file;
    if (local == NULL)
        return;
    for (int i = 0; i < SOCKET_CLIENTS_MAX; i++) {
        if (local->client[i].fd >= 0)
            let_go(&local->client[i]);
        free(local->client[i].answer);
    }
    if (local->inode != 0 && lstat(local->address.sun_path, &file) == 0 &&
        file.st_ino == local->inode && file.st_dev == local->device)
        unlink(local->address.sun_path);
    if (local->fd >= 0)
        close(local->fd);
    free(local);
}

size_t socket_fds(const struct local_socket *local, struct pollfd into[static SOCKET_FDS_MAX])
{
    size_t n = 0;
    if (local == NULL)
        return 0;
    into[n++] = (struct pollfd){.fd = local->fd, .events = POLLIN};
    for (int i = 0; i < SOCKET_CLIENTS_MAX; i++)
        if (local->client[i].fd >= 0)
            into[n++] = (struct pollfd){.fd = local->client[i].fd,
                                        .events = local->client[i].asked ? POLLOUT : POLLIN};
    return n;
}

/** Who asks, and whether that is the owner, root, or somebody of the socket's group. */
static bool may_read(const struct local_socket *local, int fd, struct asker *who)
{
    struct ucred peer = {0};
    socklen_t size = sizeof peer;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0 || size != sizeof peer)
        return false;
    who->uid = peer.uid;
    who->may_order = peer.uid == 0 || peer.uid == local->owner;
    if (who->may_order || peer.gid == local->group)
        return true;
    gid_t groups[GROUPS_MAX];
    size = sizeof groups;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &size) != 0)
        return false;
    for (size_t i = 0; i < size / sizeof *groups; i++)
        if (groups[i] == local->group)
            return true;
    return false;
}

/** Puts `CODE LENGTH` before the body that stands at HEADER_ROOM. */
static void head(struct client *client, int code, size_t length)
{
    char header[HEADER_ROOM];
    const int n = snprintf(header, sizeof header, "%d %zu\n", code, length);
    client->sent = HEADER_ROOM - (size_t)n;
    client->end = HEADER_ROOM + length;
    memcpy(client->answer + client->sent, header, (size_t)n);
    client->asked = true;
}

static void refuse(struct client *client, int code, const char *sentence)
{
    const size_t length = strlen(sentence);
    memcpy(client->answer + HEADER_ROOM, sentence, length);
    head(client, code, length);
}

static void take_clients(struct local_socket *local)
{
    for (int i = 0; i < SOCKET_CLIENTS_MAX; i++) {
        struct client *client = &local->client[i];
        if (client->fd >= 0)
            continue;
        client->fd = accept4(local->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
        if (client->fd < 0)
            return;
        client->until_us = clock_boot_us(local->clock) + SOCKET_PATIENCE_MS * 1000;
        client->asked = false;
        client->n = 0;
        client->who = (struct asker){.may_order = false};
        if (!may_read(local, client->fd, &client->who))
            refuse(client, EX_NOPERM,
                   "Uphole answers only its own user, root and the group of its socket. Ask to be "
                   "added to that group.");
    }
    /* All places are taken: the next one hears so at once, rather than waiting unseen. */
    static const char BUSY[] = "75 58\nToo many programs ask at once. Try again in a few seconds.";
    _Static_assert(sizeof BUSY == 6 + 58 + 1, "the length stands in the header");
    const int fd = accept4(local->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd < 0)
        return;
    (void)send(fd, BUSY, sizeof BUSY - 1, MSG_DONTWAIT | MSG_NOSIGNAL);
    close(fd);
}

static void hear(struct client *client)
{
    const size_t room = sizeof client->request - client->n;
    const ssize_t got = recv(client->fd, client->request + client->n, room, MSG_DONTWAIT);
    if (got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR)) {
        let_go(client);
        return;
    }
    client->n += got > 0 ? (size_t)got : 0;
    if (memchr(client->request, '\n', client->n) == NULL && client->n == sizeof client->request)
        refuse(client, EX_USAGE, "The question is too long.");
}

/** True where an answer was made. */
static bool answer(struct client *client, const struct status_view *view, struct order_view *orders)
{
    char *end = memchr(client->request, '\n', client->n);
    if (client->fd < 0 || client->asked || end == NULL)
        return false;
    *end = '\0';
    struct socket_text text = {.at = client->answer + HEADER_ROOM, .room = SOCKET_ANSWER_MAX};
    text.at[0] = '\0';
    static const char ORDER[] = "order ";
    const bool is_order = strncmp(client->request, ORDER, sizeof ORDER - 1) == 0;
    if (is_order && !client->who.may_order)
        client->who.may_order = order_group_has(orders->plan->orders_group, client->fd);
    const int code =
        is_order ? order_answer(orders, &client->who, client->request + sizeof ORDER - 1, &text)
                 : socket_answer(view, client->request, &text);
    if (text.cut)
        refuse(client, EX_SOFTWARE, "The answer is too long to be given.");
    else
        head(client, code, text.n);
    return true;
}

static void tell(struct client *client)
{
    const ssize_t sent = send(client->fd, client->answer + client->sent, client->end - client->sent,
                              MSG_DONTWAIT | MSG_NOSIGNAL);
    if (sent < 0 && errno != EAGAIN && errno != EINTR) {
        let_go(client);
        return;
    }
    client->sent += sent > 0 ? (size_t)sent : 0;
    if (client->sent == client->end)
        let_go(client);
}

/** Since when the clock is in its state: the run's beginning, or when it was seen to change. */
static struct stamp watch_clock(struct local_socket *local, const struct status_view *view)
{
    const struct stamp now = stamp_take(view->clock, view->watch);
    if (local->clock_since.boot_ms == 0)
        local->clock_since = *view->began;
    else if (local->clock_state != now.clock)
        local->clock_since = now;
    local->clock_state = now.clock;
    return local->clock_since;
}

void socket_step(struct local_socket *local, const struct status_view *view,
                 struct order_view *orders)
{
    if (local == NULL)
        return;
    const int64_t now_us = clock_boot_us(local->clock);
    struct status_view own = *view;
    bool answered = false;
    own.clock_since = watch_clock(local, view);
    take_clients(local);
    for (int i = 0; i < SOCKET_CLIENTS_MAX; i++) {
        struct client *client = &local->client[i];
        if (client->fd >= 0 && !client->asked)
            hear(client);
        if (!answered)
            answered = answer(client, &own, orders);
        if (client->fd >= 0 && client->asked)
            tell(client);
        if (client->fd >= 0 && now_us >= client->until_us)
            let_go(client); /* it has had its time */
    }
}
