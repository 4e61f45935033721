/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_thread.c - the backlog in a thread of its own: the only thread of the well side that may
 * wait for the SCADA side.
 */
#include "backlog.h"

#include "uphole/say.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define WANTS_MAX 256
#define CURSORS_MAX (PLAN_DESTINATIONS_MAX * PLAN_WELLS_MAX * 2 + PLAN_DESTINATIONS_MAX)
#define SEND_WAIT_MS 200
#define SEND_WAITS_MAX 50

struct backlog_thread {
    struct backlog_thread_options options;
    struct backlog *backlog;
    struct backlog *prepared; /* core's: under another plan, to be taken or dropped */
    struct backlog_thread_options prepared_options;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    /* under the lock */
    struct wall_want wants[WANTS_MAX];
    size_t first, n;
    bool stop, safe, greet;
    struct backlog *next; /* to be taken before anything else, with its options */
    struct backlog_thread_options next_options;
    const struct plan *used; /* of `backlog` */
    int new_fd, greeted_fd;
    uint64_t run;
    struct wall_cursor *cursors;
    size_t n_cursors;
    /* the thread's own */
    struct wall_message pack; /* WALL_RECORDS: those of the want being served that have not gone */
    struct wall_cursor *greeting; /* the cursors, copied out of the lock */
    int fd;                       /* changed under the lock only, so that others may look */
};

static bool stopping(struct backlog_thread *thread)
{
    pthread_mutex_lock(&thread->lock);
    const bool stop = thread->stop || thread->greet || thread->next != NULL;
    pthread_mutex_unlock(&thread->lock);
    return stop;
}

/** Waits for a slow reader, but no longer than ten seconds, nor past a stop or a newer SCADA side.
 */
static bool send_patiently(struct backlog_thread *thread, const struct wall_message *message)
{
    for (int i = 0; i < SEND_WAITS_MAX && thread->fd >= 0; i++) {
        const enum up_rc rc = wall_send_wait(thread->fd, message, SEND_WAIT_MS);
        if (rc == UP_OK)
            return true;
        if (rc == UP_E_PORT || stopping(thread))
            return false;
    }
    return false;
}

static void empty_pack(struct backlog_thread *thread)
{
    thread->pack.records.n = 0;
    thread->pack.records.size = 0;
    thread->pack.records.ends = false;
}

static bool send_pack(struct backlog_thread *thread)
{
    const bool good = thread->pack.records.n == 0 || send_patiently(thread, &thread->pack);
    empty_pack(thread);
    return good;
}

/** The want's end goes with its last records; false: there are none. */
static bool end_pack(struct wall_records *pack, const struct wall_message *message)
{
    const struct wall_end_of_want *end = &message->end_of_want;
    if (message->kind != WALL_END_OF_WANT || pack->n == 0 || pack->serial != end->serial ||
        pack->destination != end->destination)
        return false;
    pack->ends = true;
    pack->end = *end;
    return true;
}

/** Records wait for one another: a pack goes when it is full, or before anything else. Each want
 * ends, so none waits for long. */
static bool send_packed(void *context, const struct wall_message *message)
{
    struct backlog_thread *thread = context;
    struct wall_records *pack = &thread->pack.records;
    if (end_pack(pack, message))
        return send_pack(thread);
    if (message->kind != WALL_RECORD)
        return send_pack(thread) && send_patiently(thread, message);
    const struct wall_record *one = &message->record;
    const bool belongs =
        pack->n == 0 || (thread->pack.plan_serial == message->plan_serial &&
                         pack->destination == one->destination && pack->serial == one->serial);
    if (belongs && wall_records_add(pack, &one->record, one->live)) {
        thread->pack.plan_serial = message->plan_serial;
        pack->destination = one->destination;
        pack->serial = one->serial;
        return true;
    }
    return pack->n > 0 && send_pack(thread) && send_packed(context, message);
}

static uint64_t live_seq(void *context, uint16_t well)
{
    struct backlog_thread *thread = context;
    return thread->options.live_seq(thread->options.context, well);
}

static void hand_on_damage(void *context, const struct journal_damage *damage)
{
    struct backlog_thread *thread = context;
    if (thread->options.damaged != NULL)
        thread->options.damaged(thread->options.context, damage);
}

