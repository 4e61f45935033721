/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_now.c - what the running Uphole reads, asked at its local socket; orders; and the
 * scans around an instant, from the journal.
 */
#include "loop_check.h"

#include "socket.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define NODES_MAX 16384
#define SCANS_BACK                                                                                 \
    4096 /* rows of the journal that are looked through for the newest of a source                 \
          */

static uint64_t run_of(const struct json_doc *doc, uint32_t node)
{
    char text[24];
    return json_get_text(doc, json_member(doc, node, "run"), text, sizeof text)
               ? strtoull(text, NULL, 16)
               : 0;
}

/** Asks and parses. The question's well is not added here. */
static int ask_json(struct loop_check *check, const char *question, char **body,
                    struct json_node **nodes, struct json_doc *doc, struct up_error *error)
{
    size_t length = 0;
    *body = NULL;
    *nodes = malloc(NODES_MAX * sizeof **nodes);
    if (*nodes == NULL)
        return up_exit_code(UP_FAIL(error, UP_E_MEMORY, "no memory for an answer"));
    check->asked.well = NULL;
    int code = socket_ask(&check->asked, question, body, &length, error);
    if (code == 0 && json_read(doc, *body, length, *nodes, NODES_MAX, error) != UP_OK) {
        up_error_prefix(error, "the answer of the running Uphole doesn't read");
        code = EX_PROTOCOL;
    }
    return code;
}

int loop_now_read(struct loop_check *check, struct loop_now *now, struct up_error *error)
{
    char question[64];
    *now = (struct loop_now){0};
    snprintf(question, sizeof question, "read json %s", check->well->id);
    const int code = ask_json(check, question, &now->body, &now->nodes, &now->doc, error);
    if (code != 0)
        return code;
    now->run = run_of(&now->doc, 0);
    const uint32_t scans = json_member(&now->doc, 0, "scans");
    for (uint32_t item = json_first(&now->doc, scans); item != JSON_MISSING;
         item = json_next(&now->doc, scans, item))
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            char at[STAMP_TEXT_MAX];
            if (!json_is_text(&now->doc, json_member(&now->doc, item, "source"), source_name(s)))
                continue;
            (void)json_get_unsigned(&now->doc, json_member(&now->doc, item, "seq"), &now->seq[s]);
            if (json_get_text(&now->doc, json_member(&now->doc, item, "at"), at, sizeof at))
                (void)stamp_from_text(at, strlen(at), &now->scan_utc_ms[s]);
        }
    return 0;
}

void loop_now_end(struct loop_now *now)
{
    free(now->body);
    free(now->nodes);
    *now = (struct loop_now){0};
}

bool loop_now_channel(const struct loop_now *now, unsigned point, struct loop_reading *out)
{
    const uint32_t channels = json_member(&now->doc, 0, "channels");
    for (uint32_t item = json_first(&now->doc, channels); item != JSON_MISSING;
         item = json_next(&now->doc, channels, item)) {
        uint64_t quality = 0;
        if (!json_is_text(&now->doc, json_member(&now->doc, item, "channel"), point_get(point)->id))
            continue;
        *out = (struct loop_reading){.value = NAN};
        const uint32_t raw = json_member(&now->doc, item, "raw");
        for (uint32_t word = json_first(&now->doc, raw); word != JSON_MISSING && out->n_words < 4;
             word = json_next(&now->doc, raw, word)) {
            uint64_t value = 0;
            (void)json_get_unsigned(&now->doc, word, &value);
            out->words[out->n_words++] = (uint16_t)value;
        }
        (void)json_get_unsigned(&now->doc, json_member(&now->doc, item, "quality"), &quality);
        out->quality = (uint8_t)quality;
        const struct quality_row *row = quality_find(out->quality);
        if (row != NULL && row->sends_value)
            (void)json_get_number(&now->doc, json_member(&now->doc, item, "value"), &out->value);
        return true;
    }
    return false;
}

int loop_order(struct loop_check *check, const char *order, char *sentence, size_t room)
{
    char question[SOCKET_REQUEST_MAX], *body = NULL;
    size_t length = 0;
    struct up_error error = {0};
    snprintf(question, sizeof question, "order %s", order);
    check->asked.well = NULL;
    const int code = socket_ask(&check->asked, question, &body, &length, &error);
    snprintf(sentence, room, "%s", code == 0 ? body : error.why);
    sentence[strcspn(sentence, "\n")] = '\0';
    free(body);
    return code;
}

