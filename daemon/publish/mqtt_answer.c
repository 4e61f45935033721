/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_answer.c - what comes back from the broker: the callbacks only note it (they run inside the
 * library), the loop acts on the notes.
 *
 * An answer to a message moves the delivery; what it means for the cursor is deliver.c's to decide.
 * With MQTT 3.1.1 an answer carries no reason, so a message that the broker threw away is
 * acknowledged as well: weak proof, which docs/messages.md says.
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <stdio.h>
#include <string.h>

/* ---- callbacks: they note ---- */

static void on_connect(struct mosquitto *library, void *context, int code, int flags,
                       const mosquitto_property *properties)
{
    (void)library;
    (void)flags;
    struct mqtt_client *client = context;
    struct mqtt_notes *notes = &client->notes;
    notes->connack = notes->is_answered = true;
    notes->connack_code = code;
    notes->receive_maximum = 65535; /* where the broker states nothing: MQTT 5.0, 3.2.2.3 */
    notes->maximum_qos = 2;
    notes->retain_available = 1;
    mosquitto_property_read_int16(properties, MQTT_PROP_RECEIVE_MAXIMUM, &notes->receive_maximum,
                                  false);
    mosquitto_property_read_int32(properties, MQTT_PROP_MAXIMUM_PACKET_SIZE, &notes->maximum_packet,
                                  false);
    mosquitto_property_read_byte(properties, MQTT_PROP_MAXIMUM_QOS, &notes->maximum_qos, false);
    mosquitto_property_read_byte(properties, MQTT_PROP_RETAIN_AVAILABLE, &notes->retain_available,
                                 false);
}

static void on_disconnect(struct mosquitto *library, void *context, int code,
                          const mosquitto_property *properties)
{
    (void)library;
    (void)properties;
    struct mqtt_client *client = context;
    if (code >= 0x80) { /* of the broker; below it is the library's own, which its return value
                           tells as well */
        client->notes.ended = true;
        client->notes.ended_code = code;
    }
}

static void on_publish(struct mosquitto *library, void *context, int mid, int code,
                       const mosquitto_property *properties)
{
    (void)library;
    (void)properties;
    struct mqtt_client *client = context;
    struct mqtt_notes *notes = &client->notes;
    if (notes->n_answers < MQTT_NOTES_MAX) {
        notes->answer[notes->n_answers].mid = (uint16_t)mid;
        notes->answer[notes->n_answers++].code = (uint8_t)code;
    } else {
        notes->answers_lost = true;
    }
}

/* Our own topic, read back: an old session's will, or somebody else under our name. */
static void on_message(struct mosquitto *library, void *context,
                       const struct mosquitto_message *message,
                       const mosquitto_property *properties)
{
    (void)library;
    (void)properties;
    static const char RUNNING[] = "\"running\":true";
    struct mqtt_client *client = context;
    char run[32];
    int n = snprintf(run, sizeof run, "\"run\":\"%016llx\"",
                     (unsigned long long)side_run(client->side));
    size_t length = message->payloadlen > 0 ? (size_t)message->payloadlen : 0;
    bool running =
        length > 0 && memmem(message->payload, length, RUNNING, sizeof RUNNING - 1) != NULL;
    bool ours = length > 0 && memmem(message->payload, length, run, (size_t)n) != NULL;
    /* Before our own first message, the retained one may be our last run's. */
    if (running && !ours && (client->box_was_sent || !message->retain))
        client->notes.box_of_another = true;
    if (!running && !ours && length > 0)
        client->notes.will_of_another = true;
    if (!running || !ours)
        client->notes.box_offline = true;
}

/* MQTT 5.0, 3.9.3; 3.1.1, 3.9.3: 0x80 and above is a refusal. */
static void on_subscribe(struct mosquitto *library, void *context, int mid, int n,
                         const int *granted, const mosquitto_property *properties)
{
    (void)library;
    (void)mid;
    (void)properties;
    struct mqtt_client *client = context;
    if (n > 0 && granted[0] >= PUBACK_FIRST_REFUSAL)
        client->notes.read_back_refused = (uint8_t)granted[0];
}

void mqtt_set_callbacks(struct mqtt_client *client)
{
    mosquitto_connect_v5_callback_set(client->link.library, on_connect);
    mosquitto_disconnect_v5_callback_set(client->link.library, on_disconnect);
    mosquitto_publish_v5_callback_set(client->link.library, on_publish);
    mosquitto_message_v5_callback_set(client->link.library, on_message);
    mosquitto_subscribe_v5_callback_set(client->link.library, on_subscribe);
}

