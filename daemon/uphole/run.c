/* SPDX-License-Identifier: Apache-2.0
 *
 * run.c - the daemon's well side: starts lines, core, backlog and SCADA side; keeps them going;
 * stops them in order.
 *
 * Start: plan, journal, lines (polling into the rings first), then the journal's checks beside it;
 * nothing is published before they end. Stop: lines finish their exchange, rings drain, core writes
 * cursors and the clean-stop mark, the SCADA side says goodbye, exit.
 */
#include "command.h"
#include "run_inside.h"

#include "uphole/say.h"

#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define STOP_LINES_US 1200000 /* of the two seconds that a stop may take */

static uint64_t live_seq(void *context, uint16_t well)
{
    const struct well_side *side = context;
    return core_live_seq(side->core, well);
}

static void found_damage(void *context, const struct journal_damage *damage)
{
    const struct well_side *side = context;
    core_found_damage(side->core, damage);
}

static enum up_rc make_core(struct well_side *side, struct up_error *error)
{
    const struct backlog_thread_options backlog = {.plan = side->plan,
                                                   .journal_directory = side->plan->journal.path,
                                                   .live_seq = live_seq,
                                                   .damaged = found_damage,
                                                   .context = side};
    enum up_rc rc = backlog_thread_start(&backlog, &side->backlog, error);
    if (rc != UP_OK)
        return rc;
    const struct core_options options = {.plan = side->plan,
                                         .clock = &side->clock,
                                         .journal = side->journal,
                                         .ledger = side->ledger,
                                         .holds = &side->holds,
                                         .rings = side->rings,
                                         .n_rings = side->plan->n_lines,
                                         .run = side->run,
                                         .grid_start_us = side->began.boot_ms * 1000,
                                         .floor_utc_ms = side->watch.floor_utc_ms,
                                         .want = backlog_thread_want,
                                         .want_context = side->backlog};
    return core_create(&options, &side->core, error);
}

static enum up_rc prepare(struct well_side *side, struct up_error *error)
{
    side->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGCHLD);
    sigaddset(&signals, SIGHUP);
    pthread_sigmask(SIG_BLOCK, &signals, NULL);
    side->signal_fd = signalfd(-1, &signals, SFD_CLOEXEC | SFD_NONBLOCK);
    if (side->wake_fd < 0 || side->signal_fd < 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "no descriptors to start with: %s",
                             strerror(errno));
    for (uint16_t i = 0; i < side->plan->n_lines; i++) {
        side->rings[i] = ring_create(RUN_RING_SLOTS, sizeof(struct gathered));
        if (side->rings[i] == NULL)
            return UP_FAIL(error, UP_E_MEMORY, "no memory for the ring of line %s",
                           side->plan->lines[i].name);
    }
    enum up_rc rc = run_open_any_journal(side, error);
    if (rc == UP_OK)
        rc = make_core(side, error);
    if (rc == UP_OK)
        rc = run_start_lines(side, false, error);
    if (rc == UP_OK && side->stand_in.is_used)
        core_refuse(side->core);
    else if (rc == UP_OK)
        rc = run_start_check(side, error);
    return rc;
}

/* ---- keeping going ---- */

static void ask_by_signal(struct well_side *side, uid_t uid)
{
    struct asker who = {.uid = uid};
    char by[sizeof who.name + 16];
    asker_name(&who);
    snprintf(by, sizeof by, "%s (signal)", who.name);
    say(SAY_INFO, "uphole", "%s asked to read the configuration again.", by);
    (void)reload_ask(side, by);
}

/** True when the daemon is asked to stop. */
static bool read_signals(struct well_side *side)
{
    struct signalfd_siginfo info;
    bool stop = false;
    while (read(side->signal_fd, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGINT || info.ssi_signo == SIGTERM)
            stop = true;
        else if (info.ssi_signo == SIGHUP)
            ask_by_signal(side, info.ssi_uid);
    }
    return stop;
}

/** While a backlog leaves, the wall wakes this thread a thousand times a second: what it brings
 * then needs no whole pass. */
