/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_connect.c - the connection of one destination: its attempts and how long it rests between
 * them, and what is said when it ends. The connection itself is mqtt_link.h.
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <mosquitto.h>
#include <stdio.h>

static const char *or_null(const char *text)
{
    return text[0] == '\0' ? NULL : text;
}

/* ---- the library's object ---- */

enum up_rc mqtt_library_open(struct mqtt_client *client, struct up_error *error)
{
    const struct mqtt_link_options options = {.client_id = client->plan->box,
                                              .to = client->to,
                                              .clock = client->clock,
                                              .keepalive_s = MQTT_KEEPALIVE_S,
                                              .take_most = MQTT_TAKE_PACKET_MAX,
                                              .owner = client};
    const enum up_rc rc = mqtt_link_open(&client->link, &options, error);
    if (rc != UP_OK)
        return rc;
    mosquitto_int_option(client->link.library, MOSQ_OPT_SEND_MAXIMUM, DELIVER_WINDOW_MAX);
    mqtt_set_callbacks(client);
    client->renew = false;
    return UP_OK;
}

void mqtt_library_close(struct mqtt_client *client)
{
    mqtt_link_close(&client->link);
    client->n_others = 0;
}

/* ---- an attempt ---- */

static void rest(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    client->link.phase = MQTT_RESTING;
    client->random = client->random * 1664525u + 1013904223u;
    client->retry_ms =
        mqtt_now_ms(client) +
        mqtt_rest_ms(client->attempts, mqtt_trouble_is_slow(trouble), client->random >> 8);
    client->attempts++;
    if (trouble->kind == MQTT_PAUSED) {
        client->retry_ms = client->paused_until_ms;
        client->attempts = 0;
    }
    if (trouble->kind == MQTT_TOO_LARGE)
        client->no_read_back_until_ms = mqtt_now_ms(client) + MQTT_NO_READ_BACK_MS;
}

static void reach_or_end(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    client->notes = (struct mqtt_notes){0};
    size_t n = mqtt_box_payload(client, false);
    mosquitto_will_set(client->link.library, client->box_topic, (int)n, client->payload, 1,
                       !client->no_retain);
    if (!mqtt_link_reach(&client->link, client->to, &trouble))
        mqtt_end(client, &trouble);
}

static void go_on(struct mqtt_client *client, enum mqtt_look look,
                  const struct mqtt_trouble *trouble)
{
    if (look == LOOK_FOUND)
        reach_or_end(client);
    else if (look == LOOK_FAILED)
        mqtt_end(client, trouble);
}

void mqtt_connect(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    go_on(client,
          mqtt_link_begin(&client->link, client->to, or_null(client->to->user),
                          or_null(client->to->password_file), &trouble),
          &trouble);
}

void mqtt_look(struct mqtt_client *client)
{
    struct mqtt_trouble trouble = {0};
    go_on(client, mqtt_link_look(&client->link, &trouble), &trouble);
}

/* Tells the well side; says it where it isn't the trouble that was said last. */
static void tell_trouble(struct mqtt_client *client, const struct mqtt_trouble *trouble,
                         bool is_new)
{
    char words[MQTT_WORDS_MAX], since[STAMP_TEXT_MAX];
    mqtt_words(trouble, client->plan, client->to, words);
    if (client->trouble.kind == MQTT_NO_TROUBLE) { /* else it was away before, for another reason */
        client->state_since_ms = mqtt_now_ms(client);
        client->state_since_utc_ms = client->clock->utc_us(client->clock->context) / 1000;
    }
    client->trouble = *trouble;
    if (is_new)
        say(SAY_WARNING, "publish", "%s Not connected since %s; rows are stored and will be sent.",
            words, stamp_to_short_text(client->state_since_utc_ms, since));
    struct wall_message *message = &client->message;
    message->kind = WALL_DESTINATION;
    message->destination = (struct wall_destination){.destination = client->destination,
                                                     .state = DELIVERY_DOWN,
                                                     .cause = mqtt_cause(trouble),
                                                     .since_boot_ms = client->state_since_ms,
                                                     .month = client->usage.month,
                                                     .month_bytes = client->usage.bytes};
    snprintf(message->destination.reason, sizeof message->destination.reason, "%s", words);
    mqtt_tell_message(client);
}

