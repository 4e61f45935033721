/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt.c - one MQTT destination in a thread of its own: the loop, and its start and end.
 *
 *   inbox (rows asked for, cursors) ─▶ deliver ─▶ payload ─▶ library ─▶ broker
 *   side (snapshots, box's state) ──▶ latest, box ─────────▶ │            │
 *   side_send ◀─ want, accepted, refused, destination ◀──────┴─ answers ◀─┘
 *
 * Only this thread touches the library. It waits for nothing but its poll: the name is looked up
 * in a helper thread (mqtt_lookup.h).
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <errno.h>
#include <mosquitto.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <time.h>
#include <unistd.h>

#define WAIT_MAX_MS 1000

int64_t mqtt_now_ms(const struct mqtt_client *client)
{
    return clock_boot_ms(client->clock);
}

/* ---- from the wall ---- */

static void take_message(struct mqtt_client *client, const struct wall_message *message)
{
    struct side *side = client->side;
    switch (message->kind) {
    case WALL_CURSOR:
        if (message->cursor.stream == WALL_STREAM_USAGE)
            mqtt_learn_usage(client, &message->cursor);
        else
            deliver_see_cursor(client->deliver, side_well_index(side, message->cursor.well),
                               message->cursor.stream, message->cursor.pos, message->cursor.seq);
        break;
    case WALL_MORE: {
        uint16_t well = side_well_index(side, message->more.well);
        deliver_see_more(client->deliver, well, DELIVER_RECORDS, message->more.newest_scan_pos);
        deliver_see_more(client->deliver, well, DELIVER_GAPS, message->more.newest_gap_pos);
        break;
    }
    case WALL_PAUSE:
        mqtt_pause(client, &message->pause);
        break;
    case WALL_ORDER:
        deliver_see_order(client->deliver, side_well_index(side, message->order.well),
                          &message->order);
        break;
    case WALL_RECORD:
        deliver_see_record(client->deliver, side_well_index(side, message->record.record.well),
                           &message->record);
        break;
    case WALL_GAP:
        deliver_see_gap(client->deliver, &message->gap);
        break;
    case WALL_END_OF_WANT:
        deliver_see_end(client->deliver, side_well_index(side, message->end_of_want.well),
                        &message->end_of_want, mqtt_now_ms(client));
        break;
    default:
        break;
    }
}

static void take_all(struct mqtt_client *client)
{
    while (inbox_take(client->inbox, &client->message))
        take_message(client, &client->message);
    if (inbox_take_lost(client->inbox) > 0)
        deliver_see_lost(client->deliver);
}

static void ask(struct mqtt_client *client)
{
    uint16_t well;
    struct wall_want want;
    while (client->link.phase == MQTT_CONNECTED && !mqtt_is_used_up(client) &&
           deliver_next_want(client->deliver, mqtt_now_ms(client), &well, &want)) {
        want.destination = client->destination;
        want.well = client->plan->wells[well].number;
        client->message.kind = WALL_WANT;
        client->message.want = want;
        if (side_send(client->side, &client->message) != UP_OK) {
            deliver_see_lost(client->deliver);
            return;
        }
    }
}

/* ---- the loop ---- */

static int wait_ms(const struct mqtt_client *client)
{
    int64_t now_ms = mqtt_now_ms(client), until_ms = now_ms + WAIT_MAX_MS;
    if (client->link.phase == MQTT_RESTING && client->retry_ms < until_ms)
        until_ms = client->retry_ms;
    if (client->link.phase == MQTT_LOOKING && client->link.deadline_ms < until_ms)
        until_ms = client->link.deadline_ms;
    int64_t due_ms = deliver_due_ms(client->deliver);
    if (due_ms > now_ms && due_ms < until_ms)
        until_ms = due_ms;
    return until_ms > now_ms ? (int)(until_ms - now_ms) : 0;
}

/* Waits for the inbox, the broker or the library. */
static void await(struct mqtt_client *client, int timeout_ms)
{
    struct pollfd fds[MQTT_LINK_FDS + 2];
    struct pollfd *inbox = &fds[MQTT_LINK_FDS], *woken = &fds[MQTT_LINK_FDS + 1];
    *inbox = (struct pollfd){.fd = inbox_fd(client->inbox), .events = POLLIN};
    *woken = (struct pollfd){.fd = client->wake_fd, .events = POLLIN};
    if (poll(fds, MQTT_LINK_FDS + 2, mqtt_link_wants(&client->link, fds, timeout_ms)) <= 0)
        return;
    mqtt_link_hear(&client->link, fds);
    uint64_t count;
    if (woken->revents != 0)
        (void)!read(woken->fd, &count, sizeof count); /* the loop looks at what changed */
    if (inbox->revents != 0 && read(inbox->fd, &count, sizeof count) < 0 && errno != EAGAIN)
        client->renew = true; /* an eventfd that doesn't read: nothing that is known to happen */
}

/* What the library holds is no longer known: a new object, and every lane starts at its cursor.
 * Rows may arrive twice, none is skipped. */
static void renew(struct mqtt_client *client)
{
    const struct mqtt_trouble trouble = {.kind = MQTT_STALLED};
    struct up_error error;
    if (client->link.phase != MQTT_RESTING)
        mqtt_end(client, &trouble);
    mqtt_library_close(client);
    deliver_forget(client->deliver);
    if (mqtt_library_open(client, &error) != UP_OK)
        say(SAY_ERROR, "publish", "%s; trying again", error.why);
}

static void step(struct mqtt_client *client)
{
    struct up_error error;
    mqtt_go_over(client);
    if (client->link.library == NULL && mqtt_library_open(client, &error) != UP_OK) {
        struct timespec pause = {.tv_sec = 1};
        nanosleep(&pause, NULL);
        return;
    }
    if (client->link.phase == MQTT_RESTING && mqtt_now_ms(client) >= client->retry_ms)
        mqtt_connect(client);
    await(client, wait_ms(client));
    take_all(client);
    if (client->link.phase == MQTT_LOOKING)
        mqtt_look(client);
    else if (client->link.phase != MQTT_RESTING)
        mqtt_serve(client);
    mqtt_act_on_notes(client);
    if (client->renew || deliver_stalled(client->deliver, mqtt_now_ms(client))) {
        renew(client);
        return;
    }
    mqtt_watch_usage(client);
    if (client->link.phase == MQTT_CONNECTED &&
        mqtt_now_ms(client) >= client->connected_ms + MQTT_SETTLED_MS)
        mqtt_say_back(client);
    ask(client); /* before rows are written, so that the well side works meanwhile */
    if (client->link.phase == MQTT_CONNECTED)
        mqtt_send(client);
    ask(client);
    mqtt_tell(client);
}

static bool is_answered(const struct mqtt_client *client, uint16_t mid)
{
    for (size_t i = 0; i < client->n_others; i++)
        if (client->other[i].mid == mid)
            return false;
    return true;
}

/* An orderly end: "offline", its answer, then DISCONNECT, so that the broker sends no will. */
static void finish(struct mqtt_client *client)
{
    int64_t end_ms = mqtt_now_ms(client) + atomic_load(&client->stop_within_ms);
    if (client->link.library != NULL && client->link.phase == MQTT_CONNECTED &&
        mqtt_send_offline(client)) {
        uint16_t mid = client->other[client->n_others - 1].mid;
        while (client->link.phase == MQTT_CONNECTED && !is_answered(client, mid) &&
               mqtt_now_ms(client) < end_ms) {
            await(client, 50);
            mqtt_serve(client);
            mqtt_act_on_notes(client);
        }
        mqtt_tell(client);
        mqtt_count(client);
        if (client->link.phase == MQTT_CONNECTED)
            mqtt_tell_up(client); /* for the month's count */
        if (client->link.phase == MQTT_CONNECTED)
            mqtt_link_leave(&client->link);
    }
    mqtt_link_close(&client->link);
}

static void *run(void *context)
{
    struct mqtt_client *client = context;
    while (!atomic_load(&client->stop))
        step(client);
    finish(client);
    uint64_t one = 1;
    (void)!write(client->done_fd, &one, sizeof one);
    return NULL;
}

/* ---- start and end ---- */

static void destroy(struct mqtt_client *client)
{
    mqtt_library_close(client);
    lookup_leave(&client->link.lookup);
    deliver_destroy(client->deliver);
    if (client->done_fd >= 0)
        close(client->done_fd);
    if (client->wake_fd >= 0)
        close(client->wake_fd);
    side_release(atomic_load(&client->handed));
    side_release(client->side);
    free(client);
}

static struct mqtt_client *create(const struct plan *plan, uint16_t destination, struct side *side,
                                  struct up_error *error)
{
    struct mqtt_client *client = calloc(1, sizeof *client);
    const struct destination_plan *to = &plan->destinations[destination];
    if (client == NULL) {
        (void)UP_FAIL(error, UP_E_MEMORY, "destination %s: no memory", to->name);
        return NULL;
    }
    client->plan = plan;
    client->to = to;
    client->destination = destination;
    client->side = side_hold(side);
    atomic_init(&client->handed, NULL);
    client->clock = side_clock(side);
    client->inbox = side_inbox(side, destination);
    client->link.phase = MQTT_RESTING;
    client->done_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    client->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    client->random = (uint32_t)(side_run(side) ^ side_run(side) >> 32) + destination +
                     (uint32_t)clock_boot_ms(client->clock); /* another one at each start */
    client->deliver = deliver_create(plan->n_wells, client->random);
    if (client->deliver != NULL)
        deliver_set_rate(client->deliver, to->backlog_at_most);
    snprintf(client->box_topic, sizeof client->box_topic, "%s/%s/box/%s", to->topic_root,
             plan->site, plan->box);
    if (client->deliver == NULL || client->inbox == NULL || client->done_fd < 0 ||
        client->wake_fd < 0) {
        (void)UP_FAIL(error, UP_E_MEMORY, "destination %s: no memory", to->name);
        goto fail;
    }
    if (mosquitto_pub_topic_check(client->box_topic) != MOSQ_ERR_SUCCESS) {
        (void)UP_FAIL(error, UP_E_CONFIG,
                      "destination %s: topic_root \"%s\" makes no topic; expected names joined by "
                      "/, without + and #",
                      to->name, to->topic_root);
        goto fail;
    }
    if (mqtt_library_open(client, error) != UP_OK)
        goto fail;
    return client;
fail:
    destroy(client);
    return NULL;
}

struct mqtt_client *mqtt_client_start(const struct plan *plan, uint16_t destination,
                                      struct side *side, struct up_error *error)
{
    mosquitto_lib_init(); /* counts its callers; never undone, since a thread may be left behind */
    struct mqtt_client *client = create(plan, destination, side, error);
    if (client == NULL)
        return NULL;
    sigset_t all, before;
    sigfillset(
        &all); /* signals are the main thread's; a broken connection must not raise SIGPIPE */
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int rc = pthread_create(&client->thread, NULL, run, client);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (rc == 0)
        return client;
    (void)UP_FAIL(error, UP_E_SYSTEM, "destination %s: no thread (%s)", client->to->name,
                  strerror(rc));
    destroy(client);
    return NULL;
}

static void wake(struct mqtt_client *client)
{
    const uint64_t one = 1;
    (void)!write(client->wake_fd, &one, sizeof one); /* full: readable already */
}

void mqtt_client_take_side(struct mqtt_client *client, struct side *side)
{
    if (client == NULL)
        return;
    side_release(atomic_exchange(&client->handed, side_hold(side)));
    wake(client);
}

bool mqtt_client_stop(struct mqtt_client *client, int within_ms)
{
    if (client == NULL)
        return true;
    atomic_store(&client->stop_within_ms, within_ms * 3 / 4);
    atomic_store(&client->stop, true);
    wake(client);
    struct pollfd done = {.fd = client->done_fd, .events = POLLIN};
    int rc;
    do {
        rc = poll(&done, 1, within_ms);
    } while (rc < 0 && errno == EINTR);
    if (rc <= 0)
        return false; /* a machine that stands still: it is left behind, with its memory */
    pthread_join(client->thread, NULL);
    destroy(client);
    return true;
}
