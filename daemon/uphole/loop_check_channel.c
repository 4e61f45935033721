/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_channel.c - one channel of a loop check: what the screen says, typed before Uphole's
 * own value is shown; what the wire says; and the same scan followed to the broker and the table.
 */
#include "loop_check.h"

#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SETTLE_STEP_MS 200

static const struct source_entry *entry_of(const struct loop_check *check, uint8_t source)
{
    return plan_entry_at(check->well, source, loop_utc_ms(check));
}

static const struct channel *channel_of(const struct loop_check *check,
                                        const struct loop_channel *at)
{
    const struct source_entry *entry = entry_of(check, at->source);
    return entry == NULL ? NULL : map_channel(&check->plan->maps[entry->map], at->point);
}

/* ---- the screen beside what was read ---- */

struct judging {
    struct screen_value screen;
    struct compare_result result;
    int64_t instant_ms, instant_utc_ms;
};

static void judge(struct loop_check *check, const struct loop_channel *at, struct judging *judging)
{
    const struct source_entry *entry = entry_of(check, at->source);
    const struct well_data *data = plan_data_at(check->well, loop_utc_ms(check));
    struct scan *scans = calloc(COMPARE_SCANS_MAX, sizeof *scans);
    const int64_t until_ms = judging->instant_ms + (int64_t)entry->poll_every_ms + 5000;
    struct compare_question question = {
        .map = &check->plan->maps[entry->map],
        .channel = channel_of(check, at),
        .refresh_ms = entry->refresh_ms,
        .poll_ms = entry->poll_every_ms,
        .atmosphere_kpa = data != NULL ? data->local_atmosphere_kpa : NAN,
        .instant_ms = judging->instant_ms,
    };
    bool settled = scans == NULL;
    while (!settled) {
        struct loop_now now;
        struct loop_reading reading = {.quality = QUALITY_NO_DATA};
        if (loop_now_read(check, &now, NULL) == 0)
            (void)loop_now_channel(&now, at->point, &reading);
        loop_now_end(&now);
        question.quality = reading.quality;
        question.n_scans = loop_scans_read(check, at->source, scans, COMPARE_SCANS_MAX);
        for (unsigned i = 0; i < question.n_scans; i++)
            question.scan[i] = &scans[i];
        compare_judge(&question, &judging->screen, &judging->result);
        settled = compare_is_settled(&question, &judging->result) ||
                  clock_boot_ms(&check->clock) >= until_ms || !loop_wait(check, SETTLE_STEP_MS);
    }
    free(scans);
}

static bool verdict_is_same(uint8_t verdict)
{
    return verdict == COMPARE_SAME || verdict == COMPARE_SAME_OR;
}

static void keep_verdict(struct loop_channel *at, const struct judging *judging)
{
    const struct compare_result *result = &judging->result;
    snprintf(at->expected, sizeof at->expected, "%s", judging->screen.text);
    snprintf(at->verdict, sizeof at->verdict, "%s", compare_verdict_name(result->verdict));
    snprintf(at->sentence, sizeof at->sentence, "%s", result->sentence);
    at->expected_value = result->screen;
    at->tolerance = result->tolerance;
    at->difference = result->difference;
}

/* ---- words ---- */

/** With its unit, or "no value". */
static void put_value(double value, double resolution, const char *unit, char *into, size_t room)
{
    char number[NUMBER_TEXT_MAX];
    if (number_to_text(value, resolution, number) == 0)
        snprintf(into, room, "no value");
    else
        snprintf(into, room, "%s%s%s", number, unit[0] != '\0' ? " " : "", unit);
}

