/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_others.c - what is known to go wrong between a screen and a map, for one channel (pure).
 *
 * Units: every factor comes from the one table of units (NIST SP 811 (2008), app. B); conversions
 * done twice are those of uphole/unit_doubt.h. Weights, how common a mistake is, are common
 * practice, no source.
 */
#include "compare_inside.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WEIGHT_SCREEN_UNIT                                                                         \
    0.05 /* the register holds the unit that the screen shows: one setting                         \
          */
#define WEIGHT_OTHER_UNIT 0.01
#define WEIGHT_RARE_UNIT 0.002
#define MOVED_POINT 0.15 /* times the weight of the unit */
#define WEIGHT_TWICE 0.005
#define WEIGHT_TEN 0.01
#define WEIGHT_TENS 0.003
#define WEIGHT_TRAP 0.03 /* "x10" that means divide */
#define WEIGHT_REFERENCE 0.03
#define WEIGHT_UNIT_AND_REFERENCE 0.002
#define WEIGHT_ORDER 0.02
#define WEIGHT_SIGN 0.005
#define WEIGHT_NEIGHBOUR 0.02
#define WEIGHT_CHANNEL 0.02
#define WEIGHT_TIME 0.03
#define TENS_MAX 3

struct list {
    const struct beside *beside;
    struct other *at;
    unsigned n;
};

/** As the map says; the caller changes what is otherwise. */
static struct other plain(const struct beside *beside, uint8_t kind, double weight)
{
    const struct channel *channel = beside->question->channel;
    return (struct other){.kind = kind,
                          .weight = weight,
                          .ratio = 1.0,
                          .channel = channel,
                          .type = channel->type,
                          .words = channel->words,
                          .bytes = channel->bytes};
}

/** The same line twice is one explanation: the commoner one speaks for both. */
static bool is_same_line(const struct other *a, const struct other *b)
{
    return a->kind <= COMPARE_BY_TEN && b->kind <= COMPARE_BY_TEN &&
           fabs(a->ratio - b->ratio) <= 1e-9 * fabs(b->ratio) &&
           fabs(a->offset - b->offset) <= 1e-9 * fabs(b->offset);
}

static void add(struct list *list, const struct other *other)
{
    for (unsigned i = 0; i < list->n; i++) {
        if (!is_same_line(&list->at[i], other))
            continue;
        const double sum = list->at[i].weight + other->weight;
        if (other->weight > list->at[i].weight)
            list->at[i] = *other;
        list->at[i].weight = sum;
        return;
    }
    if (list->n < OTHERS_MAX)
        list->at[list->n++] = *other;
}

/* ---- lines ---- */

/** What a map that says `says` publishes of `inside` when the register holds `times` its number in
 * `holds`. */
static double published(unit_number says, unit_number holds, double times, double inside,
                        unit_number own)
{
    return unit_convert(unit_convert(inside, own, holds) * times, says, own);
}

static void set_line(struct other *other, const struct beside *beside, unit_number holds,
                     double times)
{
    const unit_number own = point_unit(beside->point->number),
                      says = beside->question->channel->unit;
    other->offset = published(says, holds, times, 0.0, own);
    other->ratio = published(says, holds, times, 1.0, own) - other->offset;
}

static double weight_of_unit(const struct beside *beside, unit_number unit)
{
    static const char *const RARE[] = {"kgf/cm2", "at",           "atm",       "Pa",         "mbar",
                                       "K",       "US survey ft", "metric hp", "electric hp"};
    if (unit == beside->value->unit)
        return WEIGHT_SCREEN_UNIT;
    for (size_t i = 0; i < sizeof RARE / sizeof *RARE; i++)
        if (strcmp(unit_get(unit)->name, RARE[i]) == 0)
            return WEIGHT_RARE_UNIT;
    return WEIGHT_OTHER_UNIT;
}

/** A unit that is switched to psi may move the point as well: counts of 0.001 MPa become counts of
 * 1 psi. */
static void add_units(struct list *list)
{
    const struct beside *beside = list->beside;
    const struct channel *channel = beside->question->channel;
    for (unit_number id = 1; id < unit_count(); id++) {
        if (unit_get(id)->kind != beside->point->kind || id == channel->unit)
            continue;
        for (int power = -TENS_MAX; power <= TENS_MAX; power++) {
            const double weight = weight_of_unit(beside, id);
            struct other other =
                plain(beside, COMPARE_BY_UNIT, power == 0 ? weight : weight * MOVED_POINT);
            other.holds = id;
            other.power = power;
            set_line(&other, beside, id, pow(10.0, power));
            if (fabs(other.ratio - 1.0) > 1e-9 ||
                fabs(other.offset) > 1e-9) /* at and kgf/cm2 are one */
                add(list, &other);
        }
    }
}

