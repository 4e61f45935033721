/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_words.c - a comparison in words: the calculator check, the verdict, and what to look at
 * next, cheapest first (pure).
 */
#include "compare_inside.h"

#include "uphole/commission.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/** Appends; what is over the room is cut. */
__attribute__((format(printf, 3, 4))) static void append(char *into, size_t room,
                                                         const char *format, ...)
{
    const size_t used = strlen(into);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(into + used, room - used, format, arguments);
    va_end(arguments);
}
#define SAY(into, ...) append((into), sizeof(into), __VA_ARGS__)

/** A number with as many digits as say something beside `step`. */
static void number(double value, double step, char into[static NUMBER_TEXT_MAX])
{
    double shown = step > 0.0 ? pow(10.0, floor(log10(step) + 1e-9) - 1.0) : 0.0;
    if (shown > 1.0)
        shown = 1.0;
    if (step > 0.0 && shown < 1e-6)
        shown = 1e-6;
    if (number_to_text(value, shown, into) == 0)
        snprintf(into, NUMBER_TEXT_MAX, "-");
}

static void factor(double value, char into[static NUMBER_TEXT_MAX])
{
    snprintf(into, NUMBER_TEXT_MAX, "%.7g", value);
}

static double step_shown(const struct beside *beside)
{
    const double step = fmax(beside->count, beside->step);
    return step > 0.0 && isfinite(step) ? step : beside->point->resolution;
}

/** "x 6.894757", "/ 1000", "" for a ratio of 1; "+ 32", "- 101.3". */
static void line_in_words(double ratio, double offset, char *into, size_t room)
{
    char text[NUMBER_TEXT_MAX];
    const double inverse = 1.0 / ratio;
    if (fabs(ratio) < 1.0 && fabs(inverse - nearbyint(inverse)) < 1e-9 * fabs(inverse)) {
        factor(inverse, text);
        append(into, room, " / %s", text);
    } else if (fabs(ratio - 1.0) > 1e-9) {
        factor(ratio, text);
        append(into, room, " x %s", text);
    }
    factor(fabs(offset), text);
    if (fabs(offset) > 1e-9)
        append(into, room, " %c %s", offset < 0 ? '-' : '+', text);
}

/** "1790 psi x 6.894757 = 12341.6 kPa" */
static void screen_in_words(const struct beside *beside, char *into, size_t room)
{
    const unit_number own = point_unit(beside->point->number), unit = beside->value->unit;
    char text[NUMBER_TEXT_MAX];
    append(into, room, "%s", beside->value->text);
    const double plain = screen_value_inside(beside->value, beside->point->number, NULL),
                 moved = beside->screen - plain;
    if (strcmp(unit_get(unit)->name, "degF") == 0 && strcmp(unit_get(own)->name, "degC") == 0) {
        into[0] = '\0';
        append(into, room, "(%s - 32) x 5/9", beside->value->text);
    } else if (unit != own) {
        const double offset = unit_convert(0.0, unit, own);
        line_in_words(unit_convert(1.0, unit, own) - offset, offset, into, room);
    }
    if (moved != 0.0)
        append(into, room, " %c %.4g (atmosphere)", moved < 0 ? '-' : '+', fabs(moved));
    if (unit == own && moved == 0.0)
        return;
    number(beside->screen, step_shown(beside), text);
    append(into, room, " = %s %s", text, beside->point->unit);
}

/* ---- causes ---- */

static const char *unit_name(unit_number unit)
{
    return unit_get(unit)->name;
}

static const char *map_unit(const struct beside *beside)
{
    return unit_name(beside->question->channel->unit);
}

static void by_unit(const struct beside *beside, const struct other *other,
                    struct compare_cause *into)
{
    const double ten = log10(other->ratio);
    SAY(into->name, "%s, map says %s", unit_name(other->holds), map_unit(beside));
    SAY(into->sentence, "The register holds %s, and the map says %s", unit_name(other->holds),
        map_unit(beside));
    if (other->holds == point_unit(beside->point->number))
        SAY(into->sentence,
            ": it is converted twice, once by the surface unit and once by the map");
    if (fabs(other->offset) < 1e-9 && fabs(ten - nearbyint(ten)) < 1e-9)
        SAY(into->sentence, "; or the map's scale is %s",
            ten > 0 ? "too large by that factor" : "too small by that factor");
    SAY(into->sentence, ".");
}

static void by_twice(const struct beside *beside, const struct other *other,
                     struct compare_cause *into)
{
    SAY(into->name, "%s", unit_change_name(other->change));
    SAY(into->sentence, "As if %s, where the map says %s.", unit_change_name(other->change),
        map_unit(beside));
}

