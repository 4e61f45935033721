/* SPDX-License-Identifier: Apache-2.0
 *
 * side.c - hands the wall's messages to the destinations that they concern, and sends theirs back.
 */
#include "side.h"

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SEND_WAIT_MS 2000

struct side {
    struct side_options options;
    _Atomic unsigned holders;
    _Atomic uint64_t run; /* a new one begins where the disk had refused */
    struct live *live;
    pthread_mutex_t send_lock;
    struct inbox *inbox[PLAN_DESTINATIONS_MAX]; /* NULL: not MQTT */
};

static enum up_rc make_inboxes(struct side *side, struct up_error *error)
{
    const struct plan *plan = side->options.plan;
    for (uint16_t i = 0; i < plan->n_destinations && i < PLAN_DESTINATIONS_MAX; i++) {
        if (plan->destinations[i].medium != DESTINATION_MQTT)
            continue;
        side->inbox[i] = inbox_create(plan->n_wells);
        if (side->inbox[i] == NULL)
            return UP_FAIL_ERRNO(error, UP_E_MEMORY, "no memory for what destination %s takes",
                                 plan->destinations[i].name);
        enum up_rc rc = live_listen(side->live, inbox_fd(side->inbox[i]), error);
        if (rc != UP_OK)
            return rc;
    }
    return UP_OK;
}

static void destroy(struct side *side)
{
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++)
        inbox_destroy(side->inbox[i]);
    live_destroy(side->live);
    pthread_mutex_destroy(&side->send_lock);
    free(side);
}

struct side *side_create(const struct side_options *options, struct up_error *error)
{
    struct side *side = calloc(1, sizeof *side);
    if (side == NULL || pthread_mutex_init(&side->send_lock, NULL) != 0) {
        free(side);
        UP_FAIL(error, UP_E_MEMORY, "no memory for the SCADA side");
        return NULL;
    }
    side->options = *options;
    atomic_init(&side->run, options->run);
    atomic_init(&side->holders, 1);
    side->live = live_create(options->plan);
    if (side->live == NULL) {
        UP_FAIL(error, UP_E_MEMORY, "no memory for the newest readings of %u wells",
                options->plan->n_wells);
        destroy(side);
        return NULL;
    }
    if (make_inboxes(side, error) != UP_OK) {
        destroy(side);
        return NULL;
    }
    return side;
}

struct side *side_hold(struct side *side)
{
    atomic_fetch_add(&side->holders, 1);
    return side;
}

void side_release(struct side *side)
{
    if (side == NULL || atomic_fetch_sub(&side->holders, 1) > 1)
        return;
    struct plan *own = side->options.own;
    destroy(side);
    plan_free(own);
}

static void to_inbox(struct side *side, uint16_t destination, const struct wall_message *message)
{
    struct inbox *inbox = side_inbox(side, destination);
    if (inbox != NULL)
        inbox_put(inbox,
                  message); /* what does not fit is counted there, and its owner asks again */
}

static void more_to_all(struct side *side, const struct wall_more *more)
{
    uint16_t index = side_well_index(side, more->well);
    for (unsigned i = 0; i < PLAN_DESTINATIONS_MAX; i++) {
        if (side->inbox[i] != NULL)
            inbox_put_more(side->inbox[i], index, more);
    }
}

static void order_to_one(struct side *side, const struct wall_order *order)
{
    struct inbox *inbox = side_inbox(side, order->destination);
    if (inbox != NULL)
        (void)inbox_put_order(inbox, side_well_index(side, order->well), order);
}

