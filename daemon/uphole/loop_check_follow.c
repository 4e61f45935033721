/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_follow.c - one scan of a loop check, followed from the wire to the far end: the record
 * of that very scan at the broker, and the table while it is the newest.
 */
#include "loop_check.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#define FOLLOW_TRIES 6
#define SETTLE_STEP_MS 200

static unit_number unit_named(const char *name, unsigned point)
{
    return unit_find(name, strlen(name), point_get(point)->kind);
}

/** The record of the scan, as the broker sent it. False: `why` says what is wrong. */
static bool follow_to_broker(struct loop_check *check, struct loop_channel *at, char *why,
                             size_t room)
{
    const struct destination_plan *to = &check->plan->destinations[check->mqtt];
    const int64_t until_ms = clock_boot_ms(&check->clock) + LOOP_HEAR_MS;
    const struct heard_row *row = NULL;
    while (!loop_is_stopped && clock_boot_ms(&check->clock) < until_ms &&
           (row = hear_find(check, at->run, at->seq)) == NULL)
        (void)loop_wait(check, SETTLE_STEP_MS);
    const struct heard_value *heard = row != NULL ? heard_point(row, at->point) : NULL;
    double resolution;
    (void)unit_choice_of(&to->units, at->point, &resolution);
    at->mqtt = (struct loop_heard){.done = heard != NULL, .value = NAN};
    if (heard == NULL) {
        snprintf(why, room,
                 "MQTT: the record of this scan (seq %" PRIu64 ") was not heard at %s within %d s.",
                 at->seq, to->name, LOOP_HEAR_MS / 1000);
        return false;
    }
    at->mqtt.value = heard->value;
    at->mqtt.quality = heard->quality;
    snprintf(at->mqtt.unit, sizeof at->mqtt.unit, "%s", heard->unit);
    at->mqtt.agrees = heard->quality == at->quality &&
                      loop_values_agree(at->value, point_unit(at->point), heard->value,
                                        unit_named(heard->unit, at->point), resolution);
    if (!at->mqtt.agrees)
        snprintf(why, room,
                 "MQTT: the record of this very scan holds another value or quality than "
                 "was read.");
    return at->mqtt.agrees;
}

static bool follow_to_table(struct loop_check *check, struct loop_channel *at,
                            const struct served_slot *slot, char *why, size_t room)
{
    double resolution;
    const unit_number unit = unit_choice_of(&check->view->units, at->point, &resolution);
    const bool shows_else = !isfinite(at->value) && check->view->missing_as != 0;
    at->served = (struct loop_heard){.done = true, .value = slot->value, .quality = slot->quality};
    at->served_register = slot->first;
    memcpy(at->served_words, slot->words, sizeof slot->words);
    snprintf(at->served.unit, sizeof at->served.unit, "%s", unit_get(unit)->name);
    at->served.agrees =
        slot->quality == at->quality &&
        (shows_else || loop_values_agree(at->value, point_unit(at->point), slot->value, unit, 0));
    if (!at->served.agrees)
        snprintf(why, room,
                 "Table: register %u holds another value or quality (0x%04X 0x%04X, quality %u) "
                 "than was read at the same scan (quality %u).",
                 slot->first, slot->words[0], slot->words[1], slot->quality, at->quality);
    return at->served.agrees;
}

enum followed { FOLLOWED_GOOD = 1, FOLLOWED_BAD, FOLLOWED_AGAIN };

/** One scan: read here, in the table, and here again, so that it was the newest all along. */
static enum followed follow_once(struct loop_check *check, struct loop_channel *at, char *why,
                                 size_t room)
{
    struct loop_now now, again;
    struct loop_reading reading;
    struct served_slot slot = {0};
    struct up_error error = {0};
    uint64_t seq_after = 0;
    int code = loop_now_read(check, &now, &error);
    const bool is_there = code == 0 && loop_now_channel(&now, at->point, &reading);
    if (is_there) {
        at->run = now.run;
        at->seq = now.seq[at->source];
        at->scan_utc_ms = now.scan_utc_ms[at->source];
        at->n_words = reading.n_words;
        memcpy(at->words, reading.words, sizeof at->words);
        at->value = reading.value;
        at->quality = reading.quality;
    }
    loop_now_end(&now);
    if (!is_there || at->seq == 0) {
        snprintf(why, room, "%s", code != 0 ? error.why : "Uphole has no scan of it yet.");
        return FOLLOWED_AGAIN;
    }
    if (check->served >= 0 && served_read(check, at->point, &slot, &error) != UP_OK) {
        snprintf(why, room, "Table: %s.", error.why);
        return FOLLOWED_BAD;
    }
    if (loop_now_read(check, &again, &error) == 0)
        seq_after = again.seq[at->source];
    loop_now_end(&again);
    if (check->served >= 0 && (seq_after != at->seq || slot.seq < at->seq)) {
        snprintf(why, room,
                 "Table: it did not show this scan (seq %" PRIu64 "); it shows %" PRIu64 ".",
                 at->seq, slot.seq);
        return FOLLOWED_AGAIN;
    }
    char of_table[LOOP_TEXT_MAX] = "", of_broker[LOOP_TEXT_MAX] = "";
    const bool table_good =
        check->served < 0 || follow_to_table(check, at, &slot, of_table, sizeof of_table);
    const bool broker_good =
        check->mqtt < 0 || follow_to_broker(check, at, of_broker, sizeof of_broker);
    snprintf(why, room, "%s%s%s", of_broker, !broker_good && !table_good ? " " : "", of_table);
    return table_good && broker_good ? FOLLOWED_GOOD : FOLLOWED_BAD;
}

/* Between two scans values and qualities move: only what is wrong at several scans is wrong. */
bool loop_follow(struct loop_check *check, struct loop_channel *at, char *why, size_t room)
{
    struct up_error error = {0};
    unsigned bad = 0;
    if (check->mqtt >= 0 && hear_open(check, &error) != UP_OK) {
        snprintf(why, room, "MQTT: %s.", error.why);
        return false;
    }
    for (int i = 0; i < FOLLOW_TRIES && !loop_is_stopped; i++) {
        const enum followed followed = follow_once(check, at, why, room);
        if (followed == FOLLOWED_GOOD)
            return true;
        bad += followed == FOLLOWED_BAD;
        if (bad >= 2)
            break;
        (void)loop_wait(check, SETTLE_STEP_MS * 2);
    }
    return false;
}
