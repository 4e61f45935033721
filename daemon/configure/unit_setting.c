/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_setting.c - `unit_register` of a map: where the surface unit keeps the units that are set on
 * it, which number means which unit, and which channels that concerns.
 *
 *   unit_register: {holding: 90, pressure: {0: MPa, 1: psi}, temperature: {0: degC, 1: degF}}
 *   unit_register:
 *     pressure:    {holding: 90, bits: 0 to 3, 0: MPa, 1: {unit: psi, scale: 0.1}}
 *     temperature: {holding: 91, 0: degC, 1: degF}
 *     except: [wellhead_temperature]
 *
 * Without meanings the register is only watched.
 */
#include "rooms.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const uint8_t KINDS[UNIT_SETTINGS_MAX] = {QUANTITY_PRESSURE, QUANTITY_TEMPERATURE};

uint16_t unit_setting_bits(const struct unit_setting *setting, uint16_t word)
{
    const unsigned width = (unsigned)(setting->bit_high - setting->bit_low) + 1;
    return (uint16_t)((unsigned)word >> setting->bit_low &
                      (width >= 16 ? 0xFFFFu : (1u << width) - 1));
}

const struct unit_meaning *unit_meaning_of(const struct unit_setting *setting, uint16_t word)
{
    const uint16_t raw = unit_setting_bits(setting, word);
    for (unsigned i = 0; i < setting->n_meanings; i++)
        if (setting->meaning[i].raw == raw)
            return &setting->meaning[i];
    return NULL;
}

bool unit_meaning_conversion(const struct channel *channel, const struct unit_meaning *meaning,
                             struct conversion *out)
{
    struct up_error error = {0};
    return conversion_make(meaning->has_scale ? meaning->scale : channel->scale, channel->offset,
                           meaning->unit, point_unit(channel->point), out, &error) == UP_OK;
}

/* ---- reading ---- */

/** The register among those that are read; it is added where it is not there yet. */
static uint8_t register_of(struct map *map, uint8_t table, uint16_t address)
{
    for (uint8_t i = 0; i < map->n_unit_registers; i++)
        if (map->unit_registers[i].table == table && map->unit_registers[i].address == address)
            return i;
    map->unit_registers[map->n_unit_registers] =
        (struct register_at){.table = table, .address = address};
    return map->n_unit_registers++; /* at most one a kind, and the first */
}

static bool meaning_unit(struct plan_faults *faults, const struct node *node,
                         const struct unit_setting *setting, struct unit_meaning *meaning)
{
    char names[160];
    units_of_kind((enum quantity)setting->kind, names, sizeof names);
    if (!value_is_text(faults, node, "unit_register", names))
        return false;
    meaning->unit = unit_find(node->text, node->length, (enum quantity)setting->kind);
    if (meaning->unit == 0)
        fault_at(faults, node, "`%.40s` is no unit of %s; expected %s", node->text,
                 quantity_name((enum quantity)setting->kind), names);
    return meaning->unit != 0;
}

static bool meaning_value(struct plan_faults *faults, const struct node *at,
                          const struct unit_setting *setting, struct unit_meaning *meaning)
{
    if (at->kind != NODE_MAP)
        return meaning_unit(faults, at, setting, meaning);
    const struct node *unit = node_find(at, "unit"), *scale = node_find(at, "scale");
    if (unit == NULL || at->n != (scale != NULL ? 2 : 1)) {
        fault_at(faults, at,
                 "`%.40s` of unit_register holds something else; expected a unit, or `{unit: psi, "
                 "scale: 0.1}`",
                 at->key->text);
        return false;
    }
    if (!meaning_unit(faults, unit, setting, meaning))
        return false;
    meaning->has_scale = scale != NULL;
    if (scale != NULL && !value_decimal(faults, scale, "scale", &meaning->scale))
        return false;
    if (scale != NULL && meaning->scale.mantissa == 0) {
        fault_at(faults, scale, "a scale of 0 makes every value 0; expected such as 0.1");
        return false;
    }
    return true;
}

static void meaning_read(struct plan_faults *faults, const struct node *at,
                         struct unit_setting *setting)
{
    uint64_t raw;
    struct unit_meaning meaning = {0};
    const unsigned limit = unit_setting_bits(setting, 0xFFFF); /* all of its bits set */
    if (!whole_from_text(at->key->text, at->key->length, &raw) || raw > limit) {
        fault_at(faults, at->key,
                 "`%.40s` is no number of the unit-setting register; expected 0 to %u, `bits`, "
                 "`input` or `holding`",
                 at->key->text, limit);
        return;
    }
    for (unsigned i = 0; i < setting->n_meanings; i++)
        if (setting->meaning[i].raw == raw) {
            fault_at(faults, at->key, "`%.40s` is the same number as an entry above",
                     at->key->text);
            return;
        }
    if (setting->n_meanings == UNIT_MEANINGS_MAX) {
        fault_at(faults, at->key, "more than %d numbers of a unit-setting register",
                 UNIT_MEANINGS_MAX);
        return;
    }
    meaning.raw = (uint16_t)raw;
    if (meaning_value(faults, at, setting, &meaning))
        setting->meaning[setting->n_meanings++] = meaning;
}

