/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_usage.c - counts what the connection costs in a month, says so at 80 and at 100 % of
 * `at_most`, and tells the well side, which keeps the count.
 *
 * At 100 % records and ledger rows wait, stored; `latest` goes at a change of state only, and the
 * box's topic says that the destination is stopped. It goes on by itself with the next month, or
 * when a reload raises the limit.
 */
#include "mqtt_inside.h"

#include "uphole/say.h"

#include <stdio.h>
#include <string.h>

#define COUNT_EVERY_MS 1000
#define COUNT_EVERY_BYTES 32768
#define TELL_EVERY_MS 10000

static bool clock_is_good(struct mqtt_client *client)
{
    const struct wall_state *state = &client->state;
    return side_state_copy(client->side, &client->state) &&
           (state->clock == CLOCK_STATE_SYNCHRONISED || state->clock == CLOCK_STATE_HOLDOVER);
}

static void words_of_limit(const struct mqtt_client *client, char into[static MQTT_WORDS_MAX])
{
    char size[24], end[11];
    const uint32_t month = client->usage.month;
    usage_month_end(month, end);
    if (month == 0)
        snprintf(into, MQTT_WORDS_MAX,
                 "The %s a month of broker %s are used up; records wait for the next month, or "
                 "until at_most is raised.",
                 usage_size(client->to->at_most_a_month, size), client->to->name);
    else
        snprintf(into, MQTT_WORDS_MAX,
                 "The %s of %04u-%02u for broker %s are used up; records wait until %s, or until "
                 "at_most is raised.",
                 usage_size(client->to->at_most_a_month, size), month / 100 % 10000, month % 100,
                 client->to->name, end);
}

void mqtt_tell_up(struct mqtt_client *client)
{
    char words[MQTT_WORDS_MAX];
    const bool is_used_up = mqtt_is_used_up(client);
    const struct mqtt_trouble none = {0};
    if (is_used_up)
        words_of_limit(client, words);
    else
        mqtt_words(&none, client->plan, client->to, words);
    struct wall_message *message = &client->message;
    message->kind = WALL_DESTINATION;
    message->destination =
        (struct wall_destination){.destination = client->destination,
                                  .state = is_used_up ? DELIVERY_STOPPED : DELIVERY_UP,
                                  .cause = is_used_up ? CAUSE_QUOTA : CAUSE_NONE,
                                  .since_boot_ms = client->state_since_ms,
                                  .month = client->usage.month,
                                  .month_bytes = client->usage.bytes};
    snprintf(message->destination.reason, sizeof message->destination.reason, "%s", words);
    mqtt_tell_message(client);
    client->told_bytes = client->usage.bytes;
    client->usage_tell_ms = mqtt_now_ms(client) + TELL_EVERY_MS;
}

static void say_level(struct mqtt_client *client, enum usage_level level, bool is_new_month)
{
    char words[MQTT_WORDS_MAX], most[24], used[24];
    if (level == USAGE_USED_UP) {
        words_of_limit(client, words);
        say(SAY_WARNING, "publish", "%s", words);
    } else if (client->usage_level == USAGE_USED_UP) {
        say(SAY_INFO, "publish", "Broker %s: %s; what waited is being sent.", client->to->name,
            is_new_month ? "a new month has begun" : "at_most is raised");
    } else if (level == USAGE_WARNS) {
        say(SAY_WARNING, "publish",
            "Broker %s: %s of this month's %s are used. At 100 %% records wait, stored, for the "
            "next month. `uphole check` shows what the plan needs.",
            client->to->name, usage_size(client->usage.bytes, used),
            usage_size(client->to->at_most_a_month, most));
    }
}

/* Says and does what follows from the count, the limit or both having changed. */
static void judge(struct mqtt_client *client, bool is_new_month)
{
    const enum usage_level level = usage_level(&client->usage, client->to->at_most_a_month);
    if (level == client->usage_level)
        return;
    const bool turns = (level == USAGE_USED_UP) != (client->usage_level == USAGE_USED_UP);
    say_level(client, level, is_new_month);
    client->usage_level = (uint8_t)level;
    client->box_due = client->box_due || turns;
    if (turns && client->link.phase == MQTT_CONNECTED)
        mqtt_tell_up(client);
}

void mqtt_count(struct mqtt_client *client)
{
    client->sent_uncounted = 0;
    const uint64_t more = mqtt_pipe_network_bytes(&client->link.pipe);
    const int64_t utc_ms = client->clock->utc_us(client->clock->context) / 1000;
    const bool is_new_month = usage_add(&client->usage, more, utc_ms, clock_is_good(client));
    judge(client, is_new_month);
}

void mqtt_note_sent(struct mqtt_client *client, size_t bytes)
{
    client->sent_uncounted += bytes;
    if (client->sent_uncounted >= COUNT_EVERY_BYTES)
        mqtt_count(client);
}

void mqtt_watch_usage(struct mqtt_client *client)
{
    const int64_t now_ms = mqtt_now_ms(client);
    if (now_ms < client->usage_count_ms)
        return;
    client->usage_count_ms = now_ms + COUNT_EVERY_MS;
    mqtt_count(client);
    if (client->link.phase == MQTT_CONNECTED && now_ms >= client->usage_tell_ms &&
        client->usage.bytes != client->told_bytes)
        mqtt_tell_up(client);
}

void mqtt_learn_usage(struct mqtt_client *client, const struct wall_cursor *kept)
{
    if (client->usage_is_known)
        return;
    client->usage_is_known = true;
    usage_learn(&client->usage, (uint32_t)kept->pos, kept->seq);
    /* What was said in an earlier run isn't said again, but for the limit, which still holds. */
    if (usage_level(&client->usage, client->to->at_most_a_month) == USAGE_WARNS)
        client->usage_level = USAGE_WARNS;
    judge(client, false);
}
