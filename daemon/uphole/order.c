/* SPDX-License-Identifier: Apache-2.0
 *
 * order.c - see order.h: the table of orders, the right to give one, and its event.
 */
#include "order.h"

#include "uphole/say.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sysexits.h>

#define PASSWD_LINES_MAX 4096
#define GROUP_LINES_MAX 8192
#define GROUPS_MAX 256

struct order {
    const char *name; /* at most 17 characters: its event is of kind order_NAME */
    int (*run)(struct order_view *view, const struct asker *who, const char *arguments,
               struct socket_text *text);
};
static const struct order ORDERS[] = {
    {"hold", order_hold},       {"release", order_release},
    {"note", order_note},       {"pause", order_pause},
    {"resume", order_resume},   {"resend", order_resend},
    {"reload", order_reload},   {"recalculate", order_recalculate},
    {"confirm", order_confirm}, {NULL, NULL}, /* behind the last */
};

void asker_name(struct asker *who)
{
    char line[512];
    snprintf(who->name, sizeof who->name, "uid %u", (unsigned)who->uid);
    FILE *file = fopen("/etc/passwd", "re");
    if (file == NULL)
        return;
    for (int i = 0; i < PASSWD_LINES_MAX && fgets(line, sizeof line, file) != NULL; i++) {
        char *colon = strchr(line, ':');
        char *second = colon == NULL ? NULL : strchr(colon + 1, ':');
        char *end = NULL;
        if (second == NULL || second[1] < '0' || second[1] > '9' ||
            strtoul(second + 1, &end, 10) != who->uid || *end != ':')
            continue;
        *colon = '\0';
        const size_t length = (size_t)(colon - line);
        if (length > 0 && length < sizeof who->name && order_text_is_clean(line))
            memcpy(who->name, line, length + 1);
        break;
    }
    fclose(file);
}

/** The number of a group in /etc/group; false where it is not there. Read here, as in asker_name.
 */
static bool group_number(const char *group, gid_t *number)
{
    char line[512];
    bool begins = true, found = false;
    const size_t length = strlen(group);
    FILE *file = fopen("/etc/group", "re");
    if (file == NULL)
        return false;
    for (int i = 0; i < GROUP_LINES_MAX && !found && fgets(line, sizeof line, file) != NULL; i++) {
        const char *second = begins && strncmp(line, group, length) == 0 && line[length] == ':'
                                 ? strchr(line + length + 1, ':')
                                 : NULL;
        char *end = NULL;
        if (second != NULL && second[1] >= '0' && second[1] <= '9') {
            *number = (gid_t)strtoul(second + 1, &end, 10);
            found = *end == ':';
        }
        begins = strchr(line, '\n') != NULL; /* a line with many members comes in pieces */
    }
    fclose(file);
    return found;
}

bool order_group_has(const char *group, int fd)
{
    struct ucred peer = {0};
    gid_t number = 0, groups[GROUPS_MAX];
    socklen_t size = sizeof peer;
    if (group[0] == '\0' || !group_number(group, &number) ||
        getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0 || size != sizeof peer)
        return false;
    if (peer.gid == number)
        return true;
    size = sizeof groups;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &size) != 0)
        return false;
    for (size_t i = 0; i < size / sizeof *groups; i++)
        if (groups[i] == number)
            return true;
    return false;
}

/** Bytes of the well-formed UTF-8 sequence at `at`, or 0 (Unicode 15, table 3-7). */
static size_t sequence(const unsigned char *at)
{
    if (at[0] < 0x80)
        return 1;
    const size_t n = at[0] >= 0xF0 ? 4 : at[0] >= 0xE0 ? 3 : 2;
    if (at[0] < 0xC2 || at[0] > 0xF4)
        return 0;
    for (size_t i = 1; i < n; i++)
        if ((at[i] & 0xC0) != 0x80)
            return 0;
    if ((at[0] == 0xE0 && at[1] < 0xA0) || (at[0] == 0xED && at[1] > 0x9F) ||
        (at[0] == 0xF0 && at[1] < 0x90) || (at[0] == 0xF4 && at[1] > 0x8F))
        return 0;
    return n;
}

bool order_text_is_clean(const char *text)
{
    for (const unsigned char *at = (const unsigned char *)text; *at != '\0';) {
        const size_t n = sequence(at);
        const bool is_control = *at < 0x20 || *at == 0x7F || (*at == 0xC2 && at[1] < 0xA0);
        if (n == 0 || is_control)
            return false;
        at += n;
    }
    return true;
}

static const struct order *find(const char *request, const char **arguments)
{
    const size_t length = strcspn(request, " ");
    *arguments = request + length + (request[length] == ' ');
    for (const struct order *order = ORDERS; order->name != NULL; order++)
        if (strlen(order->name) == length && memcmp(order->name, request, length) == 0)
            return order;
    return NULL;
}

static int refuse(struct socket_text *text, int code, const char *sentence)
{
    text_add(text, "%s", sentence);
    return code;
}

int order_answer(struct order_view *view, struct asker *who, const char *request,
                 struct socket_text *text)
{
    const char *arguments = NULL;
    const struct order *order = find(request, &arguments);
    if (order == NULL)
        return refuse(text, EX_USAGE,
                      "This Uphole does not know the order; the program that asks may be of "
                      "another version.");
    asker_name(who);
    if (!who->may_order) {
        say(SAY_WARNING, "uphole", "%s may not order '%s'; it was refused.", who->name,
            order->name);
        core_refuse_order(view->core, who->name, order->name);
        return refuse(text, EX_NOPERM,
                      "You may ask this Uphole, but not give it orders: that is for its own user, "
                      "root and the group that its configuration names in orders_group.");
    }
    if (!order_text_is_clean(arguments))
        return refuse(text, EX_DATAERR,
                      "The text holds a control character or is no UTF-8; leave that out.");
    if (!core_has_room_for_event(view->core))
        return refuse(text, EX_TEMPFAIL,
                      "More happened in this second than the journal takes, or the disk refuses. "
                      "Try again; 'uphole status' says how the journal is.");
    char kind[sizeof((struct event *)0)->kind];
    snprintf(kind, sizeof kind, "order_%s", order->name);
    const int code = order->run(view, who, arguments, text);
    if (code != 0)
        return code;
    const size_t sentence = strcspn(text->at, "\n");
    core_add_event(view->core, kind, who->name, text->at, sentence);
    say(SAY_INFO, "uphole", "%s ordered '%s': %.*s", who->name, order->name, (int)sentence,
        text->at);
    return 0;
}
