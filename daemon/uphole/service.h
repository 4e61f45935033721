/* SPDX-License-Identifier: Apache-2.0
 *
 * service.h - the daemon as a service: gathers what the service manager is told while core goes
 * round. All calls are of the main thread.
 */
#ifndef UPHOLE_SERVICE_H
#define UPHOLE_SERVICE_H

#include "core.h"
#include "notify.h"

#include "uphole/gather.h"

struct service {
    struct notify notify;
    struct watchdog watchdog;
    const struct plan *plan;
    const struct up_clock *clock;
    struct wall_cursor *cursors;
    size_t cursors_max;
    uint64_t core_passes;
    int64_t status_due_us;
};

/** What run.c knows and the service manager may hear. */
struct service_view {
    const struct core *core;
    struct gatherer *const *gatherers; /* one a line of the plan */
    bool safe, scada_side;
    struct clock_watch *watch; /* of the caller's thread */
};

/** Before any thread: takes the service manager's words out of the environment. */
void service_open(struct service *service, const struct plan *plan, const struct up_clock *clock);
/** READY=1: configuration, journal and lines have started. */
void service_ready(struct service *service);
/** Another plan is in force. */
void service_take_plan(struct service *service, const struct plan *plan);
/** Once a pass of core's loop: feeds the watchdog where everything moved, tells the status where it
 * changed, at most once in two seconds. */
void service_pass(struct service *service, const struct service_view *view);
/** STOPPING=1 */
void service_stopping(struct service *service);
void service_close(struct service *service);

#endif
