/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_plan.c - one MQTT destination goes over to a new plan and keeps its connection.
 *
 * What is out with the broker stays out, and its answers still count, for the well that they were
 * of. `latest` of every well and the box are published anew: units, maps and limits may be others
 * now. The state of the connection is said again under the new plan.
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

/** For each well of `next`, its index under the client's plan: wells are the same by their number
 * in the journal. */
static void find_wells(const struct mqtt_client *client, const struct plan *next, uint16_t *was)
{
    for (uint16_t i = 0; i < next->n_wells; i++) {
        const uint16_t index = side_well_index(client->side, next->wells[i].number);
        was[i] = index < client->plan->n_wells ? index : DELIVER_NEW_WELL;
    }
}

/** Answers that are awaited name the well by its new index; those of a well that is gone are
 * awaited no more. */
static void keep_others(struct mqtt_client *client, const uint16_t *was, uint16_t n_wells)
{
    size_t kept = 0;
    for (size_t i = 0; i < client->n_others; i++) {
        struct mqtt_other other = client->other[i];
        uint16_t well = 0;
        while (other.kind == OTHER_LATEST && well < n_wells && was[well] != other.well)
            well++;
        if (other.kind == OTHER_LATEST && well == n_wells)
            continue;
        other.well = other.kind == OTHER_LATEST ? well : other.well;
        client->other[kept++] = other;
    }
    client->n_others = kept;
}

static void keep_wells(struct mqtt_client *client, const uint16_t *was, uint16_t n_wells)
{
    struct mqtt_well before[PLAN_WELLS_MAX];
    memcpy(before, client->well, sizeof before);
    memset(client->well, 0, sizeof client->well);
    for (uint16_t i = 0; i < n_wells; i++)
        client->well[i].refused = was[i] != DELIVER_NEW_WELL && before[was[i]].refused;
}

static void tell_state(struct mqtt_client *client)
{
    const bool up = client->link.phase == MQTT_CONNECTED;
    if (!up && client->trouble.kind == MQTT_NO_TROUBLE)
        return; /* it is said when the first attempt ends */
    if (up) {
        mqtt_tell_up(client);
        return;
    }
    char words[MQTT_WORDS_MAX];
    struct wall_message *message = &client->message;
    mqtt_words(&client->trouble, client->plan, client->to, words);
    message->kind = WALL_DESTINATION;
    message->destination = (struct wall_destination){.destination = client->destination,
                                                     .state = DELIVERY_DOWN,
                                                     .cause = mqtt_cause(&client->trouble),
                                                     .since_boot_ms = client->state_since_ms};
    snprintf(message->destination.reason, sizeof message->destination.reason, "%s", words);
    mqtt_tell_message(client);
}

static bool go_over(struct mqtt_client *client, struct side *next)
{
    const struct plan *plan = side_plan(next);
    uint16_t was[PLAN_WELLS_MAX];
    find_wells(client, plan, was);
    struct deliver *deliver = deliver_under_plan(client->deliver, plan->n_wells, was);
    if (deliver == NULL)
        return false;
    deliver_destroy(client->deliver);
    client->deliver = deliver;
    keep_others(client, was, plan->n_wells);
    keep_wells(client, was, plan->n_wells);
    client->destination = side_destination_named(next, client->to->name);
    client->plan = plan;
    client->to = &plan->destinations[client->destination];
    client->inbox = side_inbox(next, client->destination);
    side_release(client->side);
    client->side = next;
    mqtt_send_begin(client);
    tell_state(client);
    return true;
}

void mqtt_go_over(struct mqtt_client *client)
{
    struct side *next = atomic_exchange(&client->handed, NULL);
    if (next == NULL || go_over(client, next))
        return;
    say(SAY_ERROR, "publish", "Destination %s: no memory for its new plan; trying again.",
        client->to->name);
    struct side *none = NULL;
    if (!atomic_compare_exchange_strong(&client->handed, &none, next))
        side_release(next); /* a newer one came meanwhile */
}
