/* SPDX-License-Identifier: Apache-2.0
 *
 * side_run.c - the SCADA side's process: takes the plan over the wall, starts a thread for each
 * destination, and hands on what comes.
 *
 * It ends when the well side says so, or is gone: without the well side there is nothing to tell,
 * and the well side starts it again.
 */
#include "uphole/publish.h"

#include "mqtt.h"
#include "server.h"
#include "side.h"

#include "uphole/say.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define ALIVE_EVERY_MS 1000
#define START_AGAIN_MS                                                                             \
    30000 /* a destination that could not be started: its password file is missing, say */
#define MESSAGES_A_ROUND 512
#define MQTT_STOP_WITHIN_MS 1000 /* all of them; the well side waits 1.5 s */

struct destination {
    struct mqtt_client *mqtt;
    struct table_thread *table;
    bool has_failed; /* said once */
    int64_t start_at_ms;
};

struct runner {
    int wall_fd;
    const struct up_clock *clock;
    const char *version;
    struct wall_message message; /* the one being handled */
    char *text;                  /* the plan's, while it comes */
    size_t text_size, text_n;
    struct plan *plan;
    struct side *side;
    struct destination destination[PLAN_DESTINATIONS_MAX];
    bool stops, is_quiet, has_said_bad;
    int exit_code;
};

static void end_with(struct runner *runner, int exit_code)
{
    runner->stops = true;
    runner->exit_code = exit_code;
}

/* ---- the plan ---- */

static void take_whole_plan(struct runner *runner)
{
    struct plan_faults faults = {0};
    if (plan_from_text("plan", runner->text, runner->text_n, &runner->plan, &faults) != UP_OK) {
        char text[UP_WHY_MAX + PATH_LENGTH_MAX] = "";
        if (faults.n > 0)
            plan_fault_to_text(&faults.fault[0], text, sizeof text);
        say(SAY_ERROR, "publish", "the plan that the well side sent doesn't read: %s", text);
        end_with(runner, EX_SOFTWARE);
    }
    free(runner->text);
    runner->text = NULL;
}

static void take_plan_piece(struct runner *runner)
{
    const struct wall_plan_piece *piece = &runner->message.plan;
    if (runner->plan != NULL) {
        say(SAY_INFO, "publish", "there is a new plan; the SCADA side starts again with it");
        end_with(runner, EX_OK);
        return;
    }
    if (piece->offset == 0 && runner->text == NULL) {
        runner->text_size = piece->total <= PLAN_TEXT_MAX ? piece->total : 0;
        runner->text = malloc(runner->text_size + 1);
        runner->text_n = 0;
    }
    if (runner->text == NULL || piece->total != runner->text_size ||
        piece->offset != runner->text_n || piece->size > sizeof piece->bytes ||
        piece->size > runner->text_size - runner->text_n) {
        say(SAY_ERROR, "publish", "the plan came over the wall in pieces that don't fit together");
        end_with(runner, EX_SOFTWARE);
        return;
    }
    memcpy(runner->text + runner->text_n, piece->bytes, piece->size);
    runner->text_n += piece->size;
    runner->text[runner->text_n] = '\0';
    if (runner->text_n == runner->text_size)
        take_whole_plan(runner);
}

/* ---- destinations ---- */

static void report(void *context, uint16_t destination, uint8_t state, const char *reason)
{
    struct runner *runner = context;
    struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = WALL_DESTINATION;
    message.destination.destination = destination;
    message.destination.state = state;
    message.destination.cause = state == DELIVERY_UP ? CAUSE_NONE : CAUSE_UNREACHABLE;
    message.destination.since_boot_ms = clock_boot_ms(runner->clock);
    snprintf(message.destination.reason, sizeof message.destination.reason, "%s", reason);
    enum up_rc rc = side_send(runner->side, &message);
    (void)rc; /* a wall that is gone ends the process from its own loop */
}

static void report_table(void *context, uint16_t destination, bool is_listening, const char *reason)
{
    report(context, destination, is_listening ? DELIVERY_UP : DELIVERY_DOWN, reason);
}

static bool start_one(struct runner *runner, uint16_t index, struct up_error *error)
{
    const struct destination_plan *destination = &runner->plan->destinations[index];
    struct destination *started = &runner->destination[index];
    if (destination->medium == DESTINATION_MQTT) {
        started->mqtt = mqtt_client_start(runner->plan, index, runner->side, error);
        return started->mqtt != NULL;
    }
    const struct table_server_options options = {.plan = runner->plan,
                                                 .destination = destination,
                                                 .live = side_live(runner->side),
                                                 .clock = runner->clock};
    started->table = table_thread_start(&options, index, report_table, runner, error);
    return started->table != NULL;
}

/** Starts what isn't started yet; a destination that can't be started doesn't hold up the others.
 */
static void start_destinations(struct runner *runner, int64_t now_ms)
{
    if (runner->is_quiet)
        return;
    for (uint16_t i = 0; i < runner->plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++) {
        struct destination *destination = &runner->destination[i];
        if (destination->mqtt != NULL || destination->table != NULL ||
            now_ms < destination->start_at_ms)
            continue;
        struct up_error error = {0};
        if (start_one(runner, i, &error))
            continue;
        destination->start_at_ms = now_ms + START_AGAIN_MS;
        if (!destination->has_failed) {
            say(SAY_ERROR, "publish", "%s: %s. It is tried again every %d s.",
                runner->plan->destinations[i].name, error.why, START_AGAIN_MS / 1000);
            report(runner, i, DELIVERY_STOPPED, error.why);
        }
        destination->has_failed = true;
    }
}

