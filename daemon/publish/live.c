/* SPDX-License-Identifier: Apache-2.0
 *
 * live.c - the newest snapshot of each well and the newest state of the box, under one lock.
 */
#include "live.h"

#include <pthread.h>
#include <stdlib.h>
#include <unistd.h>

struct live {
    const struct plan *plan;
    pthread_mutex_t lock;
    uint16_t n_listeners;
    int listener[LIVE_LISTENERS_MAX];
    uint64_t state_count;
    struct wall_state state;
    uint64_t *count; /* a well */
    struct snapshot *snapshot;
};

struct live *live_create(const struct plan *plan)
{
    struct live *live = calloc(1, sizeof *live);
    if (live == NULL)
        return NULL;
    size_t n = plan->n_wells > 0 ? plan->n_wells : 1;
    live->plan = plan;
    live->count = calloc(n, sizeof *live->count);
    live->snapshot = calloc(n, sizeof *live->snapshot);
    if (live->count == NULL || live->snapshot == NULL ||
        pthread_mutex_init(&live->lock, NULL) != 0) {
        free(live->count);
        free(live->snapshot);
        free(live);
        return NULL;
    }
    return live;
}

void live_destroy(struct live *live)
{
    if (live == NULL)
        return;
    pthread_mutex_destroy(&live->lock);
    free(live->count);
    free(live->snapshot);
    free(live);
}

enum up_rc live_listen(struct live *live, int event_fd, struct up_error *error)
{
    pthread_mutex_lock(&live->lock);
    bool fits = live->n_listeners < LIVE_LISTENERS_MAX;
    if (fits)
        live->listener[live->n_listeners++] = event_fd;
    pthread_mutex_unlock(&live->lock);
    if (!fits)
        return UP_FAIL(error, UP_E_FULL, "more than %d destinations listen for live values",
                       LIVE_LISTENERS_MAX);
    return UP_OK;
}

void live_unlisten(struct live *live, int event_fd)
{
    pthread_mutex_lock(&live->lock);
    for (uint16_t i = 0; i < live->n_listeners; i++) {
        if (live->listener[i] == event_fd)
            live->listener[i--] = live->listener[--live->n_listeners];
    }
    pthread_mutex_unlock(&live->lock);
}

/** Called with the lock held, so that nobody who has left is woken. */
static void wake_listeners(const struct live *live)
{
    const uint64_t one = 1;
    for (uint16_t i = 0; i < live->n_listeners; i++) {
        /* A full eventfd is readable already: nothing is missed. It doesn't block. */
        ssize_t written = write(live->listener[i], &one, sizeof one);
        (void)written;
    }
}

static bool index_of(const struct live *live, uint16_t number, uint16_t *index)
{
    const struct well_plan *well = plan_well_by_number(live->plan, number);
    if (well == NULL)
        return false;
    *index = (uint16_t)(well - live->plan->wells);
    return true;
}

bool live_put_snapshot(struct live *live, const struct snapshot *snapshot)
{
    uint16_t index;
    if (!index_of(live, snapshot->well, &index))
        return false;
    pthread_mutex_lock(&live->lock);
    live->snapshot[index] = *snapshot;
    live->count[index]++;
    wake_listeners(live);
    pthread_mutex_unlock(&live->lock);
    return true;
}

void live_put_state(struct live *live, const struct wall_state *state)
{
    pthread_mutex_lock(&live->lock);
    live->state = *state;
    live->state_count++;
    wake_listeners(live);
    pthread_mutex_unlock(&live->lock);
}

uint64_t live_snapshot_count(struct live *live, uint16_t index)
{
    if (index >= live->plan->n_wells)
        return 0;
    pthread_mutex_lock(&live->lock);
    uint64_t count = live->count[index];
    pthread_mutex_unlock(&live->lock);
    return count;
}

uint64_t live_snapshot_copy(struct live *live, uint16_t index, struct snapshot *out)
{
    if (index >= live->plan->n_wells)
        return 0;
    pthread_mutex_lock(&live->lock);
    uint64_t count = live->count[index];
    if (count > 0)
        *out = live->snapshot[index];
    pthread_mutex_unlock(&live->lock);
    return count;
}

uint64_t live_state_copy(struct live *live, struct wall_state *out)
{
    pthread_mutex_lock(&live->lock);
    uint64_t count = live->state_count;
    if (count > 0)
        *out = live->state;
    pthread_mutex_unlock(&live->lock);
    return count;
}

bool live_has_state(struct live *live)
{
    pthread_mutex_lock(&live->lock);
    bool has = live->state_count > 0;
    pthread_mutex_unlock(&live->lock);
    return has;
}
