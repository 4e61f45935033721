/* SPDX-License-Identifier: Apache-2.0
 *
 * notify.c - see notify.h. Everything that decides is pure; the rest sends datagrams.
 */
#include "notify.h"

#include "uphole/say.h"
#include "uphole/scan.h"
#include "uphole/stamp.h"

#include <arpa/inet.h>
#include <errno.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* resolv.conf(5): 5 s a try, 2 tries, up to 3 servers; twice that, for a search list */
#define LOOKUP_MOST_US 60000000

/* ---- when to feed ---- */

void watchdog_begin(struct watchdog *watchdog, int64_t allowed_us, int64_t now_us)
{
    memset(watchdog, 0, sizeof *watchdog);
    watchdog->every_us = allowed_us > 0 ? allowed_us / 2 : 0;
    watchdog->due_us = now_us + watchdog->every_us;
}

enum watchdog_verdict watchdog_step(struct watchdog *watchdog, int64_t now_us, uint64_t core_passes,
                                    const uint64_t *line_passes, size_t n, int *stuck)
{
    if (watchdog->every_us == 0 || now_us < watchdog->due_us)
        return WATCHDOG_WAIT;
    if (n > PLAN_LINES_MAX)
        n = PLAN_LINES_MAX;
    if (core_passes == watchdog->core_fed) {
        *stuck = WATCHDOG_STUCK_CORE;
        return WATCHDOG_WITHHOLD;
    }
    for (size_t i = 0; i < n; i++) {
        if (line_passes[i] == watchdog->line_fed[i]) {
            *stuck = (int)i;
            return WATCHDOG_WITHHOLD;
        }
    }
    watchdog->core_fed = core_passes;
    for (size_t i = 0; i < n; i++)
        watchdog->line_fed[i] = line_passes[i];
    watchdog->due_us = now_us + watchdog->every_us;
    watchdog->stuck_said = false;
    return WATCHDOG_FEED;
}

/** A pass waits for one connection and one answer, and before it for the lookup of a name. */
static int64_t longest_pass_us(const struct line_plan *line)
{
    unsigned char numeric[sizeof(struct in6_addr)];
    const bool has_name = line->medium == LINE_MEDIUM_TCP &&
                          inet_pton(AF_INET, line->host, numeric) != 1 &&
                          inet_pton(AF_INET6, line->host, numeric) != 1;
    return (int64_t)line->response_timeout_ms * 1000 * 2 + (has_name ? LOOKUP_MOST_US : 0);
}

int64_t watchdog_needs_us(const struct plan *plan, int64_t asked_us)
{
    if (asked_us <= 0)
        return 0;
    int64_t needs_us = asked_us;
    for (uint16_t i = 0; i < plan->n_lines; i++) {
        /* A feed comes late by at most one pass: half the time + a pass < the time. */
        const int64_t line_needs_us = 3 * longest_pass_us(&plan->lines[i]);
        if (line_needs_us > needs_us)
            needs_us = line_needs_us;
    }
    return needs_us;
}

/* ---- what is said ---- */

