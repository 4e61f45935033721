/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_judge.c - a screen's number against the scans around an instant (pure).
 *
 * The tolerance is one of the screen's last digit (it may cut instead of round), one count of the
 * registers, a rounded factor in the unit's firmware, and all that the value did around the
 * instant. The gauge's accuracy isn't in it: screen and registers show the same measurement.
 *
 * What may be wrong instead is weighed by Bayes' rule: weight x 1 / width of what it would let
 * pass, against "something unknown" over the whole range. So what fits by a wide tolerance, or as
 * one of many candidates, counts for little.
 */
#include "compare_inside.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define READ_MS 10000       /* from looking at the screen to the key */
#define SEEN_EVERY_MS 2000  /* scans are committed once a second, and looked at as often */
#define MOVES_OF_VALUE 0.05 /* around an instant, of the value ... */
#define MOVES_OF_RANGE 0.02 /* ... or of the typical range: common practice, no source */
#define WEIGHT_UNKNOWN 0.02
#define SHOWN 0.02      /* share below which a cause isn't shown */
#define RIVAL_PERCENT 5 /* from this share on a second cause is said beside the first */
#define PERCENT_MOST 99

const char *compare_verdict_name(uint8_t verdict)
{
    static const char *const NAMES[] = {"nothing",   "same",   "same_or",    "cause",   "causes",
                                        "different", "marker", "not_fitted", "no_value"};
    return verdict < sizeof NAMES / sizeof *NAMES ? NAMES[verdict] : "unknown";
}

const char *compare_kind_name(uint8_t kind)
{
    static const char *const NAMES[] = {"none",  "unit",      "twice",   "ten", "reference",
                                        "order", "neighbour", "channel", "time"};
    return kind < sizeof NAMES / sizeof *NAMES ? NAMES[kind] : "unknown";
}

bool compare_takes(const struct channel *channel)
{
    const struct point *point = point_get(channel->point);
    return point != NULL && point->kind != QUANTITY_STATE && point->kind != QUANTITY_COUNT &&
           point->kind != QUANTITY_NONE && channel->type != TYPE_TEXT && channel->n_values == 0 &&
           channel->n_words <= 4 && channel->table >= TABLE_HOLDING;
}

/* ---- what is held against what ---- */

/** Lowest and highest of what would be shown around the instant, and what it would be nearest to
 * it. */
struct span {
    double low, high, nearest, largest_step;
    unsigned n;
};

static bool is_around(const struct beside *beside, const struct scan *scan)
{
    return scan->begun.boot_ms >= beside->from_ms && scan->begun.boot_ms <= beside->to_ms;
}

/** What a well may move by around the instant, and no more: registers that are read wrongly jump
 * from anything to anything. */
static double most_movement(const struct beside *beside)
{
    return fmax(MOVES_OF_VALUE * fabs(beside->screen),
                MOVES_OF_RANGE * (beside->point->typical_high - beside->point->typical_low));
}

static void look_around(const struct beside *beside, const struct other *other, struct span *span)
{
    const struct compare_question *question = beside->question;
    int64_t nearest_ms = INT64_MAX;
    double before = NAN;
    *span = (struct span){INFINITY, -INFINITY, NAN, 0.0, 0};
    for (unsigned i = 0; i < question->n_scans; i++) {
        const struct scan *scan = question->scan[i];
        const bool is_meant = other->kind == COMPARE_BY_TIME ? scan->begun.boot_ms == other->at_ms
                                                             : is_around(beside, scan);
        const double value = other_value(other, scan);
        if (isfinite(value) && isfinite(before) && fabs(value - before) > span->largest_step)
            span->largest_step = fabs(value - before);
        if (isfinite(value))
            before = value;
        if (!is_meant || !isfinite(value))
            continue;
        const int64_t away_ms = llabs(scan->begun.boot_ms - question->instant_ms);
        span->n++;
        span->low = fmin(span->low, value);
        span->high = fmax(span->high, value);
        if (away_ms <= nearest_ms) {
            nearest_ms = away_ms;
            span->nearest = value;
        }
    }
    span->low = fmax(span->low, span->nearest - most_movement(beside));
    span->high = fmin(span->high, span->nearest + most_movement(beside));
}

/** Half of what it lets pass beyond the span. */
static double tolerance_of(const struct beside *beside, const struct other *other,
                           const struct span *span)
{
    const uint32_t seen_every_ms =
        beside->question->poll_ms > SEEN_EVERY_MS ? beside->question->poll_ms : SEEN_EVERY_MS;
    const bool misses_refreshes =
        seen_every_ms > beside->question->refresh_ms && other->kind != COMPARE_BY_TIME;
    return beside->step + beside->slack + (beside->count + other->slack) / fabs(other->ratio) +
           ROUNDED_FACTOR * fabs(beside->screen) +
           (misses_refreshes ? fmin(span->largest_step, most_movement(beside)) : 0.0);
}

