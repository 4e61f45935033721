/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_causes.c - each thing that may be wrong, in a name and a sentence (pure).
 */
#include "compare_inside.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void compare_append(char *into, size_t room, const char *format, ...)
{
    const size_t used = strlen(into);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(into + used, room - used, format, arguments);
    va_end(arguments);
}

static const char *unit_name(unit_number unit)
{
    return unit_get(unit)->name;
}

static const char *map_unit(const struct beside *beside)
{
    return unit_name(beside->question->channel->unit);
}

/** "psi", "0.1 psi": what one count stands for if the register's number is that of `unit` times ten
 * to the `power`. */
static void count_in_words(const struct channel *channel, unit_number unit, int power, char *into,
                           size_t room)
{
    const double count = decimal_to_double(
        (struct decimal){channel->scale.mantissa, channel->scale.exponent - power});
    if (fabs(count - 1.0) > 1e-12)
        compare_append(into, room, "%.7g ", count);
    compare_append(into, room, "%s", unit_name(unit));
}

/** The unit of which the map's count is one, as kPa of 0.001 MPa; 0: none. */
static unit_number unit_of_count(const struct channel *channel)
{
    const double scale = decimal_to_double(channel->scale);
    const enum quantity kind = unit_get(channel->unit)->kind;
    for (unit_number id = 1; kind != QUANTITY_TEMPERATURE && id < unit_count(); id++)
        if (unit_get(id)->kind == kind &&
            fabs(unit_convert(scale, channel->unit, id) - 1.0) < 1e-12)
            return id;
    return 0;
}

static void by_unit(const struct beside *beside, const struct other *other,
                    struct compare_cause *into)
{
    const struct channel *channel = beside->question->channel;
    const double ten = log10(other->ratio);
    char holds[40] = "", says[60] = "";
    const unit_number whole = unit_of_count(channel);
    if (other->power == 0) {
        SAY(holds, "%s", unit_name(other->holds));
        SAY(says, "%s", map_unit(beside));
    } else {
        count_in_words(channel, other->holds, other->power, holds, sizeof holds);
        if (whole != 0)
            SAY(says, "%s (", unit_name(whole));
        count_in_words(channel, channel->unit, 0, says, sizeof says);
        if (whole != 0)
            SAY(says, ")");
    }
    SAY(into->name, "%s, map says %s", holds, says);
    SAY(into->sentence, "The register holds %s%s, and the map says %s",
        other->power != 0 ? "counts of " : "", holds, says);
    if (other->holds == point_unit(beside->point->number) && other->power == 0)
        SAY(into->sentence,
            ": it is converted twice, once by the surface unit and once by the map");
    if (fabs(other->offset) < 1e-9 && fabs(ten - nearbyint(ten)) < 1e-9)
        SAY(into->sentence, "; or the map's scale is too %s by that factor",
            ten > 0 ? "large" : "small");
    SAY(into->sentence, ".");
}

static void by_twice(const struct beside *beside, const struct other *other,
                     struct compare_cause *into)
{
    const struct screen_value *value = beside->value;
    if (other->holds == 0) {
        SAY(into->name, "%s", unit_change_name(other->change));
        SAY(into->sentence,
            "The value was converted too often on its way into the register, as if from %s; the "
            "map says %s.",
            unit_change_name(other->change), map_unit(beside));
        return;
    }
    const unit_number whole = other->power != 0 ? unit_of_count(beside->question->channel) : 0;
    const char *says = whole != 0 ? unit_name(whole) : map_unit(beside);
    SAY(into->name, "converted once more, as from %s to %s", unit_name(other->holds), says);
    SAY(into->sentence,
        "The value was converted on its way into the register, as from %s, though it was in %s "
        "already",
        unit_name(other->holds), says);
    if (strcmp(unit_name(value->unit), says) == 0)
        SAY(into->sentence, "; or the screen's number is in %s", unit_name(other->holds));
    SAY(into->sentence, ".");
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
    if (compare_is_trap(channel, other->power))
        SAY(into->sentence, "; \"x10\" in a document mostly means that the register holds ten "
                            "times the value, so divide");
    SAY(into->sentence, ".");
}

static const char *reference_name(uint8_t reference)
{
    return reference == REFERENCE_GAUGE      ? "gauge"
           : reference == REFERENCE_ABSOLUTE ? "absolute"
                                             : "unknown";
}

static void by_reference(const struct beside *beside, const struct other *other,
                         struct compare_cause *into)
{
    const uint8_t says = beside->question->channel->reference;
    const char *holds = other->holds_gauge ? "gauge" : "absolute",
               *shows = other->holds_gauge ? "absolute" : "gauge";
    const bool map_is_right = says == (other->holds_gauge ? REFERENCE_GAUGE : REFERENCE_ABSOLUTE);
    const char *unit = other->holds != 0 ? unit_name(other->holds) : "",
               *and = other->holds != 0 ? " and " : "";
    if (map_is_right) {
        SAY(into->name, "%s%sthe screen shows %s pressure", unit, and, shows);
        SAY(into->sentence,
            "The screen shows %s pressure, and the registers hold %s, as the map says", shows,
            holds);
        if (other->holds != 0)
            SAY(into->sentence, ", but in %s, where the map says %s", unit, map_unit(beside));
    } else {
        SAY(into->name, "%s%s%s pressure, map says %s", unit, and, holds, reference_name(says));
        SAY(into->sentence, "The register holds %s%s%s pressure, and the map says %s%s%s", unit,
            other->holds != 0 ? " of " : "", holds, other->holds != 0 ? map_unit(beside) : "",
            other->holds != 0 ? " " : "", reference_name(says));
    }
    SAY(into->sentence, ": one atmosphere%s lies between them.",
        isfinite(beside->question->atmosphere_kpa) ? "" : " (local_atmosphere isn't stated)");
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
