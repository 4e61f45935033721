/* SPDX-License-Identifier: Apache-2.0
 *
 * score_traps.c - the ways in which a map is nearly right (pure): addresses off by one, the other
 * table, a scale turned round, another word order. Each is told only where reading it that way fits
 * clearly better than as the map says.
 */
#include "score.h"

#include "uphole/measure.h"

#include <math.h>
#include <string.h>

#define CLEARLY 0.25
#define SURELY 0.75 /* of the values, before another table is believed */
#define SHOWN_MAX 3

/* ---- all four orders ---- */

static const struct {
    enum word_order words;
    enum byte_order bytes;
    const char *name;
} ORDERS[] = {
    {WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, "high word first"},
    {WORDS_LOW_FIRST, BYTES_HIGH_FIRST, "low word first"},
    {WORDS_HIGH_FIRST, BYTES_LOW_FIRST, "high word first, bytes swapped"},
    {WORDS_LOW_FIRST, BYTES_LOW_FIRST, "low word first, bytes swapped"},
};
#define ORDERS_N (sizeof ORDERS / sizeof ORDERS[0])

void decodings_to_text(const uint16_t words[static 2], char *into, size_t room)
{
    size_t used = 0;
    into[0] = '\0';
    for (size_t i = 0; i < ORDERS_N && used + 1 < room; i++) {
        double number = NAN, whole = NAN;
        (void)decode_number(TYPE_F32, ORDERS[i].words, ORDERS[i].bytes, words, &number);
        (void)decode_number(TYPE_U32, ORDERS[i].words, ORDERS[i].bytes, words, &whole);
        used += (size_t)snprintf(into + used, room - used, "%s%s: f32 %.6g, u32 %.0f",
                                 i == 0 ? "" : " | ", ORDERS[i].name, number, whole);
    }
}

/** An order in which most channels of two registers fit better than in the map's. */
struct other_order {
    size_t order; /* ORDERS_N: none does */
    unsigned better, seen;
    const struct channel *first;
    uint16_t shown[2];
};

static struct other_order other_order_of(const struct map *map, const struct register_book *book)
{
    struct other_order out = {.order = ORDERS_N};
    unsigned better[ORDERS_N] = {0}, own = 0;
    uint16_t words[4];
    for (unsigned i = 0; i < map->n_channels; i++) {
        struct channel channel = map->channel[i];
        bool is_marker;
        if (channel.n_words != 2 || channel.type == TYPE_TEXT || channel.type == TYPE_BITS ||
            !channel_words(&channel, book, (struct reading_as){0, false}, words))
            continue;
        if (words[0] == 0 && words[1] == 0)
            continue; /* alike in every order */
        const double as_is = channel_plausibility(&channel, words, &is_marker);
        if (is_marker)
            continue;
        out.seen++;
        own += as_is >= 1;
        for (size_t o = 0; o < ORDERS_N; o++) {
            channel.words = (uint8_t)ORDERS[o].words;
            channel.bytes = (uint8_t)ORDERS[o].bytes;
            const bool is_better = channel_plausibility(&channel, words, &is_marker) > as_is;
            better[o] += is_better;
            if (is_better && out.first == NULL) {
                out.first = &map->channel[i];
                memcpy(out.shown, words, sizeof out.shown);
            }
        }
    }
    for (size_t o = ORDERS_N; o > 0; o--)
        if (2 * better[o - 1] > out.seen && own <= better[o - 1]) {
            out.order = o - 1;
            out.better = better[o - 1];
        }
    return out;
}

static void warn_of_order(const struct other_order *other, struct map_score *score)
{
    char text[200];
    if (other->order == ORDERS_N)
        return;
    decodings_to_text(other->shown, text, sizeof text);
    score_warn(score, "word order: %u of %u two-register channels fit better %s", other->better,
               other->seen, ORDERS[other->order].name);
    score_warn(score, "%s 0x%04X 0x%04X: %s", point_get(other->first->point)->id, other->shown[0],
               other->shown[1], text);
}

/* ---- addresses, tables, scales ---- */

/**
 * Whether what has a place of its own stands there: a status that the map knows, a counter that
 * counts. Values can't tell a moved address from another order of words: each half of a float32
 * makes a number with its neighbour.
 */
static unsigned anchors_at(const struct map *map, const struct register_book *book, int shift)
{
    unsigned anchors = 0;
    uint16_t word;
    const int status = map->status_address + shift, counter = map->counter_address + shift;
    if (map->has_status && status >= 0 &&
        book_newest(book, map->status_table, (unsigned)status, 1, &word))
        anchors += map_knows_state(map, word);
    if (map->has_counter && counter >= 0) {
        const int at = book_index(book, map->counter_table, (unsigned)counter);
        anchors += at >= 0 && book_changes(book, at) > 0;
    }
    return anchors;
}

