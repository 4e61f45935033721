/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_link.c - see unit_link.h. The daemon shows the newest scan alone; what came before is what
 * this program saw itself.
 */
#include "unit_link.h"
#include "socket.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define SLICES_MAX 16

static int of_another_version(struct up_error *error)
{
    (void)UP_FAIL(
        error, UP_E_INPUT,
        "the running Uphole's answer isn't understood; it may be of another version. Restart it");
    return EX_DATAERR;
}

/* ---- the plan ---- */

/** One slice; the first also allocates. Returns 0, an exit code, or -1: the plan changed in
 * between. */
static int take_slice(struct unit_link *link, char **text, size_t *length, size_t *have,
                      char digest[65], struct up_error *error)
{
    char question[40], *body = NULL, of[65] = "";
    size_t n = 0, whole = 0;
    int head = 0;
    snprintf(question, sizeof question, "plan text %zu", *have);
    struct socket_asked of_all = *link->asked;
    of_all.well = NULL;
    const int code = socket_ask(&of_all, question, &body, &n, error);
    if (code != 0)
        return code;
    const bool is_known = sscanf(body, "%64s %8zu%n", of, &whole, &head) == 2 &&
                          body[head] == '\n' && whole <= PLAN_TEXT_MAX;
    const char *slice = body + head + 1;
    const size_t size = is_known ? n - (size_t)head - 1 : 0;
    if (!is_known || size == 0 || *have + size > whole) {
        free(body);
        return of_another_version(error);
    }
    if (*have == 0) {
        memcpy(digest, of, sizeof of);
        *length = whole;
        *text = malloc(whole + 1);
    }
    const bool is_same = strcmp(of, digest) == 0 && whole == *length;
    if (is_same && *text != NULL) {
        memcpy(*text + *have, slice, size);
        *have += size;
        (*text)[*have] = '\0';
    }
    free(body);
    if (*text == NULL)
        return up_exit_code(UP_FAIL(error, UP_E_MEMORY, "no memory for the plan"));
    return is_same ? 0 : -1;
}

static int take_plan(struct unit_link *link, struct up_error *error)
{
    char *text = NULL, digest[65] = "";
    size_t length = 1, have = 0;
    int code = 0;
    for (int slices = 0; code == 0 && have < length && slices < SLICES_MAX; slices++) {
        code = take_slice(link, &text, &length, &have, digest, error);
        if (code == -1) { /* begin again with the new one */
            free(text);
            text = NULL;
            have = 0;
            code = 0;
        }
    }
    if (code == 0 && have < length)
        code = of_another_version(error);
    if (code == 0) {
        struct plan_faults faults = {0};
        if (plan_from_text("the running plan", text, have, &link->plan, &faults) != UP_OK)
            code = of_another_version(error);
    }
    free(text);
    return code;
}

/* ---- scans ---- */

