/* SPDX-License-Identifier: Apache-2.0
 *
 * reload.c - see reload.h: requests, reading the file beside core, refusing, and what is said of
 * it.
 */
#include "reload.h"

#include "run_inside.h"

#include "uphole/say.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define READ_WAITS_MAX 30 /* of 10 ms, at a stop */

/* ---- what is said ---- */

__attribute__((format(printf, 2, 3))) static void add(struct reload *reload, const char *format,
                                                      ...)
{
    const size_t n = strlen(reload->text);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(reload->text + n, sizeof reload->text - n, format, arguments);
    va_end(arguments);
}

static void done(struct reload *reload, int code)
{
    reload->shown.done = reload->serving;
    reload->shown.code = code;
    reload->shown.text = reload->text;
    reload->step = RELOAD_IDLE;
}

static void forget_reading(struct reload *reload)
{
    free(reload->reading);
    reload->reading = NULL;
}

/** The running one goes on; until a good one is taken `status` shows what `reload->first` says. */
static void refuse(struct well_side *side, int code, uint32_t n_faults)
{
    struct reload *reload = &side->reload;
    struct status_reload *status = &reload->status;
    char text[GAP_CAUSE_MAX];
    if (!status->refused)
        status->at = stamp_take(&side->clock, &side->watch);
    status->refused = true;
    if (n_faults > 0)
        snprintf(status->why, sizeof status->why, "%u %s, first fault: %.190s", n_faults,
                 n_faults == 1 ? "fault" : "faults", reload->first);
    else
        snprintf(status->why, sizeof status->why, "%.230s", reload->first);
    say(SAY_ERROR, "uphole",
        "The new configuration is refused; the running one goes on, and no scan is lost. Correct "
        "the file, 'uphole check' it, then 'uphole reload'.");
    snprintf(text, sizeof text, "Refused: %.180s", reload->first);
    core_add_event(side->core, "plan_refused", reload->by, text, strlen(text));
    plan_free(reload->next);
    reload->next = NULL;
    done(reload, code);
}

static void taken(struct well_side *side)
{
    side->reload.status = (struct status_reload){.at = stamp_take(&side->clock, &side->watch)};
}

static void refuse_faults(struct well_side *side, const struct reload_reading *reading)
{
    struct reload *reload = &side->reload;
    const struct plan_faults *faults = &reading->faults;
    char text[sizeof reload->first];
    snprintf(reload->first, sizeof reload->first, "it can't be read");
    reload->text[0] = '\0';
    for (int i = 0; i < faults->n; i++) {
        plan_fault_to_text(&faults->fault[i], text, sizeof text);
        if (i == 0)
            memcpy(reload->first, text, sizeof text);
        say(SAY_ERROR, "configure", "%s", text);
        add(reload, "%s\n", text);
    }
    if (faults->more > 0)
        add(reload, "and %d more\n", faults->more);
    add(reload, "The new configuration is refused; the running one goes on.");
    refuse(side, up_exit_code(reading->rc), (uint32_t)(faults->n + faults->more));
}

/** For what is no fault of the file. */
static void refuse_because(struct well_side *side, int code, const char *why)
{
    struct reload *reload = &side->reload;
    snprintf(reload->first, sizeof reload->first, "%s", why);
    snprintf(reload->text, sizeof reload->text,
             "%s. The new configuration is not taken; the running one goes on.", why);
    say(SAY_ERROR, "uphole", "%s", reload->text);
    refuse(side, code, 0);
}

/* ---- reading ---- */

static void *read_file(void *context)
{
    struct reload *reload = context;
    struct reload_reading *reading = reload->reading;
    reading->rc = plan_from_file(reload->config, reload->maps, &reading->plan, &reading->faults);
    atomic_store(&reload->is_read, true);
    static const uint64_t ONE = 1;
    (void)!write(reload->wake_fd, &ONE, sizeof ONE); /* core looks again within 0.2 s anyway */
    return NULL;
}