/** One register lower or higher, whichever fits better; 0: neither does clearly. */
static int better_shift(const struct map *map, const struct find_unit *unit,
                        const struct register_book *book, const struct fit *as_is, bool has_order,
                        struct fit *best)
{
    const unsigned here = anchors_at(map, book, 0);
    unsigned most = 0;
    int found = 0;
    for (int shift = -1; shift <= 1; shift += 2) {
        struct fit moved;
        const unsigned there = anchors_at(map, book, shift);
        if (has_order && here > there)
            continue; /* the order explains it, and what has a place stands there */
        fit_make(map, unit, book, (struct reading_as){shift, false}, &moved);
        if (moved.with_words * 2 < as_is->channels || moved.there + 1 < as_is->there ||
            fit_share(&moved) - fit_share(as_is) < CLEARLY)
            continue;
        if (found != 0 && (there < most || (there == most && fit_share(&moved) <= fit_share(best))))
            continue;
        found = shift;
        most = there;
        *best = moved;
    }
    return found;
}

static double warn_of_shift(const struct map *map, const struct find_unit *unit,
                            const struct register_book *book, const struct fit *as_is,
                            bool has_order, struct map_score *score, bool *is_sure)
{
    struct fit moved = {.channels = 0};
    const int shift = better_shift(map, unit, book, as_is, has_order, &moved);
    if (shift == 0)
        return 0;
    score_warn(score,
               "addresses may be off by one: each %s by one, %.0f %% of the values are "
               "plausible, as the "
               "map says %.0f %%; compare `numbering` with the document",
               shift < 0 ? "lower" : "higher", 100 * fit_share(&moved), 100 * fit_share(as_is));
    *is_sure = anchors_at(map, book, shift) > anchors_at(map, book, 0);
    return fit_share(&moved);
}

static double warn_of_table(const struct map *map, const struct find_unit *unit,
                            const struct register_book *book, const struct fit *as_is,
                            struct map_score *score)
{
    struct fit other;
    fit_make(map, unit, book, (struct reading_as){0, true}, &other);
    if (as_is->channels == 0 || other.there * 4 < as_is->channels * 3 ||
        other.there <= as_is->there || other.with_words == 0 || fit_share(&other) < SURELY)
        return 0;
    score_warn(
        score,
        "%u of its channels answer in the other table only: a document that prints 4xxxx may mean "
        "registers that this unit serves to function 04 (`input`), and the other way round",
        other.there);
    return fit_share(&other);
}

static void warn_of_scales(const struct map *map, const struct register_book *book,
                           struct map_score *score)
{
    unsigned told = 0;
    for (unsigned i = 0; i < map->n_channels && told < SHOWN_MAX; i++) {
        const struct channel *channel = &map->channel[i];
        const struct point *point = point_get(channel->point);
        uint16_t words[4];
        struct decoded decoded;
        const double scale = decimal_to_double(channel->scale);
        if (channel->type == TYPE_TEXT || channel->type == TYPE_BITS || channel->n_words > 4 ||
            fabs(scale) < 10 || decimal_to_double(channel->offset) != 0 ||
            !channel_words(channel, book, (struct reading_as){0, false}, words))
            continue;
        decode_channel(channel, words, &decoded);
        const double divided = decoded.value / (scale * scale);
        if (decoded.verdict != DECODE_VALUE || decoded.value == 0 ||
            (decoded.value >= point->typical_low && decoded.value <= point->typical_high) ||
            divided < point->typical_low || divided > point->typical_high)
            continue;
        score_warn(score,
                   "%s: %.6g %s is not typical, %.6g would be: \"x%.6g\" in a document mostly "
                   "means that the "
                   "register holds the value times %.6g, so that the scale is %.6g",
                   point->id, decoded.value, point->unit, divided, scale, scale, 1 / scale);
        told++;
    }
}

double score_traps(const struct map *map, const struct find_unit *unit,
                   const struct register_book *book, const struct fit *fit, struct map_score *score)
{
    bool is_moved = false;
    const struct other_order order = other_order_of(map, book);
    double other = warn_of_shift(map, unit, book, fit, order.order < ORDERS_N, score, &is_moved);
    const double table = warn_of_table(map, unit, book, fit, score);
    if (table > other)
        other = table;
    warn_of_scales(map, book, score);
    if (!is_moved)
        warn_of_order(&order, score);
    return other;
}