static void say_far_end(const struct loop_channel *at)
{
    char value[NUMBER_TEXT_MAX + 20], words[40] = "";
    size_t n = 0;
    const struct point *point = point_get(at->point);
    for (unsigned i = 0; i < at->n_words && i < 4; i++)
        n += (size_t)snprintf(words + n, sizeof words - n, " 0x%04X", at->words[i]);
    put_value(at->value, point->resolution, point->unit, value, sizeof value);
    loop_say(6, "wire   %s register %u:%s, read as %s, %s (seq %" PRIu64 ")",
             at->table == TABLE_INPUT ? "input" : "holding", at->address, words, value,
             quality_name(at->quality), at->seq);
    if (at->mqtt.done) {
        put_value(at->mqtt.value, 0, at->mqtt.unit, value, sizeof value);
        loop_say(6, "MQTT   %s, %s%s", value, quality_name(at->mqtt.quality),
                 at->mqtt.agrees ? "" : "   DIFFERS");
    }
    if (at->served.done) {
        put_value(at->served.value, point->resolution / 10, at->served.unit, value, sizeof value);
        loop_say(6, "table  register %u: 0x%04X 0x%04X is %s, quality %u %s%s", at->served_register,
                 at->served_words[0], at->served_words[1], value, at->served.quality,
                 quality_name(at->served.quality), at->served.agrees ? "" : "   DIFFERS");
    }
}

static void say_help(void)
{
    loop_say(6,
             "Type what the surface unit's own screen shows now, with its unit: 1790 psi, 87.4 C, "
             "0.35 g. Uphole's value is shown afterwards, so that it is not copied.");
    loop_say(6, "test SOURCE = VALUE   a test source in place of the screen: test calibrator 3 = "
                "1500 psi");
    loop_say(6,
             "n   this gauge has no such sensor          s REASON   skip it; the reason stands in "
             "the record");
    loop_say(6,
             "b   back to the channel before             q   stop for now; the same command goes "
             "on");
    loop_say(6, "f   after a try that failed: record it as failed");
}

/* ---- results ---- */

static void end(struct loop_check *check, struct loop_channel *at, uint8_t result)
{
    at->result = result;
    at->done_utc_ms = loop_utc_ms(check);
    snprintf(at->by, sizeof at->by, "%s", check->by);
}

static void note_try(struct loop_channel *at)
{
    if (at->tries < UINT8_MAX)
        at->tries++;
    if (at->tries == 1)
        snprintf(at->first_try, sizeof at->first_try, "\"%.60s\": %.160s",
                 at->expected[0] != '\0' ? at->expected : "not fitted", at->sentence);
    loop_clean(at->first_try);
    loop_clean(at->sentence);
}

/** By the order `confirm`, where it was not confirmed yet and nothing else would look alike. */
static void offer_confirmation(struct loop_check *check, struct loop_channel *at,
                               const struct judging *judging)
{
    char answer[LOOP_LINE_MAX], order[400], number[NUMBER_TEXT_MAX], when[STAMP_TEXT_MAX];
    char sentence[LOOP_SENTENCE_MAX], why[LOOP_SENTENCE_MAX];
    if (at->quality != QUALITY_UNIT_UNCONFIRMED || !judging->result.can_confirm)
        return;
    loop_say(6,
             "Its unit is not confirmed, so SCADA gets it as uncertain (65). The screen says the "
             "same, and no other unit would look alike.");
    if (loop_ask(check, "      Confirm the unit by this comparison? yes or no: ", answer) !=
            ASKED_LINE ||
        strcmp(answer, "yes") != 0)
        return;
    (void)number_to_text(judging->screen.number, judging->screen.step, number);
    snprintf(order, sizeof order, "confirm %s %s %s %s %s %s", check->well->id,
             point_get(at->point)->id, stamp_to_text(judging->instant_utc_ms, when), number,
             unit_get(judging->screen.unit)->name, check->role);
    at->confirmed = loop_order(check, order, sentence, sizeof sentence) == 0;
    loop_say(6, "%s", sentence);
    if (!at->confirmed)
        return;
    (void)loop_wait(check, (int64_t)entry_of(check, at->source)->poll_every_ms + 1500);
    struct loop_channel later = *at;
    if (loop_follow(check, &later, why, sizeof why)) {
        *at = later;
        say_far_end(at);
    }
}

