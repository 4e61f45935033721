/* SPDX-License-Identifier: Apache-2.0
 *
 * gatherer.c - a line in a thread of its own, on a real port.
 *
 * The thread owns the line and the port; others may only read `passes`, set `stopping` or a hold
 * and write their descriptors. It sleeps on those alone, with a timer slack of 1 ns, since the
 * turn-around of a line is counted in fractions of a millisecond.
 */
#include "line_inside.h"

#include "uphole/trace.h"

#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

#define SLEEP_MOST_US 1000000     /* so that `passes` goes on while nothing is due */
#define STOP_SCAN_MOST_US 3000000 /* a poll under way gets so long to end */
#define STOP_WAIT_US                                                                               \
    15000000                   /* a thread that hangs in a name lookup isn't waited for any longer \
                                */
#define COUNTS_EVERY_US 500000 /* totals are copied for others so often */
#define STACK_SIZE ((size_t)512 * 1024)

struct gatherer {
    struct line_options options;
    struct up_clock clock;
    struct port *port;
    struct trace *trace; /* between the two */
    struct line *line;
    int stop_fd, done_fd, hold_fd;
    atomic_bool stopping, leaving, is_held;
    atomic_int_fast64_t hold_until_us, pass_began_us;
    atomic_uint_fast64_t passes;
    pthread_t thread;
    pthread_mutex_t totals_lock; /* held for one copy at a time, by either side */
    struct line_counts totals;
    int64_t totals_due_us; /* the thread's own */
    pthread_mutex_t plan_lock;
    const struct plan *plan, *next_plan; /* in use; to be taken, or NULL */
    uint16_t next_index;
};

static void sleep_until(const struct gatherer *gatherer, int64_t next_us)
{
    int64_t left_us = next_us - clock_boot_us(&gatherer->clock);
    if (left_us <= 0)
        return;
    if (left_us > SLEEP_MOST_US)
        left_us = SLEEP_MOST_US;
    struct timespec left = {.tv_sec = (time_t)(left_us / 1000000),
                            .tv_nsec = (long)(left_us % 1000000) * 1000};
    struct pollfd wait[2] = {{.fd = gatherer->stop_fd, .events = POLLIN},
                             {.fd = gatherer->hold_fd, .events = POLLIN}};
    uint64_t woken;
    if (ppoll(wait, 2, &left, NULL) > 0 && (wait[1].revents & POLLIN) != 0)
        (void)!read(gatherer->hold_fd, &woken, sizeof woken);
}

static void finish(struct gatherer *gatherer)
{
    int64_t end_us = clock_boot_us(&gatherer->clock) + STOP_SCAN_MOST_US;
    while (line_is_scanning(gatherer->line) && clock_boot_us(&gatherer->clock) < end_us) {
        int64_t next_us = line_step(gatherer->line);
        if (next_us > clock_boot_us(&gatherer->clock))
            gatherer->clock.sleep_until(gatherer->clock.context,
                                        next_us < end_us ? next_us : end_us);
    }
    if (atomic_load(&gatherer->leaving))
        line_leave(gatherer->line);
    else
        line_finish(gatherer->line);
}

/** Between two scans: the plan that was handed over. */
static void take_plan(struct gatherer *gatherer)
{
    pthread_mutex_lock(&gatherer->plan_lock);
    const struct plan *plan = gatherer->next_plan;
    const uint16_t index = gatherer->next_index;
    pthread_mutex_unlock(&gatherer->plan_lock);
    if (plan == NULL || !line_take_plan(gatherer->line, plan, index))
        return;
    port_take_line(gatherer->port, &plan->lines[index]);
    pthread_mutex_lock(&gatherer->plan_lock);
    gatherer->plan = plan;
    if (gatherer->next_plan == plan)
        gatherer->next_plan = NULL;
    pthread_mutex_unlock(&gatherer->plan_lock);
}