static void by_ten(const struct beside *beside, const struct other *other,
                   struct compare_cause *into)
{
    const struct channel *channel = beside->question->channel;
    const int power = abs(other->power);
    SAY(into->name, "%.0f times too %s", pow(10.0, power), other->power > 0 ? "large" : "small");
    SAY(into->sentence,
        "Uphole's number is %.0f times too %s: the map's scale, %.7g, should be %.7g",
        pow(10.0, power), other->power > 0 ? "large" : "small", decimal_to_double(channel->scale),
        decimal_to_double(
            (struct decimal){channel->scale.mantissa, channel->scale.exponent - other->power}));
    SAY(into->sentence, "; \"x10\" in a document mostly means that the register holds ten times "
                        "the value, so divide.");
}

static void by_reference(const struct beside *beside, const struct other *other,
                         struct compare_cause *into)
{
    const uint8_t says = beside->question->channel->reference;
    const char *holds = other->holds_gauge ? "gauge" : "absolute";
    const char *map = says == REFERENCE_ABSOLUTE ? "absolute"
                      : says == REFERENCE_GAUGE  ? "gauge"
                                                 : "unknown";
    SAY(into->name, "%s%s%s pressure, map says %s",
        other->holds != 0 ? unit_name(other->holds) : "", other->holds != 0 ? " and " : "", holds,
        map);
    SAY(into->sentence,
        "The register holds %s%s%s pressure, and the map says %s%s%s: one atmosphere%s between "
        "them.",
        other->holds != 0 ? unit_name(other->holds) : "", other->holds != 0 ? " of " : "", holds,
        other->holds != 0 ? map_unit(beside) : "", other->holds != 0 ? " " : "", map,
        isfinite(beside->question->atmosphere_kpa) ? " (local_atmosphere)"
                                                   : " (local_atmosphere isn't stated)");
}

static void by_order(const struct beside *beside, const struct other *other,
                     struct compare_cause *into)
{
    const struct channel *channel = beside->question->channel;
    if (other->type != channel->type) {
        SAY(into->name, "%s, map says %s", register_type_name(other->type),
            register_type_name(channel->type));
        SAY(into->sentence, "Read as %s it would be the screen's value; the map says %s.",
            register_type_name(other->type), register_type_name(channel->type));
        return;
    }
    const char *words = channel->n_words < 2              ? ""
                        : other->words == WORDS_LOW_FIRST ? "low word first"
                                                          : "high word first";
    const char *bytes = other->bytes == BYTES_LOW_FIRST ? "bytes swapped" : "";
    SAY(into->name, "%s%s%s", words, *words != '\0' && *bytes != '\0' ? ", " : "",
        *words == '\0' && *bytes == '\0' ? "bytes not swapped" : bytes);
    SAY(into->sentence,
        "Read with %s it would be the screen's value; correct `words` or `bytes` in the map.",
        into->name);
}

static void by_neighbour(const struct other *other, struct compare_cause *into)
{
    const int address = other->channel->address + other->shift;
    SAY(into->name, "the register %s", other->shift < 0 ? "before" : "behind");
    SAY(into->sentence,
        "The register %s (%d, counted from 0) holds the screen's value: addresses may be off by "
        "one; compare `numbering` with the document.",
        other->shift < 0 ? "before" : "behind", address);
}

static void by_channel(const struct other *other, struct compare_cause *into)
{
    const char *id = point_get(other->channel->point)->id;
    SAY(into->name, "the value of %s", id);
    SAY(into->sentence,
        "That is what Uphole shows for %s: two rows of the screen, or of the map, may be "
        "exchanged.",
        id);
}

static void by_time(const struct beside *beside, const struct other *other,
                    struct compare_cause *into)
{
    char text[STAMP_TEXT_MAX];
    const int64_t away_ms = beside->question->instant_ms - other->at_ms;
    duration_to_text(llabs(away_ms), text);
    SAY(into->name, "the scan %s %s", text, away_ms > 0 ? "before" : "after");
    SAY(into->sentence,
        "That was Uphole's value %s %s: the screen stands still, or was read at another moment.",
        text, away_ms > 0 ? "before" : "later");
}

void other_in_words(const struct beside *beside, const struct other *other,
                    struct compare_cause *into)
{
    into->name[0] = into->sentence[0] = '\0';
    switch (other->kind) {
    case COMPARE_BY_UNIT:
        by_unit(beside, other, into);
        break;
    case COMPARE_BY_TWICE:
        by_twice(beside, other, into);
        break;
    case COMPARE_BY_TEN:
        by_ten(beside, other, into);
        break;
    case COMPARE_BY_REFERENCE:
        by_reference(beside, other, into);
        break;
    case COMPARE_BY_ORDER:
        by_order(beside, other, into);
        break;
    case COMPARE_BY_NEIGHBOUR:
        by_neighbour(other, into);
        break;
    case COMPARE_BY_CHANNEL:
        by_channel(other, into);
        break;
    default:
        by_time(beside, other, into);
        break;
    }
}

