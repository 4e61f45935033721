/* SPDX-License-Identifier: Apache-2.0
 *
 * map.c - a map: where a kind of surface unit keeps its channels, which registers may be read, and
 * how it tells the gauge's state.
 *
 * Addresses are kept from 0 as on the wire, whatever the map's own numbering.
 */
#include "rooms.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- ranges of registers ---- */

static void range_read(struct plan_faults *faults, const struct node *at, const char *name,
                       int numbering, struct register_range *ranges, uint16_t *n)
{
    const char *low, *high;
    size_t low_length, high_length;
    int table = TABLE_NONE;
    if (at->kind != NODE_MAP || at->n != 1) {
        fault_at(faults, at, "`%s` holds %s; expected entries such as `{input: 0 to 63}`", name,
                 node_kind_name(at));
        return;
    }
    const struct node *span = at->first;
    if (!value_choice(faults, span->key, name, CHOICES_TABLE, &table) ||
        !value_span(faults, span, span->key->text, &low, &low_length, &high, &high_length))
        return;
    struct register_range *range = &ranges[*n];
    range->table = (uint8_t)table;
    if (!address_from_text(faults, span, low, low_length, numbering, range->table, &range->first) ||
        !address_from_text(faults, span, high, high_length, numbering, range->table, &range->last))
        return;
    if (range->first > range->last)
        fault_at(faults, span, "`%.40s` ends before it begins; expected the lower number first",
                 span->text);
    else
        (*n)++;
}

static void ranges_read(struct plan_faults *faults, const struct node *list, const char *name,
                        int numbering, struct register_range *ranges, uint16_t *n)
{
    if (!list)
        return;
    if (list->kind != NODE_LIST) {
        fault_at(faults, list, "`%s` holds %s; expected a list such as `[{input: 0 to 63}]`", name,
                 node_kind_name(list));
        return;
    }
    for (const struct node *at = list->first; at; at = at->next) {
        if (*n == MAP_RANGES_MAX) {
            fault_at(faults, at, "more than %d ranges in `%s`", MAP_RANGES_MAX, name);
            return;
        }
        range_read(faults, at, name, numbering, ranges, n);
    }
}

/* ---- status, counter, unit register ---- */

static void status_entry_read(struct plan_faults *faults, const struct node *at, bool is_bit,
                              struct map *map)
{
    uint64_t raw;
    int role;
    if (!whole_from_text(at->key->text, at->key->length, &raw) || raw > (is_bit ? 15 : 65535)) {
        fault_at(faults, at->key,
                 is_bit ? "`%.40s` is no bit of a status word; expected 0 to 15"
                        : "`%.40s` is no value of a status word; expected 0 to 65535",
                 at->key->text);
        return;
    }
    if (!value_choice(faults, at, at->key->text, CHOICES_ROLE, &role))
        return;
    if (is_bit) {
        map->status_bit[raw] = (uint8_t)role;
        return;
    }
    for (int i = 0; i < map->n_status_values; i++) {
        if (map->status_value[i].raw == raw) {
            fault_at(faults, at->key, "`%.40s` is the same value as an entry above", at->key->text);
            return;
        }
    }
    if (map->n_status_values == 16) {
        fault_at(faults, at->key, "more than 16 values of a status word");
        return;
    }
    map->status_value[map->n_status_values].raw = (uint16_t)raw;
    map->status_value[map->n_status_values++].role = (uint8_t)role;
}

static void status_read(struct plan_faults *faults, const struct node *node, int numbering,
                        struct map *map)
{
    static const char EXPECTED[] = "expected `bits: {0: live}` or `values: {1: live}`";
    if (!node || !keys_read(faults, node, SECTION_STATUS, 0, "gauge_status", map))
        return;
    const struct node *bits = node_find(node, "bits"), *values = node_find(node, "values");
    map->has_status = address_read(faults, node, numbering, 1, false, "gauge_status",
                                   &map->status_table, &map->status_address);
    if ((bits != NULL) == (values != NULL)) {
        fault_at(faults, node->key, "gauge_status says %s; %s",
                 bits ? "both `bits` and `values`" : "nothing about its meaning", EXPECTED);
        return;
    }
    const struct node *meaning = bits ? bits : values;
    if (meaning->kind != NODE_MAP || meaning->n == 0) {
        fault_at(faults, meaning, "`%s` holds %s; %s", meaning->key->text, node_kind_name(meaning),
                 EXPECTED);
        return;
    }
    for (const struct node *at = meaning->first; at; at = at->next)
        status_entry_read(faults, at, bits != NULL, map);
}