static void put_versions(const struct json_doc *doc, struct loop_running *out)
{
    static const char *const NAMES[] = {"libmodbus", "libmosquitto", "sqlite", "kernel"};
    const uint32_t versions = json_member(doc, 0, "versions");
    size_t n = 0;
    for (size_t i = 0; i < sizeof NAMES / sizeof *NAMES && n < sizeof out->versions; i++) {
        char text[64];
        if (!json_get_text(doc, json_member(doc, versions, NAMES[i]), text, sizeof text))
            continue;
        n += (size_t)snprintf(out->versions + n, sizeof out->versions - n, "%s%s %s",
                              n > 0 ? ", " : "", NAMES[i], text);
    }
}

int loop_running_read(struct loop_check *check, struct loop_running *out, struct up_error *error)
{
    char *body = NULL;
    struct json_node *nodes = NULL;
    struct json_doc doc;
    uint64_t measure_version = 0;
    *out = (struct loop_running){0};
    const int code = ask_json(check, "status json", &body, &nodes, &doc, error);
    if (code == 0) {
        out->run = run_of(&doc, 0);
        (void)json_get_text(&doc, json_member(&doc, 0, "plan"), out->plan, sizeof out->plan);
        (void)json_get_text(&doc, json_member(&doc, 0, "version"), out->version,
                            sizeof out->version);
        (void)json_get_unsigned(&doc, json_member(&doc, 0, "measure_version"), &measure_version);
        (void)json_get_text(&doc, json_member(&doc, json_member(&doc, 0, "clock"), "state"),
                            out->clock, sizeof out->clock);
        out->measure_version = (uint32_t)measure_version;
        put_versions(&doc, out);
    }
    free(body);
    free(nodes);
    return code;
}

/** The item of an array whose `key` is that text. */
static uint32_t item_named(const struct json_doc *doc, uint32_t array, const char *key,
                           const char *text)
{
    uint32_t item = json_first(doc, array);
    while (item != JSON_MISSING && !json_is_text(doc, json_member(doc, item, key), text))
        item = json_next(doc, array, item);
    return item;
}

void loop_wait_reason(struct loop_check *check, const char *destination, char *into, size_t room)
{
    char *body = NULL;
    struct json_node *nodes = NULL;
    struct json_doc doc;
    into[0] = '\0';
    if (ask_json(check, "status json", &body, &nodes, &doc, NULL) == 0) {
        const uint32_t well =
            item_named(&doc, json_member(&doc, 0, "wells"), "well", check->well->id);
        const uint32_t delivery =
            item_named(&doc, json_member(&doc, well, "delivery"), "destination", destination);
        (void)json_get_text(&doc, json_member(&doc, delivery, "reason"), into, room);
    }
    free(body);
    free(nodes);
}

unsigned loop_scans_read(struct loop_check *check, uint8_t source, struct scan *into, unsigned most)
{
    struct journal_reader *reader = NULL;
    struct scan *slice = calloc(JOURNAL_SLICE_MAX, sizeof *slice);
    uint64_t pos = 0, seq = 0, after;
    size_t got = JOURNAL_SLICE_MAX;
    unsigned n = 0;
    if (slice != NULL && journal_reader_open(check->asked.directory, &reader, NULL) == UP_OK &&
        journal_read_newest(reader, check->well->number, &pos, &seq, NULL) == UP_OK) {
        after = pos > SCANS_BACK ? pos - SCANS_BACK : 0;
        while (got > 0 && journal_read_scans(reader, check->well->number, after, JOURNAL_SLICE_MAX,
                                             slice, &got, NULL) == UP_OK)
            for (size_t i = 0; i < got; i++) {
                after = slice[i].pos;
                if (slice[i].source != source)
                    continue;
                if (n == most) { /* the oldest makes room */
                    memmove(into, into + 1, (most - 1) * sizeof *into);
                    n--;
                }
                into[n++] = slice[i];
            }
    }
    journal_reader_close(reader);
    free(slice);
    return n;
}
