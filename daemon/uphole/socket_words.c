/* SPDX-License-Identifier: Apache-2.0
 *
 * socket_words.c - what `uphole read` adds for values of more than one register: the number in all
 * four orders of words and bytes, side by side.
 *
 * The order that the map states is marked. Numbers are those before scale and unit, as the surface
 * unit's own screen or document may show them.
 */
#include "socket_answer.h"

#include <math.h>
#include <stdio.h>

static const struct order {
    uint8_t words, bytes;
    const char *name;
} ORDERS[] = {{WORDS_HIGH_FIRST, BYTES_HIGH_FIRST, "high-first"},
              {WORDS_LOW_FIRST, BYTES_HIGH_FIRST, "low-first"},
              {WORDS_HIGH_FIRST, BYTES_LOW_FIRST, "high-first, bytes swapped"},
              {WORDS_LOW_FIRST, BYTES_LOW_FIRST, "low-first, bytes swapped"}};
#define ORDERS_N (sizeof ORDERS / sizeof *ORDERS)

static bool has_orders(const struct channel *channel)
{
    return channel->n_words > 1 && channel->type != TYPE_TEXT && channel->type != TYPE_BITS;
}

static double number_in(const struct channel *channel, const uint16_t *words,
                        const struct order *order)
{
    double number = NAN;
    if (!decode_number((enum register_type)channel->type, (enum word_order)order->words,
                       (enum byte_order)order->bytes, words, &number))
        return NAN;
    return number;
}

static bool is_of_map(const struct channel *channel, const struct order *order)
{
    return channel->words == order->words && channel->bytes == order->bytes;
}

static void one_channel(const struct channel *channel, const uint16_t *words,
                        struct socket_text *text)
{
    const struct point *point = point_get(channel->point);
    text_add(text, "%-27s", point != NULL ? point->id : channel->about);
    for (unsigned i = 0; i < channel->n_words && i < 4; i++)
        text_add(text, " 0x%04X", words[i]);
    for (size_t i = 0; i < ORDERS_N; i++) {
        const double number = number_in(channel, words, &ORDERS[i]);
        const char *mark = is_of_map(channel, &ORDERS[i]) ? " (map)" : "";
        if (isfinite(number))
            text_add(text, "  %s %.7g%s", ORDERS[i].name, number, mark);
        else
            text_add(text, "  %s -%s", ORDERS[i].name, mark);
    }
    text_add(text, "\n");
}

void orders_as_text(const struct status_view *view, uint16_t well, const struct stamp *now,
                    struct socket_text *text)
{
    bool is_first = true;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(&view->plan->wells[well], s, now->utc_ms);
        const struct scan *scan = status_newest_scan(view->core, well, s);
        if (entry == NULL || scan == NULL)
            continue;
        const struct map *map = &view->plan->maps[entry->map];
        for (uint16_t c = 0; c < map->n_channels; c++) {
            uint16_t bit = 0;
            const struct channel *channel = &map->channel[c];
            const uint16_t *words = has_orders(channel) ? status_words(scan, channel, &bit) : NULL;
            if (words == NULL)
                continue;
            if (is_first)
                text_add(text, "\nValues of more than one register in each order, before scale and "
                               "unit. Where another than the map's shows what the unit's screen "
                               "shows, correct `words` or `bytes` in the map.\n");
            is_first = false;
            one_channel(channel, words, text);
        }
    }
}

void orders_as_json(const struct channel *channel, const uint16_t *words, struct socket_text *text)
{
    static const char *const NAMES[] = {"high_first", "low_first", "high_first_bytes_swapped",
                                        "low_first_bytes_swapped"};
    if (channel == NULL || words == NULL || !has_orders(channel))
        return;
    text_add(text, ",\"orders\":{");
    for (size_t i = 0; i < ORDERS_N; i++) {
        text_add(text, "%s\"%s\":", i > 0 ? "," : "", NAMES[i]);
        text_add_number(text, number_in(channel, words, &ORDERS[i]), 0);
    }
    text_add(text, "}");
}