/* ---- the calculator check ---- */

/** Words as read and, where there are two, all four decodings. */
static void registers_in_words(const struct beside *beside, struct compare_result *result)
{
    const struct channel *channel = beside->question->channel;
    uint16_t words[4];
    for (unsigned i = beside->question->n_scans; i-- > 0;) {
        if (!compare_words_at(beside->question->scan[i], channel->table, channel->address,
                              channel->n_words, words))
            continue;
        SAY(result->working,
            ". Register%s %u, counted from 0:", channel->n_words > 1 ? "s from" : "",
            channel->address);
        for (unsigned w = 0; w < channel->n_words; w++)
            SAY(result->working, " 0x%04X", words[w]);
        char all[200];
        if (channel->n_words == 2) {
            decodings_to_text(words, all, sizeof all);
            SAY(result->working, ": %s", all);
        }
        return;
    }
}

static void working_in_words(const struct beside *beside, const struct other *other,
                             struct compare_result *result)
{
    char text[NUMBER_TEXT_MAX];
    const double step = step_shown(beside);
    screen_in_words(beside, result->working, sizeof result->working);
    number(result->uphole, step, text);
    if (isfinite(result->uphole))
        SAY(result->working, "; Uphole shows %s %s", text, beside->point->unit);
    else
        SAY(result->working, "; Uphole reads no value");
    if (result->verdict == COMPARE_SAME || result->verdict == COMPARE_SAME_OR) {
        char apart[NUMBER_TEXT_MAX], most[NUMBER_TEXT_MAX];
        number(fabs(result->difference), step / 10.0, apart);
        number(result->tolerance, step / 10.0, most);
        SAY(result->working, ": %s apart, of %s that digits and movement explain", apart, most);
        return;
    }
    if (isfinite(result->ratio) && result->ratio > 0.0) {
        factor(result->ratio, text);
        SAY(result->working, ": %.4g times", result->ratio);
    }
    if (other == NULL)
        return;
    if (other->kind <= COMPARE_BY_REFERENCE) {
        number(beside->screen, step, text);
        SAY(result->working, ". %s %s", text, beside->point->unit);
        line_in_words(other->ratio, other->offset, result->working, sizeof result->working);
        number(beside->screen * other->ratio + other->offset, step * fmin(1.0, fabs(other->ratio)),
               text);
        SAY(result->working, " = %s", text);
    } else if (other->kind == COMPARE_BY_ORDER) {
        registers_in_words(beside, result);
    }
}

/* ---- what to look at ---- */

static void check(struct compare_result *result, const char *sentence)
{
    if (result->n_checks < COMPARE_CHECKS_MAX)
        snprintf(result->check[result->n_checks++], sizeof result->check[0], "%s", sentence);
}

static const char *const CHECK_OF[][2] = {
    [COMPARE_BY_UNIT] = {"Look at the unit that the screen shows behind the number once more.",
                         "Look up the surface unit's setting of units; other pressures or "
                         "temperatures will be off by the same factor."},
    [COMPARE_BY_TWICE] = {"Look at the unit that the screen shows behind the number once more.",
                          "See whether something between the gauge and these registers converts as "
                          "well: the surface unit, and the drive if it relays."},
    [COMPARE_BY_TEN] = {"Count the digits on the screen, and where its point stands.",
                        "Compare the map's `scale` with the document's line for this register."},
    [COMPARE_BY_REFERENCE] =
        {"See whether the screen says gauge or absolute, as in psig or psia.",
         "Ask the surface unit's document which it serves, and correct `reference` in the map."},
    [COMPARE_BY_ORDER] =
        {"Compare a second channel of the same type: all will be read wrongly alike.",
         "Correct the map, and ask `uphole read` for all four orders side by side."},
    [COMPARE_BY_NEIGHBOUR] =
        {"Compare the next channel: if addresses are off by one, its value is a register away too.",
         "Compare the map's `numbering` with the document: does it count from 0, from 1, or as "
         "4xxxx?"},
    [COMPARE_BY_CHANNEL] = {"Read the name of the row on the screen once more.",
                            "Compare the address of both channels with the document."},
    [COMPARE_BY_TIME] = {"Watch the screen for a minute: does its number move when Uphole's does?",
                         "Compare again, and press Enter while you look at the screen."},
};