/** A stop is near: nobody shall connect now only to be cut off. */
static void be_quiet(struct runner *runner)
{
    runner->is_quiet = true;
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++)
        table_thread_quiet(runner->destination[i].table);
}

/** False: a client hangs and still uses the side. */
static bool stop_destinations(struct runner *runner)
{
    bool all = true;
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++)
        table_thread_stop(runner->destination[i].table);
    int64_t end_ms = clock_boot_ms(runner->clock) + MQTT_STOP_WITHIN_MS;
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++) {
        int64_t left_ms = end_ms - clock_boot_ms(runner->clock);
        all =
            mqtt_client_stop(runner->destination[i].mqtt, left_ms > 50 ? (int)left_ms : 50) && all;
    }
    return all;
}

/* ---- the loop ---- */

static void take_numbers(struct runner *runner)
{
    const struct wall_numbers *numbers = &runner->message.numbers;
    if (runner->side != NULL) {
        side_take(runner->side, &runner->message);
        return;
    }
    if (runner->plan == NULL || numbers->version != WALL_VERSION ||
        numbers->n_wells != runner->plan->n_wells) {
        say(SAY_ERROR, "publish",
            "the well side speaks another version of the wall (%u, here %d), or numbers other "
            "wells; both sides must be the same program",
            numbers->version, WALL_VERSION);
        end_with(runner, EX_SOFTWARE);
        return;
    }
    for (uint16_t i = 0; i < numbers->n_wells; i++)
        plan_number_well(runner->plan, i, numbers->number[i]);
    const struct side_options options = {.plan = runner->plan,
                                         .run = numbers->run,
                                         .wall_fd = runner->wall_fd,
                                         .clock = runner->clock,
                                         .version = runner->version};
    struct up_error error = {0};
    runner->side = side_create(&options, &error);
    if (runner->side == NULL) {
        say(SAY_ERROR, "publish", "%s", error.why);
        end_with(runner, up_exit_code(error.rc));
        return;
    }
    start_destinations(runner, clock_boot_ms(runner->clock));
}

static void handle(struct runner *runner)
{
    switch (runner->message.kind) {
    case WALL_PLAN:
        take_plan_piece(runner);
        return;
    case WALL_NUMBERS:
        take_numbers(runner);
        return;
    case WALL_QUIET:
        be_quiet(runner);
        return;
    case WALL_STOP:
        end_with(runner, EX_OK);
        return;
    default:
        if (runner->side != NULL && !side_take(runner->side, &runner->message))
            end_with(runner, EX_OK);
    }
}

static void take_bad_message(struct runner *runner)
{
    if (runner->side == NULL) { /* nothing can be served without its greeting */
        say(SAY_ERROR, "publish",
            "the well side's greeting doesn't read; both sides must be the same program");
        end_with(runner, EX_SOFTWARE);
    } else if (!runner->has_said_bad) {
        say(SAY_ERROR, "publish", "a message of the well side was not whole and is left out");
        runner->has_said_bad = true;
    }
}

static void take_messages(struct runner *runner)
{
    for (unsigned i = 0; i < MESSAGES_A_ROUND && !runner->stops; i++) {
        enum up_rc rc = wall_receive(runner->wall_fd, &runner->message);
        if (rc == UP_E_TIMEOUT)
            return;
        if (rc == UP_OK) {
            handle(runner);
        } else if (rc == UP_E_FRAME) {
            take_bad_message(runner);
        } else {
            end_with(runner, EX_OK); /* the well side is gone */
        }
    }
}

static void say_alive(struct runner *runner)
{
    static const struct wall_message alive = {.kind = WALL_ALIVE};
    enum up_rc rc =
        runner->side != NULL ? side_send(runner->side, &alive) : wall_send(runner->wall_fd, &alive);
    if (rc == UP_E_PORT)
        end_with(runner, EX_OK);
}

static void run(struct runner *runner)
{
    int64_t alive_at_ms = 0;
    while (!runner->stops) {
        int64_t now_ms = clock_boot_ms(runner->clock);
        if (now_ms >= alive_at_ms) {
            alive_at_ms = now_ms + ALIVE_EVERY_MS;
            say_alive(runner);
            if (runner->side != NULL)
                start_destinations(runner, now_ms);
        }
        struct pollfd wait = {.fd = runner->wall_fd, .events = POLLIN};
        int ready = poll(&wait, 1, (int)(alive_at_ms - now_ms));
        if (ready > 0)
            take_messages(runner);
        else if (ready < 0 && errno != EINTR)
            end_with(runner, EX_OSERR);
    }
}

int publish_run(int wall_fd, const struct up_clock *clock, const char *version)
{
    /* Stopping is the well side's to order: a Ctrl-C or a stop of the service reaches both
     * processes. */
    signal(SIGINT, SIG_IGN);
    signal(SIGTERM, SIG_IGN);
    signal(SIGHUP, SIG_IGN);
    signal(SIGPIPE, SIG_IGN);
    struct runner *runner = calloc(1, sizeof *runner);
    if (runner == NULL)
        return EX_OSERR;
    runner->wall_fd = wall_fd;
    runner->clock = clock;
    runner->version = version;
    run(runner);
    int exit_code = runner->exit_code;
    if (!stop_destinations(runner))
        _exit(exit_code); /* at once, so that nothing that the hanging client uses goes before it */
    side_destroy(runner->side);
    plan_free(runner->plan);
    free(runner->text);
    free(runner);
    return exit_code;
}