static bool bits_of(struct plan_faults *faults, const struct node *bits,
                    struct unit_setting *setting)
{
    const char *low, *high;
    size_t low_length, high_length;
    uint64_t first = 0, last = 0;
    setting->bit_low = 0;
    setting->bit_high = 15;
    if (bits == NULL)
        return true;
    if (!value_span(faults, bits, "bits", &low, &low_length, &high, &high_length))
        return false;
    if (!whole_from_text(low, low_length, &first) || !whole_from_text(high, high_length, &last) ||
        first > last || last > 15) {
        fault_at(faults, bits, "`bits: %.40s` lies outside a register; expected bits of 0 to 15",
                 bits->text);
        return false;
    }
    setting->bit_low = (uint8_t)first;
    setting->bit_high = (uint8_t)last;
    return true;
}

static bool is_place(const struct node *key)
{
    return node_is(key, "bits") || node_is(key, "input") || node_is(key, "holding");
}

static void setting_read(struct plan_faults *faults, const struct node *node, uint8_t kind,
                         int numbering, struct map *map)
{
    struct unit_setting *setting = &map->unit_settings[map->n_unit_settings];
    uint8_t table = map->unit_register_table;
    uint16_t address = map->unit_register_address;
    if (node->kind != NODE_MAP) {
        fault_at(faults, node,
                 "`%s` of unit_register holds %s; expected such as `{0: MPa, 1: psi}`",
                 node->key->text, node_kind_name(node));
        return;
    }
    *setting = (struct unit_setting){.kind = kind};
    if (!bits_of(faults, node_find(node, "bits"), setting))
        return;
    if (node_find(node, "input") != NULL || node_find(node, "holding") != NULL) {
        if (!address_read(faults, node, numbering, 1, false, "unit_register", &table, &address))
            return;
    } else if (!map->has_unit_register) {
        fault_at(faults, node->key,
                 "`%s` of unit_register has no register; expected `input: N` or `holding: N` here, "
                 "or beside it for both kinds",
                 node->key->text);
        return;
    }
    const int before = faults->n + faults->more;
    for (const struct node *at = node->first; at; at = at->next)
        if (!is_place(at->key))
            meaning_read(faults, at, setting);
    if (setting->n_meanings == 0 && faults->n + faults->more == before)
        fault_at(faults, node->key,
                 "`%s` of unit_register says nothing; expected such as `{0: MPa, 1: psi}`",
                 node->key->text);
    if (faults->n + faults->more != before)
        return;
    setting->at = register_of(map, table, address);
    map->n_unit_settings++;
}

void unit_register_read(struct plan_faults *faults, const struct node *node, int numbering,
                        struct map *map)
{
    if (!node || !keys_read(faults, node, SECTION_UNIT_REGISTER, 0, "unit_register", map))
        return;
    const struct node *kinds[UNIT_SETTINGS_MAX] = {node_find(node, "pressure"),
                                                   node_find(node, "temperature")};
    const bool has_place = node_find(node, "input") != NULL || node_find(node, "holding") != NULL;
    if (has_place || (kinds[0] == NULL && kinds[1] == NULL)) {
        map->has_unit_register =
            address_read(faults, node, numbering, 1, false, "unit_register",
                         &map->unit_register_table, &map->unit_register_address);
        if (!map->has_unit_register)
            return;
        (void)register_of(map, map->unit_register_table, map->unit_register_address);
    }
    for (int k = 0; k < UNIT_SETTINGS_MAX; k++)
        if (kinds[k] != NULL)
            setting_read(faults, kinds[k], KINDS[k], numbering, map);
}

/* ---- which channels it concerns ---- */

static struct channel *channel_of(struct map *map, unsigned point)
{
    for (int i = 0; i < map->n_channels; i++)
        if (map->channel[i].point == point)
            return &map->channel[i];
    return NULL;
}

static void except_read(struct plan_faults *faults, const struct node *list, struct map *map)
{
    if (list == NULL)
        return;
    if (list->kind != NODE_LIST) {
        fault_at(faults, list,
                 "`except` holds %s; expected a list of points such as `[wellhead_temperature]`",
                 node_kind_name(list));
        return;
    }
    for (const struct node *at = list->first; at; at = at->next) {
        const unsigned point = at->kind == NODE_SCALAR ? point_find(at->text, at->length) : 0;
        struct channel *channel = point != 0 ? channel_of(map, point) : NULL;
        if (channel == NULL || channel->setting == 0)
            fault_at(faults, at,
                     "`except` names %.60s, which is no channel that unit_register concerns",
                     at->kind == NODE_SCALAR ? at->text : node_kind_name(at));
        else
            channel->setting = 0;
    }
}