bool side_take(struct side *side, const struct wall_message *message)
{
    if (message->plan_serial != side->options.plan_serial && message->kind != WALL_STOP)
        return true;
    switch (message->kind) {
    case WALL_SNAPSHOT:
        live_put_snapshot(side->live, &message->snapshot);
        break;
    case WALL_STATE:
        live_put_state(side->live, &message->state);
        break;
    case WALL_RECORD:
        to_inbox(side, message->record.destination, message);
        break;
    case WALL_RECORDS:
        to_inbox(side, message->records.destination, message);
        break;
    case WALL_GAP:
        to_inbox(side, message->gap.destination, message);
        break;
    case WALL_END_OF_WANT:
        to_inbox(side, message->end_of_want.destination, message);
        break;
    case WALL_CURSOR:
        to_inbox(side, message->cursor.destination, message);
        break;
    case WALL_PAUSE:
        to_inbox(side, message->pause.destination, message);
        break;
    case WALL_MORE:
        more_to_all(side, &message->more);
        break;
    case WALL_ORDER:
        order_to_one(side, &message->order);
        break;
    case WALL_NUMBERS:
        atomic_store(&side->run, message->numbers.run);
        break;
    case WALL_STOP:
        return false;
    default:
        break;
    }
    return true;
}

const struct plan *side_plan(const struct side *side)
{
    return side->options.plan;
}

uint32_t side_plan_serial(const struct side *side)
{
    return side->options.plan_serial;
}

uint16_t side_destination_named(const struct side *side, const char *name)
{
    const struct plan *plan = side->options.plan;
    uint16_t i = 0;
    while (i < plan->n_destinations && strcmp(plan->destinations[i].name, name) != 0)
        i++;
    return i;
}

const struct up_clock *side_clock(const struct side *side)
{
    return side->options.clock;
}

const char *side_version(const struct side *side)
{
    return side->options.version;
}

uint64_t side_run(const struct side *side)
{
    return atomic_load(&side->run);
}

struct live *side_live(const struct side *side)
{
    return side->live;
}

struct inbox *side_inbox(const struct side *side, uint16_t destination)
{
    return destination < PLAN_DESTINATIONS_MAX ? side->inbox[destination] : NULL;
}

uint16_t side_well_index(const struct side *side, uint16_t number)
{
    const struct plan *plan = side->options.plan;
    const struct well_plan *well = plan_well_by_number(plan, number);
    return well == NULL ? plan->n_wells : (uint16_t)(well - plan->wells);
}

bool side_snapshot_copy(struct side *side, uint16_t well_index, struct snapshot *out)
{
    return live_snapshot_copy(side->live, well_index, out) > 0;
}

uint64_t side_snapshot_count(struct side *side, uint16_t well_index)
{
    return live_snapshot_count(side->live, well_index);
}

bool side_state_copy(struct side *side, struct wall_state *out)
{
    return live_state_copy(side->live, out) > 0;
}

bool side_is_filled(struct side *side)
{
    bool filled = live_has_state(side->live);
    for (uint16_t i = 0; i < side->options.plan->n_wells && filled; i++)
        filled = live_snapshot_count(side->live, i) > 0;
    return filled;
}

enum up_rc side_send(struct side *side, struct wall_message *message)
{
    if (side->options.wall_fd < 0)
        return UP_E_PORT;
    message->plan_serial = side->options.plan_serial;
    pthread_mutex_lock(&side->send_lock);
    enum up_rc rc = wall_send_wait(side->options.wall_fd, message, SEND_WAIT_MS);
    pthread_mutex_unlock(&side->send_lock);
    return rc;
}

void side_report(struct side *side, uint16_t destination, uint8_t state, const char *reason)
{
    static const struct wall_destination NONE;
    side_report_table(side, destination, state, reason, &NONE);
}

void side_report_table(struct side *side, uint16_t destination, uint8_t state, const char *reason,
                       const struct wall_destination *away)
{
    struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = WALL_DESTINATION;
    message.destination = *away;
    message.destination.destination = destination;
    message.destination.state = state;
    message.destination.cause = state == DELIVERY_UP ? CAUSE_NONE : CAUSE_UNREACHABLE;
    message.destination.since_boot_ms = clock_boot_ms(side->options.clock);
    snprintf(message.destination.reason, sizeof message.destination.reason, "%s", reason);
    enum up_rc rc = side_send(side, &message);
    (void)rc; /* a wall that is gone ends the process from its own loop */
}
