/* SPDX-License-Identifier: Apache-2.0
 *
 * score.c - how well a map fits what answers, and why (pure).
 *
 *   weight 40  the registers that it reads are there
 *   weight 40  their values are possible; typical ones count more (ranges of the list of points)
 *   weight 10  the status word holds a state that the map knows
 *   weight 10  what changes does so at the map's refresh, and its counter counts
 *
 * What a map has not, or what was not looked at, has no weight. A high score is a reason to compare
 * with the surface unit's screen; it proves nothing.
 */
#include "score.h"

#include "uphole/measure.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#define WEIGHT_THERE 40.0
#define WEIGHT_VALUES 40.0
#define WEIGHT_STATUS 10.0
#define WEIGHT_REFRESH 10.0
#define WORDS_MAX 125
#define TINY 1e-6 /* a float32 below it is half of something else */

void score_say(struct map_score *score, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    if (score->n_lines < SCORE_LINES_MAX)
        vsnprintf(score->line[score->n_lines++], sizeof score->line[0], format, arguments);
    va_end(arguments);
}

void score_warn(struct map_score *score, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    if (score->n_warnings < SCORE_LINES_MAX)
        vsnprintf(score->warning[score->n_warnings++], sizeof score->warning[0], format, arguments);
    va_end(arguments);
}

/* ---- one channel ---- */

static uint8_t table_as(uint8_t table, struct reading_as as)
{
    if (!as.tables_exchanged || table < TABLE_HOLDING)
        return table;
    return table == TABLE_HOLDING ? TABLE_INPUT : TABLE_HOLDING;
}

bool channel_words(const struct channel *channel, const struct register_book *book,
                   struct reading_as as, uint16_t *words)
{
    const int first = channel->address + as.shift;
    return first >= 0 && channel->n_words <= WORDS_MAX && channel->table >= TABLE_HOLDING &&
           book_newest(book, table_as(channel->table, as), (unsigned)first, channel->n_words,
                       words);
}

/** Registers that hold nothing but 0 would do for any channel. */
static bool says_nothing(const struct channel *channel, const uint16_t *words)
{
    for (unsigned i = 0; i < channel->n_words; i++)
        if (words[i] != 0)
            return false;
    return true;
}

double channel_plausibility(const struct channel *channel, const uint16_t *words, bool *is_marker)
{
    struct decoded decoded;
    const struct point *point = point_get(channel->point);
    decode_channel(channel, words, &decoded);
    *is_marker = decoded.verdict == DECODE_NOT_FITTED;
    if (*is_marker)
        return 1;
    if (channel->type == TYPE_TEXT || point == NULL || point->kind == QUANTITY_STATE ||
        point->kind == QUANTITY_COUNT)
        return decoded.verdict == DECODE_UNDECODABLE ? 0 : 0.5;
    if (decoded.verdict == DECODE_UNDECODABLE || !isfinite(decoded.value) ||
        range_quality(channel, decoded.value) == QUALITY_IMPOSSIBLE)
        return 0;
    if (says_nothing(channel, words))
        return 0.4;
    if (channel->type == TYPE_F32 && decoded.number != 0 && fabs(decoded.number) < TINY)
        return 0;
    const bool is_typical =
        decoded.value >= point->typical_low && decoded.value <= point->typical_high;
    return is_typical ? 1 : 0.5;
}

static bool is_readable(const struct find_unit *unit, uint8_t table, int first, unsigned n)
{
    for (unsigned i = 0; i < unit->n_ranges; i++)
        if (unit->range[i].table == table && first >= unit->range[i].first &&
            first + (int)n - 1 <= unit->range[i].last)
            return true;
    return false;
}

void fit_make(const struct map *map, const struct find_unit *unit, const struct register_book *book,
              struct reading_as as, struct fit *out)
{
    uint16_t words[WORDS_MAX];
    memset(out, 0, sizeof *out);
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        if (channel->table < TABLE_HOLDING)
            continue;
        bool is_marker = false;
        out->channels++;
        if (is_readable(unit, table_as(channel->table, as), channel->address + as.shift,
                        channel->n_words))
            out->there++;
        else
            out->missing++;
        if (!channel_words(channel, book, as, words))
            continue;
        out->with_words++;
        out->plausible += channel_plausibility(channel, words, &is_marker);
        out->markers += is_marker;
    }
}

double fit_share(const struct fit *fit)
{
    return fit->with_words > 0 ? fit->plausible / fit->with_words : 0;
}

/* ---- the whole ---- */

struct sum {
    double weight, value;
};

static void weigh(struct sum *sum, double weight, double share)
{
    sum->weight += weight;
    sum->value += weight * share;
}

bool map_knows_state(const struct map *map, uint16_t word)
{
    for (unsigned i = 0; i < map->n_status_values; i++)
        if (map->status_value[i].raw == word)
            return true;
    for (unsigned bit = 0; map->n_status_values == 0 && bit < 16; bit++)
        if ((word >> bit & 1) != 0 && map->status_bit[bit] != STATUS_NONE)
            return true;
    return false;
}