/* ---- to the well side ---- */

#define TELL_TRIES_MAX 30 /* of 2 s: a well side that takes nothing for so long starts us again */

void mqtt_tell_message(struct mqtt_client *client)
{
    for (int tries = 0; tries < TELL_TRIES_MAX && !atomic_load(&client->stop); tries++)
        if (side_send(client->side, &client->message) != UP_E_FULL)
            return;
}

/* ---- the loop acts ---- */

/* It is over once the broker has taken something, or has kept us for a while: else one that hangs
 * up at once each time would be said to be back each time. */
void mqtt_say_back(struct mqtt_client *client)
{
    const struct mqtt_trouble none = {0};
    char words[MQTT_WORDS_MAX], since[STAMP_TEXT_MAX], how_long[STAMP_TEXT_MAX];
    if (client->trouble.kind == MQTT_NO_TROUBLE)
        return;
    mqtt_words(&none, client->plan, client->to, words);
    say(SAY_INFO, "publish", "%s It was away since %s (%s); what waited is being sent.", words,
        stamp_to_short_text(client->state_since_utc_ms, since),
        duration_to_text(client->connected_ms - client->state_since_ms, how_long));
    client->trouble = none;
    client->state_since_ms = client->connected_ms;
}

static void say_connected(struct mqtt_client *client)
{
    const struct mqtt_trouble none = {0};
    char words[MQTT_WORDS_MAX];
    mqtt_words(&none, client->plan, client->to, words);
    if (client->trouble.kind == MQTT_NO_TROUBLE) {
        say(SAY_INFO, "publish", "%s", words);
        client->state_since_ms = client->connected_ms;
    }
    mqtt_tell_up(client);
}

static void connected(struct mqtt_client *client)
{
    const struct mqtt_notes *notes = &client->notes;
    struct mqtt_trouble trouble = {0};
    if (notes->connack_code != 0 || notes->maximum_qos < 1) {
        trouble.kind = notes->connack_code != 0 ? MQTT_REFUSED : MQTT_NO_QOS;
        trouble.code = notes->connack_code;
        if (notes->connack_code == MQTT_NO_RETAIN)
            client->no_retain = true; /* it refuses the will that is to be kept: then without */
        mqtt_end(client, &trouble);
        return;
    }
    int64_t now_ms = mqtt_now_ms(client);
    client->link.phase = MQTT_CONNECTED;
    client->connected_ms = now_ms;
    client->maximum_packet = notes->maximum_packet;
    client->window =
        notes->receive_maximum < DELIVER_WINDOW_MAX ? notes->receive_maximum : DELIVER_WINDOW_MAX;
    if (client->window == 0)
        client->window = 1;
    client->no_retain = !notes->retain_available; /* a broker that keeps nothing says so here */
    mqtt_say_limits(client);
    deliver_connected(client->deliver, client->window, now_ms);
    say_connected(client);
    mqtt_send_begin(client);
    if (now_ms >= client->no_read_back_until_ms)
        (void)mosquitto_subscribe(client->link.library, NULL, client->box_topic, 1);
}

/* Box or `latest`: only said, once an event; the next sending tries again. */
static void answer_to_other(struct mqtt_client *client, const struct mqtt_other *other,
                            uint8_t code)
{
    client->box_was_sent = client->box_was_sent || other->kind == OTHER_BOX;
    if (other->kind != OTHER_LATEST)
        return;
    struct mqtt_well *well = &client->well[other->well];
    bool refused = code >= PUBACK_FIRST_REFUSAL;
    if (refused && !well->refused)
        say(SAY_WARNING, "publish", "Broker %s does not take `latest` of well %s: %s (0x%02X).",
            client->to->name, client->plan->wells[other->well].id, mqtt_refusal(code), code);
    else if (!refused && well->refused)
        say(SAY_INFO, "publish", "Broker %s takes `latest` of well %s again.", client->to->name,
            client->plan->wells[other->well].id);
    well->refused = refused;
}

static void answered(struct mqtt_client *client, uint16_t mid, uint8_t code)
{
    if (code < PUBACK_FIRST_REFUSAL && !mqtt_trouble_comes_again(&client->trouble))
        mqtt_say_back(client);
    if (deliver_answered(client->deliver, mid, code, mqtt_now_ms(client)))
        return;
    for (size_t i = 0; i < client->n_others; i++) {
        if (client->other[i].mid != mid)
            continue;
        answer_to_other(client, &client->other[i], code);
        client->other[i] = client->other[--client->n_others];
        return;
    }
}

