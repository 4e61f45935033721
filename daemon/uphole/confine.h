/* SPDX-License-Identifier: Apache-2.0
 *
 * confine.h - takes from the SCADA side what it never needs, before it hears the first byte from
 * outside: devices, the journal, other programs, other processes, listening elsewhere.
 *
 * Two walls, each enough for most of it:
 *  - Landlock (where the kernel has it): only system configuration, certificates and libraries, and
 *    the secrets of the plan can be read; nothing can be written; only the plan's ports can be
 *    listened on.
 *  - seccomp: a list of allowed system calls. Anything else fails with EPERM, so that a library
 * that tries something newer takes its older way; what only an intruder would call (run a program,
 *    trace a process, load code into the kernel) ends the process at once, and the well side says
 * so and starts it again.
 *
 * The only file of this room with a third-party library, libseccomp: the confinement must be in
 * place before `publish` begins, and `publish` itself shall not be able to lift or widen it.
 */
#ifndef UPHOLE_CONFINE_H
#define UPHOLE_CONFINE_H

#include "uphole/plan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CONFINE_PATHS_MAX (PLAN_DESTINATIONS_MAX * 4 * 2)

/** What this plan's destinations need beyond what every SCADA side does. */
struct confine_needs {
    size_t n_paths, n_ports;
    char path[CONFINE_PATHS_MAX][PATH_LENGTH_MAX]; /* read: a directory or a file */
    uint16_t port[PLAN_DESTINATIONS_MAX];          /* listen: TCP */
};

/**
 * From a plan (pure): each secret's file, and its directory, so that a secret replaced by renaming
 * stays readable; not the directory where the journal or devices lie in or under it.
 */
void confine_needs_of(const struct plan *plan, struct confine_needs *needs);

/**
 * Whether a SCADA side that was confined for `had` can serve a plan that needs `wants` (pure), so
 * that a new plan needs no new process. Path by path as they were named: one that lies under
 * another may be a link to elsewhere, so in doubt false. More than needed is no reason to start it
 * again.
 */
bool confine_is_enough(const struct confine_needs *had, const struct confine_needs *wants);

/* As arguments of the spawned process, since the plan comes later, over the wall. */
#define CONFINE_ARGUMENTS_MAX (2 * (CONFINE_PATHS_MAX + PLAN_DESTINATIONS_MAX))
struct confine_arguments {
    size_t n;
    const char *text[CONFINE_ARGUMENTS_MAX]; /* into the needs and port_text */
    char port_text[PLAN_DESTINATIONS_MAX][8];
};
void confine_to_arguments(const struct confine_needs *needs, struct confine_arguments *into);
/** False where they don't read: then nothing must be started. */
bool confine_from_arguments(int argc, char *const *argv, struct confine_needs *needs);

/** Highest version of Landlock that the kernel speaks, 0 where it speaks none. */
int confine_landlock_version(void);
/**
 * Confines the calling process, for good. Only while it has one thread. A wall that this kernel
 * can't build is said and left out: without it the SCADA side still holds no line and no database.
 * Builds with sanitizers aren't confined, since their run-time needs what is taken away.
 */
void confine_scada_side(const struct confine_needs *needs);

#endif