/** Density with which it would give what the screen says; 0: it doesn't fit. */
static double density_of(const struct beside *beside, const struct other *other)
{
    struct span span;
    look_around(beside, other, &span);
    if (span.n == 0 || !isfinite(beside->screen))
        return 0.0;
    const double tolerance = tolerance_of(beside, other, &span);
    if (beside->screen < span.low - tolerance || beside->screen > span.high + tolerance)
        return 0.0;
    return 1.0 / (span.high - span.low + 2.0 * tolerance + 1e-12);
}

static double width_of_the_unknown(const struct beside *beside)
{
    const struct channel *channel = beside->question->channel;
    double width = beside->point->typical_high - beside->point->typical_low;
    if (channel->has_instrument_range)
        width = fmax(width, channel->instrument_high - channel->instrument_low);
    return fmax(width, 2.0 * fabs(beside->screen)) + 1e-9;
}

/* ---- the verdict ---- */

static struct beside beside_make(const struct compare_question *question,
                                 const struct screen_value *value)
{
    struct beside beside = {
        .question = question, .value = value, .point = point_get(question->channel->point)};
    const uint8_t says = question->channel->reference;
    const int64_t around_ms = (int64_t)question->poll_ms + READ_MS;
    beside.screen = screen_value_inside(value, question->channel->point, &beside.step);
    beside.count = channel_resolution(question->channel);
    beside.from_ms = question->instant_ms - around_ms;
    beside.to_ms = question->instant_ms + around_ms;
    const bool is_other = !value->is_blank && value->reference != REFERENCE_NONE &&
                          (says == REFERENCE_ABSOLUTE || says == REFERENCE_GAUGE) &&
                          says != value->reference;
    if (is_other) {
        const double atmosphere = compare_atmosphere(question, &beside.slack);
        beside.screen += says == REFERENCE_ABSOLUTE ? atmosphere : -atmosphere;
    }
    for (unsigned i = 0; i < question->n_scans; i++) {
        uint16_t words[4];
        beside.n_around +=
            is_around(&beside, question->scan[i]) &&
            compare_words_at(question->scan[i], question->channel->table,
                             question->channel->address, question->channel->n_words, words);
    }
    return beside;
}

/** What the newest scan around the instant says of the channel by itself. */
static uint8_t verdict_of_words(const struct beside *beside)
{
    const struct compare_question *question = beside->question;
    uint16_t words[4];
    struct decoded decoded;
    for (unsigned i = question->n_scans; i-- > 0;) {
        if (!is_around(beside, question->scan[i]) ||
            !compare_words_at(question->scan[i], question->channel->table,
                              question->channel->address, question->channel->n_words, words))
            continue;
        decode_channel(question->channel, words, &decoded);
        return decoded.verdict;
    }
    return DECODE_UNDECODABLE;
}

/** Puts those that fit, likeliest first, into the result's causes; returns their share against the
 * unknown. */
static double weigh(const struct beside *beside, bool is_same,
                    struct other kept[static COMPARE_CAUSES_MAX], struct compare_result *out)
{
    struct other others[OTHERS_MAX];
    double share[COMPARE_CAUSES_MAX] = {0}, total = 0.0;
    const unsigned n = others_make(beside, others);
    for (unsigned i = 0; i < n; i++) {
        /* Beside what is the same neither a neighbour with the same number says anything, nor, of a
         * vibration with two digits, that 0.01 m/s2 are nearly 0.001 g; that 0.01 kgf/cm2 are
         * nearly 0.001 MPa does. */
        const bool is_far_fetched = beside->point->kind != QUANTITY_PRESSURE &&
                                    others[i].power != 0 && others[i].kind != COMPARE_BY_TEN;
        if (is_same && (others[i].kind > COMPARE_BY_REFERENCE || is_far_fetched))
            continue;
        const double own = others[i].weight * density_of(beside, &others[i]);
        total += own;
        unsigned place = out->n_causes;
        if (own <= 0.0 || (place == COMPARE_CAUSES_MAX && own <= share[place - 1]))
            continue;
        if (place == COMPARE_CAUSES_MAX)
            place--;
        else
            out->n_causes++;
        for (; place > 0 && share[place - 1] < own; place--) {
            share[place] = share[place - 1];
            kept[place] = kept[place - 1];
        }
        share[place] = own;
        kept[place] = others[i];
    }
    const double all = total + WEIGHT_UNKNOWN / width_of_the_unknown(beside);
    for (unsigned i = 0; i < out->n_causes; i++) {
        const double percent = 100.0 * share[i] / all;
        out->cause[i].percent = percent > PERCENT_MOST ? PERCENT_MOST
                                : percent < 1.0        ? 1
                                                       : (unsigned)(percent + 0.5);
        if (!is_same && share[i] < SHOWN * all) {
            out->n_causes = i;
            break;
        }
    }
    return total / all;
}