static void wait_for_work(struct well_side *side, int64_t until_us)
{
    const bool wall = core_wall_is_up(side->core);
    struct pollfd fds[3 + SOCKET_FDS_MAX] = {{.fd = side->wake_fd, .events = POLLIN},
                                             {.fd = side->signal_fd, .events = POLLIN},
                                             {.fd = wall ? side->side_wall : -1, .events = POLLIN}};
    const size_t n = 3 + socket_fds(side->socket, fds + 3);
    int64_t left_us;
    int ready;
    do {
        left_us = until_us - clock_boot_us(&side->clock);
        const struct timespec timeout = {.tv_sec = left_us > 0 ? left_us / 1000000 : 0,
                                         .tv_nsec = left_us > 0 ? left_us % 1000000 * 1000 : 0};
        ready = ppoll(fds, n, &timeout, NULL);
    } while (left_us > 0 && ready == 1 && fds[2].revents == POLLIN &&
             core_serve_between(side->core));
    uint64_t woken;
    (void)!read(side->wake_fd, &woken, sizeof woken);
}

static void serve_socket(struct well_side *side)
{
    const struct status_view view = {.core = side->core,
                                     .plan = side->plan,
                                     .clock = &side->clock,
                                     .gatherers = side->gatherers,
                                     .watch = &side->watch,
                                     .began = &side->began,
                                     .run = side->run,
                                     .safe = side->safe,
                                     .holds = &side->holds,
                                     .retain = &side->retain,
                                     .side = side->side,
                                     .reload = &side->reload.status,
                                     .reloaded = &side->reload.shown};
    struct order_view orders = {.core = side->core,
                                .plan = side->plan,
                                .journal = side->journal,
                                .ledger = side->ledger,
                                .holds = &side->holds,
                                .gatherers = side->gatherers,
                                .clock = &side->clock,
                                .watch = &side->watch,
                                .daemon = side};
    socket_step(side->socket, &view, &orders);
}

static void loop(struct well_side *side)
{
    for (;;) {
        if (read_signals(side))
            return;
        run_keep_journal(side);
        if (side->begins_anew)
            return;
        run_keep_books(side);
        reload_step(side);
        run_keep_side(side);
        const int64_t next_us = core_step(side->core);
        const struct service_view view = {.core = side->core,
                                          .gatherers = side->gatherers,
                                          .safe = side->safe,
                                          .scada_side = side->side > 0,
                                          .watch = &side->watch};
        service_pass(&side->service, &view);
        serve_socket(side);
        const int64_t soon_us = clock_boot_us(&side->clock) + 200000;
        wait_for_work(side, next_us < soon_us ? next_us : soon_us);
    }
}

static void stop(struct well_side *side)
{
    socket_close(side->socket); /* before the journal, whose lock keeps a second daemon away */
    run_side_quiet(side);
    run_stop_lines(side, STOP_LINES_US);
    run_cancel_check(side);
    run_stop_books(side);
    if (side->core != NULL) {
        core_serve_rest(side->core);
        core_flush(side->core);
        run_try_journal_once_more(side);
    }
    if (side->journal != NULL && side->run != 0 && !side->begins_anew) {
        struct up_error error = {0};
        const struct stamp ended = stamp_take(&side->clock, &side->watch);
        if (journal_end_run(side->journal, &ended, "stopped", &error) != UP_OK)
            say(SAY_WARNING, "journal", "%s", error.why);
    }
    run_stop_side(side);
    backlog_thread_stop(side->backlog);
    reload_close(side);
    retain_close(&side->retain);
    core_destroy(side->core);
    ledger_destroy(side->ledger);
    journal_close(side->journal);
    run_end_stand_in(side);
    for (uint16_t i = 0; i < PLAN_LINES_MAX; i++)
        run_drop_ring(side, i);
    if (side->reload.n_left == 0 && side->wake_fd >= 0)
        close(side->wake_fd);
    if (side->signal_fd >= 0)
        close(side->signal_fd);
}

/** Runs until the stop, or until another journal stands in the place of the one before (*again).
 * The plan in force then stands in *plan; NULL: threads that hang may still look at it. `service`
 * goes on over it, and *stood_in tells the next whether this one had its journal. */
