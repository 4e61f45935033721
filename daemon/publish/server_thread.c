/* SPDX-License-Identifier: Apache-2.0
 *
 * server_thread.c - a table in a thread of its own, which goes on trying to listen where its
 * address isn't there yet.
 */
#include "server.h"

#include "uphole/say.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>

#define LISTEN_AGAIN_MS 5000
#define STEP_MS 1000

struct table_thread {
    struct table_server *server;
    const struct up_clock *clock;
    pthread_t thread;
    atomic_bool stops, quiet;
    uint16_t destination;
    table_report *report;
    void *context;
    bool listens;
    bool has_failed; /* said once an outage, not each try */
    int64_t listen_at_ms;
};

static void try_to_listen(struct table_thread *thread)
{
    int64_t now_ms = clock_boot_ms(thread->clock);
    if (now_ms < thread->listen_at_ms)
        return;
    struct up_error error = {0};
    if (table_server_listen(thread->server, &error) == UP_OK) {
        say(SAY_INFO, "publish", "the Modbus table is served on port %u",
            table_server_port(thread->server));
        thread->has_failed = false;
        thread->listens = true;
        thread->report(thread->context, thread->destination, true, "");
        return;
    }
    if (!thread->has_failed) {
        say(SAY_ERROR, "publish", "%s It is tried again every %d s.", error.why,
            LISTEN_AGAIN_MS / 1000);
        thread->report(thread->context, thread->destination, false, error.why);
    }
    thread->has_failed = true;
    thread->listen_at_ms = now_ms + LISTEN_AGAIN_MS;
}

static void *serve(void *argument)
{
    struct table_thread *thread = argument;
    while (!atomic_load(&thread->stops)) {
        if (atomic_load(&thread->quiet))
            table_server_stop_accepting(thread->server);
        else if (!thread->listens)
            try_to_listen(thread);
        table_server_step(thread->server, STEP_MS);
    }
    table_server_stop_accepting(thread->server);
    return NULL;
}

static void report_to_nobody(void *context, uint16_t destination, bool is_listening,
                             const char *reason)
{
    (void)context;
    (void)destination;
    (void)is_listening;
    (void)reason;
}

struct table_thread *table_thread_start(const struct table_server_options *options,
                                        uint16_t destination, table_report *report, void *context,
                                        struct up_error *error)
{
    struct table_thread *thread = calloc(1, sizeof *thread);
    if (thread == NULL) {
        UP_FAIL(error, UP_E_MEMORY, "no memory for table %s", options->destination->name);
        return NULL;
    }
    thread->clock = options->clock;
    thread->destination = destination;
    thread->report = report != NULL ? report : report_to_nobody;
    thread->context = context;
    thread->server = table_server_open(options, error);
    if (thread->server == NULL) {
        free(thread);
        return NULL;
    }
    if (pthread_create(&thread->thread, NULL, serve, thread) != 0) {
        UP_FAIL(error, UP_E_SYSTEM, "no thread for table %s", options->destination->name);
        table_server_close(thread->server);
        free(thread);
        return NULL;
    }
    return thread;
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
    table_server_close(thread->server);
    free(thread);
}
