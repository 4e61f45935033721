/* SPDX-License-Identifier: Apache-2.0
 *
 * confine_needs.c - what the destinations of a plan need from the system, as the arguments of the
 * SCADA side.
 */
#include "confine.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/** True where `path` is `directory` or lies under it. */
static bool lies_in(const char *path, const char *directory)
{
    const size_t n = strlen(directory);
    if (n == 1) /* the root */
        return true;
    return strncmp(path, directory, n) == 0 && (path[n] == '\0' || path[n] == '/');
}

static void add_path(struct confine_needs *needs, const char *path, size_t n)
{
    if (needs->n_paths == CONFINE_PATHS_MAX)
        return;
    char *into = needs->path[needs->n_paths];
    snprintf(into, PATH_LENGTH_MAX, "%.*s", (int)n, path);
    for (size_t i = 0; i < needs->n_paths; i++)
        if (strcmp(needs->path[i], into) == 0)
            return;
    needs->n_paths++;
}

/** The file, in case it is a link to elsewhere, and its directory, in case it is replaced. */
static void add_secret(const struct plan *plan, const char *file, struct confine_needs *needs)
{
    if (file[0] != '/')
        return; /* none stated */
    char directory[PATH_LENGTH_MAX];
    const size_t n = (size_t)(strrchr(file, '/') - file);
    snprintf(directory, sizeof directory, "%.*s", n == 0 ? 1 : (int)n, file);
    add_path(needs, file, strlen(file));
    if (!lies_in(plan->journal.path, directory) && !lies_in("/dev", directory) &&
        !lies_in(directory, "/dev"))
        add_path(needs, directory, strlen(directory));
}

void confine_needs_of(const struct plan *plan, struct confine_needs *needs)
{
    memset(needs, 0, sizeof *needs);
    for (uint16_t i = 0; i < plan->n_destinations; i++) {
        const struct destination_plan *to = &plan->destinations[i];
        if (to->medium == DESTINATION_MODBUS_TCP) {
            needs->port[needs->n_ports++] = to->port;
            continue;
        }
        add_secret(plan, to->password_file, needs);
        add_secret(plan, to->ca_file, needs);
        add_secret(plan, to->certificate_file, needs);
        add_secret(plan, to->key_file, needs);
    }
}

static bool has_path(const struct confine_needs *needs, const char *path)
{
    for (size_t i = 0; i < needs->n_paths; i++)
        if (strcmp(needs->path[i], path) == 0)
            return true;
    return false;
}

static bool has_port(const struct confine_needs *needs, uint16_t port)
{
    for (size_t i = 0; i < needs->n_ports; i++)
        if (needs->port[i] == port)
            return true;
    return false;
}

bool confine_is_enough(const struct confine_needs *had, const struct confine_needs *wants)
{
    bool enough = true;
    for (size_t i = 0; i < wants->n_paths; i++)
        enough = enough && has_path(had, wants->path[i]);
    for (size_t i = 0; i < wants->n_ports; i++)
        enough = enough && has_port(had, wants->port[i]);
    return enough;
}

void confine_to_arguments(const struct confine_needs *needs, struct confine_arguments *into)
{
    into->n = 0;
    for (size_t i = 0; i < needs->n_paths; i++) {
        into->text[into->n++] = "--read";
        into->text[into->n++] = needs->path[i];
    }
    for (size_t i = 0; i < needs->n_ports; i++) {
        snprintf(into->port_text[i], sizeof into->port_text[i], "%u", needs->port[i]);
        into->text[into->n++] = "--listen";
        into->text[into->n++] = into->port_text[i];
    }
}

static bool take_port(const char *text, struct confine_needs *needs)
{
    char *end;
    const unsigned long port = strtoul(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || port > UINT16_MAX ||
        needs->n_ports == PLAN_DESTINATIONS_MAX)
        return false;
    needs->port[needs->n_ports++] = (uint16_t)port;
    return true;
}

bool confine_from_arguments(int argc, char *const *argv, struct confine_needs *needs)
{
    memset(needs, 0, sizeof *needs);
    for (int i = 0; i < argc; i += 2) {
        if (i + 1 == argc)
            return false;
        const char *value = argv[i + 1];
        if (strcmp(argv[i], "--listen") == 0) {
            if (!take_port(value, needs))
                return false;
        } else if (strcmp(argv[i], "--read") == 0 && value[0] == '/' &&
                   needs->n_paths < CONFINE_PATHS_MAX && strlen(value) < PATH_LENGTH_MAX) {
            snprintf(needs->path[needs->n_paths++], PATH_LENGTH_MAX, "%s", value);
        } else {
            return false;
        }
    }
    return true;
}
