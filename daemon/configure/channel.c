/* SPDX-License-Identifier: Apache-2.0
 *
 * channel.c - one channel of a map. What a person must know is never guessed: unit, reference of
 * pressures, order of words.
 */
#include "rooms.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *point_name_at(const void *context, int i)
{
    (void)context;
    const struct point *point = i >= 0 ? point_get((unsigned)i + 1) : NULL;
    return point ? point->id : NULL;
}

static bool kind_has_no_unit(enum quantity kind)
{
    return kind == QUANTITY_NONE || kind == QUANTITY_COUNT || kind == QUANTITY_STATE;
}

static bool needs_order_of_words(const struct channel *channel)
{
    return channel->n_words > 1 && channel->type != TYPE_TEXT;
}

/* ---- type, width, orders ---- */

static void bits_read(struct plan_faults *faults, const struct node *node, struct channel *channel)
{
    const struct node *bits = node_find(node, "bits");
    const char *low, *high;
    size_t low_length, high_length;
    uint64_t first, last;
    if (!bits)
        return;
    if (channel->type != TYPE_BITS) {
        fault_at(faults, bits->key, "`bits` is for `type: bits` only");
        return;
    }
    if (!value_span(faults, bits, "bits", &low, &low_length, &high, &high_length))
        return;
    (void)whole_from_text(low, low_length, &first);
    (void)whole_from_text(high, high_length, &last);
    if (last > 31 || channel->table == TABLE_COIL || channel->table == TABLE_DISCRETE) {
        fault_at(faults, bits,
                 "`bits: %.40s` lies outside the registers; expected bits of 0 to 15 (or to 31 of "
                 "two registers)",
                 bits->text);
        return;
    }
    channel->has_bits = true;
    channel->bit_low = (uint8_t)first;
    channel->bit_high = (uint8_t)last;
    channel->n_words = last > 15 ? 2 : 1;
}

static void width_read(struct plan_faults *faults, const struct node *node, struct channel *channel,
                       const char *id)
{
    const struct node *length = node_find(node, "length");
    const bool is_bit = node_find(node, "coil") || node_find(node, "discrete");
    uint64_t registers = 0;
    if (is_bit && channel->type == TYPE_NONE)
        channel->type = TYPE_BITS;
    if (channel->type == TYPE_NONE && !node_find(node, "type"))
        fault_at(faults, node->key, "%s has no `type`; expected such as `type: u16`", id);
    if (is_bit && channel->type != TYPE_BITS)
        fault_at(faults, node_find(node, "type"),
                 "a coil or discrete input holds one bit; expected `type: bits`");
    channel->n_words =
        channel->type == TYPE_BITS ? 1 : (uint16_t)register_type_words(channel->type);
    if (channel->type == TYPE_TEXT && !length)
        fault_at(faults, node->key,
                 "%s is a text without `length`; expected such as `length: 8 registers`", id);
    else if (channel->type == TYPE_TEXT &&
             value_whole(faults, length, "length", 1, 32, "registers", &registers))
        channel->n_words = (uint16_t)registers;
    else if (length && channel->type != TYPE_TEXT)
        fault_at(faults, length->key,
                 "`length` is for `type: text` only; other types have their own width");
    bits_read(faults, node, channel);
    const struct node *words = node_find(node, "words");
    if (needs_order_of_words(channel) && !words)
        fault_at(faults, node->key,
                 "%s takes %u registers but doesn't say their order; expected `words: high-first` "
                 "or `words: low-first`",
                 id, channel->n_words);
    if (!needs_order_of_words(channel) && words)
        fault_at(faults, words->key,
                 "`words` is for values of more than one register; leave it out");
    if (channel->words == WORDS_UNSET)
        channel->words = WORDS_HIGH_FIRST;
}

/* ---- unit, scale, ranges ---- */

