/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_send.c - what is published, in the order of who must not wait: box, `latest` of each well,
 * then records and gaps.
 *
 * Records leave part of the window to the others, so that a backlog never stands in front of
 * `latest` for longer than one answer.
 */
#include "mqtt_inside.h"

#include "box_points.h"

#include "uphole/say.h"
#include "uphole/wire.h"

#include <mosquitto.h>
#include <stdio.h>
#include <string.h>

#define PACKET_HEAD_MAX 16 /* fixed header, length of the topic, message id, properties */

static uint16_t reserve_of(uint16_t window)
{
    return window >= 8 ? 4 : window >= 2 ? 1 : 0;
}

static bool has_room(const struct mqtt_client *client)
{
    return client->link.phase == MQTT_CONNECTED && !client->renew &&
           client->n_others < MQTT_OTHERS_MAX &&
           client->n_others + deliver_under_way(client->deliver) < client->window;
}

static size_t payload_room(const struct mqtt_client *client, const char *topic)
{
    size_t room = PAYLOAD_MAX, head = PACKET_HEAD_MAX + strlen(topic);
    const uint32_t most = mqtt_packet_limit(client);
    if (most != 0 && most < room + head)
        room = most > head ? most - head : 0;
    return room;
}

/* Errors before the library keeps the message; after any other one it holds it, and sends it when
 * it can. */
static bool is_held(int rc)
{
    switch (rc) {
    case MOSQ_ERR_INVAL:
    case MOSQ_ERR_PAYLOAD_SIZE:
    case MOSQ_ERR_MALFORMED_UTF8:
    case MOSQ_ERR_OVERSIZE_PACKET:
    case MOSQ_ERR_QOS_NOT_SUPPORTED:
        return false;
    default:
        return true;
    }
}

/* The library gives ids in a circle and doesn't look whether one is still under way: two answers of
 * one id couldn't be told apart, and one of them moves the cursor. */
static bool is_under_way(const struct mqtt_client *client, uint16_t mid)
{
    for (size_t i = 0; i < client->n_others; i++)
        if (client->other[i].mid == mid)
            return true;
    return deliver_waits_for(client->deliver, mid);
}

static bool put(struct mqtt_client *client, const char *topic, size_t length, bool retain,
                uint16_t *mid)
{
    int id = 0;
    int rc = mosquitto_publish_v5(client->link.library, &id, topic, (int)length, client->payload, 1,
                                  retain, NULL);
    *mid = (uint16_t)id;
    /* No memory: kept or not, it does not say. */
    if (rc == MOSQ_ERR_NOMEM || (is_held(rc) && is_under_way(client, *mid)))
        client->renew = true;
    return is_held(rc);
}

static bool put_other(struct mqtt_client *client, const char *topic, size_t length, uint8_t kind,
                      uint16_t well)
{
    uint16_t mid;
    if (length == 0 || !put(client, topic, length, !client->no_retain, &mid))
        return false;
    client->other[client->n_others++] =
        (struct mqtt_other){.mid = mid, .well = well, .kind = kind, .bytes = length};
    return true;
}

static void well_topic(const struct mqtt_client *client, uint16_t well, const char *word,
                       char into[static TOPIC_MAX])
{
    snprintf(into, TOPIC_MAX, "%s/%s/%s/%s", client->to->topic_root, client->plan->site,
             client->plan->wells[well].id, word);
}

/* ---- box ---- */

size_t mqtt_box_payload(struct mqtt_client *client, bool running)
{
    struct box_state box = {
        .running = running, .run = side_run(client->side), .version = side_version(client->side)};
    if (running && side_state_copy(client->side, &box.state)) {
        box.clock = box.state.clock;
        box.journal_ok = box.state.journal_ok == 1;
        box.days_left = box.state.days_left;
    } else {
        box.days_left = UINT16_MAX;
    }
    return payload_box(client->payload, PAYLOAD_MAX, client->plan, &box);
}

static uint32_t box_signature(struct mqtt_client *client)
{
    if (!side_state_copy(client->side, &client->state))
        return 0;
    const struct wall_state *state = &client->state;
    uint8_t bytes[4 + PLAN_DESTINATIONS_MAX] = {1, state->clock, state->journal_ok,
                                                (uint8_t)(state->days_left != UINT16_MAX)};
    for (uint16_t i = 0; i < state->n_destinations && i < PLAN_DESTINATIONS_MAX; i++)
        bytes[4 + i] = state->destination[i].state;
    const uint32_t check = crc32_of(0, bytes, sizeof bytes);
    return crc32_of(check, &state->books, sizeof state->books); /* zeroed whole, once */
}

static void send_box(struct mqtt_client *client, int64_t now_ms)
{
    uint32_t signature = box_signature(client);
    if (!client->box_due && signature == client->box_signature && now_ms < client->box_next_ms)
        return;
    if (!has_room(client)) {
        client->box_due = true;
        return;
    }
    client->box_due = false;
    client->box_signature = signature;
    client->box_next_ms = now_ms + client->to->latest_every_ms;
    (void)put_other(client, client->box_topic, mqtt_box_payload(client, true), OTHER_BOX, 0);
}

bool mqtt_send_offline(struct mqtt_client *client)
{
    if (client->link.phase != MQTT_CONNECTED || client->n_others >= MQTT_OTHERS_MAX)
        return false;
    return put_other(client, client->box_topic, mqtt_box_payload(client, false), OTHER_BOX, 0);
}

/* ---- latest ---- */

/* `of_classes`: of a quality only whether it is Good, Uncertain or Bad, since a month's limit is
 * not to be spent on reasons that come and go. */
