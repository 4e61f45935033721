/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_limits.c - what a broker takes: packets up to a size, so many at a time, kept or not; and
 * the rows that are larger than it ever takes.
 *
 * A limit is stated (MQTT 5.0, 3.2.2.3), or learned from a broker that hangs up over a message. A
 * stated limit, or a refusal of that very row, sets a row aside that can't be split; a guess (half
 * of a batch that was refused; MQTT 3.1.1 says nothing when it hangs up, and a weak link looks the
 * same) only makes batches smaller.
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define LEARNED_FOR_MS (60 * 60 * 1000) /* then the whole size is tried again */
#define GUESS_LEAST 1024                /* smaller messages are nobody's trouble */
#define GUESS_AFTER 2                   /* short lives in a row */

bool mqtt_has_limits(const struct mqtt_client *client)
{
    const struct mqtt_notes *notes = &client->notes;
    return notes->is_answered && (notes->maximum_packet != 0 || notes->maximum_qos < 1 ||
                                  notes->receive_maximum < DELIVER_WINDOW_MAX);
}

uint32_t mqtt_packet_limit(const struct mqtt_client *client)
{
    uint32_t most = client->maximum_packet;
    if (client->learned_packet != 0 && mqtt_now_ms(client) < client->learned_until_ms &&
        (most == 0 || client->learned_packet < most))
        most = client->learned_packet;
    return most;
}

static size_t largest_under_way(const struct mqtt_client *client, bool *is_one_row)
{
    size_t largest = deliver_largest(client->deliver, is_one_row);
    for (size_t i = 0; i < client->n_others; i++)
        if (client->other[i].bytes > largest) {
            largest = client->other[i].bytes;
            *is_one_row = true;
        }
    return largest;
}

void mqtt_learn_limit(struct mqtt_client *client, const struct mqtt_trouble *trouble)
{
    const bool says_so = trouble->kind == MQTT_ENDED && trouble->code == PUBACK_PACKET_TOO_LARGE;
    const bool may_mean_so = trouble->kind == MQTT_LOST && client->to->mqtt_version != 5 &&
                             client->short_lives >= GUESS_AFTER;
    bool is_one_row = false;
    const size_t largest = largest_under_way(client, &is_one_row);
    if (largest == 0 || !(says_so || (may_mean_so && largest > GUESS_LEAST && !is_one_row)))
        return;
    client->learned_packet = (uint32_t)(is_one_row ? largest : largest / 2);
    client->learned_until_ms = mqtt_now_ms(client) + LEARNED_FOR_MS;
    client->is_guess = !says_so || !is_one_row;
    client->renew = true; /* else the library would send the same message again, for ever */
}

void mqtt_say_limits(struct mqtt_client *client)
{
    const struct mqtt_notes *notes = &client->notes;
    if (client->no_retain && !client->said_no_retain)
        say(SAY_WARNING, "publish",
            "Broker %s keeps no retained messages: who subscribes later sees `latest` only at its "
            "next sending.",
            client->to->name);
    client->said_no_retain = client->no_retain;
    const uint32_t packet = notes->maximum_packet;
    const bool is_told = packet == client->said_packet && client->window == client->said_window;
    client->said_packet = packet;
    client->said_window = client->window;
    if (is_told)
        return;
    if (packet != 0 && packet < PAYLOAD_MAX)
        say(SAY_INFO, "publish",
            "Broker %s takes packets of at most %u bytes: records are split to fit, and one that "
            "is larger alone is set aside.",
            client->to->name, packet);
    if (client->window < DELIVER_WINDOW_MAX)
        say(SAY_INFO, "publish",
            "Broker %s takes %u unanswered %s at a time: a backlog goes more slowly.",
            client->to->name, client->window, client->window == 1 ? "message" : "messages");
}

void mqtt_set_aside(struct mqtt_client *client, const struct deliver_message *rows)
{
    const struct well_plan *well = &client->plan->wells[rows->well];
    const uint32_t most = mqtt_packet_limit(client);
    struct wall_refused *refused = &client->message.refused;
    char words[sizeof refused->reason];
    snprintf(words, sizeof words, "Larger than broker %s takes (packets of at most %u bytes).",
             client->to->name, most != 0 ? most : (uint32_t)PAYLOAD_MAX);
    if (!client->well[rows->well].said_aside)
        say(SAY_WARNING, "publish",
            "Broker %s takes packets of at most %u bytes, and a %s of %s is larger: it is set "
            "aside, the rows behind it go on. Raise the broker's limit, then send it again.",
            client->to->name, most != 0 ? most : (uint32_t)PAYLOAD_MAX,
            rows->stream == DELIVER_GAPS ? "row of the ledger" : "record", well->id);
    client->well[rows->well].said_aside = true;
    /* A row of the ledger that doesn't fit makes no row of its own: that one wouldn't fit either.
     */
    if (rows->stream == DELIVER_RECORDS) {
        client->message.kind = WALL_REFUSED;
        *refused = (struct wall_refused){.destination = client->destination,
                                         .well = well->number,
                                         .stream = rows->stream,
                                         .pos = rows->records[0].pos,
                                         .code = PUBACK_PACKET_TOO_LARGE,
                                         .aside_seq = rows->records[0].seq,
                                         .aside_at = rows->records[0].at};
        memcpy(refused->reason, words, sizeof words);
        mqtt_tell_message(client);
    }
    deliver_set_aside(client->deliver, mqtt_now_ms(client));
}