static void copy_totals(struct gatherer *gatherer)
{
    const int64_t now_us = clock_boot_us(&gatherer->clock);
    if (now_us < gatherer->totals_due_us)
        return;
    gatherer->totals_due_us = now_us + COUNTS_EVERY_US;
    pthread_mutex_lock(&gatherer->totals_lock);
    gatherer->totals = *line_totals(gatherer->line);
    pthread_mutex_unlock(&gatherer->totals_lock);
}

void gather_totals(struct gatherer *gatherer, struct line_counts *into)
{
    pthread_mutex_lock(&gatherer->totals_lock);
    *into = gatherer->totals;
    pthread_mutex_unlock(&gatherer->totals_lock);
}

static void *run(void *argument)
{
    struct gatherer *gatherer = argument;
    static const uint64_t ONE = 1;
    prctl(PR_SET_TIMERSLACK, 1UL);
    while (!atomic_load(&gatherer->stopping)) {
        atomic_store(&gatherer->pass_began_us, clock_boot_us(&gatherer->clock));
        take_plan(gatherer);
        line_hold(gatherer->line, atomic_load(&gatherer->hold_until_us));
        int64_t next_us = line_step(gatherer->line);
        atomic_store(&gatherer->is_held, line_is_held(gatherer->line));
        atomic_fetch_add(&gatherer->passes, 1);
        copy_totals(gatherer);
        sleep_until(gatherer, next_us);
    }
    finish(gatherer);
    if (write(gatherer->done_fd, &ONE, sizeof ONE) < 0)
        return NULL; /* gather_stop then waits its time and lets go */
    return NULL;
}

static void release(struct gatherer *gatherer)
{
    if (gatherer == NULL)
        return;
    line_destroy(gatherer->line);
    trace_destroy(gatherer->trace);
    port_free(gatherer->port);
    pthread_mutex_destroy(&gatherer->totals_lock);
    pthread_mutex_destroy(&gatherer->plan_lock);
    if (gatherer->stop_fd >= 0)
        close(gatherer->stop_fd);
    if (gatherer->done_fd >= 0)
        close(gatherer->done_fd);
    if (gatherer->hold_fd >= 0)
        close(gatherer->hold_fd);
    free(gatherer);
}

/** Signals belong to the main thread: the new one starts with all of them blocked. */
static int start_thread(struct gatherer *gatherer)
{
    pthread_attr_t attributes;
    sigset_t all, before;
    sigfillset(&all);
    int rc = pthread_attr_init(&attributes);
    if (rc != 0)
        return rc;
    pthread_attr_setstacksize(&attributes, STACK_SIZE);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    rc = pthread_create(&gatherer->thread, &attributes, run, gatherer);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    pthread_attr_destroy(&attributes);
    return rc;
}

