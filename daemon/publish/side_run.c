/* SPDX-License-Identifier: Apache-2.0
 *
 * side_run.c - the SCADA side's process: takes plans over the wall, has a thread for each
 * destination, and hands on what comes.
 *
 * A new plan comes in pieces beside what still concerns the old one. Once its wells have their
 * numbers it is in force: from then on messages that bear another serial concern nobody.
 *
 * It ends when the well side says so, or is gone: without the well side there is nothing to tell,
 * and the well side starts it again.
 */
#include "uphole/publish.h"

#include "side.h"
#include "side_destinations.h"

#include "uphole/say.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define ALIVE_EVERY_MS 1000
#define MESSAGES_A_ROUND 512
#define STRANGE_FOR_MS 10000 /* of nothing but another plan's messages: its greeting was lost */

struct runner {
    int wall_fd;
    const struct up_clock *clock;
    const char *version;
    struct wall_message message; /* the one being handled */
    char *text;                  /* a plan's, while it comes */
    size_t text_size, text_n;
    uint32_t coming_serial; /* of `text`, and of `coming` */
    struct plan *coming;    /* whole, but its wells have no numbers yet */
    struct side *side;      /* of the plan in force, held; NULL: none yet */
    struct destinations destinations;
    int64_t strange_since_ms; /* 0: the newest message was meant by the plan in force */
    bool stops, has_said_bad;
    int exit_code;
};

static void end_with(struct runner *runner, int exit_code)
{
    runner->stops = true;
    runner->exit_code = exit_code;
}

/* ---- a plan ---- */

static void take_whole_plan(struct runner *runner)
{
    struct plan_faults faults = {0};
    if (plan_from_text("plan", runner->text, runner->text_n, &runner->coming, &faults) != UP_OK) {
        char text[UP_WHY_MAX + PATH_LENGTH_MAX] = "";
        if (faults.n > 0)
            plan_fault_to_text(&faults.fault[0], text, sizeof text);
        say(SAY_ERROR, "publish", "The plan that the well side sent doesn't read: %s", text);
        end_with(runner, EX_SOFTWARE);
    }
    free(runner->text);
    runner->text = NULL;
}

/** One that was begun before and never became whole, or never came into force, is forgotten. */
static void begin_plan(struct runner *runner)
{
    const struct wall_plan_piece *piece = &runner->message.plan;
    free(runner->text);
    plan_free(runner->coming);
    runner->coming = NULL;
    runner->coming_serial = runner->message.plan_serial;
    runner->text_size = piece->total <= PLAN_TEXT_MAX ? piece->total : 0;
    runner->text = malloc(runner->text_size + 1);
    runner->text_n = 0;
}

static void take_plan_piece(struct runner *runner)
{
    const struct wall_plan_piece *piece = &runner->message.plan;
    bool is_new =
        runner->side == NULL || side_plan_serial(runner->side) != runner->message.plan_serial;
    if (piece->offset == 0 && is_new)
        begin_plan(runner);
    if (runner->text == NULL || runner->message.plan_serial != runner->coming_serial ||
        piece->total != runner->text_size || piece->offset != runner->text_n ||
        piece->size > sizeof piece->bytes || piece->size > runner->text_size - runner->text_n) {
        say(SAY_ERROR, "publish", "The plan came over the wall in pieces that don't fit together.");
        end_with(runner, EX_SOFTWARE);
        return;
    }
    memcpy(runner->text + runner->text_n, piece->bytes, piece->size);
    runner->text_n += piece->size;
    runner->text[runner->text_n] = '\0';
    if (runner->text_n == runner->text_size)
        take_whole_plan(runner);
}