/** Plan, numbers, cursors: what a SCADA side must hear before anything else. */
static bool greet(struct backlog_thread *thread, uint64_t run, const struct wall_cursor *cursors,
                  size_t n_cursors)
{
    const struct plan *plan = thread->options.plan;
    if (wall_send_plan(thread->fd, thread->options.plan_serial, plan->text, plan->text_length,
                       SEND_WAIT_MS * SEND_WAITS_MAX) != UP_OK)
        return false;
    struct wall_message message = {.kind = WALL_NUMBERS,
                                   .plan_serial = thread->options.plan_serial};
    message.numbers =
        (struct wall_numbers){.version = WALL_VERSION, .run = run, .n_wells = plan->n_wells};
    for (uint16_t i = 0; i < plan->n_wells; i++)
        message.numbers.number[i] = plan->wells[i].number;
    bool good = send_patiently(thread, &message);
    for (size_t i = 0; good && i < n_cursors; i++) {
        message.kind = WALL_CURSOR;
        message.cursor = cursors[i];
        good = send_patiently(thread, &message);
    }
    return good;
}

static void take_new_side(struct backlog_thread *thread)
{
    const int fd = thread->new_fd;
    const uint64_t run = thread->run;
    const size_t n_cursors = thread->n_cursors;
    memcpy(thread->greeting, thread->cursors, n_cursors * sizeof *thread->greeting);
    thread->greet = false;
    thread->first = thread->n = 0; /* wants of the side that is gone */
    if (thread->fd >= 0 && thread->fd != fd)
        close(thread->fd);
    thread->fd = fd;
    pthread_mutex_unlock(&thread->lock);
    const bool good = greet(thread, run, thread->greeting, n_cursors);
    pthread_mutex_lock(&thread->lock);
    const bool again = thread->greet || thread->next != NULL; /* with something newer */
    thread->greeted_fd = good && !again ? fd : -1;
}

/** Between two wants: the backlog under another plan. Wants that wait were meant by the old one. */
static void take_next(struct backlog_thread *thread)
{
    struct backlog *before = thread->backlog;
    thread->backlog = thread->next;
    thread->options = thread->next_options;
    thread->next = NULL;
    thread->first = thread->n = 0;
    pthread_mutex_unlock(&thread->lock);
    backlog_close(before);
    pthread_mutex_lock(&thread->lock);
    thread->used = thread->options.plan;
}

static void serve(struct backlog_thread *thread, const struct wall_want *want)
{
    struct up_error error = {0};
    pthread_mutex_unlock(&thread->lock);
    empty_pack(thread); /* of a want that broke off */
    if (backlog_serve(thread->backlog, want, &error) != UP_OK)
        say(SAY_ERROR, "journal", "%s", error.why);
    pthread_mutex_lock(&thread->lock);
}

static void *run_thread(void *context)
{
    struct backlog_thread *thread = context;
    pthread_mutex_lock(&thread->lock);
    while (!thread->stop) {
        if (thread->next != NULL) {
            take_next(thread);
        } else if (thread->greet) {
            take_new_side(thread);
        } else if (thread->n > 0 && thread->safe) {
            const struct wall_want want = thread->wants[thread->first];
            thread->first = (thread->first + 1) % WANTS_MAX;
            thread->n--;
            serve(thread, &want);
        } else {
            pthread_cond_wait(&thread->changed, &thread->lock);
        }
    }
    pthread_mutex_unlock(&thread->lock);
    return NULL;
}

static enum up_rc open_backlog(struct backlog_thread *thread,
                               const struct backlog_thread_options *options, struct backlog **out,
                               struct up_error *error)
{
    const struct backlog_options backlog = {.plan = options->plan,
                                            .plan_serial = options->plan_serial,
                                            .journal_directory = options->journal_directory,
                                            .send = send_packed,
                                            .live_seq = live_seq,
                                            .damaged = hand_on_damage,
                                            .context = thread};
    return backlog_open(&backlog, out, error);
}