static size_t add(char *into, size_t room, size_t used, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
static size_t add(char *into, size_t room, size_t used, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    const int n = vsnprintf(into + used, room - used, format, arguments);
    va_end(arguments);
    if (n < 0)
        return used;
    return used + (size_t)n < room ? used + (size_t)n : room - 1;
}

static size_t add_lines(const struct notify_facts *facts, char *into, size_t room, size_t used)
{
    unsigned count[LINE_DOWN + 1] = {0};
    const char *down = NULL;
    for (uint16_t i = 0; i < facts->plan->n_lines; i++) {
        const uint8_t state = facts->line[i] <= LINE_DOWN ? facts->line[i] : LINE_UNKNOWN;
        count[state]++;
        if (state == LINE_DOWN && down == NULL)
            down = facts->plan->lines[i].name;
    }
    used = add(into, room, used, "%u of %u lines answer", count[LINE_UP] + count[LINE_DEGRADED],
               facts->plan->n_lines);
    if (count[LINE_DEGRADED] > 0)
        used = add(into, room, used, ", %u with faults", count[LINE_DEGRADED]);
    if (down != NULL)
        used = add(into, room, used, ", %s%s no answer", down,
                   count[LINE_DOWN] > 1 ? " and others give" : " gives");
    if (count[LINE_UNKNOWN] > 0)
        used = add(into, room, used, ", %u not heard yet", count[LINE_UNKNOWN]);
    return used;
}

size_t notify_status_text(const struct notify_facts *facts, char *into, size_t room)
{
    size_t used = 0;
    if (room == 0)
        return 0;
    into[0] = '\0';
    used = add(into, room, used, "%u well%s: ", facts->plan->n_wells,
               facts->plan->n_wells == 1 ? "" : "s");
    used = add_lines(facts, into, room, used);
    if (facts->acknowledges)
        used = add(into, room, used, "; %" PRIu64 " record%s wait%s", facts->waiting,
                   facts->waiting == 1 ? "" : "s", facts->waiting == 1 ? "s" : "");
    used = add(into, room, used, ".");
    if (facts->refusing)
        used = add(into, room, used, " The disk takes no rows: live values only.");
    else if (!facts->safe)
        used = add(into, room, used, " Nothing is published before the journal is checked.");
    if (!facts->scada_side)
        used = add(into, room, used, " The SCADA side is down.");
    if (facts->clock == CLOCK_STATE_UNSYNCHRONISED || facts->clock == CLOCK_STATE_NEVER_SET)
        used = add(into, room, used, " The clock isn't synchronised.");
    return used;
}

/* ---- the socket ---- */

/** A number of the environment, or -1. */
static int64_t number_of(const char *name)
{
    const char *text = getenv(name);
    if (text == NULL || text[0] < '0' || text[0] > '9')
        return -1;
    char *end;
    errno = 0;
    const long long value = strtoll(text, &end, 10);
    return errno == 0 && *end == '\0' ? value : -1;
}

static bool set_address(struct notify *notify, const char *address)
{
    const size_t n = strlen(address);
    if ((address[0] != '/' && address[0] != '@') || n < 2 || n >= sizeof notify->to.sun_path)
        return false;
    notify->to.sun_family = AF_UNIX;
    memcpy(notify->to.sun_path, address, n + 1);
    /* An abstract name begins with a NUL, and its length counts no NUL at the end (unix(7)). */
    if (address[0] == '@')
        notify->to.sun_path[0] = '\0';
    notify->to_length =
        (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n + (address[0] == '@' ? 0 : 1));
    return true;
}

void notify_open(struct notify *notify)
{
    memset(notify, 0, sizeof *notify);
    notify->fd = -1;
    const char *address = getenv("NOTIFY_SOCKET");
    const int64_t allowed_us = number_of("WATCHDOG_USEC"), pid = number_of("WATCHDOG_PID");
    if (address != NULL && address[0] != '\0') {
        if (set_address(notify, address))
            notify->fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
        if (notify->fd < 0)
            say(SAY_WARNING, "uphole",
                "The service manager can't be told how Uphole is: NOTIFY_SOCKET can't be used.");
    }
    const bool is_watched =
        allowed_us > 0 && (getenv("WATCHDOG_PID") == NULL || pid == (int64_t)getpid());
    if (notify->fd >= 0 && is_watched)
        notify->watchdog_us = allowed_us;
    unsetenv("NOTIFY_SOCKET");
    unsetenv("WATCHDOG_USEC");
    unsetenv("WATCHDOG_PID");
}

void notify_close(struct notify *notify)
{
    if (notify->fd >= 0)
        close(notify->fd);
    notify->fd = -1;
}

void notify_send(const struct notify *notify, const char *text)
{
    if (notify->fd < 0)
        return;
    ssize_t sent;
    do {
        sent = sendto(notify->fd, text, strlen(text), MSG_NOSIGNAL,
                      (const struct sockaddr *)&notify->to, notify->to_length);
    } while (sent < 0 && errno == EINTR);
    /* A manager that takes nothing restarts us by its own clock; there is nobody else to tell. */
}

void notify_status(struct notify *notify, const char *text)
{
    char line[sizeof "STATUS=" + NOTIFY_STATUS_MAX];
    if (notify->fd < 0 || strncmp(notify->status, text, sizeof notify->status) == 0)
        return;
    snprintf(notify->status, sizeof notify->status, "%s", text);
    snprintf(line, sizeof line, "STATUS=%s", notify->status);
    notify_send(notify, line);
}