/** The plan that came is in force from now on. */
static void go_over(struct runner *runner)
{
    const struct side_options options = {.plan = runner->coming,
                                         .own = runner->coming,
                                         .plan_serial = runner->coming_serial,
                                         .run = runner->message.numbers.run,
                                         .wall_fd = runner->wall_fd,
                                         .clock = runner->clock,
                                         .version = runner->version};
    struct up_error error = {0};
    struct side *next = side_create(&options, &error);
    if (next == NULL) {
        say(SAY_ERROR, "publish", "%s", error.why);
        end_with(runner, up_exit_code(error.rc));
        return;
    }
    runner->coming = NULL;
    if (runner->side == NULL) {
        runner->side = next;
        destinations_start(&runner->destinations, next, clock_boot_ms(runner->clock));
        return;
    }
    bool good = destinations_take_side(&runner->destinations, runner->side, next);
    side_release(runner->side);
    runner->side = next;
    say(SAY_INFO, "publish",
        "The SCADA side goes by plan %.8s. Destinations that it leaves as they were stay "
        "connected.",
        side_plan(next)->digest);
    if (!good) {
        say(SAY_WARNING, "publish",
            "Destinations of earlier plans hang; the SCADA side starts again.");
        end_with(runner, EX_OK);
    }
}

static void take_numbers(struct runner *runner)
{
    const struct wall_numbers *numbers = &runner->message.numbers;
    if (runner->side != NULL && side_plan_serial(runner->side) == runner->message.plan_serial) {
        side_take(runner->side, &runner->message); /* a new run */
        return;
    }
    if (runner->coming == NULL || runner->coming_serial != runner->message.plan_serial ||
        numbers->version != WALL_VERSION || numbers->n_wells != runner->coming->n_wells) {
        say(SAY_ERROR, "publish",
            "The well side speaks another version of the wall (%u, here %d), or numbers other "
            "wells; both sides must be the same program.",
            numbers->version, WALL_VERSION);
        end_with(runner, EX_SOFTWARE);
        return;
    }
    for (uint16_t i = 0; i < numbers->n_wells; i++)
        plan_number_well(runner->coming, i, numbers->number[i]);
    go_over(runner);
}

/* ---- the loop ---- */

/** Messages of another plan on their way are nothing to worry about; nothing but such means that
 * the well side goes by a plan whose greeting never came whole. */
static void note_plan(struct runner *runner)
{
    if (runner->message.kind == WALL_ALIVE)
        return;
    int64_t now_ms = clock_boot_ms(runner->clock);
    if (runner->message.plan_serial == side_plan_serial(runner->side)) {
        runner->strange_since_ms = 0;
    } else if (runner->strange_since_ms == 0) {
        runner->strange_since_ms = now_ms;
    } else if (now_ms - runner->strange_since_ms > STRANGE_FOR_MS) {
        say(SAY_ERROR, "publish",
            "The well side goes by a plan that never came; the SCADA side starts again.");
        end_with(runner, EX_SOFTWARE);
    }
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
        destinations_quiet(&runner->destinations);
        return;
    case WALL_STOP:
        end_with(runner, EX_OK);
        return;
    default:
        if (runner->side == NULL)
            return;
        note_plan(runner);
        side_take(runner->side, &runner->message);
    }
}

static void take_bad_message(struct runner *runner)
{
    if (runner->side == NULL || runner->text != NULL || runner->coming != NULL) {
        /* nothing can be served without its greeting */
        say(SAY_ERROR, "publish",
            "The well side's greeting doesn't read; both sides must be the same program.");
        end_with(runner, EX_SOFTWARE);
    } else if (!runner->has_said_bad) {
        say(SAY_ERROR, "publish", "A message of the well side was not whole and is left out.");
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
    enum up_rc rc = wall_send(runner->wall_fd, &alive); /* a full wall: the next one tells it */
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
                destinations_start(&runner->destinations, runner->side, now_ms);
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
    if (!destinations_stop(&runner->destinations, clock))
        _exit(exit_code); /* at once, so that nothing that the hanging client uses goes before it */
    side_release(runner->side);
    plan_free(runner->coming);
    free(runner->text);
    free(runner);
    return exit_code;
}