enum up_rc backlog_thread_start(const struct backlog_thread_options *options,
                                struct backlog_thread **out, struct up_error *error)
{
    struct backlog_thread *thread = calloc(1, sizeof *thread);
    if (thread == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the backlog's thread");
    thread->options = *options;
    thread->used = options->plan;
    thread->pack.kind = WALL_RECORDS;
    thread->fd = thread->new_fd = thread->greeted_fd = -1;
    thread->cursors = calloc(CURSORS_MAX, sizeof *thread->cursors);
    thread->greeting = calloc(CURSORS_MAX, sizeof *thread->greeting);
    enum up_rc rc = thread->cursors == NULL || thread->greeting == NULL
                        ? UP_FAIL(error, UP_E_MEMORY, "no memory for the backlog's thread")
                        : open_backlog(thread, options, &thread->backlog, error);
    if (rc != UP_OK) {
        free(thread->cursors);
        free(thread->greeting);
        free(thread);
        return rc;
    }
    pthread_mutex_init(&thread->lock, NULL);
    pthread_cond_init(&thread->changed, NULL);
    if (pthread_create(&thread->thread, NULL, run_thread, thread) != 0) {
        backlog_close(thread->backlog);
        free(thread->cursors);
        free(thread->greeting);
        free(thread);
        return UP_FAIL(error, UP_E_SYSTEM, "the backlog's thread could not be started");
    }
    *out = thread;
    return UP_OK;
}

void backlog_thread_stop(struct backlog_thread *thread)
{
    if (thread == NULL)
        return;
    pthread_mutex_lock(&thread->lock);
    thread->stop = true;
    pthread_cond_signal(&thread->changed);
    pthread_mutex_unlock(&thread->lock);
    pthread_join(thread->thread, NULL);
    if (thread->fd >= 0)
        close(thread->fd);
    if (thread->greet && thread->new_fd >= 0 && thread->new_fd != thread->fd)
        close(thread->new_fd);
    backlog_close(thread->backlog);
    backlog_close(thread->next);
    backlog_close(thread->prepared);
    pthread_cond_destroy(&thread->changed);
    pthread_mutex_destroy(&thread->lock);
    free(thread->cursors);
    free(thread->greeting);
    free(thread);
}

void backlog_thread_want(void *context, const struct wall_want *want)
{
    struct backlog_thread *thread = context;
    pthread_mutex_lock(&thread->lock);
    if (thread->n < WANTS_MAX) {
        thread->wants[(thread->first + thread->n) % WANTS_MAX] = *want;
        thread->n++;
        pthread_cond_signal(&thread->changed);
    }
    pthread_mutex_unlock(&thread->lock);
}

void backlog_thread_set_safe(struct backlog_thread *thread)
{
    pthread_mutex_lock(&thread->lock);
    thread->safe = true;
    pthread_cond_signal(&thread->changed);
    pthread_mutex_unlock(&thread->lock);
}

void backlog_thread_greet(struct backlog_thread *thread, int fd, uint64_t run,
                          const struct wall_cursor *cursors, size_t n_cursors)
{
    pthread_mutex_lock(&thread->lock);
    if (thread->greet && thread->new_fd >= 0 && thread->new_fd != fd &&
        thread->new_fd != thread->fd)
        close(thread->new_fd); /* one that came and went before it was greeted */
    thread->greet = true;
    thread->new_fd = fd;
    thread->greeted_fd = -1;
    thread->run = run;
    thread->n_cursors = n_cursors < CURSORS_MAX ? n_cursors : CURSORS_MAX;
    memcpy(thread->cursors, cursors, thread->n_cursors * sizeof *cursors);
    pthread_cond_signal(&thread->changed);
    pthread_mutex_unlock(&thread->lock);
}

int backlog_thread_greeted(struct backlog_thread *thread)
{
    pthread_mutex_lock(&thread->lock);
    const int fd = thread->greeted_fd;
    thread->greeted_fd = -1;
    pthread_mutex_unlock(&thread->lock);
    return fd;
}

enum up_rc backlog_thread_prepare(struct backlog_thread *thread, const struct plan *plan,
                                  uint32_t plan_serial, struct up_error *error)
{
    pthread_mutex_lock(&thread->lock);
    thread->prepared_options = thread->options;
    pthread_mutex_unlock(&thread->lock);
    thread->prepared_options.plan = plan;
    thread->prepared_options.journal_directory = plan->journal.path;
    thread->prepared_options.plan_serial = plan_serial;
    return open_backlog(thread, &thread->prepared_options, &thread->prepared, error);
}

void backlog_thread_drop(struct backlog_thread *thread)
{
    backlog_close(thread->prepared);
    thread->prepared = NULL;
}

void backlog_thread_take(struct backlog_thread *thread)
{
    pthread_mutex_lock(&thread->lock);
    struct backlog *unused = thread->next; /* of a plan that was in force for a moment */
    thread->next = thread->prepared;
    thread->next_options = thread->prepared_options;
    thread->prepared = NULL;
    pthread_cond_signal(&thread->changed);
    pthread_mutex_unlock(&thread->lock);
    backlog_close(unused);
}

bool backlog_thread_uses_plan(struct backlog_thread *thread, const struct plan *plan)
{
    pthread_mutex_lock(&thread->lock);
    const bool uses = thread->used == plan ||
                      thread->options.plan == plan || /* while the one before is closed */
                      (thread->next != NULL && thread->next_options.plan == plan);
    pthread_mutex_unlock(&thread->lock);
    return uses;
}