static void begin_reading(struct well_side *side)
{
    struct reload *reload = &side->reload;
    reload->serving = reload->asked;
    memcpy(reload->by, reload->asked_by, sizeof reload->by);
    reload->first[0] = reload->text[0] = '\0';
    reload->wake_fd = side->wake_fd;
    atomic_store(&reload->is_read, false);
    reload->reading = calloc(1, sizeof *reload->reading);
    if (reload->reading == NULL || pthread_create(&reload->reader, NULL, read_file, reload) != 0) {
        forget_reading(reload);
        refuse_because(side, EX_OSERR, "no memory or thread is left to read the configuration");
        return;
    }
    reload->step = RELOAD_READING;
}

static void judge(struct well_side *side)
{
    struct reload *reload = &side->reload;
    struct reload_reading reading = *reload->reading;
    struct up_error error = {0};
    char why[2 * NAME_LENGTH_MAX + 64], text[512];
    if (reading.rc != UP_OK) {
        refuse_faults(side, reload->reading);
        forget_reading(reload);
        return;
    }
    forget_reading(reload);
    reload->next = reading.plan;
    if (strcmp(reading.plan->digest, side->plan->digest) == 0) {
        snprintf(reload->text, sizeof reload->text,
                 "The configuration says what the running one says: nothing changed.");
        say(SAY_INFO, "uphole", "%s", reload->text);
        taken(side);
        plan_free(reload->next);
        reload->next = NULL;
        done(reload, 0);
    } else if (plan_needs_restart(side->plan, reading.plan, why, sizeof why)) {
        snprintf(text, sizeof text,
                 "It asks for %s, which only a start can take: 'systemctl restart uphole'", why);
        refuse_because(side, EX_CONFIG, text);
    } else if (core_journal_refuses(side->core)) {
        refuse_because(side, EX_TEMPFAIL,
                       "The disk refuses now, so the new configuration can't be stored. Look at "
                       "'uphole status', then try again");
    } else if (reload_begin(side, &error) != UP_OK) {
        refuse_because(side, up_exit_code(error.rc), error.why);
    } else {
        reload->step = RELOAD_LEAVING;
    }
}

static void take(struct well_side *side)
{
    struct reload *reload = &side->reload;
    struct up_error error = {0};
    char what[256];
    if (reload_take(side, what, sizeof what, &error) != UP_OK) {
        refuse_because(side, up_exit_code(error.rc), error.why);
        return;
    }
    snprintf(reload->text, sizeof reload->text, "The new configuration is in force, plan %.8s: %s.",
             side->plan->digest, what);
    say(SAY_INFO, "uphole", "%s Asked by %s.", reload->text, reload->by);
    taken(side);
    done(reload, 0);
}

/* ---- life ---- */

uint32_t reload_ask(struct well_side *side, const char *by)
{
    struct reload *reload = &side->reload;
    snprintf(reload->asked_by, sizeof reload->asked_by, "%s", by);
    return ++reload->asked;
}

void reload_step(struct well_side *side)
{
    struct reload *reload = &side->reload;
    reload_free_old(side);
    if (reload->step == RELOAD_IDLE && reload->asked != reload->serving)
        begin_reading(side);
    if (reload->step == RELOAD_READING && atomic_load(&reload->is_read)) {
        pthread_join(reload->reader, NULL);
        judge(side);
    }
    if (reload->step == RELOAD_LEAVING && reload_lines_have_left(side))
        take(side);
}

void reload_close(struct well_side *side)
{
    struct reload *reload = &side->reload;
    for (int i = 0;
         i < READ_WAITS_MAX && reload->step == RELOAD_READING && !atomic_load(&reload->is_read);
         i++)
        side->clock.sleep_until(side->clock.context, clock_boot_us(&side->clock) + 10000);
    if (reload->step == RELOAD_READING && atomic_load(&reload->is_read)) {
        pthread_join(reload->reader, NULL);
        plan_free(reload->reading->plan);
        forget_reading(reload);
    } else if (reload->step == RELOAD_READING) { /* its disk hangs; the process is about to end */
        pthread_detach(reload->reader);
        reload->is_left = true;
    }
    plan_free(reload->next);
    reload->next = NULL;
    for (int i = 0; i < RELOAD_PLANS_MAX; i++) {
        plan_free(reload->old[i]);
        reload->old[i] = NULL;
    }
    for (int i = 0; i < PLAN_LINES_MAX; i++)
        ring_destroy(reload->rings[i]);
}