/** What came on our own topic, or that nothing may come there. */
static void act_on_own_topic(struct mqtt_client *client)
{
    struct mqtt_notes *notes = &client->notes;
    const int64_t now_ms = mqtt_now_ms(client);
    if (notes->box_offline && now_ms - client->box_repaired_ms >= MQTT_REPAIR_EVERY_MS) {
        client->box_repaired_ms = now_ms;
        client->box_due = true;
        notes->box_offline = false;
    }
    /* The first may be the late will of our own last session; whoever made the second runs beside
     * us. */
    if (notes->will_of_another && ++client->wills_of_others >= 2)
        notes->box_of_another = true;
    notes->will_of_another = false;
    if (notes->box_of_another && !client->said_other_box)
        say(SAY_WARNING, "publish",
            "Another box publishes as %s at broker %s. Two boxes may hold the same configuration.",
            client->plan->box, client->to->name);
    if (notes->box_of_another) {
        client->said_other_box = true;
        client->other_box_ms = now_ms;
    }
    notes->box_of_another = false;
    if (notes->read_back_refused != 0 && !client->said_no_read_back) {
        client->said_no_read_back = true;
        say(SAY_WARNING, "publish",
            "Broker %s does not let this box read its own topic %s (0x%02X): another box of the "
            "same name stays unnoticed, and a last will that comes late stays. Allow it to "
            "subscribe there.",
            client->to->name, client->box_topic, notes->read_back_refused);
    }
    notes->read_back_refused = 0;
}

void mqtt_act_on_notes(struct mqtt_client *client)
{
    struct mqtt_notes *notes = &client->notes;
    if (notes->connack && client->link.phase == MQTT_CONNECTING)
        connected(client);
    notes->connack = false;
    for (size_t i = 0; i < notes->n_answers; i++)
        answered(client, notes->answer[i].mid, notes->answer[i].code);
    notes->n_answers = 0;
    if (notes->answers_lost)
        client->renew = true;
    notes->answers_lost = false;
    act_on_own_topic(client);
    if (notes->ended && client->link.phase >= MQTT_CONNECTING) {
        struct mqtt_trouble trouble = {.kind = MQTT_ENDED, .code = notes->ended_code};
        mqtt_end(client, &trouble);
    }
    notes->ended = false;
}

static const char *topic_word(uint8_t stream)
{
    return stream == DELIVER_GAPS ? "gap" : "record";
}

static void tell_refused(struct mqtt_client *client, const struct deliver_event *event)
{
    const struct well_plan *well = &client->plan->wells[event->well];
    struct wall_refused *refused = &client->message.refused;
    char words[sizeof refused->reason];
    if (event->code == PUBACK_NO_SUBSCRIBER)
        snprintf(words, sizeof words, "Nobody subscribes to %s/%s at broker %s (0x10).", well->id,
                 topic_word(event->stream), client->to->name);
    else
        snprintf(words, sizeof words, "Broker %s does not take %s/%s: %s (0x%02X).",
                 client->to->name, well->id, topic_word(event->stream), mqtt_refusal(event->code),
                 event->code);
    client->message.kind = WALL_REFUSED;
    *refused = (struct wall_refused){.destination = client->destination,
                                     .well = well->number,
                                     .stream = event->stream,
                                     .pos = event->pos,
                                     .code = event->code};
    memcpy(refused->reason, words, sizeof words);
    say(SAY_WARNING, "publish", "%s Its rows are stored and will be sent; other wells go on.",
        words);
    mqtt_tell_message(client);
}

void mqtt_tell(struct mqtt_client *client)
{
    struct deliver_event event;
    while (deliver_take_event(client->deliver, &event)) {
        if (event.kind == DELIVER_REFUSED) {
            tell_refused(client, &event);
        } else if (event.kind == DELIVER_RECOVERED) {
            say(SAY_INFO, "publish", "Broker %s takes %s/%s again.", client->to->name,
                client->plan->wells[event.well].id, topic_word(event.stream));
        } else {
            client->message.kind = WALL_ACCEPTED;
            client->message.accepted =
                (struct wall_accepted){.destination = client->destination,
                                       .well = client->plan->wells[event.well].number,
                                       .stream = event.stream,
                                       .pos = event.pos,
                                       .seq = event.seq,
                                       .boot_ms = event.boot_ms,
                                       .order = event.order};
            mqtt_tell_message(client);
        }
    }
}