/** `known`: share of all that is known here against something unknown. */
static uint8_t conclusion(double known, const struct compare_result *result)
{
    if (result->n_causes == 0 || known < 0.5)
        return COMPARE_DIFFERENT;
    return result->n_causes == 1 || result->cause[1].percent < RIVAL_PERCENT ? COMPARE_CAUSE
                                                                             : COMPARE_CAUSES;
}

static void judge_numbers(const struct beside *beside, struct other *kept,
                          struct compare_result *out)
{
    struct other as_is = {.kind = 0, .ratio = 1.0, .channel = beside->question->channel};
    struct span span;
    as_is.type = as_is.channel->type;
    as_is.words = as_is.channel->words;
    as_is.bytes = as_is.channel->bytes;
    look_around(beside, &as_is, &span);
    out->uphole = span.nearest;
    out->difference = span.nearest - beside->screen;
    out->tolerance =
        tolerance_of(beside, &as_is, &span) + (span.n > 0 ? span.high - span.low : 0.0);
    if (beside->point->kind != QUANTITY_TEMPERATURE && fabs(beside->screen) > 0.0)
        out->ratio = span.nearest / beside->screen;
    const bool is_same = density_of(beside, &as_is) > 0.0;
    const double known = weigh(beside, is_same, kept, out);
    if (!is_same) {
        out->verdict = conclusion(known, out);
        return;
    }
    out->verdict = out->n_causes > 0 ? COMPARE_SAME_OR : COMPARE_SAME;
    out->can_confirm = true;
    for (unsigned i = 0; i < out->n_causes; i++)
        out->can_confirm =
            out->can_confirm && kept[i].kind == COMPARE_BY_REFERENCE && kept[i].holds == 0;
}

/** The question with the channel as the unit-setting register of the newest scan has it. */
static const struct compare_question *as_set(const struct compare_question *question,
                                             struct compare_question *copy, struct channel *channel)
{
    if (question->channel->setting == 0 || question->n_scans == 0)
        return question;
    *copy = *question;
    (void)channel_as_set(question->map, question->channel, question->scan[question->n_scans - 1],
                         channel);
    copy->channel = channel;
    return copy;
}

void compare_judge(const struct compare_question *asked, const struct screen_value *value,
                   struct compare_result *out)
{
    struct compare_question copy;
    struct channel channel;
    const struct compare_question *question = as_set(asked, &copy, &channel);
    struct other kept[COMPARE_CAUSES_MAX] = {0};
    const struct beside beside = beside_make(question, value);
    memset(out, 0, sizeof *out);
    out->screen = beside.screen;
    out->uphole = out->difference = out->tolerance = out->ratio = NAN;
    const uint8_t words_say = verdict_of_words(&beside);
    const bool is_silent = question->quality == QUALITY_LINE_DOWN ||
                           question->quality == QUALITY_GAUGE_SILENT ||
                           question->quality == QUALITY_STARTING;
    if (beside.n_around == 0 || is_silent || words_say == DECODE_FAULT) {
        out->verdict = COMPARE_NO_VALUE;
    } else if (words_say == DECODE_NOT_FITTED && value->is_blank) {
        out->verdict = COMPARE_NOT_FITTED;
    } else {
        judge_numbers(&beside, kept, out);
        if (compare_shows_marker(&beside, out->uphole)) {
            out->verdict = COMPARE_MARKER;
            out->can_confirm = false;
            out->n_causes = 0;
        } else if (value->is_blank) {
            out->verdict = COMPARE_DIFFERENT;
            out->can_confirm = false;
            out->n_causes = 0;
        }
    }
    for (unsigned i = 0; i < out->n_causes; i++) {
        const bool is_line = kept[i].kind <= COMPARE_BY_REFERENCE;
        out->cause[i].kind = kept[i].kind;
        out->cause[i].ratio = is_line ? kept[i].ratio : NAN;
        out->cause[i].offset = is_line ? kept[i].offset : NAN;
        other_in_words(&beside, &kept[i], &out->cause[i]);
    }
    compare_in_words(&beside, kept, out);
}

bool compare_is_settled(const struct compare_question *question,
                        const struct compare_result *result)
{
    if (result->verdict == COMPARE_SAME || result->verdict == COMPARE_SAME_OR ||
        result->verdict == COMPARE_MARKER || result->verdict == COMPARE_NOT_FITTED)
        return true;
    for (unsigned i = 0; i < question->n_scans; i++)
        if (question->scan[i]->begun.boot_ms >= question->instant_ms)
            return true;
    return false;
}