/** 1, 0 or -1: the map has no status, or it was not read. */
static int status_is_known(const struct map *map, const struct register_book *book, uint16_t *word)
{
    if (!map->has_status || !book_newest(book, map->status_table, map->status_address, 1, word))
        return -1;
    return map_knows_state(map, *word);
}

static void weigh_status(const struct map *map, const struct register_book *book, struct sum *sum,
                         struct map_score *score)
{
    uint16_t word = 0;
    const int is_known = status_is_known(map, book, &word);
    if (is_known < 0)
        return;
    weigh(sum, WEIGHT_STATUS, is_known);
    score_say(score, "its status word reads 0x%04X, which is %s", word,
              is_known ? "a state that the map knows" : "no state that the map knows");
}

/** Mean time between changes of the channels' registers, us; 0: none changed. */
static int64_t change_every_us(const struct map *map, const struct register_book *book,
                               unsigned *changed)
{
    int64_t least_us = 0;
    const int64_t span_us = book->taken_us[book->n_samples - 1] - book->taken_us[0];
    *changed = 0;
    for (unsigned i = 0; i < map->n_channels; i++) {
        const int at = book_index(book, map->channel[i].table, map->channel[i].address);
        const unsigned changes = at >= 0 ? book_changes(book, at) : 0;
        *changed += changes > 0;
        if (changes > 0 && (least_us == 0 || span_us / changes < least_us))
            least_us = span_us / changes;
    }
    return least_us;
}

static void weigh_refresh(const struct map *map, const struct register_book *book, struct sum *sum,
                          struct map_score *score)
{
    unsigned changed = 0;
    if (book->n_samples < 3)
        return;
    const int64_t span_us = book->taken_us[book->n_samples - 1] - book->taken_us[0];
    if (map->has_counter) {
        const int at = book_index(book, map->counter_table, map->counter_address);
        const unsigned counts = at >= 0 ? book_changes(book, at) : 0;
        weigh(sum, WEIGHT_REFRESH, counts > 0 ? 1 : 0);
        score_say(score, "its counter of refreshes changed %u times in %lld s", counts,
                  (long long)(span_us / 1000000));
        return;
    }
    const int64_t every_us = change_every_us(map, book, &changed);
    if (span_us < (int64_t)map->refresh_ms * 1000 && changed == 0)
        return; /* too short to tell */
    const bool is_as_said = changed > 0 && every_us * 2 > (int64_t)map->refresh_ms * 1000;
    weigh(sum, WEIGHT_REFRESH, is_as_said ? 1 : changed > 0 ? 0.5 : 0);
    score_say(score, "%u of its channels changed, at most every %.1f s; the map says %.1f s",
              changed, (double)every_us / 1e6, map->refresh_ms / 1000.0);
}

void map_score_make(const struct map *map, const struct find_unit *unit,
                    const struct register_book *book, struct map_score *out)
{
    struct fit fit;
    struct sum sum = {0, 0};
    memset(out, 0, sizeof *out);
    out->map = map;
    fit_make(map, unit, book, (struct reading_as){0, false}, &fit);
    if (fit.channels == 0) {
        score_say(
            out,
            "it reads no registers, only coils or discrete inputs, which find doesn't look at");
        return;
    }
    const unsigned looked_at = unit->is_answered_by_listening ? fit.with_words : fit.channels;
    const double there =
        looked_at > 0
            ? (double)(unit->is_answered_by_listening ? fit.with_words : fit.there) / looked_at
            : 0;
    weigh(&sum, WEIGHT_THERE, there);
    score_say(out, "%u of its %u channels stand in registers that %s",
              unit->is_answered_by_listening ? fit.with_words : fit.there, fit.channels,
              unit->is_answered_by_listening ? "were heard" : "answer");
    if (fit.with_words > 0) {
        weigh(&sum, WEIGHT_VALUES, fit_share(&fit));
        score_say(out, "values: %.0f %% plausible over %u channels%s", 100 * fit_share(&fit),
                  fit.with_words,
                  fit.markers > 0 ? ", markers of sensors that aren't fitted among them" : "");
    }
    weigh_status(map, book, &sum, out);
    if (book->n_samples > 0)
        weigh_refresh(map, book, &sum, out);
    double share = sum.weight > 0 ? sum.value / sum.weight : 0;
    const double else_share = score_traps(map, unit, book, &fit, out);
    if (there < 0.5) /* half of it isn't there: as it stands it is not this unit's map */
        share *= there;
    if (fit.with_words > 0 && fit_share(&fit) < 0.5) /* nor where most values make no sense */
        share *= 2 * fit_share(&fit);
    if (else_share > share)
        share = else_share / 2;
    out->percent = (unsigned)(100 * share + 0.5);
}