enum up_rc gather_start(const struct line_options *options, struct gatherer **out,
                        struct up_error *error)
{
    const struct line_plan *plan = &options->plan->lines[options->index];
    struct gatherer *gatherer = calloc(1, sizeof *gatherer);
    if (gatherer == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for line %s", plan->name);
    pthread_mutex_init(&gatherer->totals_lock, NULL);
    pthread_mutex_init(&gatherer->plan_lock, NULL);
    gatherer->plan = options->plan;
    gatherer->stop_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    gatherer->done_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    gatherer->hold_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    atomic_init(&gatherer->hold_until_us, options->hold_until_us);
    gatherer->clock = *options->clock;
    gatherer->options = *options;
    gatherer->options.clock = &gatherer->clock;
    enum up_rc rc = UP_OK;
    gatherer->port = port_for_line(plan, &gatherer->clock, gatherer->stop_fd);
    if (gatherer->port == NULL || gatherer->stop_fd < 0 || gatherer->done_fd < 0 ||
        gatherer->hold_fd < 0)
        rc = UP_FAIL(error, UP_E_SYSTEM,
                     "line %s can't be set up: its settings are not possible, or no memory is left",
                     plan->name);
    gatherer->options.port = gatherer->port;
    if (rc == UP_OK) {
        gatherer->trace = trace_create(&gatherer->options);
        if (gatherer->trace == NULL)
            rc = UP_FAIL(error, UP_E_MEMORY, "no memory for the trace of line %s", plan->name);
    }
    if (rc == UP_OK) {
        gatherer->options.port = trace_port(gatherer->trace);
        gatherer->line = line_create(&gatherer->options, error);
        rc = gatherer->line != NULL ? UP_OK : UP_E_CONFIG;
    }
    if (rc == UP_OK && start_thread(gatherer) != 0)
        rc = UP_FAIL(error, UP_E_SYSTEM, "no thread can be started for line %s", plan->name);
    if (rc != UP_OK) {
        release(gatherer);
        return rc;
    }
    *out = gatherer;
    return UP_OK;
}

void gather_ask_stop(struct gatherer *gatherer)
{
    static const uint64_t ONE = 1;
    if (gatherer == NULL)
        return;
    atomic_store(&gatherer->stopping, true);
    (void)!write(gatherer->stop_fd, &ONE, sizeof ONE); /* a full count has woken it already */
}

static bool wait_for_end(const struct gatherer *gatherer, int64_t ms)
{
    struct pollfd wait = {.fd = gatherer->done_fd, .events = POLLIN};
    return poll(&wait, 1, ms > 0 ? (int)ms : 0) == 1;
}

bool gather_end(struct gatherer *gatherer, int64_t until_us)
{
    if (gatherer == NULL)
        return true;
    if (wait_for_end(gatherer, (until_us - clock_boot_us(&gatherer->clock) + 999) / 1000)) {
        pthread_join(gatherer->thread, NULL);
        release(gatherer);
        return true;
    }
    pthread_detach(gatherer->thread); /* it keeps its memory */
    return false;
}

void gather_stop(struct gatherer *gatherer)
{
    if (gatherer == NULL)
        return;
    gather_ask_stop(gatherer);
    (void)gather_end(gatherer, clock_boot_us(&gatherer->clock) + STOP_WAIT_US);
}

/* ---- another plan ---- */

static void wake(struct gatherer *gatherer)
{
    static const uint64_t ONE = 1;
    (void)!write(gatherer->hold_fd, &ONE, sizeof ONE); /* a full count has woken it already */
}

void gather_take_plan(struct gatherer *gatherer, const struct plan *plan, uint16_t index)
{
    pthread_mutex_lock(&gatherer->plan_lock);
    gatherer->next_plan = plan;
    gatherer->next_index = index;
    pthread_mutex_unlock(&gatherer->plan_lock);
    wake(gatherer);
}

bool gather_uses_plan(struct gatherer *gatherer, const struct plan *plan)
{
    pthread_mutex_lock(&gatherer->plan_lock);
    const bool uses = gatherer->plan == plan || gatherer->next_plan == plan;
    pthread_mutex_unlock(&gatherer->plan_lock);
    return uses;
}

void gather_ask_leave(struct gatherer *gatherer)
{
    atomic_store(&gatherer->leaving, true);
    gather_ask_stop(gatherer);
}

bool gather_has_ended(struct gatherer *gatherer)
{
    return wait_for_end(gatherer, 0);
}

bool gather_next_due(const struct gatherer *gatherer, uint16_t well_number, uint8_t source,
                     int64_t *due_ms)
{
    return line_next_due(gatherer->line, well_number, source, due_ms);
}

void gather_account_source(struct gatherer *gatherer, uint16_t well_number, uint8_t source)
{
    line_account_source(gatherer->line, well_number, source);
}

int64_t gather_pass_began_us(const struct gatherer *gatherer)
{
    return atomic_load(&gatherer->pass_began_us);
}

void gather_hold(struct gatherer *gatherer, int64_t until_us)
{
    atomic_store(&gatherer->hold_until_us, until_us);
    wake(gatherer);
}

bool gather_is_held(const struct gatherer *gatherer)
{
    return atomic_load(&gatherer->is_held);
}

uint64_t gather_passes(const struct gatherer *gatherer)
{
    return atomic_load(&gatherer->passes);
}

struct trace *gather_trace(struct gatherer *gatherer)
{
    return gatherer->trace;
}