static void counter_read(struct plan_faults *faults, const struct node *node, int numbering,
                         struct map *map)
{
    static const struct choice TYPES[] = {{"u16", 1}, {"u32", 2}, {NULL, 0}};
    int words = 1, order = WORDS_HIGH_FIRST;
    if (!node || !keys_read(faults, node, SECTION_REGISTER, 0, "refresh_counter", map))
        return;
    const struct node *type = node_find(node, "type"), *order_node = node_find(node, "words");
    if (type && !value_choice(faults, type, "type", TYPES, &words))
        return;
    if (words == 2 && !order_node)
        fault_at(faults, node->key,
                 "refresh_counter takes 2 registers but doesn't say their order; expected `words: "
                 "high-first` or `words: low-first`");
    if (words == 1 && order_node)
        fault_at(faults, order_node->key,
                 "`words` is for values of more than one register; leave it out");
    else if (order_node)
        (void)value_choice(faults, order_node, "words", CHOICES_WORDS, &order);
    map->counter_words = (uint8_t)words;
    map->counter_order = (uint8_t)order;
    map->has_counter = address_read(faults, node, numbering, (unsigned)words, false,
                                    "refresh_counter", &map->counter_table, &map->counter_address);
}

/* ---- channels ---- */

static void channels_read(struct plan_faults *faults, const struct node *node, int numbering,
                          struct map *map)
{
    if (!node)
        return;
    if (node->kind != NODE_MAP || node->n == 0) {
        fault_at(faults, node,
                 "`channels` holds %s; expected sections by point, such as `intake_pressure: "
                 "{input: 16, type: u16, ...}`",
                 node->kind == NODE_MAP ? "nothing" : node_kind_name(node));
        return;
    }
    for (const struct node *at = node->first; at; at = at->next) {
        const unsigned point = point_find(at->key->text, at->key->length);
        if (!point) {
            const char *close = suggest(at->key->text, point_name_at, NULL);
            fault_at(faults, at->key, "`%.60s` is no point%s%s%s", at->key->text,
                     close ? "; did you mean `"
                           : "; expected an id of the list of points, such as intake_pressure",
                     close ? close : "", close ? "`" : "");
            continue;
        }
        if (map->n_channels == MAP_CHANNELS_MAX) {
            fault_at(faults, at->key, "more than %d channels in one map", MAP_CHANNELS_MAX);
            return;
        }
        int place = map->n_channels++; /* ascending by point number */
        while (place > 0 && map->channel[place - 1].point > point) {
            map->channel[place] = map->channel[place - 1];
            place--;
        }
        memset(&map->channel[place], 0, sizeof map->channel[place]);
        map->channel[place].point = (uint16_t)point;
        channel_read(faults, at, map, numbering, &map->channel[place]);
    }
}

/** Each reading of each scan asks where its channel is. */
static void channels_index(struct map *map)
{
    memset(map->place, 0, sizeof map->place);
    for (int i = 0; i < map->n_channels; i++)
        map->place[map->channel[i].point] = (uint8_t)(i + 1);
    map->n_indexed = map->n_channels;
}

static const struct node *channel_node(const struct node *channels, const struct channel *channel)
{
    return node_find(channels, point_get(channel->point)->id);
}

static void partner_read(struct plan_faults *faults, const struct node *node, const struct map *map,
                         struct channel *channel)
{
    const struct node *partner = node_find(node, "not_fitted_if");
    if (!partner ||
        !value_is_text(faults, partner, "not_fitted_if", "the id of another channel of this map"))
        return;
    const unsigned point = point_find(partner->text, partner->length);
    const struct channel *other = point ? map_channel(map, point) : NULL;
    if (!other || other == channel)
        fault_at(faults, partner, "`not_fitted_if: %.60s` names no other channel of this map",
                 partner->text);
    else if (other->n_markers == 0 || channel->n_markers == 0)
        fault_at(faults, partner, "`not_fitted_if` needs `not_fitted` on both channels, %s and %s",
                 point_get(channel->point)->id, point_get(other->point)->id);
    else
        channel->not_fitted_if = (uint16_t)point;
}

/* Status, counter and unit register are read with each scan: `never` may not hold them. */
static void never_check_register(struct plan_faults *faults, const struct node *node,
                                 const struct map *map, bool is_there, uint8_t table,
                                 unsigned address, unsigned n)
{
    for (int i = 0; is_there && i < map->n_never; i++)
        if (map->never[i].table == table && map->never[i].first < address + n &&
            map->never[i].last >= address)
            fault_at(faults, node->key,
                     "%s stands in registers that `never` forbids (%u to %u on the wire)",
                     node->key->text, map->never[i].first, map->never[i].last);
}

