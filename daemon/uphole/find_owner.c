/* SPDX-License-Identifier: Apache-2.0
 *
 * find_owner.c - whose port is it? A port that the running daemon reads is not taken from it: a
 * person says `hold`, which is journaled.
 */
#include "find.h"
#include "socket_ask.h"

#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

static bool is_same_device(const char *one, const char *other)
{
    struct stat a, b;
    if (strcmp(one, other) == 0)
        return true;
    if (stat(one, &a) != 0 || stat(other, &b) != 0)
        return false;
    return S_ISCHR(a.st_mode) && S_ISCHR(b.st_mode) ? a.st_rdev == b.st_rdev
                                                    : a.st_ino == b.st_ino && a.st_dev == b.st_dev;
}

static const struct line_plan *line_of(const struct plan *plan, const struct line_plan *line)
{
    for (unsigned i = 0; i < plan->n_lines; i++) {
        const struct line_plan *own = &plan->lines[i];
        if (own->medium != line->medium)
            continue;
        if (line->medium == LINE_MEDIUM_SERIAL
                ? is_same_device(own->device, line->device)
                : own->port == line->port && strcmp(own->host, line->host) == 0)
            return own;
    }
    return NULL;
}

/** True where a daemon runs with this configuration and hasn't given the line free. */
static bool is_read_by_daemon(const struct find_wish *wish, const char *name)
{
    struct socket_asked asked = {.config = wish->config, .maps = wish->maps};
    struct up_error error = {0};
    char *body = NULL, wanted[NAME_LENGTH_MAX + 16];
    size_t length = 0;
    if (socket_ask_where(&asked, &error) != 0 ||
        socket_ask(&asked, "held text", &body, &length, &error) != 0)
        return false;
    snprintf(wanted, sizeof wanted, "%s free\n", name);
    const bool is_free = strstr(body, wanted) != NULL;
    free(body);
    return !is_free;
}

int find_check_owner(const struct find_wish *wish, const struct line_plan *line)
{
    struct plan *plan = NULL;
    struct plan_faults faults = {0};
    if (plan_from_file(wish->config, wish->maps, &plan, &faults) != UP_OK) {
        if (strcmp(wish->config, CONFIG_DEFAULT) == 0)
            return 0; /* no configuration yet, as on a new box */
        command_print_faults(&faults);
        return EX_CONFIG;
    }
    const struct line_plan *own = line_of(plan, line);
    int code = 0;
    if (own != NULL && is_read_by_daemon(wish, own->name)) {
        fprintf(stderr,
                "uphole: this is %s of %s, and the running Uphole reads it. Give it free for a "
                "while first, which is "
                "journaled:\n"
                "  uphole hold %s --for 10min\n"
                "then find again; `uphole release %s` takes it back. What it reads there, `uphole "
                "read` shows.\n",
                own->name, plan->box, own->name, own->name);
        code = EX_TEMPFAIL;
    }
    plan_free(plan);
    return code;
}