/* A connection that broke: what is known of why. A broker need not say that another client took our
 * name (Debian 12's does not). */
static struct mqtt_trouble explain(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    struct mqtt_trouble explained = *trouble;
    if (client->link.phase != MQTT_CONNECTED)
        return explained;
    int64_t now_ms = mqtt_now_ms(client);
    client->short_lives =
        now_ms - client->connected_ms < MQTT_SETTLED_MS ? client->short_lives + 1 : 0;
    if (trouble->kind != MQTT_LOST)
        return explained;
    if (client->other_box_ms != 0 && now_ms - client->other_box_ms < MQTT_OTHER_BOX_MS)
        explained.kind = MQTT_TWO_BOXES;
    else if (client->short_lives >= MQTT_SHORT_LIVES)
        explained.code = MQTT_LOST_AGAIN;
    return explained;
}

void mqtt_end(struct mqtt_client *client, const struct mqtt_trouble *cause)
{
    struct mqtt_trouble explained = explain(client, cause), *trouble = &explained;
    mqtt_count(client);
    mqtt_link_drop(&client->link);
    if (mqtt_link_next(&client->link, cause)) {
        reach_or_end(client); /* bounded: each call takes the next address */
        return;
    }
    if (client->link.phase == MQTT_CONNECTED &&
        mqtt_now_ms(client) - client->connected_ms >= MQTT_SETTLED_MS)
        client->attempts = 0;
    const bool was_connected = client->link.phase == MQTT_CONNECTED;
    mqtt_learn_limit(client, trouble);
    if (mqtt_has_limits(client))
        client->renew = true; /* the library would keep to them, though they were raised since */
    deliver_disconnected(client->deliver);
    rest(client, trouble);
    /* One line an event: the same trouble again is not a new one. */
    const bool is_new =
        client->trouble.kind != trouble->kind || client->trouble.code != trouble->code;
    if (is_new || was_connected)
        tell_trouble(client, trouble, is_new);
}

/* ---- by order ---- */

/* No goodbye: so the broker tells the last will, as it would where the network is cut, and who
 * reads there sees what a cut looks like. */
void mqtt_pause(struct mqtt_client *client, const struct wall_pause *pause)
{
    const int64_t now_ms = mqtt_now_ms(client);
    struct mqtt_trouble trouble = {.kind = MQTT_PAUSED};
    char until[STAMP_TEXT_MAX];
    client->paused_until_ms = pause->until_boot_ms < now_ms + PAUSE_MOST_MS
                                  ? pause->until_boot_ms
                                  : now_ms + PAUSE_MOST_MS;
    if (client->paused_until_ms <= now_ms) {
        client->paused_until_ms = 0;
        if (client->link.phase == MQTT_RESTING && client->trouble.kind == MQTT_PAUSED)
            client->retry_ms = now_ms;
        return;
    }
    snprintf(trouble.detail, sizeof trouble.detail, "until %s by %.80s",
             stamp_to_short_text(pause->until_utc_ms, until), pause->by);
    if (client->link.phase != MQTT_RESTING) {
        mqtt_end(client, &trouble);
        return;
    }
    rest(client, &trouble);
    tell_trouble(client, &trouble, true);
}

/* ---- while it stands ---- */

void mqtt_serve(struct mqtt_client *client)
{
    struct mqtt_trouble trouble;
    const bool stands = mqtt_link_serve(&client->link, &trouble);
    if (stands || client->notes.connack || client->notes.ended)
        return; /* the loop acts on what the broker said, before what the library made of it */
    if (trouble.kind == MQTT_TLS && side_state_copy(client->side, &client->state))
        trouble.clock = client->state.clock;
    mqtt_end(client, &trouble);
}