/** "fitted: no", for the person to accept, where the configuration does not say so. */
static void write_stanza(struct loop_check *check, struct loop_channel *at)
{
    const struct source_entry *entry = entry_of(check, at->source);
    if (entry->fitted[at->point] == FITTED_NO)
        return;
    snprintf(at->stanza, sizeof at->stanza, "%s: fitted: {%s: no}", source_name(at->source),
             point_get(at->point)->id);
    loop_say(6,
             "The configuration does not say so yet. To accept it, put into the %s's entry of %s: "
             "fitted: {%s: no}",
             source_name(at->source), check->well->id, point_get(at->point)->id);
}

/** The person says that there is no such sensor. True: it is done. */
static bool is_not_fitted(struct loop_check *check, struct loop_channel *at)
{
    char why[LOOP_SENTENCE_MAX] = "";
    at->expected[0] = '\0';
    at->expected_value = at->tolerance = at->difference = NAN;
    snprintf(at->verdict, sizeof at->verdict, "%s", compare_verdict_name(COMPARE_NOT_FITTED));
    const bool followed = loop_follow(check, at, why, sizeof why);
    say_far_end(at);
    if (at->quality != QUALITY_NOT_FITTED)
        snprintf(at->sentence, sizeof at->sentence,
                 "The registers do not hold the marker for a sensor that is not fitted: Uphole "
                 "reads %s. Look at the screen again, and at not_fitted in the map.",
                 quality_name(at->quality));
    else if (!followed)
        snprintf(at->sentence, sizeof at->sentence, "%s", why);
    else
        snprintf(at->sentence, sizeof at->sentence,
                 "Not fitted: no value goes to SCADA, and its quality says why.");
    loop_say(6, "%s", at->sentence);
    const bool good = followed && at->quality == QUALITY_NOT_FITTED;
    note_try(at);
    if (good) {
        end(check, at, LOOP_NOT_FITTED);
        write_stanza(check, at);
    }
    return good;
}

/** A value was typed. True: it passed. */
static bool is_same(struct loop_check *check, struct loop_channel *at, struct judging *judging)
{
    char why[LOOP_SENTENCE_MAX] = "";
    judge(check, at, judging);
    const bool followed = loop_follow(check, at, why, sizeof why);
    keep_verdict(at, judging);
    say_far_end(at);
    const bool is_bad = quality_class_of(at->quality) == QUALITY_CLASS_BAD;
    if (verdict_is_same(judging->result.verdict) && !followed)
        snprintf(at->sentence, sizeof at->sentence, "The screen and the wire agree. %.360s", why);
    loop_say(6, "%s", at->sentence);
    if (!verdict_is_same(judging->result.verdict)) {
        if (judging->result.working[0] != '\0')
            loop_say(6, "%s", judging->result.working);
        for (unsigned i = 0; i < judging->result.n_checks; i++)
            loop_say(8, "- %s", judging->result.check[i]);
    }
    note_try(at);
    if (!verdict_is_same(judging->result.verdict) || !followed || is_bad)
        return false;
    end(check, at, LOOP_PASS);
    loop_say(6, "PASS");
    offer_confirmation(check, at, judging);
    return true;
}

/* ---- what is typed ---- */

static bool begins_word(const char *line, const char *word)
{
    const size_t n = strlen(word);
    return strncasecmp(line, word, n) == 0 && (line[n] == '\0' || line[n] == ' ');
}