static void scale_read(struct plan_faults *faults, const struct node *node, struct channel *channel)
{
    const struct node *scale = node_find(node, "scale"), *offset = node_find(node, "offset");
    channel->scale = (struct decimal){1, 0};
    channel->offset = (struct decimal){0, 0};
    if (scale && value_decimal(faults, scale, "scale", &channel->scale) &&
        channel->scale.mantissa == 0) {
        fault_at(faults, scale, "a scale of 0 makes every value 0; expected such as 0.001");
        channel->scale = (struct decimal){1, 0};
    }
    if (offset)
        (void)value_decimal(faults, offset, "offset", &channel->offset);
    if (channel->type == TYPE_TEXT)
        for (int i = 0; i < 2; i++)
            if (i == 0 ? scale != NULL : offset != NULL)
                fault_at(faults, (i == 0 ? scale : offset)->key,
                         "`%s` has no meaning for %s; leave it out", i == 0 ? "scale" : "offset",
                         register_type_name(channel->type));
}

/* `psig`, `bara`: people write the reference into the unit. */
static bool unit_with_reference(const char *text, size_t length, enum quantity kind)
{
    return kind == QUANTITY_PRESSURE && length > 1 && length < 40 &&
           (text[length - 1] == 'g' || text[length - 1] == 'a') &&
           unit_find(text, length - 1, kind) != 0;
}

/* The unit stated, of the point's kind; false where there is none that fits. */
static bool unit_read(struct plan_faults *faults, const struct node *node, struct channel *channel,
                      const struct point *point)
{
    const struct node *unit = node_find(node, "unit");
    char names[160];
    units_of_kind(point->kind, names, sizeof names);
    if (kind_has_no_unit(point->kind)) {
        if (unit)
            fault_at(faults, unit->key, "%s is a %s and has no unit; leave `unit` out", point->id,
                     quantity_name(point->kind));
        return unit == NULL;
    }
    if (!unit) {
        fault_at(faults, node->key,
                 "%s is a %s without `unit`; expected the unit that the surface unit serves: %s",
                 point->id, quantity_name(point->kind), names);
        return false;
    }
    if (!value_is_text(faults, unit, "unit", names))
        return false;
    channel->unit = unit_find(unit->text, unit->length, point->kind);
    if (channel->unit)
        return true;
    const unit_number other = unit_find(unit->text, unit->length, QUANTITY_NONE);
    if (other)
        fault_at(faults, unit, "`%.40s` is a unit of %s, but %s is a %s; expected %s", unit->text,
                 quantity_name(unit_get(other)->kind), point->id, quantity_name(point->kind),
                 names);
    else if (unit_with_reference(unit->text, unit->length, point->kind))
        fault_at(
            faults, unit,
            "`%.40s` is a unit and a reference in one; expected `unit: %.*s` and `reference: %s`",
            unit->text, (int)unit->length - 1, unit->text,
            unit->text[unit->length - 1] == 'g' ? "gauge" : "absolute");
    else
        fault_at(faults, unit, "`%.40s` is no unit that is known here; expected %s", unit->text,
                 names);
    return false;
}

static void reference_check(struct plan_faults *faults, const struct node *node,
                            const struct channel *channel, const struct point *point)
{
    const struct node *reference = node_find(node, "reference");
    if (point->kind == QUANTITY_PRESSURE && !reference)
        fault_at(faults, node->key,
                 "%s is a pressure without `reference`; expected `reference: absolute`, `gauge` or "
                 "`unknown`",
                 point->id);
    if (point->kind != QUANTITY_PRESSURE && reference)
        fault_at(faults, reference->key, "`reference` is for pressures only; %s is a %s", point->id,
                 quantity_name(point->kind));
    (void)channel;
}

