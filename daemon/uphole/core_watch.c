/* SPDX-License-Identifier: Apache-2.0
 *
 * core_watch.c - what core notices of the box itself: that it was suspended, and that it came back
 * from a loss of power together with a surface unit.
 *
 * Together is said only where it is proven. A unit that answers at `a` had power by then, and one
 * that still shows a start at `b` got it at most first_data before: its power came between
 * b - first_data and a, that of the box at boot time 0. Both ends within 20 s of 0 is a proof;
 * anything less is silence.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define SUPPLY_WITHIN_MS 20000
#define SUPPLY_UNTIL_MS 600000 /* whoever still shows a start has another trouble */

static const char SUPPLY[] =
    "Box and surface unit restarted within 20 s of each other: the cabinet "
    "supply is a likely cause.";

static void put_event(struct core *core, const char *kind, const char *text)
{
    if (core->n_events == CORE_EVENTS_MAX)
        return;
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    struct event *event = &core->events[core->n_events++];
    *event = (struct event){.utc_ms = now.utc_ms, .boot_ms = now.boot_ms, .who = "uphole"};
    snprintf(event->kind, sizeof event->kind, "%s", kind);
    snprintf(event->text, sizeof event->text, "%s", text);
}

void core_watch_start(struct core *core)
{
    const struct last_run *last = journal_last_run(core->options.journal);
    core->sleep.seen_us = clock_asleep_us(core->options.clock);
    core->supply_is_open = last->exists && last->how == RUN_POWER_OR_RESET;
    for (int i = 0; i < core->options.plan->n_wells; i++)
        core->wells[i].supply =
            core->supply_is_open && core->wells[i].plan->n_entries[SOURCE_GAUGE] > 0
                ? SUPPLY_ASKED
                : SUPPLY_SETTLED;
    if (!core->supply_is_open)
        ledger_settle_supply(core->options.ledger, 0, NULL);
}

void core_watch_scan(struct core *core, struct core_well *well, const struct scan *scan)
{
    if (well->supply != SUPPLY_ASKED || scan->source != SOURCE_GAUGE ||
        !outcome_is_heard(scan->outcome))
        return;
    const struct source_entry *entry = plan_entry_at(well->plan, SOURCE_GAUGE, scan->begun.utc_ms);
    const int64_t at_ms = scan->begun.boot_ms;
    const int64_t first_data_ms =
        entry == NULL ? 0 : core->options.plan->maps[entry->map].first_data_ms;
    if (well->unit_heard_ms == 0)
        well->unit_heard_ms = at_ms;
    if (well->unit_heard_ms > SUPPLY_WITHIN_MS || first_data_ms == 0 ||
        !fold_gauge_shows_start(well->fold))
        well->supply = SUPPLY_SETTLED;
    else if (at_ms - first_data_ms >= -SUPPLY_WITHIN_MS)
        well->supply = SUPPLY_SHARED;
}

static void tell_supply(struct core *core)
{
    char wells[120] = "", text[GAP_CAUSE_MAX];
    bool any = false;
    for (int i = 0; i < core->options.plan->n_wells; i++) {
        struct core_well *well = &core->wells[i];
        if (well->supply != SUPPLY_SHARED)
            continue;
        const size_t length = strlen(wells);
        if (length + strlen(well->plan->id) + 8 < sizeof wells)
            snprintf(wells + length, sizeof wells - length, "%s%s", any ? ", " : "",
                     well->plan->id);
        else if (length > 0 && wells[length - 1] != '.')
            snprintf(wells + length, sizeof wells - length, ", ...");
        any = true;
        ledger_settle_supply(core->options.ledger, well->plan->number, SUPPLY);
        well->supply = SUPPLY_SETTLED;
    }
    ledger_settle_supply(core->options.ledger, 0, NULL);
    core->supply_is_open = false;
    if (!any)
        return;
    say(SAY_WARNING, "uphole", "%s: %s", wells, SUPPLY);
    snprintf(text, sizeof text, "%.90s: %s", wells, SUPPLY);
    put_event(core, "supply", text);
}

static void watch_supply(struct core *core, int64_t now_ms)
{
    bool asked = false;
    if (!core->supply_is_open)
        return;
    for (int i = 0; i < core->options.plan->n_wells; i++) {
        struct core_well *well = &core->wells[i];
        if (well->supply == SUPPLY_ASKED &&
            now_ms > (well->unit_heard_ms == 0 ? 2 * SUPPLY_WITHIN_MS : SUPPLY_UNTIL_MS))
            well->supply =
                SUPPLY_SETTLED; /* twice: a scan of the last second is still on its way */
        asked = asked || well->supply == SUPPLY_ASKED;
    }
    if (!asked)
        tell_supply(core);
}

static void watch_sleep(struct core *core)
{
    const int64_t slept_us = sleep_watch_step(&core->sleep, clock_asleep_us(core->options.clock));
    if (slept_us == 0)
        return;
    char how_long[STAMP_TEXT_MAX], until[STAMP_TEXT_MAX], text[GAP_CAUSE_MAX];
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    snprintf(text, sizeof text,
             "The box was suspended for %s, until %s: it slept, and nothing was read. A box that "
             "reads must stay awake: switch suspend off in its system's settings.",
             duration_to_text(slept_us / 1000, how_long), stamp_to_text(now.utc_ms, until));
    say(SAY_WARNING, "uphole", "%s", text);
    put_event(core, "suspended", text);
}

void core_watch_step(struct core *core)
{
    watch_sleep(core);
    watch_supply(core, clock_boot_ms(core->options.clock));
}