static void add_twice(struct list *list)
{
    static const uint8_t TWICE[] = {UNIT_PSI_TWICE, UNIT_PSI_TWICE_DOWN, UNIT_MPA_TWICE,
                                    UNIT_DEGF_TWICE};
    for (size_t i = 0; i < sizeof TWICE / sizeof *TWICE; i++) {
        struct other other = plain(list->beside, COMPARE_BY_TWICE, WEIGHT_TWICE);
        other.change = TWICE[i];
        if (unit_change_line(TWICE[i], list->beside->question->channel->unit, &other.ratio,
                             &other.offset))
            add(list, &other);
    }
}

/** What is right in the map's unit already is converted to it once more, as if it were in another:
 * psi to kPa of a number in kPa. */
static void add_once_more(struct list *list)
{
    const struct beside *beside = list->beside;
    const unit_number own = point_unit(beside->point->number),
                      says = beside->question->channel->unit;
    for (unit_number id = 1; id < unit_count(); id++) {
        if (unit_get(id)->kind != beside->point->kind || id == says)
            continue;
        const double weight =
            weight_of_unit(beside, id) < WEIGHT_TWICE ? weight_of_unit(beside, id) : WEIGHT_TWICE;
        for (int power = -TENS_MAX; power <= TENS_MAX;
             power += TENS_MAX) { /* counts of 0.001 MPa are kPa */
            struct other other =
                plain(beside, COMPARE_BY_TWICE, power == 0 ? weight : weight * MOVED_POINT);
            const double ten = pow(10.0, power);
            other.holds = id;
            other.power = power;
            other.offset = unit_convert(unit_convert(0.0, own, says) * ten, id, own);
            other.ratio = unit_convert(unit_convert(1.0, own, says) * ten, id, own) - other.offset;
            if (fabs(other.ratio - 1.0) > 1e-9 || fabs(other.offset) > 1e-9)
                add(list, &other);
        }
    }
}

bool compare_is_trap(const struct channel *channel, int power)
{
    const struct decimal scale = channel->scale;
    return scale.mantissa == 1 && scale.exponent != 0 && power == 2 * scale.exponent;
}

static void add_tens(struct list *list)
{
    for (int power = -2 * TENS_MAX; power <= 2 * TENS_MAX; power++) {
        const bool trap = compare_is_trap(list->beside->question->channel, power);
        if (power == 0 || (abs(power) > TENS_MAX && !trap))
            continue;
        struct other other = plain(list->beside, COMPARE_BY_TEN,
                                   trap              ? WEIGHT_TRAP
                                   : abs(power) == 1 ? WEIGHT_TEN
                                                     : WEIGHT_TENS);
        other.power = power;
        set_line(&other, list->beside, list->beside->question->channel->unit, pow(10.0, power));
        add(list, &other);
    }
}

double compare_atmosphere(const struct compare_question *question, double *slack)
{
    if (isfinite(question->atmosphere_kpa)) {
        *slack = 2.0; /* the weather, and what the unit takes for it */
        return question->atmosphere_kpa;
    }
    *slack = 12.0; /* 80 to 104 kPa: standard atmosphere from 2,000 m (79.5) to sea level (101.3),
                      ISO 2533; and the weather */
    return 92.0;
}

static void add_reference(struct list *list, bool holds_gauge)
{
    const struct beside *beside = list->beside;
    struct other other = plain(beside, COMPARE_BY_REFERENCE, WEIGHT_REFERENCE);
    const double atmosphere = compare_atmosphere(beside->question, &other.slack);
    other.holds_gauge = holds_gauge;
    other.offset = holds_gauge ? -atmosphere : atmosphere;
    add(list, &other);
    if (beside->value->is_blank || beside->value->unit == beside->question->channel->unit)
        return;
    other.weight = WEIGHT_UNIT_AND_REFERENCE; /* and the screen's unit as well */
    other.holds = beside->value->unit;
    const double moved = other.offset;
    set_line(&other, beside, other.holds, 1.0);
    other.offset += moved * other.ratio;
    add(list, &other);
}

static void add_references(struct list *list)
{
    const uint8_t says = list->beside->question->channel->reference;
    const uint8_t typed = list->beside->value->reference;
    const bool is_stated = typed != REFERENCE_NONE && typed != says && says != REFERENCE_UNKNOWN;
    if (list->beside->point->kind != QUANTITY_PRESSURE)
        return;
    if (!is_stated || says == REFERENCE_ABSOLUTE)
        add_reference(list, true);
    if (!is_stated || says == REFERENCE_GAUGE)
        add_reference(list, false);
}

/* ---- other readings of registers ---- */

