/* SPDX-License-Identifier: Apache-2.0
 *
 * service.c - see service.h.
 */
#include "service.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STATUS_EVERY_US 2000000

void service_open(struct service *service, const struct plan *plan, const struct up_clock *clock)
{
    memset(service, 0, sizeof *service);
    service->plan = plan;
    service->clock = clock;
    notify_open(&service->notify);
    if (service->notify.fd < 0)
        return;
    service->cursors_max = (size_t)plan->n_destinations * (plan->n_wells * 2u + 1);
    service->cursors = calloc(service->cursors_max + 1, sizeof *service->cursors);
    if (service->cursors == NULL)
        service->cursors_max = 0;
}

void service_close(struct service *service)
{
    notify_close(&service->notify);
    free(service->cursors);
    service->cursors = NULL;
    service->cursors_max = 0;
}

void service_ready(struct service *service)
{
    char text[96] = "READY=1";
    const int64_t asked_us = service->notify.watchdog_us;
    const int64_t allowed_us = watchdog_needs_us(service->plan, asked_us);
    if (allowed_us > asked_us)
        snprintf(text, sizeof text, "READY=1\nWATCHDOG_USEC=%" PRId64, allowed_us);
    notify_send(&service->notify, text);
    watchdog_begin(&service->watchdog, allowed_us, clock_boot_us(service->clock));
}

void service_take_plan(struct service *service, const struct plan *plan)
{
    service->plan = plan;
    const int64_t asked_us = service->notify.watchdog_us;
    const int64_t allowed_us = watchdog_needs_us(plan, asked_us);
    const size_t n = (size_t)plan->n_destinations * (plan->n_wells * 2u + 1);
    char text[64];
    if (service->notify.fd < 0)
        return;
    if (allowed_us > 0) { /* slower lines may need more time */
        snprintf(text, sizeof text, "WATCHDOG_USEC=%" PRId64, allowed_us);
        notify_send(&service->notify, text);
        service->watchdog.every_us = allowed_us / 2;
    }
    struct wall_cursor *cursors = calloc(n + 1, sizeof *cursors);
    if (cursors == NULL)
        return; /* fewer cursors are looked at */
    free(service->cursors);
    service->cursors = cursors;
    service->cursors_max = n;
}

void service_stopping(struct service *service)
{
    notify_send(&service->notify, "STOPPING=1\nSTATUS=Stopping: lines end their exchange, the "
                                  "journal is closed, then the SCADA side.");
}

static void feed(struct service *service, const struct service_view *view, int64_t now_us)
{
    uint64_t passes[PLAN_LINES_MAX];
    const uint16_t n = service->plan->n_lines;
    for (uint16_t i = 0; i < n; i++) /* a line that could not be started again never moves */
        passes[i] = view->gatherers[i] != NULL ? gather_passes(view->gatherers[i]) : 0;
    int stuck = WATCHDOG_STUCK_CORE;
    switch (watchdog_step(&service->watchdog, now_us, service->core_passes, passes, n, &stuck)) {
    case WATCHDOG_FEED:
        notify_send(&service->notify, "WATCHDOG=1");
        break;
    case WATCHDOG_WITHHOLD:
        if (stuck >= 0 && !service->watchdog.stuck_said)
            say(SAY_WARNING, "uphole",
                "The thread of line %s has not moved for %" PRId64
                " s. If it stays so, the service manager starts Uphole again.",
                service->plan->lines[stuck].name, service->watchdog.every_us / 1000000);
        service->watchdog.stuck_said = true;
        break;
    case WATCHDOG_WAIT:
        break;
    }
}

/** A line answers where a source on it does; where another on it doesn't, it has faults. */
static void states_of_lines(const struct service *service, const struct service_view *view,
                            uint8_t states[static PLAN_LINES_MAX])
{
    const int64_t utc_ms = service->clock->utc_us(service->clock->context) / 1000;
    memset(states, LINE_UNKNOWN, PLAN_LINES_MAX);
    for (uint16_t w = 0; w < service->plan->n_wells; w++) {
        const struct snapshot *snapshot = core_snapshot(view->core, w);
        for (uint8_t s = 1; s < SOURCE_KINDS; s++) {
            const struct source_entry *entry = plan_entry_at(&service->plan->wells[w], s, utc_ms);
            const uint8_t state = snapshot->source_line[s];
            if (entry == NULL || state == LINE_UNKNOWN)
                continue;
            uint8_t *of_line = &states[entry->line];
            *of_line = *of_line == LINE_UNKNOWN || *of_line == state ? state : LINE_DEGRADED;
        }
    }
}

static uint64_t most_waiting(struct service *service, const struct core *core)
{
    uint64_t waiting[PLAN_DESTINATIONS_MAX] = {0}, most = 0;
    const size_t n = core_cursors(core, service->cursors, service->cursors_max);
    for (size_t i = 0; i < n; i++) {
        const struct wall_cursor *cursor = &service->cursors[i];
        const struct well_plan *well = plan_well_by_number(service->plan, cursor->well);
        if (cursor->stream != STREAM_RECORD || well == NULL ||
            service->plan->destinations[cursor->destination].medium != DESTINATION_MQTT)
            continue;
        const uint64_t newest = core_newest_seq(core, (uint16_t)(well - service->plan->wells));
        waiting[cursor->destination] += newest > cursor->seq ? newest - cursor->seq : 0;
    }
    for (size_t d = 0; d < PLAN_DESTINATIONS_MAX; d++)
        most = waiting[d] > most ? waiting[d] : most;
    return most;
}

static void tell(struct service *service, const struct service_view *view, int64_t now_us)
{
    if (service->notify.fd < 0 || now_us < service->status_due_us)
        return;
    service->status_due_us = now_us + STATUS_EVERY_US;
    uint8_t lines[PLAN_LINES_MAX];
    states_of_lines(service, view, lines);
    struct notify_facts facts = {.plan = service->plan,
                                 .line = lines,
                                 .waiting = most_waiting(service, view->core),
                                 .safe = view->safe,
                                 .refusing = core_journal_refuses(view->core),
                                 .scada_side = view->scada_side,
                                 .clock = stamp_take(service->clock, view->watch).clock};
    for (uint16_t d = 0; d < service->plan->n_destinations; d++)
        facts.acknowledges =
            facts.acknowledges || service->plan->destinations[d].medium == DESTINATION_MQTT;
    char text[NOTIFY_STATUS_MAX];
    notify_status_text(&facts, text, sizeof text);
    notify_status(&service->notify, text);
}

void service_pass(struct service *service, const struct service_view *view)
{
    const int64_t now_us = clock_boot_us(service->clock);
    service->core_passes++;
    feed(service, view, now_us);
    tell(service, view, now_us);
}