static uint32_t latest_signature(const struct snapshot *snapshot, int64_t now_ms, bool of_classes)
{
    uint8_t head[] = {snapshot->line, snapshot->gauge, snapshot->clock, snapshot->journaled,
                      snapshot->seq != 0};
    uint32_t signature = crc32_of(0, head, sizeof head);
    for (uint16_t i = 0; i < snapshot->n && i < RECORD_READINGS_MAX; i++) {
        double age_s;
        const struct live_reading *reading = &snapshot->reading[i];
        const uint8_t quality = live_quality_at(reading, now_ms, &age_s);
        uint8_t pair[] = {(uint8_t)reading->point,
                          of_classes ? (uint8_t)(quality & 0xC0) : quality};
        signature = crc32_of(signature, pair, sizeof pair);
    }
    return signature;
}

static void send_latest(struct mqtt_client *client, uint16_t index, int64_t now_ms)
{
    struct mqtt_well *well = &client->well[index];
    if (!side_snapshot_copy(client->side, index, &client->snapshot))
        return;
    uint32_t signature = latest_signature(&client->snapshot, now_ms, false);
    uint32_t states = latest_signature(&client->snapshot, now_ms, true);
    if (mqtt_is_used_up(client)
            ? !well->due &&
                  (states == well->states || now_ms < well->sent_ms + client->to->latest_every_ms)
            : !well->due && signature == well->signature && now_ms < well->next_ms)
        return;
    if (!has_room(client)) {
        well->due = true;
        return;
    }
    char topic[TOPIC_MAX];
    well_topic(client, index, "latest", topic);
    if (side_state_copy(client->side, &client->state))
        box_points_add(&client->snapshot, &client->state, now_ms);
    size_t length = payload_latest(client->payload, payload_room(client, topic), client->plan,
                                   &client->to->units, &client->snapshot, now_ms);
    if (length == 0 && !well->refused)
        say(SAY_WARNING, "publish", "Broker %s takes no packet as large as `latest` of well %s.",
            client->to->name, client->plan->wells[index].id);
    well->refused = well->refused || length == 0;
    well->due = false;
    well->signature = signature;
    well->states = states;
    well->sent_ms = now_ms;
    well->next_ms = now_ms + client->to->latest_every_ms;
    (void)put_other(client, topic, length, OTHER_LATEST, index);
}

/* ---- records and gaps ---- */

static enum sent_as sent_as(const struct deliver_message *rows)
{
    if (rows->stream == DELIVER_ORDERS)
        return rows->order_kind == ORDER_RESEND ? SENT_RESENT : SENT_RECALCULATED;
    return rows->live ? SENT_LIVE : SENT_LATE;
}

/* The payload of as many of the rows as fit; 0: not even one does. */
static size_t fill(struct mqtt_client *client, const struct deliver_message *rows, size_t room,
                   size_t *used)
{
    *used = 1;
    if (rows->stream == DELIVER_GAPS)
        return payload_gap(client->payload, room, client->plan, rows->gap,
                           client->plan->wells[rows->well].id);
    return payload_record_by(client->payload, room, client->plan, &client->to->units, sent_as(rows),
                             rows->by, rows->records, rows->n, used);
}

static bool send_rows(struct mqtt_client *client, const struct deliver_message *rows,
                      int64_t now_ms)
{
    char topic[TOPIC_MAX];
    size_t used = 1, length;
    well_topic(client, rows->well, rows->stream == DELIVER_GAPS ? "gap" : "record", topic);
    const size_t room = payload_room(client, topic), batch = deliver_batch_bytes(client->deliver);
    length = fill(client, rows, batch < room ? batch : room, &used);
    if (length == 0 && batch < room) { /* not even one row: then one alone */
        struct deliver_message one = *rows;
        one.n = 1;
        length = fill(client, &one, room, &used);
    }
    if (length == 0 && client->is_guess && client->maximum_packet == 0) {
        struct deliver_message one = *rows; /* a guess never sets a row aside */
        one.n = 1;
        length = fill(client, &one, PAYLOAD_MAX, &used);
    }
    uint16_t mid;
    if (length == 0) {
        mqtt_set_aside(client, rows);
        return true;
    }
    if (!put(client, topic, length, false, &mid)) {
        deliver_not_handed(client->deliver, PUBACK_PACKET_TOO_LARGE, now_ms);
        return false;
    }
    deliver_handed(client->deliver, mid, length, used, now_ms);
    mqtt_note_sent(client, length);
    return true;
}

void mqtt_send_begin(struct mqtt_client *client)
{
    client->box_due = true;
    for (uint16_t i = 0; i < client->plan->n_wells; i++)
        client->well[i].due = true;
}

void mqtt_send(struct mqtt_client *client)
{
    int64_t now_ms = mqtt_now_ms(client);
    bool tick = now_ms >= client->tick_ms; /* age alone turns a value stale */
    if (tick)
        client->tick_ms = now_ms + 1000;
    send_box(client, now_ms);
    for (uint16_t i = 0; i < client->plan->n_wells; i++) {
        uint64_t count = side_snapshot_count(client->side, i);
        if (tick || client->well[i].due || count != client->well[i].seen)
            send_latest(client, i, now_ms);
        client->well[i].seen = count;
    }
    struct deliver_message rows;
    uint16_t reserve = reserve_of(client->window);
    uint16_t others = client->n_others > reserve ? (uint16_t)client->n_others : reserve;
    deliver_refill(client->deliver, now_ms);
    while (!client->renew && !mqtt_is_used_up(client) &&
           deliver_next_message(client->deliver, others, &rows))
        if (!send_rows(client, &rows, now_ms))
            break;
}