/** The unit that the channel states is one of the meanings, and each of them can be reached. */
static void channel_check(struct plan_faults *faults, const struct node *node,
                          const struct unit_setting *setting, const struct channel *channel)
{
    const char *id = point_get(channel->point)->id, *unit = unit_get(channel->unit)->name;
    bool has_own = false;
    for (unsigned i = 0; i < setting->n_meanings; i++) {
        const struct unit_meaning *meaning = &setting->meaning[i];
        struct conversion conversion;
        if (meaning->unit == channel->unit && meaning->has_scale) {
            fault_at(faults, node->key,
                     "%s says `unit: %s`, and unit_register a scale for it too; leave the scale "
                     "out there",
                     id, unit);
            return;
        }
        has_own = has_own || meaning->unit == channel->unit;
        if (!unit_meaning_conversion(channel, meaning, &conversion) ||
            !isfinite(conversion.multiply) || !isfinite(conversion.add) ||
            !isfinite(conversion.divide)) {
            fault_at(faults, node->key, "scale and offset of %s can't be combined with %s", id,
                     unit_get(meaning->unit)->name);
            return;
        }
    }
    if (!has_own)
        fault_at(faults, node->key,
                 "%s says `unit: %s`, which unit_register never means; expected the unit for which "
                 "its scale stands, or the channel in `except` of unit_register",
                 id, unit);
}

void unit_settings_check(struct plan_faults *faults, const struct node *node,
                         const struct node *channels, struct map *map)
{
    for (int i = 0; i < map->n_channels; i++)
        for (uint8_t k = 0; k < map->n_unit_settings; k++)
            if (map->channel[i].unit != 0 && map->channel[i].type != TYPE_TEXT &&
                unit_get(map->channel[i].unit)->kind == map->unit_settings[k].kind)
                map->channel[i].setting = (uint8_t)(k + 1);
    if (node == NULL)
        return;
    except_read(faults, node_find(node, "except"), map);
    for (int i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        if (channel->setting == 0)
            continue;
        channel_check(faults, node_find(channels, point_get(channel->point)->id),
                      &map->unit_settings[channel->setting - 1], channel);
        for (int k = 0; k < i; k++)
            if (map->channel[k].setting == channel->setting &&
                map->channel[k].unit != channel->unit) {
                fault_at(faults, node_find(channels, point_get(channel->point)->id)->key,
                         "%s says `unit: %s` and %s `unit: %s`, but one setting gives both theirs; "
                         "expected the same unit",
                         point_get(channel->point)->id, unit_get(channel->unit)->name,
                         point_get(map->channel[k].point)->id,
                         unit_get(map->channel[k].unit)->name);
                return;
            }
    }
}

/* ---- canonical text ---- */

static void put_place(struct text_out *out, int indent, const struct register_at *at)
{
    text_put(out, "%*s%s: %u\n", indent, "", choice_name(CHOICES_TABLE, at->table), at->address);
}

static bool is_excepted(const struct map *map, const struct channel *channel)
{
    for (int k = 0; k < map->n_unit_settings; k++)
        if (channel->unit != 0 && channel->type != TYPE_TEXT && channel->setting == 0 &&
            unit_get(channel->unit)->kind == map->unit_settings[k].kind)
            return true;
    return false;
}

void unit_register_write(struct text_out *out, const struct map *map, int indent)
{
    if (map->n_unit_registers == 0)
        return;
    text_put(out, "%*sunit_register:\n", indent, "");
    if (map->has_unit_register)
        put_place(out, indent + 2, &map->unit_registers[0]);
    for (int k = 0; k < map->n_unit_settings; k++) {
        const struct unit_setting *setting = &map->unit_settings[k];
        text_put(out, "%*s%s:\n", indent + 2, "",
                 setting->kind == QUANTITY_PRESSURE ? "pressure" : "temperature");
        put_place(out, indent + 4, &map->unit_registers[setting->at]);
        text_put(out, "%*sbits: %u to %u\n", indent + 4, "", setting->bit_low, setting->bit_high);
        for (int i = 0; i < setting->n_meanings; i++) {
            const struct unit_meaning *meaning = &setting->meaning[i];
            char scale[DECIMAL_TEXT_MAX];
            decimal_to_text(meaning->scale, scale);
            if (meaning->has_scale)
                text_put(out, "%*s%u: {unit: \"%s\", scale: %s}\n", indent + 4, "", meaning->raw,
                         unit_get(meaning->unit)->name, scale);
            else
                text_put(out, "%*s%u: \"%s\"\n", indent + 4, "", meaning->raw,
                         unit_get(meaning->unit)->name);
        }
    }
    bool any = false;
    for (int i = 0; i < map->n_channels; i++)
        if (is_excepted(map, &map->channel[i])) {
            if (any)
                text_put(out, ", ");
            else
                text_put(out, "%*sexcept: [", indent + 2, "");
            text_put(out, "%s", point_get(map->channel[i].point)->id);
            any = true;
        }
    if (any)
        text_put(out, "]\n");
}