static int digit_of(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/** Reads `n` words of four digits; false where they aren't there. */
static bool take_words(const char *at, unsigned n, uint16_t *into)
{
    for (unsigned i = 0; i < 4 * n; i++) {
        const int digit = digit_of(at[i]);
        if (digit < 0)
            return false;
        into[i / 4] = (uint16_t)(into[i / 4] << 4 | digit);
    }
    return at[4 * n] == '\n';
}

static const char *line_behind(const char *at)
{
    const char *end = strchr(at, '\n');
    return end != NULL ? end + 1 : at + strlen(at);
}

/** Reads a scan's line and its blocks; NULL where they aren't understood. */
static const char *take_scan(const char *at, struct scan *scan)
{
    unsigned source, took_ms, outcome, blocks;
    memset(scan, 0, sizeof *scan);
    if (sscanf(at, "scan %u %" SCNu64 " %" SCNd64 " %" SCNd64 " %u %u %u", &source, &scan->seq,
               &scan->begun.utc_ms, &scan->begun.boot_ms, &took_ms, &outcome, &blocks) != 7 ||
        source == SOURCE_NONE || source >= SOURCE_KINDS || blocks > SCAN_BLOCKS_MAX)
        return NULL;
    scan->source = (uint8_t)source;
    scan->took_ms = took_ms;
    scan->outcome = (uint8_t)outcome;
    at = line_behind(at);
    for (unsigned i = 0; i < blocks; i++, at = line_behind(at)) {
        unsigned function, exception, first, count, n;
        int head = 0;
        if (sscanf(at, "block %3u %3u %5u %5u %3u %n", &function, &exception, &first, &count, &n,
                   &head) != 5 ||
            head == 0 || scan->n_words + n > SCAN_WORDS_MAX)
            return NULL;
        scan->block[i] = (struct block){(uint8_t)function, (uint8_t)exception, (uint16_t)first,
                                        (uint16_t)count, scan->n_words};
        if (!take_words(at + head, n, scan->words + scan->n_words))
            return NULL;
        scan->n_words = (uint16_t)(scan->n_words + n);
    }
    scan->n_blocks = (uint16_t)blocks;
    return at;
}

static void keep(struct unit_link *link, const struct scan *scan)
{
    struct scan *all = link->scan[scan->source];
    unsigned *n = &link->n_scans[scan->source];
    if (*n > 0 && all[*n - 1].begun.boot_ms >= scan->begun.boot_ms)
        return; /* known already */
    if (*n == UNIT_LINK_SCANS) {
        memmove(all, all + 1, (UNIT_LINK_SCANS - 1) * sizeof *all);
        --*n;
    }
    all[(*n)++] = *scan;
}

/** False: not understood. */
static bool take_answer(struct unit_link *link, const char *at, char digest[static 65])
{
    struct scan scan;
    if (sscanf(at, "plan %64s\nnow %" SCNd64 " %" SCNd64, digest, &link->now_utc_ms,
               &link->now_boot_ms) != 3)
        return false;
    memset(link->quality, QUALITY_NO_DATA, sizeof link->quality);
    at = line_behind(line_behind(at));
    while (at != NULL && *at != '\0' && strcmp(at, "end\n") != 0) {
        unsigned point, quality;
        if (sscanf(at, "quality %u %u", &point, &quality) == 2) {
            if (point < POINT_COUNT)
                link->quality[point] = (uint8_t)quality;
            at = line_behind(at);
            continue;
        }
        at = take_scan(at, &scan);
        if (at != NULL)
            keep(link, &scan);
    }
    return at != NULL && *at != '\0';
}

int unit_link_look(struct unit_link *link, bool *changed, struct up_error *error)
{
    char *body = NULL, digest[65] = "";
    size_t length = 0;
    const int code = socket_ask(link->asked, "scans text", &body, &length, error);
    if (code != 0)
        return code;
    const bool is_known = take_answer(link, body, digest);
    free(body);
    *changed = is_known && strcmp(digest, link->plan->digest) != 0;
    return is_known ? 0 : of_another_version(error);
}

int unit_link_open(struct unit_link *link, struct socket_asked *asked, struct up_error *error)
{
    bool changed = false;
    memset(link, 0, sizeof *link);
    link->asked = asked;
    int code = socket_ask_where(asked, error);
    if (code == 0)
        code = take_plan(link, error);
    if (code == 0) {
        link->well = plan_well_by_id(link->plan, asked->well);
        code = unit_link_look(link, &changed, error); /* says it where there is no such well */
    }
    if (code == 0 && (changed || link->well == NULL)) {
        (void)UP_FAIL(error, UP_E_LOCKED, "the configuration was just changed; try again");
        code = EX_TEMPFAIL;
    }
    if (code != 0)
        unit_link_close(link);
    return code;
}

void unit_link_close(struct unit_link *link)
{
    plan_free(link->plan);
    link->plan = NULL;
}

/* ---- what commands ask ---- */

const struct source_entry *unit_link_entry(const struct unit_link *link, uint8_t source)
{
    return plan_entry_at(link->well, source, link->now_utc_ms);
}

const struct map *unit_link_map(const struct unit_link *link, uint8_t source)
{
    const struct source_entry *entry = unit_link_entry(link, source);
    return entry != NULL ? &link->plan->maps[entry->map] : NULL;
}

const struct channel *unit_link_channel(const struct unit_link *link, unsigned point,
                                        uint8_t *source)
{
    for (*source = SOURCE_GAUGE; *source < SOURCE_KINDS; ++*source) {
        const struct map *map = unit_link_map(link, *source);
        const struct channel *channel = map != NULL ? map_channel(map, point) : NULL;
        if (channel != NULL)
            return channel;
    }
    return NULL;
}

void unit_link_question(const struct unit_link *link, uint8_t source, const struct channel *channel,
                        int64_t instant_ms, struct compare_question *out)
{
    const struct source_entry *entry = unit_link_entry(link, source);
    const struct well_data *data = plan_data_at(link->well, link->now_utc_ms);
    memset(out, 0, sizeof *out);
    out->map = &link->plan->maps[entry->map];
    out->channel = channel;
    out->refresh_ms = entry->refresh_ms;
    out->poll_ms = entry->poll_every_ms;
    out->atmosphere_kpa = data != NULL ? data->local_atmosphere_kpa : (double)NAN;
    out->quality = channel->point < POINT_COUNT ? link->quality[channel->point] : QUALITY_NO_DATA;
    out->instant_ms = instant_ms;
    out->n_scans = link->n_scans[source];
    for (unsigned i = 0; i < out->n_scans; i++)
        out->scan[i] = &link->scan[source][i];
}