static int run_once(struct plan **plan, struct service *service, const char *config,
                    const char *maps, struct stand_in *stood_in, bool *again)
{
    struct well_side *side = calloc(1, sizeof *side);
    *again = false;
    if (side == NULL) {
        fputs("uphole: no memory to start with\n", stderr);
        return EX_OSERR;
    }
    umask(0027); /* what the daemon writes is for its user and group */
    side->plan = *plan;
    side->reload.config = config;
    side->reload.maps = maps;
    side->wake_fd = side->signal_fd = side->side_wall = -1;
    clock_of_system(&side->clock);
    clock_boot_id(side->boot_id);
    if (service->clock == NULL)
        service_open(&side->service, *plan, &side->clock); /* before any thread */
    else
        side->service = *service;
    side->service.clock = &side->clock;
    struct up_error error = {0};
    int code = 0;
    if (prepare(side, &error) == UP_OK) {
        say(SAY_INFO, "uphole",
            "Uphole " UPHOLE_VERSION " runs for site %s on box %s: %u %s, %u %s, plan %.8s. "
            "Monitoring only; not a protection system.",
            (*plan)->site, (*plan)->box, (*plan)->n_wells, (*plan)->n_wells == 1 ? "well" : "wells",
            (*plan)->n_lines, (*plan)->n_lines == 1 ? "line" : "lines", (*plan)->digest);
        run_tell_stood_in(side, stood_in);
        side->socket = socket_start(
            side->stand_in.is_used ? side->stand_in.own : (*plan)->journal.path, &side->clock);
        service_ready(&side->service);
        loop(side);
        *again = side->begins_anew;
        if (!*again) {
            say(SAY_INFO, "uphole", "Stopping.");
            service_stopping(&side->service);
        }
    } else {
        code = command_fail(&error);
    }
    stop(side);
    *stood_in = side->stand_in;
    *service = side->service;
    *plan = side->plan;
    if (side->reload.n_left > 0 || side->reload.is_left) { /* the process ends here */
        *plan = NULL;
        code = *again ? EX_TEMPFAIL : code; /* and the service manager starts another */
        *again = false;
        return code;
    }
    free(side);
    return code;
}

/** `plan` is taken over. */
static int run_plan(struct plan *plan, const char *config, const char *maps)
{
    struct service service = {0};
    struct stand_in stood_in = {0};
    bool again = true;
    int code = 0;
    while (again)
        code = run_once(&plan, &service, config, maps, &stood_in, &again);
    service_close(&service);
    plan_free(plan);
    return code;
}

static int run(int argc, char **argv)
{
    static const struct option OPTIONS[] = {{"config", required_argument, NULL, 'c'},
                                            {"maps", required_argument, NULL, 'm'},
                                            {NULL, 0, NULL, 0}};
    const char *config = CONFIG_DEFAULT, *maps = NULL;
    optind = 1;
    for (int c; (c = command_option(&COMMAND_RUN, argc, argv, OPTIONS)) != -1;) {
        if (c == 'c')
            config = optarg;
        else if (c == 'm')
            maps = optarg;
        else
            return EX_USAGE;
    }
    if (optind < argc)
        return command_usage_error(
            &COMMAND_RUN, "'%s' is not expected here; the file goes behind --config", argv[optind]);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct plan *plan = NULL;
    if (faults == NULL)
        return EX_OSERR;
    const enum up_rc rc = plan_from_file(config, maps, &plan, faults);
    if (rc != UP_OK)
        command_print_faults(faults);
    free(faults);
    if (rc != UP_OK)
        return up_exit_code(rc);
    return run_plan(plan, config, maps);
}

const struct command COMMAND_RUN = {
    .name = "run",
    .summary = "run the daemon in the foreground",
    .usage = "run [--config FILE] [--maps DIRECTORY]",
    .help = "  --config FILE      configuration (default " CONFIG_DEFAULT ")\n"
            "  --maps DIRECTORY   where maps are looked up (default: maps/ beside the "
            "configuration, then the installed ones)\n\n"
            "Polls the lines, journals each scan before anything is told, and serves the "
            "destinations. Log lines go to standard error.\n"
            "SIGTERM or Ctrl-C stops it in order; SIGHUP and 'uphole reload' read the "
            "configuration again.\n\n"
            "Only read requests go out on a line; but if the drive reads this gauge on the same "
            "pair, our questions can spoil its answers,\n"
            "and a drive set to trip or to control speed on gauge data may then stop or change the "
            "pump. Get the consent of whoever is\n"
            "responsible for the drive first.\n\n"
            "Monitoring only; not a protection system.\n",
    .run = run,
};