static void never_check(struct plan_faults *faults, const struct node *node, const struct map *map,
                        const struct channel *channel)
{
    const int last = channel->address + channel->n_words - 1;
    for (int i = 0; i < map->n_never; i++)
        if (map->never[i].table == channel->table && map->never[i].first <= last &&
            map->never[i].last >= channel->address)
            fault_at(faults, node->key,
                     "%s stands in registers that `never` forbids (%u to %u on the wire)",
                     point_get(channel->point)->id, map->never[i].first, map->never[i].last);
    if (channel->table >= TABLE_HOLDING && channel->n_words > map->largest_read)
        fault_at(faults, node->key,
                 "%s takes %u registers, more than `largest_read` of %u in one request",
                 point_get(channel->point)->id, channel->n_words, map->largest_read);
}

bool map_read(struct plan_faults *faults, const struct node *node, struct map *map)
{
    const int before = faults->n + faults->more;
    const struct node *name = node_find(node, "map"), *channels = node_find(node, "channels");
    char owner[60];
    int numbering = 0;
    (void)snprintf(owner, sizeof owner, "map%s%.*s", name ? " " : "", NAME_LENGTH_MAX,
                   name ? name->text : "");
    if (!keys_read(faults, node, SECTION_MAP, 0, owner, map))
        return false;
    const struct node *numbering_node = node_find(node, "numbering");
    if (!numbering_node ||
        !value_choice(faults, numbering_node, "numbering", CHOICES_NUMBERING, &numbering))
        return false; /* no address can be read without it */
    ranges_read(faults, node_find(node, "readable"), "readable", numbering, map->readable,
                &map->n_readable);
    ranges_read(faults, node_find(node, "never"), "never", numbering, map->never, &map->n_never);
    status_read(faults, node_find(node, "gauge_status"), numbering, map);
    counter_read(faults, node_find(node, "refresh_counter"), numbering, map);
    unit_register_read(faults, node_find(node, "unit_register"), numbering, map);
    channels_read(faults, channels, numbering, map);
    channels_index(map);
    if (faults->n + faults->more != before)
        return false;
    for (int i = 0; i < map->n_channels; i++) {
        partner_read(faults, channel_node(channels, &map->channel[i]), map, &map->channel[i]);
        never_check(faults, channel_node(channels, &map->channel[i]), map, &map->channel[i]);
    }
    never_check_register(faults, node_find(node, "gauge_status"), map, map->has_status,
                         map->status_table, map->status_address, 1);
    never_check_register(faults, node_find(node, "refresh_counter"), map, map->has_counter,
                         map->counter_table, map->counter_address, map->counter_words);
    for (int i = 0; i < map->n_unit_registers; i++)
        never_check_register(faults, node_find(node, "unit_register"), map, true,
                             map->unit_registers[i].table, map->unit_registers[i].address, 1);
    unit_settings_check(faults, node_find(node, "unit_register"), channels, map);
    if (map->holds_last && !map->relayed_by)
        fault_at(faults, node_find(node, "holds_last")->key,
                 "`holds_last` without `relayed_by`; expected which device holds the values");
    return faults->n + faults->more == before;
}

const struct channel *map_channel(const struct map *map, unsigned point)
{
    if (map->n_indexed == map->n_channels && point < POINT_COUNT)
        return map->place[point] > 0 ? &map->channel[map->place[point] - 1] : NULL;
    for (int i = 0; i < map->n_channels; i++)
        if (map->channel[i].point == point)
            return &map->channel[i];
    return NULL;
}

/* ---- register types ---- */

static const uint8_t TYPE_WORDS[] = {
    [TYPE_NONE] = 0,  [TYPE_U16] = 1,    [TYPE_S16] = 1,  [TYPE_U32] = 2,  [TYPE_S32] = 2,
    [TYPE_U64] = 4,   [TYPE_S64] = 4,    [TYPE_F32] = 2,  [TYPE_F64] = 4,  [TYPE_BCD16] = 1,
    [TYPE_BCD32] = 2, [TYPE_M10K32] = 2, [TYPE_BITS] = 1, [TYPE_TEXT] = 0,
};

unsigned register_type_words(enum register_type type)
{
    return (size_t)type < sizeof TYPE_WORDS ? TYPE_WORDS[type] : 0;
}

const char *register_type_name(enum register_type type)
{
    return choice_name(CHOICES_TYPE, (int)type);
}

enum register_type register_type_from_name(const char *name, size_t length)
{
    for (const struct choice *at = CHOICES_TYPE; at->name; at++)
        if (strlen(at->name) == length && memcmp(at->name, name, length) == 0)
            return (enum register_type)at->value;
    return TYPE_NONE;
}