static void ranges_read(struct plan_faults *faults, const struct node *node,
                        struct channel *channel, const struct point *point)
{
    const unit_number unit = kind_has_no_unit(point->kind) ? 0 : point_unit(point->number);
    const struct node *instrument = node_find(node, "instrument_range"),
                      *expected = node_find(node, "expected_range"),
                      *rate = node_find(node, "max_rate"), *accuracy = node_find(node, "accuracy"),
                      *resolution = node_find(node, "resolution");
    if (instrument)
        channel->has_instrument_range =
            value_range(faults, instrument, "instrument_range", unit, &channel->instrument_low,
                        &channel->instrument_high);
    if (expected)
        channel->has_expected_range = value_range(faults, expected, "expected_range", unit,
                                                  &channel->expected_low, &channel->expected_high);
    if (channel->has_instrument_range && channel->has_expected_range &&
        (channel->expected_low < channel->instrument_low ||
         channel->expected_high > channel->instrument_high))
        fault_at(faults, expected,
                 "`expected_range: %.40s` reaches beyond `instrument_range: %.40s` of line %d; "
                 "expected a part of it",
                 expected->text, instrument->text, instrument->line);
    const struct node *of_amounts = rate ? rate : accuracy ? accuracy : resolution;
    if (of_amounts && unit == 0) {
        fault_at(faults, of_amounts->key, "`%s` has no meaning for a %s; leave it out",
                 rate       ? "max_rate"
                 : accuracy ? "accuracy"
                            : "resolution",
                 quantity_name(point->kind));
        return;
    }
    if (rate)
        channel->has_max_rate =
            value_rate(faults, rate, "max_rate", unit, &channel->max_rate_per_s);
    if (accuracy)
        channel->has_accuracy =
            value_quantity(faults, accuracy, "accuracy", unit_of_difference(unit), 0, 1e12, NULL,
                           &channel->accuracy);
    if (resolution)
        channel->has_resolution =
            value_quantity(faults, resolution, "resolution", unit_of_difference(unit), 0, 1e12,
                           NULL, &channel->resolution);
}

static void conversion_read(struct plan_faults *faults, const struct node *node,
                            struct channel *channel, const struct point *point)
{
    struct up_error error = {0};
    if (kind_has_no_unit(point->kind)) {
        const double scale = decimal_to_double(channel->scale),
                     offset = decimal_to_double(channel->offset);
        channel->to_point = (struct conversion){scale, offset, 1};
    } else if (conversion_make(channel->scale, channel->offset, channel->unit,
                               point_unit(point->number), &channel->to_point, &error) != UP_OK) {
        fault_at(faults, node->key, "scale and offset of %s can't be combined with its unit: %s",
                 point->id, error.why);
        return;
    }
    if (!isfinite(channel->to_point.multiply) || !isfinite(channel->to_point.add) ||
        !isfinite(channel->to_point.divide))
        fault_at(faults, node->key, "scale and offset of %s are beyond all measure", point->id);
}

void channel_read(struct plan_faults *faults, const struct node *node, const struct map *map,
                  int numbering, struct channel *channel)
{
    const int before = faults->n + faults->more;
    const struct point *point = point_get(channel->point);
    char owner[80];
    (void)map;
    (void)snprintf(owner, sizeof owner, "channel %.60s", point->id);
    if (!keys_read(faults, node, SECTION_CHANNEL, 0, owner, channel))
        return;
    if (point->group == POINT_GROUP_CHAIN) {
        fault_at(faults, node->key, "%s is worked out by this program; no register can hold it",
                 point->id);
        return;
    }
    width_read(faults, node, channel, point->id);
    (void)address_read(faults, node, numbering, channel->n_words, true, point->id, &channel->table,
                       &channel->address);
    reference_check(faults, node, channel, point);
    scale_read(faults, node, channel);
    if (unit_read(faults, node, channel, point)) {
        ranges_read(faults, node, channel, point);
        if (faults->n + faults->more == before)
            conversion_read(faults, node, channel, point);
    }
    markers_read(faults, node_find(node, "not_fitted"), "not_fitted", channel, channel->not_fitted,
                 &channel->n_markers);
    markers_read(faults, node_find(node, "faults"), "faults", channel, channel->faults,
                 &channel->n_faults);
    markers_read(faults, node_find(node, "limits"), "limits", channel, channel->limits,
                 &channel->n_limits);
    markers_differ(faults, node, channel);
    values_read(faults, node_find(node, "values"), channel);
    if (point->number == POINT_DRIVE_RUN_STATE && !node_find(node, "values"))
        fault_at(faults, node->key,
                 "drive_run_state has no `values`; expected which raw numbers mean stopped, "
                 "running and tripped, such as `values: {0: stopped, 1: running}`");
    if (channel->type == TYPE_TEXT && !kind_has_no_unit(point->kind))
        fault_at(faults, node->key, "%s is a %s; a text can't hold it", point->id,
                 quantity_name(point->kind));
}
