/* SPDX-License-Identifier: Apache-2.0
 *
 * server_thread.c - a table in a thread of its own, which goes on trying to listen where its
 * address isn't there yet, and goes over to a new plan between two steps.
 *
 * Until the new plan's readings are there the old ones are served on, as they are: their meaning is
 * that of the plan under which they were taken, and a client doesn't see its wells vanish for a
 * moment.
 */
#include "server.h"

#include "uphole/say.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>

#define LISTEN_AGAIN_MS 5000
#define STEP_MS 1000
#define AWAY_EVERY_MS 60000
#define GO_OVER_WITHIN_MS 2000 /* whether the new readings are there or not */

struct table_thread {
    struct table_server *server;
    struct side *side; /* held */
    uint16_t destination;
    pthread_t thread;
    atomic_bool stops, quiet;
    _Atomic(struct side *) handed; /* of a new plan, held; taken by the thread */
    /* the thread's own */
    struct side *next; /* held: goes over to it when it is filled */
    int64_t go_over_ms;
    bool listens;
    bool has_failed; /* said once an outage, not each try */
    int64_t listen_at_ms;
    uint8_t state; /* as reported; 0: not yet */
    char reason[UP_WHY_MAX];
    struct wall_destination away; /* as reported: writes and clients that were refused */
    int64_t away_at_ms;           /* not before that it is reported again */
};

static struct table_server_options options_of(struct side *side, uint16_t destination)
{
    return (struct table_server_options){.plan = side_plan(side),
                                         .destination = &side_plan(side)->destinations[destination],
                                         .live = side_live(side),
                                         .clock = side_clock(side)};
}

static void report(struct table_thread *thread, uint8_t state, const char *reason)
{
    thread->state = state;
    if (reason != thread->reason)
        snprintf(thread->reason, sizeof thread->reason, "%s", reason);
    side_report_table(thread->side, thread->destination, state, reason, &thread->away);
}

/** What was turned away goes to the well side for the journal: at once, then at most once a minute,
 * and before the stop. */
static void report_turned_away(struct table_thread *thread)
{
    const int64_t now_ms = clock_boot_ms(side_clock(thread->side));
    struct wall_destination away = {0};
    table_server_turned_away(thread->server, &away);
    if ((away.writes == thread->away.writes && away.strangers == thread->away.strangers) ||
        (now_ms < thread->away_at_ms && !atomic_load(&thread->quiet)))
        return;
    thread->away = away;
    thread->away_at_ms = now_ms + AWAY_EVERY_MS;
    report(thread, thread->state, thread->reason);
}

static void try_to_listen(struct table_thread *thread)
{
    int64_t now_ms = clock_boot_ms(side_clock(thread->side));
    if (now_ms < thread->listen_at_ms)
        return;
    struct up_error error = {0};
    if (table_server_listen(thread->server, &error) == UP_OK) {
        say(SAY_INFO, "publish", "The Modbus table is served on port %u.",
            table_server_port(thread->server));
        thread->has_failed = false;
        thread->listens = true;
        report(thread, DELIVERY_UP, "");
        return;
    }
    if (!thread->has_failed) {
        say(SAY_ERROR, "publish", "%s It is tried again every %d s.", error.why,
            LISTEN_AGAIN_MS / 1000);
        report(thread, DELIVERY_DOWN, error.why);
    }
    thread->has_failed = true;
    thread->listen_at_ms = now_ms + LISTEN_AGAIN_MS;
}

/* ---- a new plan ---- */

static void take_handed(struct table_thread *thread)
{
    struct side *handed = atomic_exchange(&thread->handed, NULL);
    if (handed == NULL)
        return;
    side_release(thread->next); /* one that was never gone over to */
    thread->next = handed;
    thread->go_over_ms = clock_boot_ms(side_clock(handed)) + GO_OVER_WITHIN_MS;
    struct up_error error = {0};
    /* Without it the next step's end is early enough. */
    if (table_server_watch(thread->server, side_live(handed), &error) != UP_OK)
        say(SAY_WARNING, "publish", "%s", error.why);
}

static void go_over(struct table_thread *thread)
{
    struct side *next = thread->next;
    if (next == NULL ||
        (!side_is_filled(next) && clock_boot_ms(side_clock(next)) < thread->go_over_ms))
        return;
    uint16_t destination = side_destination_named(
        next, side_plan(thread->side)->destinations[thread->destination].name);
    struct table_server_options options = options_of(next, destination);
    struct up_error error = {0};
    if (table_server_take_plan(thread->server, &options, &error) != UP_OK) {
        say(SAY_ERROR, "publish", "%s; trying again", error.why);
        thread->go_over_ms = clock_boot_ms(side_clock(next)) + STEP_MS;
        return;
    }
    side_release(thread->side);
    thread->side = next;
    thread->next = NULL;
    thread->destination = destination;
    if (thread->state != 0)
        report(thread, thread->state, thread->reason);
}

/* ---- its life ---- */

static void *serve(void *argument)
{
    struct table_thread *thread = argument;
    while (!atomic_load(&thread->stops)) {
        take_handed(thread);
        go_over(thread);
        if (atomic_load(&thread->quiet))
            table_server_stop_accepting(thread->server);
        else if (!thread->listens)
            try_to_listen(thread);
        table_server_step(thread->server, STEP_MS);
        if (thread->state != 0)
            report_turned_away(thread);
    }
    table_server_stop_accepting(thread->server);
    return NULL;
}

static void destroy(struct table_thread *thread)
{
    table_server_close(thread->server);
    side_release(atomic_load(&thread->handed));
    side_release(thread->next);
    side_release(thread->side);
    free(thread);
}

struct table_thread *table_thread_start(struct side *side, uint16_t destination,
                                        struct up_error *error)
{
    const char *name = side_plan(side)->destinations[destination].name;
    struct table_thread *thread = calloc(1, sizeof *thread);
    if (thread == NULL) {
        UP_FAIL(error, UP_E_MEMORY, "no memory for table %s", name);
        return NULL;
    }
    thread->side = side_hold(side);
    thread->destination = destination;
    atomic_init(&thread->handed, NULL);
    const struct table_server_options options = options_of(side, destination);
    thread->server = table_server_open(&options, error);
    if (thread->server == NULL) {
        destroy(thread);
        return NULL;
    }
    if (pthread_create(&thread->thread, NULL, serve, thread) != 0) {
        UP_FAIL(error, UP_E_SYSTEM, "no thread for table %s", name);
        destroy(thread);
        return NULL;
    }
    return thread;
}

void table_thread_take_side(struct table_thread *thread, struct side *side)
{
    if (thread == NULL)
        return;
    side_release(atomic_exchange(&thread->handed, side_hold(side)));
    table_server_wake(thread->server);
}

void table_thread_quiet(struct table_thread *thread)
{
    if (thread == NULL)
        return;
    atomic_store(&thread->quiet, true);
    table_server_wake(thread->server);
}

void table_thread_stop(struct table_thread *thread)
{
    if (thread == NULL)
        return;
    atomic_store(&thread->stops, true);
    table_server_wake(thread->server);
    pthread_join(thread->thread, NULL);
    destroy(thread);
}