/** `test SOURCE = VALUE`: moves *value behind the sign; false where it is not that. */
static bool read_source(const char *line, char *given_by, size_t room, const char **value)
{
    snprintf(given_by, room, "screen");
    *value = line;
    if (!begins_word(line, "test"))
        return true;
    const char *sign = strchr(line, '='), *from = line + 4;
    if (sign == NULL)
        return false;
    while (*from == ' ')
        from++;
    const char *to = sign;
    while (to > from && to[-1] == ' ')
        to--;
    snprintf(given_by, room, "%.*s", (int)(to - from), from);
    loop_clean(given_by);
    *value = sign + 1;
    while (**value == ' ')
        (*value)++;
    return to > from;
}

static void skip(struct loop_check *check, struct loop_channel *at, const char *reason)
{
    snprintf(at->sentence, sizeof at->sentence, "%s", reason);
    end(check, at, LOOP_SKIPPED);
    loop_say(6, "Skipped: %s", reason);
}

static void say_heading(const struct loop_check *check, unsigned index)
{
    const struct loop_channel *at = &check->record->channel[index];
    const struct point *point = point_get(at->point);
    unsigned n = 0, of = 0;
    for (unsigned i = 0; i < check->record->n_channels; i++) {
        const bool counts = channel_of(check, &check->record->channel[i]) != NULL &&
                            compare_takes(channel_of(check, &check->record->channel[i]));
        of += counts;
        n += counts && i <= index;
    }
    printf("\n");
    loop_say(2, "%u of %u  %s: %s, from the %s", n, of, point->id, point->trade_name,
             source_name(at->source));
}

/** A value, or "no value there". True: the channel is done. */
static bool take_value(struct loop_check *check, struct loop_channel *at, const char *line)
{
    struct judging judging = {.instant_ms = clock_boot_ms(&check->clock),
                              .instant_utc_ms = loop_utc_ms(check)};
    struct up_error error = {0};
    const char *value;
    if (!read_source(line, at->given_by, sizeof at->given_by, &value)) {
        loop_say(6, "A test source is typed as: test calibrator 3 = 1500 psi");
        return false;
    }
    if (begins_word(value, "n"))
        return is_not_fitted(check, at);
    if (screen_value_from_text(value, strlen(value), at->point, &judging.screen, &error) != UP_OK) {
        loop_say(6, "%s. (? for help)", error.why);
        return false;
    }
    if (judging.screen.is_blank)
        return is_not_fitted(check, at);
    return is_same(check, at, &judging);
}

enum step_end loop_do_channel(struct loop_check *check, unsigned index)
{
    struct loop_channel *at = &check->record->channel[index];
    const struct channel *channel = channel_of(check, at);
    char line[LOOP_LINE_MAX];
    if (channel == NULL || !compare_takes(channel)) {
        snprintf(at->verdict, sizeof at->verdict, LOOP_NO_NUMBER);
        snprintf(at->sentence, sizeof at->sentence,
                 "holds a state, a code or a text: no number to compare with a screen's");
        end(check, at, LOOP_SKIPPED);
        return STEP_DONE;
    }
    const uint8_t tries_before = at->tries;
    say_heading(check, index);
    for (;;) {
        const bool has_failed = at->tries > tries_before;
        if (loop_ask(check, has_failed ? "    Again (f: it failed; s REASON): " : "    Screen: ",
                     line) != ASKED_LINE ||
            begins_word(line, "q"))
            return STEP_STOP;
        if (line[0] == '\0')
            continue;
        if (line[0] == '?' || begins_word(line, "help"))
            say_help();
        else if (begins_word(line, "b") && line[1] == '\0')
            return STEP_BACK;
        else if (begins_word(line, "s") && line[1] == '\0')
            loop_say(6, "Say why it is skipped: s REASON");
        else if (begins_word(line, "s"))
            return skip(check, at, line + 2), STEP_DONE;
        else if (begins_word(line, "f") && line[1] == '\0' && has_failed)
            return end(check, at, LOOP_FAIL), loop_say(6, "Recorded as FAILED."), STEP_DONE;
        else if (take_value(check, at, line))
            return STEP_DONE;
        if (loop_is_stopped)
            return STEP_STOP;
    }
}