static void checks_of_difference(struct compare_result *into)
{
    check(into, "Read the screen again: the row, the number, the unit behind it. Then compare "
                "again while the value is steady.");
    if (!isfinite(into->uphole))
        check(into, "Compare the address of this channel with the document; `uphole read` shows "
                    "its words.");
    else
        check(into, "See whether both numbers move together; if they don't, compare the address "
                    "with the document.");
    check(into, "Compare the other channels first: a fault of the whole map shows in all of them.");
}

/* ---- the verdict ---- */

static void names_of_causes(struct compare_result *result)
{
    for (unsigned i = 0; i < result->n_causes; i++)
        SAY(result->sentence, "%s%s",
            i == 0                      ? ""
            : i + 1 == result->n_causes ? " or "
                                        : ", ",
            result->cause[i].name);
}

static void same_in_words(const struct beside *beside, struct compare_result *result)
{
    SAY(result->sentence, "Same.");
    if (result->verdict == COMPARE_SAME)
        return;
    if (fabs(beside->screen) <= beside->step && beside->point->kind != QUANTITY_TEMPERATURE) {
        SAY(result->sentence,
            " But so small a number is alike in every unit: compare again when it is larger.");
        return;
    }
    SAY(result->sentence, " But these digits would look the same if the registers held ");
    names_of_causes(result);
    SAY(result->sentence, ": more digits%s tell.",
        beside->point->kind == QUANTITY_PRESSURE ? ", or a compare at another pressure," : "");
}

static void marker_in_words(const struct beside *beside, struct compare_result *result)
{
    SAY(result->sentence,
        "No measurement: %s is what surface units send for a sensor that isn't fitted%s.",
        beside->value->is_blank ? "Uphole's number" : beside->value->text,
        isfinite(result->uphole) ? ", and Uphole takes it for a value"
                                 : "; Uphole takes it for that too");
    if (!isfinite(result->uphole))
        return;
    check(result, "See in the well's documents whether this sensor was ordered and fitted.");
    check(result, "State `fitted: {...: no}` for the channel, or add the raw words that `uphole "
                  "read` shows to `not_fitted` in the map.");
}

static void no_value_in_words(const struct beside *beside, struct compare_result *result)
{
    const struct quality_row *row = quality_find(beside->question->quality);
    if (beside->n_around == 0)
        SAY(result->sentence, "Nothing to compare: no scan around this instant holds the channel");
    else
        SAY(result->sentence, "Nothing to compare: Uphole has no value");
    if (row != NULL && quality_class_of(row->code) == QUALITY_CLASS_BAD)
        SAY(result->sentence, " (%s: %s)", row->name, row->meaning);
    SAY(result->sentence, ".");
    check(result, "Ask `uphole status` why, and compare again when there is a value.");
}

void compare_in_words(const struct beside *beside, const struct other *others,
                      struct compare_result *result)
{
    if (result->verdict != COMPARE_NO_VALUE && result->verdict != COMPARE_NOT_FITTED &&
        !beside->value->is_blank)
        working_in_words(beside,
                         result->n_causes > 0 && result->verdict != COMPARE_DIFFERENT ? &others[0]
                                                                                      : NULL,
                         result);
    switch (result->verdict) {
    case COMPARE_SAME:
    case COMPARE_SAME_OR:
        same_in_words(beside, result);
        return;
    case COMPARE_CAUSE:
    case COMPARE_CAUSES:
        if (result->verdict == COMPARE_CAUSE)
            SAY(result->sentence, "Different. %s", result->cause[0].sentence);
        else
            SAY(result->sentence, "Different, and more than one thing would explain it: ");
        if (result->verdict == COMPARE_CAUSES) {
            names_of_causes(result);
            SAY(result->sentence, ".");
        }
        check(result, CHECK_OF[others[0].kind][0]);
        check(result, CHECK_OF[others[0].kind][1]);
        if (result->n_causes > 1 && others[1].kind != others[0].kind)
            check(result, CHECK_OF[others[1].kind][0]);
        return;
    case COMPARE_MARKER:
        marker_in_words(beside, result);
        return;
    case COMPARE_NOT_FITTED:
        SAY(result->sentence, "Same: the screen shows no value, and the registers hold the map's "
                              "sign for a sensor that isn't fitted.");
        return;
    case COMPARE_NO_VALUE:
        no_value_in_words(beside, result);
        return;
    default:
        break;
    }
    if (beside->value->is_blank)
        SAY(result->sentence, "Different: the screen shows no value where Uphole shows one.");
    else if (!isfinite(result->uphole))
        SAY(result->sentence, "Different: the screen shows a value where Uphole reads none (not "
                              "fitted, or no number).");
    else
        SAY(result->sentence, "Different, and the cause is not recognised.");
    checks_of_difference(result);
}