static void add_orders(struct list *list)
{
    static const uint8_t ORDERS[][2] = {{WORDS_HIGH_FIRST, BYTES_HIGH_FIRST},
                                        {WORDS_LOW_FIRST, BYTES_HIGH_FIRST},
                                        {WORDS_HIGH_FIRST, BYTES_LOW_FIRST},
                                        {WORDS_LOW_FIRST, BYTES_LOW_FIRST}};
    const struct channel *channel = list->beside->question->channel;
    const uint8_t bytes = channel->bytes == BYTES_LOW_FIRST ? BYTES_LOW_FIRST : BYTES_HIGH_FIRST;
    const uint8_t words = channel->words == WORDS_LOW_FIRST ? WORDS_LOW_FIRST : WORDS_HIGH_FIRST;
    if (channel->has_bits)
        return;
    for (size_t i = 0; i < sizeof ORDERS / sizeof *ORDERS; i++) {
        struct other other =
            plain(list->beside, COMPARE_BY_ORDER,
                  channel->n_words > 1 && ORDERS[i][1] == bytes ? WEIGHT_ORDER : WEIGHT_SIGN);
        other.words = ORDERS[i][0];
        other.bytes = ORDERS[i][1];
        const bool is_own = other.words == words && other.bytes == bytes;
        if (!is_own && (channel->n_words > 1 || other.words == words))
            add(list, &other);
    }
    static const uint8_t SIGNS[][2] = {
        {TYPE_U16, TYPE_S16}, {TYPE_S16, TYPE_U16}, {TYPE_U32, TYPE_S32}, {TYPE_S32, TYPE_U32}};
    for (size_t i = 0; i < sizeof SIGNS / sizeof *SIGNS; i++) {
        if (channel->type != SIGNS[i][0])
            continue;
        struct other other = plain(list->beside, COMPARE_BY_ORDER, WEIGHT_SIGN);
        other.type = SIGNS[i][1];
        add(list, &other);
    }
}

static void add_neighbours(struct list *list)
{
    for (int shift = -1; shift <= 1; shift += 2) {
        struct other other = plain(list->beside, COMPARE_BY_NEIGHBOUR, WEIGHT_NEIGHBOUR);
        other.shift = shift;
        add(list, &other);
    }
}

static void add_channels(struct list *list)
{
    const struct map *map = list->beside->question->map;
    unsigned n = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (unsigned i = 0; i < map->n_channels; i++) {
            const struct channel *channel = &map->channel[i];
            const struct point *point = point_get(channel->point);
            if (channel->point == list->beside->question->channel->point || point == NULL ||
                point->kind != list->beside->point->kind || !compare_takes(channel))
                continue;
            if (pass == 0) {
                n++;
                continue;
            }
            struct other other = plain(list->beside, COMPARE_BY_CHANNEL, WEIGHT_CHANNEL / n);
            other.channel = channel;
            other.map = map;
            other.type = channel->type;
            other.words = channel->words;
            other.bytes = channel->bytes;
            add(list, &other);
        }
    }
}

/** One row for every scan away from the instant; the newest first, so that the nearest in time is
 * named. */
static void add_times(struct list *list)
{
    const struct compare_question *question = list->beside->question;
    unsigned n = 0;
    for (unsigned i = 0; i < question->n_scans; i++)
        n += question->scan[i]->begun.boot_ms < list->beside->from_ms ||
             question->scan[i]->begun.boot_ms > list->beside->to_ms;
    for (unsigned i = question->n_scans; i-- > 0;) {
        const int64_t at_ms = question->scan[i]->begun.boot_ms;
        if (at_ms >= list->beside->from_ms && at_ms <= list->beside->to_ms)
            continue;
        struct other other = plain(list->beside, COMPARE_BY_TIME, WEIGHT_TIME / n);
        other.at_ms = at_ms;
        add(list, &other);
    }
}

unsigned others_make(const struct beside *beside, struct other into[static OTHERS_MAX])
{
    struct list list = {.beside = beside, .at = into};
    add_units(&list);
    add_twice(&list);
    add_tens(&list);
    add_once_more(&list);
    add_references(&list);
    add_orders(&list);
    add_neighbours(&list);
    add_channels(&list);
    add_times(&list);
    return list.n;
}

/* ---- what would be shown ---- */

bool compare_words_at(const struct scan *scan, uint8_t table, int first, unsigned n,
                      uint16_t *words)
{
    if (first < 0 || table < TABLE_HOLDING || n == 0 || n > 4)
        return false;
    for (unsigned i = scan->n_blocks;
         i-- > 0;) { /* the newest answer of a range that was read twice */
        const struct block *block = &scan->block[i];
        if (block->function != table || block->exception != 0 || first < block->first ||
            first + (int)n > block->first + block->count)
            continue;
        const unsigned at = block->at + (unsigned)(first - block->first);
        if (at + n > scan->n_words)
            continue;
        memcpy(words, scan->words + at, n * sizeof *words);
        return true;
    }
    return false;
}

double other_value(const struct other *other, const struct scan *scan)
{
    uint16_t words[4];
    struct channel read_so = *other->channel;
    struct decoded decoded;
    if (other->map != NULL && other->channel->setting != 0)
        (void)channel_as_set(other->map, other->channel, scan, &read_so);
    if (!compare_words_at(scan, read_so.table, read_so.address + other->shift, read_so.n_words,
                          words))
        return NAN;
    read_so.type = other->type;
    read_so.words = other->words;
    read_so.bytes = other->bytes;
    decode_channel(&read_so, words, &decoded);
    if (decoded.verdict != DECODE_VALUE && decoded.verdict != DECODE_LIMITED)
        return NAN;
    return (decoded.value - other->offset) / other->ratio;
}
